"""The lag of lines, as the day's records show it."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from stream.compute.propose import lid_edges, port_edges
from stream.report.summary.findings.finding import Evidence, Finding
from stream.store.results.readers import Row

_MOST: Final = 60
"""Closures that are examined: the strongest of the day."""
_FEWEST: Final = 10
_STRONG: Final = 10.0
_OFF_S: Final = 20.0
_CLEAR: Final = 6.0
_GASES: Final = ("CO2", "N2O", "CH4")
_FOLLOWS: Final = (
    *("poor_fit", "leak_suspected", "no_co2_rise", "not_flushed", "no_samples", "few_points"),
    *("visits_missing", "samples_missing", "calibration_overdue", "start_implausible"),
)


def of_lags(evidence: Evidence) -> Iterator[Finding]:
    """Lines whose lag is far from what the station file says."""
    for a in evidence.station.analyzers:
        if a.sampling != "continuous":
            continue
        gas = next((g for g in _GASES if g in a.gases), next(iter(a.gases)))
        rows = _strong(evidence, a.id, gas, by_ports=a.shared)
        if len(rows) < _FEWEST:
            continue
        if a.shared:
            found = port_edges(evidence.file, a, gas, evidence.journal, rows, far_s=_OFF_S)
        else:
            found = lid_edges(evidence.file, a, gas, evidence.journal, rows)
        if found is None or not np.isfinite(found.lag_s) or not np.isfinite(found.lag_se_s):
            continue
        off = found.lag_s - a.lag_s
        if abs(off) > max(_OFF_S, _CLEAR * found.lag_se_s, 0.5 * min(found.lag_s, a.lag_s)):
            what = "Check lag_s with lidstream propose, and with a breath at the inlet."
            why = (
                f"{gas} lags by {found.lag_s:.0f} s; lag_s is {a.lag_s:g}"
                f" ({found.events} {'port changes' if a.shared else 'closures'})"
            )
            chambers = {r["chamber"] for r in rows}
            explains = frozenset((flag, c) for flag in _FOLLOWS for c in chambers)
            explains |= {("not_visited", a.id)}
            yield Finding(2, a.id, what, why, explains)


def _strong(evidence: Evidence, analyzer: str, gas: str, *, by_ports: bool) -> list[Row]:
    """The strongest closures of the day, in order of time, whatever their quality; all of them
    where ports tell the lag.
    """
    mine = [r for r in evidence.todays if r["analyzer"] == analyzer and r["gas"] == gas]
    if by_ports:
        return sorted(mine, key=lambda r: r["closed_us"])
    rows = [
        r
        for r in mine
        if r["flux_nmol_m2_s"] is not None
        and r["detection_limit_nmol_m2_s"]
        and "line_shared" not in r["flags"].split()
        and abs(r["flux_nmol_m2_s"]) > _STRONG * r["detection_limit_nmol_m2_s"]
    ]
    rows.sort(key=lambda r: -abs(r["flux_nmol_m2_s"]) / r["detection_limit_nmol_m2_s"])
    return sorted(rows[:_MOST], key=lambda r: r["closed_us"])
