"""A summary as HTML for mail and browser, as plain text, and as JSON."""

import json
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, tzinfo
from functools import partial
from pathlib import Path
from textwrap import fill
from typing import Any, Final

from jinja2 import Environment, PackageLoader

from stream.files import write_whole
from stream.report.summary.model import DaySummary, FluxDay
from stream.science.quality.flags import FLAGS
from stream.station import read_clock
from stream.times import SECOND

VERDICTS: Final = {"good": "Good", "look": "Look at it", "act": "Act now"}
RANKS: Final = {1: "now", 2: "today", 3: "next visit"}
_MARKS: Final = {"good": "✓", "look": "?", "act": "!"}


def as_json(summary: DaySummary) -> str:
    """The whole, for other programs."""
    return json.dumps(summary.as_dict(), ensure_ascii=False, indent=1) + "\n"


def as_html(summary: DaySummary) -> str:
    """One page without anything from outside, for mail and browser."""
    return _environment(summary, escape=True).get_template("summary.html").render(s=summary)


def as_text(summary: DaySummary) -> str:
    """For a terminal and for plain mail."""
    text = _environment(summary, escape=False).get_template("summary.txt").render(s=summary)
    return text.strip() + "\n"


def subject(summary: DaySummary) -> str:
    """One line for the head of a mail: the verdict first."""
    first = summary.tasks[0] if summary.tasks else None
    what = f": {first.where}, {first.why}" if first and first.rank == 1 else ""
    line = f"[{summary.station}] {summary.day} {VERDICTS[summary.verdict]}{what}"
    return line if len(line) <= 120 else line[:117] + "..."


def write_summary(summary: DaySummary, folder: Path) -> list[Path]:
    """Write all three forms into a folder, each whole or not at all.

    Raises
    ------
    LidstreamError
        The folder cannot be written.
    """
    written = []
    for ending, make in (("html", as_html), ("txt", as_text), ("json", as_json)):
        path = folder / f"{summary.station}-{summary.day}.{ending}"
        write_whole(path, make(summary))
        written.append(path)
    return written


def _environment(summary: DaySummary, *, escape: bool) -> Environment:
    environment = Environment(
        loader=PackageLoader("stream.report.summary"),
        autoescape=escape,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(_filters(read_clock(summary.zone)))
    environment.globals.update(
        verdicts=VERDICTS, ranks=RANKS, marks=_MARKS, flags=FLAGS, summed=_summed
    )
    return environment


def station_filters(zone: tzinfo) -> dict[str, Callable[..., Any]]:
    """Filters by which any template says times at the station, words and numbers."""

    def at(form: str, when: str | float) -> str:
        moment = (
            datetime.fromtimestamp(when / SECOND, UTC)
            if isinstance(when, int | float)
            else datetime.fromisoformat(when)
        )
        return moment.astimezone(zone).strftime(form)

    return {
        "clock": partial(at, "%H:%M"),
        "moment": partial(at, "%Y-%m-%d %H:%M"),
        "second": partial(at, "%Y-%m-%d %H:%M:%S"),
        "spoken": lambda word: str(word).replace("_", " "),
        "number": number,
    }


def _filters(zone: tzinfo) -> dict[str, Callable[..., Any]]:
    return {
        **station_filters(zone),
        "wrapped": lambda text, indent=0: fill(
            text, 78, initial_indent=" " * indent, subsequent_indent=" " * indent
        ),
        "span": span,
    }


def number(value: float | None, digits: int = 3) -> str:
    """A number for people, with a true minus; a dash where there is none."""
    if value is None:
        return "–"
    if value and (abs(value) >= 1e6 or abs(value) < 1e-4):
        text = f"{value:.{digits - 1}e}"
    else:
        text = f"{value:.{digits}g}"
        if "e" in text:
            text = f"{value:.0f}"
    return text.replace("-", "−")


def span(held: FluxDay) -> str:
    """The fortnight's range of daily means, or that there is none."""
    if held.low is None:
        return "–"
    return f"{number(held.low)} to {number(held.high)}"


def _summed(chambers: Sequence[Any], gas: str) -> int:
    return sum(c.usable.get(gas, 0) for c in chambers)
