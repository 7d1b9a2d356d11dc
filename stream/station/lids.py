"""Lids that share one column: its number, or its word, says which chamber is closed."""

from collections.abc import Iterator

from stream.station.models import Chamber, Station, lids_of_one_column


def closing_words(station: Station, chamber: Chamber) -> list[str]:
    """Words by which a lid's ``states`` say that it is closed."""
    channel = station.channels.get(chamber.lid_channel or "")
    states = {} if channel is None else channel.states
    return [word for word, number in states.items() if number == chamber.lid_closed]


def shared_lid_faults(station: Station) -> Iterator[str]:
    """Lids of one column that nothing tells apart."""
    sharing = lids_of_one_column(station)
    taken: dict[tuple[str, str], str] = {}
    for i, chamber in enumerate(station.chambers):
        lid = chamber.lid_channel
        if lid not in sharing:
            continue
        column = station.channels[lid].column or lid
        words = [word.lower() for word in closing_words(station, chamber)]
        for sign in words or [f"{chamber.lid_closed:g}"]:
            other = taken.setdefault((column.casefold(), sign), lid)
            if other == lid:
                continue
            if words:
                yield (
                    f"channels.{lid}.states: {sign!r} in the column {column!r} closes"
                    f" {other!r} already; give each lid the word for its own chamber"
                )
            else:
                yield (
                    f"chambers[{i}].lid_closed: {sign} in the column {column!r} closes"
                    f" {other!r} already; write the number that stands there while this chamber"
                    " is closed"
                )
