"""Closures of one analyzer become results: points, fits, choice, flux, flags, rows."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stream.pipeline.headspace import (
    NOWHERE,
    Surroundings,
    headspace_of,
    moles_and_error,
    sensor_channels,
    surroundings,
)
from stream.pipeline.points import Points, own_line_points, visit_points
from stream.pipeline.samples import Samples, analyzer_channels, samples_of, to_canonical
from stream.records import SECOND
from stream.science.choice import REASON_WORDS, Choice, Reason, choose
from stream.science.flags import quality, words
from stream.science.flux import Headspace, detection_limit, flux_se, line_slope_se
from stream.science.lid import LidClosure, Runs, runs_of
from stream.science.models import STATUS_WORDS, Fit, FitStatus, fit_model
from stream.science.segments import lay_end_to_end
from stream.science.visits import PortVisit, port_visits
from stream.science.window import Window, window_of
from stream.station import Analyzer, Chamber, Station
from stream.store.changes import Result, Row
from stream.store.journal import Journal, Series

Floats = NDArray[np.float64]

POOR_FIT = 5.0
"""Residual standard deviation over the stated precision, from which a fit is poor."""
_NO_FLUX = {"few_points", "no_samples", "no_water"}


@dataclass(frozen=True, slots=True)
class Event:
    """One closure of one chamber, as segmented."""

    chamber: Chamber
    lid: LidClosure
    flags: frozenset[str]


def evaluate(
    station: Station, analyzer: Analyzer, events: Sequence[Event], journal: Journal
) -> list[Result]:
    """Results of closures that are over.

    Parameters
    ----------
    station, analyzer : Station, Analyzer
        From the station file; the analyzer that all events are on.
    events : sequence of Event
        Closures, best a day's worth at a time.
    journal : Journal
        Where the records are.

    Returns
    -------
    list of Result
        One of kind ``closures`` for each event, with its fluxes, fits and visits. What
        an event becomes does not depend on the others that it is evaluated with.
    """
    if not events:
        return []
    rules = station.closure
    dead, longest = round(rules.dead_band_s * SECOND), round(rules.max_duration_s * SECOND)
    lag = round(analyzer.lag_s * SECOND)
    surely = [_surely_closed_until(station, e.lid) for e in events]
    windows = [
        window_of(e.lid.closed_us, end, dead, longest, lag)
        for e, end in zip(events, surely, strict=True)
    ]
    around, records = _read(station, analyzer, events, windows, journal)
    stays = _stays(analyzer, records, events) if analyzer.shared else [[] for _ in events]
    fluxes: list[list[Row]] = [[] for _ in events]
    fits: list[list[Row]] = [[] for _ in events]
    visits: list[list[Row]] = [[] for _ in events]
    waters = np.full(len(events), np.nan)
    for gas in analyzer.gases:
        samples = samples_of(station, analyzer, gas, records)
        points = [
            _points(station, analyzer, gas, samples, event, window, stay)
            for event, window, stay in zip(events, windows, stays, strict=True)
        ]
        waters = np.fmax(waters, [p.water for p in points])
        _gas_rows(station, analyzer, gas, events, around, points, fluxes, fits)
        for i, p in enumerate(points):
            visits[i] += [{"gas": gas, **row} for row in p.visits]
    return [
        _result(event, near, float(water), children)
        for event, near, water, *children in zip(
            events, around, waters, fluxes, fits, visits, strict=True
        )
    ]


def _surely_closed_until(station: Station, lid: LidClosure) -> int:
    """The opening; where it is not known well, the last record that says closed [µs]."""
    uncertain = lid.open_gap_us > station.closure.edge_tolerance_s * SECOND
    return lid.opened_us - lid.open_gap_us if uncertain else lid.opened_us


def unfinished(event: Event, gases: Sequence[str]) -> Result:
    """The provisional row of a closure that is not over."""
    flags = words(event.flags | {"unfinished"})
    level = quality(flags.split())
    row = _closure_row(event, NOWHERE, float("nan"), flags, level)
    fluxes = [
        {
            "gas": gas,
            "mid_us": (event.lid.closed_us + event.lid.opened_us) // 2,
            "model": "",
            "model_reason": "",
            "points": 0,
            "quality": level,
            "flags": flags,
        }
        for gas in gases
    ]
    return Result("closures", _identity(event), row, "unfinished", {"fluxes": fluxes})


def _read(
    station: Station,
    analyzer: Analyzer,
    events: Sequence[Event],
    windows: Sequence[Window],
    journal: Journal,
) -> tuple[list[Surroundings], dict[str, Series]]:
    """Surroundings of each event, and the analyzer's records over all of them."""
    rules = station.closure
    channels = analyzer_channels(analyzer)
    for event in events:
        channels |= sensor_channels(event.chamber)
    if analyzer.port_channel:
        channels.add(analyzer.port_channel)
    before = round(max(rules.hold_s, rules.max_duration_s, 60.0) * SECOND)
    first = min(e.lid.closed_us for e in events) - before
    last = max(w.stop_us for w in windows) + round(analyzer.lag_s * SECOND) + SECOND
    records = journal.read(channels, first, last)
    around = [
        surroundings(station, e.chamber, records, e.lid.closed_us, w)
        for e, w in zip(events, windows, strict=True)
    ]
    return around, records


def _stays(
    analyzer: Analyzer, records: dict[str, Series], events: Sequence[Event]
) -> list[list[PortVisit]]:
    """For each event the visits to its port that overlap it."""
    runs = port_runs(analyzer, records)
    until = int(runs.last[-1]) if len(runs) else 0
    by_port: dict[int, list[PortVisit]] = {}
    for visit in port_visits(runs, PORT_HOLD_US, until):
        by_port.setdefault(visit.port, []).append(visit)
    return [
        [
            v
            for v in by_port.get(e.chamber.port if e.chamber.port is not None else -1, [])
            if v.ended_us > e.lid.closed_us and v.started_us < e.lid.opened_us
        ]
        for e in events
    ]


PORT_HOLD_US = 60 * SECOND
"""How long the selector is taken to stay on a port without a record."""


def port_runs(analyzer: Analyzer, records: dict[str, Series]) -> Runs:
    """Runs of the port channel."""
    if analyzer.port_channel is None:
        raise ValueError(f"analyzer {analyzer.id} has no port channel")
    series = records[analyzer.port_channel].filled()
    return runs_of(series.times, np.rint(series.values).astype(np.int64), PORT_HOLD_US)


def precision_nmol(station: Station, analyzer: Analyzer, gas: str) -> float | None:
    """Standard deviation of one sample [nmol mol⁻¹], as the station file states it."""
    stated = analyzer.precision.get(gas)
    return None if stated is None else stated * to_canonical(station, analyzer.gases[gas])[0]


def _points(
    station: Station,
    analyzer: Analyzer,
    gas: str,
    samples: Samples,
    event: Event,
    window: Window,
    stays: list[PortVisit],
) -> Points:
    closed = event.lid.closed_us
    if not analyzer.shared:
        return own_line_points(samples, window, closed, station.closure)
    flush, lag = round(analyzer.flush_s * SECOND), round(analyzer.lag_s * SECOND)
    precision = precision_nmol(station, analyzer, gas)
    return visit_points(samples, window, closed, stays, flush, lag, precision, station.closure)


def _gas_rows(
    station: Station,
    analyzer: Analyzer,
    gas: str,
    events: Sequence[Event],
    around: Sequence[Surroundings],
    points: Sequence[Points],
    fluxes: list[list[Row]],
    fits: list[list[Row]],
) -> None:
    """Fit one gas of all events, and add its rows of fluxes and fits to each."""
    precision = precision_nmol(station, analyzer, gas)
    for known in (False, True):
        which = [i for i, p in enumerate(points) if p.known_variance is known]
        if not which:
            continue
        chosen_points = [points[i] for i in which]
        air = headspace_of(
            station,
            [events[i].chamber for i in which],
            [around[i] for i in which],
            np.array([p.water for p in chosen_points]),
        )
        outcome = _fit(station, chosen_points, known, precision, air)
        for j, i in enumerate(which):
            closure_flags = events[i].flags | around[i].flags
            flux, models = outcome.rows(j, gas, events[i], points[i], closure_flags)
            fluxes[i].append(flux)
            fits[i] += models


@dataclass(frozen=True, slots=True)
class _Outcome:
    """Fits of m closures and what follows from them, not yet in rows."""

    fits: dict[str, Fit]
    choice: Choice
    moles: Floats
    relative: Floats
    limit: Floats
    poor: NDArray[np.bool_]

    def rows(
        self, j: int, gas: str, event: Event, points: Points, closure_flags: frozenset[str]
    ) -> tuple[Row, list[Row]]:
        """The flux row and the model rows of closure ``j``."""
        choice, moles, relative = self.choice, float(self.moles[j]), float(self.relative[j])
        flags = set(closure_flags) | points.flags
        at = int(choice.chosen[j])
        usable = not flags & _NO_FLUX
        fit = self.fits[choice.models[at]] if at >= 0 and usable else None
        if usable and fit is None:
            flags.add("no_fit")
        flux = float(choice.slope[j]) * moles if fit else float("nan")
        fit_error = float(choice.slope_se[j]) * moles if fit else float("nan")
        limit = float(self.limit[j]) if usable else float("nan")
        if fit and self.poor[j]:
            flags.add("poor_fit")
        if fit and abs(flux) < limit:
            flags.add("below_detection")
        reason = Reason(int(choice.reason[j])) if fit else Reason.NO_FIT
        row: dict[str, Any] = {
            "gas": gas,
            "mid_us": (event.lid.closed_us + points.stop_us) // 2,
            "flux_nmol_m2_s": flux,
            "flux_se_nmol_m2_s": float(flux_se(flux, fit_error, relative)),
            "fit_se_nmol_m2_s": fit_error,
            "detection_limit_nmol_m2_s": limit,
            "model": fit.model if fit else "",
            "model_reason": REASON_WORDS[reason],
            "points": len(points.t),
            "window_start_s": float(points.t[0]) if len(points.t) else float("nan"),
            "window_end_s": float(points.t[-1]) if len(points.t) else float("nan"),
            "start_mole_fraction": float(fit.start[j]) if fit else float("nan"),
            "r_squared": float(fit.r_squared[j]) if fit else float("nan"),
            "slope_nmol_mol_s": float(choice.slope[j]) if fit else float("nan"),
            "residual_sd_nmol_mol": _residual_sd(fit, j, points),
            "noise_ratio": _ratio(fit, j),
            "quality": quality(flags),
            "flags": words(flags),
        }
        models = [
            self._model_row(j, gas, name, one, moles, relative) for name, one in self.fits.items()
        ]
        return row, models

    def _model_row(
        self, j: int, gas: str, name: str, fit: Fit, moles: float, relative: float
    ) -> Row:
        flux = float(fit.slope[j]) * moles
        error = float(flux_se(flux, float(fit.slope_se[j]) * moles, relative))
        criterion = float(self.choice.criterion[j, self.choice.models.index(name)])
        return {
            "gas": gas,
            "model": name,
            "status": STATUS_WORDS[FitStatus(int(fit.status[j]))],
            "flux_nmol_m2_s": flux,
            "flux_se_nmol_m2_s": error,
            "start_mole_fraction": float(fit.start[j]),
            "start_se": float(fit.start_se[j]),
            "slope_nmol_mol_s": float(fit.slope[j]),
            "slope_se_nmol_mol_s": float(fit.slope_se[j]),
            "curvature": float(fit.curvature[j]),
            "curvature_se": float(fit.curvature_se[j]),
            "rss": float(fit.rss[j]),
            "r_squared": float(fit.r_squared[j]),
            "criterion": criterion if np.isfinite(criterion) else float("nan"),
            "noise_ratio": _ratio(fit, j),
        }


def _fit(
    station: Station,
    points: Sequence[Points],
    known: bool,
    precision: float | None,
    air: Headspace,
) -> _Outcome:
    """Fit every candidate, choose, and put a detection limit beside each."""
    segments = lay_end_to_end(
        [p.t for p in points],
        [p.y for p in points],
        [p.w for p in points],
        known_variance=known,
    )
    candidates = {name: fit_model(name, segments) for name in station.models.candidates}
    first = np.array([p.t[0] if len(p.t) else np.nan for p in points])
    span = np.array([p.t[-1] if len(p.t) else np.nan for p in points]) - first
    choice = choose(candidates, span, first, known_variance=known, rule=station.models.default)
    moles, relative = moles_and_error(air)
    limit = detection_limit(choice.noise_se, choice.freedom, moles)
    if known:
        poor = choice.noise_variance > POOR_FIT**2
    elif precision is None:
        poor = np.zeros(len(points), dtype=bool)
    else:
        spacing = np.array([p.spacing_s for p in points])
        sigma = precision * np.sqrt(np.fmax(1.0, 1.0 / spacing))
        least = line_slope_se(sigma, span, segments.points) * np.sqrt(choice.noise_ratio)
        limit = np.fmax(limit, detection_limit(least, np.inf, moles))
        poor = np.sqrt(choice.noise_variance) > POOR_FIT * sigma
    return _Outcome(candidates, choice, moles, relative, limit, poor)


def _residual_sd(fit: Fit | None, j: int, points: Points) -> float:
    """Residual standard deviation [nmol mol⁻¹]; of visits, that of their weighted mean."""
    if fit is None:
        return float("nan")
    scale = float(np.mean(points.w)) if points.known_variance else 1.0
    return float(np.sqrt(fit.variance[j] / scale))


def _ratio(fit: Fit | None, j: int) -> float:
    """Long-run over plain residual variance; 1 where the variances are known."""
    if fit is None or not fit.variance[j] > 0:
        return float("nan")
    return float(fit.long_run[j] / fit.variance[j])


def _identity(event: Event) -> tuple[str, int]:
    return event.chamber.id, event.lid.closed_us


def _closure_row(
    event: Event, near: Surroundings, water: float, flags: str, level: int
) -> dict[str, Any]:
    chamber, lid = event.chamber, event.lid
    return {
        "opened_us": lid.opened_us,
        "analyzer": chamber.analyzer,
        "plot": chamber.plot,
        "block": chamber.block,
        "treatment": chamber.treatment,
        "position": chamber.position,
        "height_m": near.height_m,
        "volume_m3": chamber.area_m2 * near.height_m + chamber.extra_volume_m3,
        "area_m2": chamber.area_m2,
        "air_temperature_c": near.air_temperature_c,
        "pressure_pa": near.pressure_pa,
        "soil_temperature_c": near.soil_temperature_k - 273.15,
        "soil_moisture_m3_m3": near.soil_moisture,
        "wfps": near.wfps,
        "water_mol_mol": water,
        "close_gap_s": lid.close_gap_us / SECOND,
        "open_gap_s": lid.open_gap_us / SECOND,
        "moving_s": lid.moving_us / SECOND,
        "bounces": lid.bounces,
        "quality": level,
        "flags": flags,
    }


def _result(
    event: Event, near: Surroundings, water: float, children: Sequence[list[Row]]
) -> Result:
    flags = event.flags | near.flags
    row = _closure_row(event, near, water, words(flags), quality(flags))
    tables = dict(zip(("fluxes", "model_fits", "visits"), children, strict=True))
    return Result("closures", _identity(event), row, digest_of(row, tables), tables)


def digest_of(row: Row, children: dict[str, list[Row]] | None = None) -> str:
    """Digest of a result's content: equal exactly when every stored number is."""
    content = repr((sorted(row.items()), sorted((children or {}).items())))
    return hashlib.blake2b(content.encode(), digest_size=16).hexdigest()
