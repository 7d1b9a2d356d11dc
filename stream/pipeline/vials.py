"""Closures that were sampled by hand: which vial belongs to which, and their points."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stream.pipeline.points import Points
from stream.pipeline.run_values import VialValue
from stream.records import SECOND
from stream.science.lid import LidClosure
from stream.science.vials import dilution_factor, filled_kpa
from stream.sources.hand import HandSample, HandTable
from stream.station import ClosureRules
from stream.store.changes import Row

Floats = NDArray[np.float64]

SampleKey = tuple[str, int]
"""Campaign and line: one row of a table of vials."""


@dataclass(frozen=True, slots=True)
class HandClosure:
    """One closure of a chamber by hand, with its rows in order of time."""

    chamber: str
    closed_us: int
    opened_us: int
    samples: tuple[tuple[str, HandSample], ...]
    """(campaign, row)"""

    @property
    def lid(self) -> LidClosure:
        """As if a lid had told of it."""
        return LidClosure(
            closed_us=self.closed_us,
            opened_us=self.opened_us,
            close_seen=True,
            open_seen=True,
            still_closed=False,
            close_gap_us=0,
            open_gap_us=0,
            moving_us=0,
            bounces=0,
        )

    @property
    def doubts(self) -> frozenset[str]:
        """Flags of what its rows note that cannot be right."""
        return frozenset().union(*(s.doubts for _, s in self.samples))

    def noted(self, name: str) -> float:
        """Mean of what the rows note of the headspace, NaN where none does."""
        values = [v for _, s in self.samples if (v := getattr(s, name)) is not None]
        return float(np.mean(values)) if values else float("nan")


def closures_in(tables: Sequence[HandTable]) -> list[HandClosure]:
    """Closures of all tables of vials, in order of chamber and time."""
    rows: dict[tuple[str, int], list[tuple[str, HandSample]]] = {}
    for table in tables:
        for sample in table.samples:
            rows.setdefault((sample.chamber, sample.closed_us), []).append((table.name, sample))
    found = []
    for (chamber, closed), mine in sorted(rows.items()):
        ordered = sorted(mine, key=lambda item: (item[1].sampled_us, item[0], item[1].line))
        last = ordered[-1][1].sampled_us
        told = [s.opened_us for _, s in ordered if s.opened_us is not None]
        found.append(HandClosure(chamber, closed, max([last, *told]), tuple(ordered)))
    return found


def match(
    tables: Sequence[HandTable], values: Sequence[VialValue]
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


def diluted(closure: HandClosure, pressure_pa: float) -> tuple[Floats, bool]:
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
    closure: HandClosure,
    matched: Mapping[SampleKey, Sequence[VialValue]],
    dilution: Floats,
    rules: ClosureRules,
) -> tuple[Points, Floats]:
    """Points of one gas, and the value of each row (NaN without), shape (rows,).

    There is no dead band: the first vial is filled when the lid closes. Vials that were
    filled at the same moment make one point.
    """
    n = len(closure.samples)
    value, error = np.full(n, np.nan), np.full(n, np.nan)
    flags: set[str] = set()
    gains: list[tuple[float, float]] = []
    visits: list[Row] = []
    waiting = 0
    for i, (campaign, s) in enumerate(closure.samples):
        mine = matched.get((campaign, s.line), [])
        waiting += not mine
        for found in mine:
            flags |= found.flags
            gains.append((found.gain, found.gain_relative_se))
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
    if waiting == n:
        flags.add("vials_waiting")
    elif waiting:
        flags.add("vials_missing")
    since = np.array([(s.sampled_us - closure.closed_us) / SECOND for _, s in closure.samples])
    use = ~np.isnan(value) & (since <= rules.max_duration_s)
    known = bool(use.any()) and not np.isnan(error[use]).any()
    weight = 1.0 / error**2 if known else np.ones(n)
    t = np.unique(since[use])
    together = [use & (since == moment) for moment in t]
    w = np.array([weight[g].sum() for g in together])
    y = np.array([np.sum(weight[g] * value[g]) for g in together]) / w
    if not flags & {"vials_waiting", "no_calibration"} and len(t) < rules.min_points:
        flags.add("few_points")
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
