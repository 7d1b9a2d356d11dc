"""Fluxes over time, thinned for a screen so that every extreme stays."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stream.field.days import chamber_days, treatment_days
from stream.field.desk import Desk
from stream.field.series import calendar, day_at, read_series
from stream.page.line import chart, line
from stream.records import DAY, SECOND, to_micros
from stream.station import EVENTS, Station, read_clock, read_notes, standing
from stream.store.notes import Notes
from stream.store.readers import Period

Floats = NDArray[np.float64]
MOST: Final = 2000
"""Steps that a screen is divided into at most."""


def thinned(t: NDArray[np.int64], y: Floats, steps: int) -> NDArray[np.int64]:
    """Which points to draw: of each step of time the first, the last, the least, the greatest.

    Parameters
    ----------
    t : ndarray of int64, shape (n,)
        In order.
    y : ndarray, shape (n,)
        Finite.
    steps : int
        Into how many the time is divided.

    Returns
    -------
    ndarray of int64, shape (m,)
        Indices in order, m ≤ 4 × steps; all of them where there are no more than that.
    """
    n = len(t)
    if n <= 4 * steps or n < 3:
        return np.arange(n)
    span = max(1, int(t[-1]) - int(t[0]))
    step = np.minimum(((t - t[0]) * float(steps) / span).astype(np.int64), steps - 1)
    begins = np.flatnonzero(np.diff(step, prepend=-1))
    ends = np.append(begins[1:], n) - 1
    order = np.lexsort((y, step))
    return np.unique(np.concatenate((begins, ends, order[begins], order[ends])))


def chamber_series(
    desk: Desk, gas: str, chambers: Sequence[str], period: Period, steps: int
) -> dict[str, Any]:
    """Every flux of some chambers, each by itself.

    Returns
    -------
    dict
        Of :func:`chart`, [nmol m⁻² s⁻¹]; flags of what is suspect or worse.
    """
    steps = max(10, min(steps, MOST))
    found, full = [], 0
    columns: dict[str, list[tuple[Any, ...]]] = {}
    for row in desk.reader.flux_points(gas, tuple(chambers), period):
        columns.setdefault(row[0], []).append(tuple(row)[1:])
    for name in chambers:
        rows = columns.get(name, [])
        if not rows:
            continue
        mid, y, se, quality, closed, flags = (np.array(c) for c in zip(*rows, strict=True))
        y = y.astype(float)
        full += len(y)
        kept = np.zeros(len(y), dtype=bool)
        for part in (quality <= 2, quality > 2):
            at = np.flatnonzero(part)
            kept[at[thinned(mid[at], y[at], steps)]] = True
        found.append(
            line(
                name,
                (mid[kept] / SECOND).tolist(),
                y[kept].tolist(),
                se=[None if v is None or v != v else float(v) for v in se[kept]],
                quality=quality[kept].tolist(),
                closed_us=closed[kept].tolist(),
                flags=[f if q > 2 else "" for f, q in zip(flags[kept], quality[kept], strict=True)],
            )
        )
    return chart(found, full)


def treatment_series(desk: Desk, gas: str, period: Period) -> dict[str, Any]:
    """Daily means of the treatments, weighted by area, over their plots."""
    station = desk.file.station
    first, last = day_at(station, period.first_us), day_at(station, period.stop_us - 1)
    days = calendar(station, first, last)
    series = read_series(station, desk.reader, days, gas)
    chambers = [chamber_days(station, s, days) for s in series]
    found = []
    noon = (days.start_us + DAY // 2) / SECOND
    for means in treatment_days(station, chambers, days):
        there = np.flatnonzero(~np.isnan(means.flux))
        if len(there):
            found.append(
                line(
                    means.treatment or "all chambers",
                    (noon + there * (DAY / SECOND)).tolist(),
                    means.flux[there].tolist(),
                    se=[None if v != v else float(v) for v in means.se[there]],
                )
            )
    return chart(found)


def events_between(desk: Desk, period: Period) -> list[dict[str, Any]]:
    """What was done to the field, and what people noted, to be marked in a chart."""
    station = desk.file.station
    zone = read_clock(station.station.timezone)
    found: list[tuple[int, str, str]] = []
    for e in station.events:
        at = to_micros(datetime.combine(e.day, datetime.min.time(), zone)) + DAY // 2
        found.append((at, e.kind, " ".join(filter(None, (_amount(e.amount), e.note)))))
    # Notes of the events' kinds are among the station's events already.
    notes = standing(read_notes(Notes(desk.store, station.id).all()))
    found += [(n.at_us, n.kind, n.text) for n in notes if n.kind not in EVENTS]
    return [
        {"t": at / SECOND, "kind": kind, "text": text}
        for at, kind, text in sorted(found)
        if period.first_us <= at < period.stop_us
    ]


def _amount(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def extent_of(desk: Desk) -> Period:
    """From the first record to the last; a day around now of a station without any."""
    extent = desk.journal.extent()
    if not extent:
        now = round(datetime.now(UTC).timestamp() * SECOND)
        return Period(now - DAY, now)
    return Period(
        min(first for first, _, _ in extent.values()),
        max(last for _, last, _ in extent.values()) + 1,
    )


def gases_of(station: Station) -> list[str]:
    """Every gas, in the order of the analyzers."""
    return list(dict.fromkeys(g for a in station.analyzers for g in a.gases))
