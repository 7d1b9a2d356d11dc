"""Closures that were sampled by hand: which vial belongs to which, and their points."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.points import Points
from stream.compute.manual.run_values import VialValue, run_values
from stream.manual.closures import ManualClosure
from stream.manual.tables import ManualTable
from stream.science.flux.vials import dilution_factor, filled_kpa
from stream.science.quality.flags import BIT, bits_of
from stream.station import Analyzer, ClosureRules, Station
from stream.store.results.changes import Row
from stream.times import SECOND

Floats = NDArray[np.float64]
_UNCOUNTED: Final = BIT["vials_waiting"] | BIT["no_calibration"]

SampleKey = tuple[str, int]
"""Campaign and line: one row of a table of vials."""


def match(
    tables: Sequence[ManualTable], values: Sequence[VialValue]
) -> tuple[dict[SampleKey, list[VialValue]], set[SampleKey]]:
    """Which injections belong to which row of the tables of vials.

    A vial that stands in several campaigns is that of the campaign that the run names, or
    else the one that was filled last before the injection.

    Returns
    -------
    tuple
        Row → its injections; and rows of which it cannot be told.
    """
    rows: dict[str, list[tuple[int, SampleKey]]] = {}
    for table in tables:
        for s in table.samples:
            rows.setdefault(s.vial, []).append((s.sampled_us, (table.name, s.line)))
    twice = {
        key
        for mine in rows.values()
        for campaign, n in Counter(key[0] for _, key in mine).items()
        if n > 1
        for _, key in mine
        if key[0] == campaign
    }
    matched: dict[SampleKey, list[VialValue]] = {}
    doubtful = set(twice)
    for value in values:
        mine = rows.get(value.vial, [])
        if value.campaign is not None:
            mine = [m for m in mine if _same_table(m[1][0], value.campaign)]
        elif len({key[0] for _, key in mine}) > 1:
            when = value.injected_us
            if when is None:
                doubtful |= {key for _, key in mine}
                continue
            before = [m for m in mine if m[0] <= when]
            last = max(before)[1][0] if before else None
            mine = [m for m in mine if m[1][0] == last]
        for _, key in mine:
            matched.setdefault(key, []).append(value)
    return {k: v for k, v in matched.items() if k not in doubtful}, doubtful


def _same_table(name: str, said: str) -> bool:
    return name == said or name.rsplit(".", 1)[0] == said


def values_of_rows(
    station: Station, analyzer: Analyzer, gas: str, tables: Sequence[ManualTable]
) -> dict[SampleKey, float]:
    """Mole fraction of each row's vial, mean of its injections, its dilution not undone
    [nmol mol⁻¹]; NaN where the run does not tell.
    """
    runs = [t for t in tables if t.kind == "run"]
    vials = [t for t in tables if t.kind == "vials"]
    measured = [v for run in runs for v in run_values(station, analyzer, gas, run)]
    matched, _ = match(vials, measured)
    return {key: float(np.mean([v.value for v in mine])) for key, mine in matched.items()}


def diluted(closure: ManualClosure, pressure_pa: float) -> tuple[Floats, bool]:
    """How many times each vial's air was diluted, and whether a vial ended below ambient
    pressure.
    """
    factors = np.ones(len(closure.samples))
    under = False
    for i, (_, s) in enumerate(closure.samples):
        if s.dilution is not None:
            factors[i] = s.dilution
        if s.sample_ml is None or s.vial_ml is None:
            continue
        kpa = np.array([(s.pressure_hpa or pressure_pa / 100.0) / 10.0])
        sizes = (np.array([s.sample_ml]), np.array([s.vial_ml]), np.array([s.fill_kpa or 0.0]), kpa)
        if s.dilution is None:
            factors[i] = dilution_factor(*sizes)[0]
        under = under or bool(filled_kpa(*sizes)[0] < kpa[0])
    return factors, under


def hand_points(
    closure: ManualClosure,
    matched: Mapping[SampleKey, Sequence[VialValue]],
    dilution: Floats,
    rules: ClosureRules,
) -> tuple[Points, Floats]:
    """Points of one gas, and the value of each row (NaN without), shape (rows,).

    There is no dead band: the first vial is filled when the lid closes. Vials that were
    filled at the same moment make one point.
    """
    n = len(closure.samples)
    of_row = [matched.get((campaign, s.line), []) for campaign, s in closure.samples]
    injections = [v for mine in of_row for v in mine]
    flags = bits_of(flag for v in injections for flag in v.flags)
    gains = [(v.gain, v.gain_relative_se) for v in injections]
    value, error, visits = _vial_means(closure, of_row, dilution)
    waiting = sum(not mine for mine in of_row)
    if waiting == n:
        flags |= BIT["vials_waiting"]
    elif waiting:
        flags |= BIT["vials_missing"]
    since = np.array([(s.sampled_us - closure.closed_us) / SECOND for _, s in closure.samples])
    use = ~np.isnan(value) & (since <= rules.max_duration_s)
    known = bool(use.any()) and not np.isnan(error[use]).any()
    weight = 1.0 / error**2 if known else np.ones(n)
    t = np.unique(since[use])
    together = [use & (since == moment) for moment in t]
    w = np.array([weight[g].sum() for g in together])
    y = np.array([np.sum(weight[g] * value[g]) for g in together]) / w
    if not flags & _UNCOUNTED and len(t) < rules.min_points:
        flags |= BIT["few_points"]
    has_gain = bool(gains) and not np.isnan([g for g, _ in gains]).any()
    points = Points(
        t=t,
        y=y,
        w=w,
        known_variance=known,
        spacing_s=float("nan"),
        stop_us=closure.opened_us,
        water=float("nan"),
        flags=flags,
        visits=visits,
        gain=float(np.mean([g for g, _ in gains])) if has_gain else float("nan"),
        gain_relative_se=max((e for _, e in gains), default=0.0) if has_gain else 0.0,
    )
    return points, value


def _vial_means(
    closure: ManualClosure, of_row: Sequence[Sequence[VialValue]], dilution: Floats
) -> tuple[Floats, Floats, list[Row]]:
    """Mean and standard error of each row's injections, NaN without any, and rows of them."""
    n = len(closure.samples)
    value, error = np.full(n, np.nan), np.full(n, np.nan)
    visits: list[Row] = []
    for i, ((_, s), mine) in enumerate(zip(closure.samples, of_row, strict=True)):
        if not mine:
            continue
        value[i] = np.mean([m.value for m in mine]) * dilution[i]
        error[i] = np.sqrt(np.mean([m.value_se**2 for m in mine]) / len(mine)) * dilution[i]
        visits.append(
            {
                "visit": i + 1,
                "port": 0,
                "started_us": s.sampled_us,
                "mid_us": s.sampled_us,
                "value_nmol_mol": float(np.mean([m.measured for m in mine])),
                "value_se_nmol_mol": float(error[i]),
                "points": len(mine),
            }
        )
    return value, error, visits
