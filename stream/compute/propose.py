"""Lag, flushing and dead band as the stored records show them: proposed, never set."""

import math
from collections.abc import Iterator, Sequence
from contextlib import closing
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.points import analyzer_channels, samples_of
from stream.compute.closures.visit_points import port_runs
from stream.errors import CommandError
from stream.science.models import MODELS
from stream.science.models.fit import lay_end_to_end
from stream.science.planning.proposal import Proposal
from stream.science.planning.response import (
    Stack,
    crossing_lag,
    middle_and_spread,
    settled_from,
    stack,
    step_response,
)
from stream.science.quality.flags import GOOD, NOT_EVALUATED
from stream.station import Analyzer, StationFile
from stream.store import open_existing
from stream.store.journal.journal import Journal
from stream.store.results.readers import Period, Reader, Row
from stream.times import DAY, SECOND

Floats = NDArray[np.float64]

_MOST: Final = 400
"""Closures, or port changes, that are looked at: the strongest."""
_FEWEST: Final = 10
_STRONG: Final = 30.0
"""Flux over its detection limit from which a closure has a say."""
_NEAR: Final = 0.005
"""Share of the closure's rise, or of a step, that counts as settled."""
_BEFORE_S: Final = 30.0
_LATE_SHARE: Final = 0.2
"""Part of a closure that is left out of the curve that is followed back."""
_STEP_S: Final = 2.0
_LOOK_S: Final = 180.0


def propose(
    file: StationFile, url: str, first: int | None = None, stop: int | None = None
) -> list[Proposal]:
    """Look at what is stored of a period.

    Parameters
    ----------
    file : StationFile
        The station.
    url : str
        Of the database.
    first, stop : int, optional
        Period by the closing of the lid [µs]; the end excluded.

    Returns
    -------
    list of Proposal
        One for each continuous analyzer and gas with enough strong closures.

    Raises
    ------
    CommandError
        There is too little to say anything.
    StoreError
        There is no database, or it refuses.
    """
    station = file.station
    found: list[Proposal] = []
    with closing(open_existing(url)) as store:
        journal = Journal(store, station.id, file.archive)
        rows = [
            r
            for r in Reader(store, station.id).fluxes(Period.between(first, stop))
            if _is_strong(r)
        ]
        for analyzer in station.analyzers:
            if analyzer.sampling != "continuous":
                continue
            mine = {c.id for c in station.chambers_on(analyzer.id)}
            for gas in analyzer.gases:
                strong = [r for r in rows if r["chamber"] in mine and r["gas"] == gas]
                strong.sort(
                    key=lambda r: -abs(r["flux_nmol_m2_s"] / r["detection_limit_nmol_m2_s"])
                )
                looked = sorted(strong[:_MOST], key=lambda r: r["closed_us"])
                if len(looked) < _FEWEST:
                    continue
                work = port_edges if analyzer.shared else lid_edges
                result = work(file, analyzer, gas, journal, looked)
                if result is not None:
                    found.append(result)
    if not found:
        raise CommandError(
            f"fewer than {_FEWEST} good closures with a flux of {_STRONG:g} detection limits in"
            " that time: too little to propose anything from"
        )
    return found


def _is_strong(row: Row) -> bool:
    known = row["flux_nmol_m2_s"] is not None and row["detection_limit_nmol_m2_s"]
    return row["quality"] in {GOOD, NOT_EVALUATED} and bool(known) and _strength(row) > _STRONG


def _strength(row: Row) -> float:
    return abs(float(row["flux_nmol_m2_s"]) / float(row["detection_limit_nmol_m2_s"]))


_Event = tuple[int, int, Floats, Floats]
"""Closed, opened [µs]; record times since closing [s], dry mole fractions."""


def lid_edges(
    file: StationFile, analyzer: Analyzer, gas: str, journal: Journal, rows: Sequence[Row]
) -> Proposal | None:
    """Lag and dead band from curves that are followed back to the closing of their lids.

    Parameters
    ----------
    file : StationFile
    analyzer : Analyzer
        With a line of its own for each chamber.
    gas : str
    journal : Journal
    rows : sequence of rows
        Strong closures in order of time, with ``closed_us`` and ``opened_us``.
    """
    events = list(_closures(file, analyzer, gas, journal, rows))
    late = []
    for closed, opened, t, y in events:
        from_s = max(60.0, _LATE_SHARE * (opened - closed) / SECOND)
        late.append((t >= from_s) & ~np.isnan(y))
    fit = MODELS["saturating"].fit(
        lay_end_to_end(
            [t[u] for (_, _, t, _), u in zip(events, late, strict=True)],
            [y[u] for (_, _, _, y), u in zip(events, late, strict=True)],
        ),
    )
    slope, k = fit.slope, np.nan_to_num(fit.curvature, nan=0.0)
    usable = np.isfinite(slope) & (slope != 0.0)
    before = np.array([_level(t, y) for _, _, t, y in events])
    lags = np.where(usable, crossing_lag(fit.start, slope, k, before), np.nan)
    lags = np.where(np.abs(lags) < _LOOK_S, lags, np.nan)
    lag, lag_se = middle_and_spread(lags)
    if np.isnan(lag):
        return None
    spacing = float(np.median([np.median(np.diff(t)) for _, _, t, _ in events if len(t) > 1]))
    lag = max(0.0, lag)
    curve = MODELS["saturating"].curve
    times, apart, level = [], [], []
    for i, (closed, opened, t, y) in enumerate(events):
        if not usable[i]:
            continue
        duration = (opened - closed) / SECOND
        rise = float(curve(0.0, slope[i], k[i], np.array([duration]))[0])
        times.append(t)
        apart.append((y - fit.start[i] - curve(0.0, slope[i], k[i], t)) / rise)
        level.append((y - before[i]) / rise)
    edges = np.arange(-_BEFORE_S, _LOOK_S + _STEP_S, _STEP_S)
    after = np.arange(0.0, _LOOK_S + _STEP_S, _STEP_S)
    rest = stack([t - lag for t in times], apart, after)
    return _proposal(
        analyzer, gas, "lid", len(times), (lag, lag_se), spacing, stack(times, level, edges), rest,
        now_s=file.station.closure.dead_band_s,
    )  # fmt: skip


def _proposal(
    analyzer: Analyzer,
    gas: str,
    what: Literal["lid", "port"],
    events: int,
    lag: tuple[float, float],
    spacing_s: float,
    edge: Stack,
    rest: Stack,
    *,
    now_s: float,
    delay_s: float = math.nan,
    mixing_s: float = math.nan,
) -> Proposal:
    """A proposal of a lag, with its standard error, and of when ``rest`` has settled, beside
    ``now_s`` of the station file; a lag is known to the time between readings at best.
    """
    lag_s, lag_se = lag
    return Proposal(
        analyzer=analyzer.id,
        gas=gas,
        what=what,
        events=events,
        lag_s=lag_s,
        lag_se_s=float(np.hypot(lag_se, spacing_s / np.sqrt(12.0))),
        delay_s=delay_s,
        mixing_s=mixing_s,
        settled_s=settled_from(rest, _NEAR),
        lag_now_s=analyzer.lag_s,
        settled_now_s=now_s,
        edge=edge,
        rest=rest,
    )


def _days(rows: Sequence[Row]) -> list[int]:
    """Days on which closures began, since 1970, in order."""
    return sorted({r["closed_us"] // DAY for r in rows})


def _level(t: Floats, y: Floats) -> float:
    """Level just before the lid closed, NaN where too few readings tell it; of a line that is
    seldom read from a minute.
    """
    for back in (_BEFORE_S / 2, 2 * _BEFORE_S):
        near = y[(t >= -back) & (t < 0.0)]
        near = near[~np.isnan(near)]
        if len(near) >= 3:
            return float(np.median(near))
    return float("nan")


def _closures(
    file: StationFile, analyzer: Analyzer, gas: str, journal: Journal, rows: Sequence[Row]
) -> Iterator[_Event]:
    """Samples around each closure, a day read at a time."""
    channels = analyzer_channels(analyzer)
    lag = round(analyzer.lag_s * SECOND)
    for day in _days(rows):
        todays = [r for r in rows if r["closed_us"] // DAY == day]
        first = todays[0]["closed_us"] - round(2 * _BEFORE_S * SECOND)
        last = max(r["opened_us"] for r in todays)
        samples = samples_of(file.station, analyzer, gas, journal.read(channels, first, last))
        recorded = samples.inlet_us + lag
        for r in todays:
            begin = r["closed_us"] - round(2 * _BEFORE_S * SECOND)
            a, b = np.searchsorted(recorded, (begin, r["opened_us"]))
            t = (recorded[a:b] - r["closed_us"]) / SECOND
            yield r["closed_us"], r["opened_us"], t, samples.dry[a:b]


def port_edges(
    file: StationFile,
    analyzer: Analyzer,
    gas: str,
    journal: Journal,
    rows: Sequence[Row],
    *,
    far_s: float = 0.0,
) -> Proposal | None:
    """Lag and flushing from steps as a port selector goes on; arguments as :func:`lid_edges`.

    ``far_s`` is how far the lag must be from the station file's for its error to be worked out,
    which takes most of the time; nearer, the error is NaN.
    """
    steps = list(_steps(file, analyzer, gas, journal, rows))
    if len(steps) < _FEWEST:
        return None
    best = np.argsort([size for _, _, size in steps])[::-1][:_MOST]
    times, left = [steps[i][0] for i in best], [steps[i][1] for i in best]
    step = max(1.0, float(np.median(np.diff(times[0]))))
    longest = min(_LOOK_S, float(np.median([t[-1] for t in times])))
    edge = stack(times, left, np.arange(-20.0, longest + step, step))
    answer = step_response(edge.t, edge.median)
    if answer is None:
        return None
    delay, mixing = answer
    lag, lag_se = delay + mixing, float("nan")
    if abs(lag - analyzer.lag_s) >= far_s:
        singles = [step_response(t, v) for t, v in zip(times[:100], left[:100], strict=True)]
        _, lag_se = middle_and_spread(np.array([sum(s) for s in singles if s is not None]))
    # flush_s counts at the inlet, which the record shows a lag later.
    later = edge.t >= lag
    rest = Stack(edge.t[later] - lag, edge.median[later], edge.se[later], edge.events)
    return _proposal(
        analyzer, gas, "port", len(times), (lag, lag_se), step, edge, rest,
        now_s=analyzer.flush_s, delay_s=delay, mixing_s=mixing,
    )  # fmt: skip


def _steps(
    file: StationFile, analyzer: Analyzer, gas: str, journal: Journal, rows: Sequence[Row]
) -> Iterator[tuple[Floats, Floats, float]]:
    """Port changes that show: times since each [s], what is left of the step, and its size
    over the noise.
    """
    channels = analyzer_channels(analyzer) | {str(analyzer.selector)}
    lag_us = round(analyzer.lag_s * SECOND)
    for day in _days(rows):
        records = journal.read(channels, day * DAY, (day + 1) * DAY - 1)
        samples = samples_of(file.station, analyzer, gas, records)
        recorded = samples.inlet_us + lag_us
        runs = port_runs(analyzer, records)
        for i in range(1, len(runs)):
            begun, ended = int(runs.first[i]), int(runs.last[i])
            if begun - runs.last[i - 1] > 2 * _BEFORE_S * SECOND:
                continue
            a, at, b = np.searchsorted(recorded, (begun - 20 * SECOND, begun, ended))
            if at - a < 5:
                # Seldom read: the last few readings of the port before.
                a = max(at - 5, int(np.searchsorted(recorded, runs.first[i - 1])))
            before, after = samples.dry[a:at], samples.dry[at:b]
            tail = after[-max(3, len(after) // 4) :]
            if len(before) < 3 or len(after) < 8 or np.isnan(before).all() or np.isnan(tail).all():
                continue
            old, new = float(np.nanmedian(before)), float(np.nanmedian(tail))
            noise = 1.4826 * float(np.nanmedian(np.abs(np.diff(tail)))) + 1e-12
            if abs(old - new) > 50 * noise:
                t = (recorded[a:b] - begun) / SECOND
                yield t, (samples.dry[a:b] - new) / (old - new), abs(old - new) / noise
