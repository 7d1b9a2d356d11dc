"""How the templates say things: times at the station, ages, qualities."""

from datetime import timedelta
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from stream.report.summary.render import RANKS, VERDICTS, station_filters
from stream.science.quality.flags import FLAGS
from stream.station import StationFile, read_clock

QUALITY: Final = {
    0: ("", "nothing yet"),
    1: ("✓", "good"),
    2: ("…", "not evaluated"),
    3: ("?", "suspect"),
    4: ("✕", "bad"),
    9: ("–", "missing"),
}
"""Quality → sign and word; a colour goes with it, and never alone."""


def templates(file: StationFile) -> Environment:
    """The templates, with what they need to speak of this station."""
    environment = Environment(
        loader=PackageLoader("stream.web"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    environment.filters.update(station_filters(read_clock(file.station.station.timezone)), age=age)
    environment.globals.update(
        quality_of=QUALITY,
        verdicts=VERDICTS,
        ranks=RANKS,
        flags=FLAGS,
        zone=file.station.station.timezone,
    )
    return environment


def age(minutes: float | None) -> str:
    """How long ago, in the unit that people would use."""
    if minutes is None:
        return "never"
    span = timedelta(minutes=minutes)
    if span < timedelta(minutes=90):
        return f"{minutes:.0f} min ago"
    if span < timedelta(hours=36):
        return f"{minutes / 60:.0f} h ago"
    return f"{minutes / 1440:.0f} d ago"
