"""A line of a chart over time, in the one shape that the charts know."""

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from starlette.responses import JSONResponse

from stream.note_kinds import KINDS
from stream.station import read_clock, read_notes, standing
from stream.store.results.readers import Period
from stream.store.station_data import Notes, StationData
from stream.times import DAY, SECOND, to_micros


def line(
    name: str,
    t_s: Sequence[float],
    y: Sequence[float],
    *,
    se: Sequence[float | None] | None = None,
    quality: Sequence[int] | None = None,
    closed_us: Sequence[int] | None = None,
    flags: Sequence[str] | None = None,
) -> dict[str, Any]:
    """One line; what is not given is unknown, good, of no closure, and without a flag.

    Parameters
    ----------
    name : str
    t_s, y : sequence of float
        Times since 1970 [s], and values.
    se, quality, closed_us, flags : sequence, optional
        Of each point.
    """
    n = len(t_s)
    return {
        "name": name,
        "t": list(t_s),
        "y": list(y),
        "se": [None] * n if se is None else list(se),
        "quality": [1] * n if quality is None else list(quality),
        "closed_us": [None] * n if closed_us is None else list(closed_us),
        "flags": [""] * n if flags is None else list(flags),
    }


def chart(lines: list[dict[str, Any]], full: int | None = None) -> dict[str, Any]:
    """Lines, how many points there are, and how many of them are given."""
    shown = sum(len(one["t"]) for one in lines)
    return {"series": lines, "full": shown if full is None else full, "shown": shown}


def events_between(data: StationData, period: Period) -> list[dict[str, Any]]:
    """What was done to the field, and what people noted, to be marked in a chart."""
    station = data.file.station
    zone = read_clock(station.station.timezone)
    found: list[tuple[int, str, str]] = []
    for e in station.events:
        at = to_micros(datetime.combine(e.day, datetime.min.time(), zone)) + DAY // 2
        found.append((at, e.kind, " ".join(filter(None, (_amount(e.amount), e.note)))))
    # Notes of the events' kinds are among the station's events already.
    notes = standing(read_notes(Notes(data.store, station.id).all()))
    found += [(n.at_us, n.kind, n.text) for n in notes if not KINDS[n.kind].event]
    return [
        {"t": at / SECOND, "kind": kind, "text": text}
        for at, kind, text in sorted(found)
        if period.first_us <= at < period.stop_us
    ]


def _amount(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def as_json(content: Any) -> JSONResponse:
    """What a chart is sent; JSON knows no NaN."""
    return JSONResponse(_finite(content))


def _finite(content: Any) -> Any:
    if isinstance(content, float):
        return content if math.isfinite(content) else None
    if isinstance(content, dict):
        return {k: _finite(v) for k, v in content.items()}
    if isinstance(content, list):
        return [_finite(v) for v in content]
    return content
