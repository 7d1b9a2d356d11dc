"""How the templates say things: times at the station, ages, qualities."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined

from stream.records import SECOND
from stream.science.flags import FLAGS
from stream.station import StationFile, read_clock
from stream.summary.render import RANKS, VERDICTS, number

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
        loader=PackageLoader("stream.page"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )
    environment.filters.update(_filters(read_clock(file.station.station.timezone)))
    environment.globals.update(
        quality_of=QUALITY,
        verdicts=VERDICTS,
        ranks=RANKS,
        flags=FLAGS,
        zone=file.station.station.timezone,
    )
    return environment


def _filters(zone: tzinfo) -> Mapping[str, Callable[..., Any]]:
    def local(at: Any) -> datetime:
        if isinstance(at, int | float):
            return datetime.fromtimestamp(at / SECOND, UTC).astimezone(zone)
        return datetime.fromisoformat(at).astimezone(zone)

    return {
        "clock": lambda at: local(at).strftime("%H:%M"),
        "moment": lambda at: local(at).strftime("%Y-%m-%d %H:%M"),
        "second": lambda at: local(at).strftime("%Y-%m-%d %H:%M:%S"),
        "spoken": lambda word: str(word).replace("_", " "),
        "number": number,
        "age": age,
    }


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
