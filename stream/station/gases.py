"""The gases that a station measures."""

from stream.station.models import Station


def gases_of(station: Station) -> tuple[str, ...]:
    """Gases of all analyzers, each once, in the order of the station file."""
    return tuple(dict.fromkeys(gas for a in station.analyzers for gas in a.gases))
