"""The samples of one closure as they were fitted, for somebody who looks at it."""

from dataclasses import replace
from typing import Any, Final

import numpy as np

from stream.compute.closures.calibrate import calibrated
from stream.compute.closures.evaluate import GasData, as_lid, gas_data_of, surely_closed_until
from stream.compute.closures.points import Points, analyzer_channels
from stream.compute.closures.visit_points import port_runs, stays_of
from stream.science.closures.lid import NO_RUNS
from stream.science.closures.visits import PortVisit
from stream.science.closures.window import Window, select, window_of
from stream.station import Station
from stream.store.journal.journal import Journal
from stream.times import SECOND

_AROUND_S: Final = 60.0
_MOST: Final = 4000
"""Samples of a gas; more are thinned evenly."""


def samples_around(
    station: Station,
    journal: Journal,
    chamber: str,
    closed_us: int,
    opened_us: int,
    open_gap_us: int = 0,
) -> dict[str, dict[str, Any]]:
    """What was fitted, and what was recorded from a minute before to a minute after.

    Parameters
    ----------
    station : Station
        As amended.
    journal : Journal
    chamber : str
    closed_us, opened_us, open_gap_us : int
        Of the closure, and how uncertain its opening is [µs].

    Returns
    -------
    dict
        Gas → ``fitted`` and ``left_out``, each with ``t`` since the lid closed [s] and ``y``
        the dry mole fraction in terms of the standards [nmol mol⁻¹]. Empty for a chamber
        that is sampled by hand.
    """
    place = next(c for c in station.chambers if c.id == chamber)
    analyzer = station.analyzer(place.analyzer)
    if analyzer.sampling == "vials":
        return {}
    rules = station.closure
    lid = replace(as_lid(closed_us, opened_us), open_gap_us=open_gap_us)
    window = window_of(
        closed_us,
        surely_closed_until(station, lid),
        round(rules.dead_band_s * SECOND),
        round(rules.max_duration_s * SECOND),
        round(analyzer.mixing_s * SECOND),
    )
    around = round(_AROUND_S * SECOND)
    wide = Window(closed_us - around, opened_us + around)
    hold = analyzer.standard_hold_s if analyzer.standards else 60.0
    after = round((analyzer.lag_s + analyzer.after_s) * SECOND)
    channels = analyzer_channels(analyzer)
    if analyzer.selector:
        channels.add(analyzer.selector)
    records = journal.read(
        channels, wide.start_us - round(hold * SECOND), wide.stop_us + after + SECOND
    )
    runs = port_runs(analyzer, records) if analyzer.selector else NO_RUNS
    stays = stays_of(analyzer, runs, [(place, lid)])
    found = {}
    for gas in analyzer.gases:
        view = gas_data_of(station, analyzer, gas, records, runs)
        (fitted,) = view.points([lid], [window], stays)
        others = _others(view, window, wide, stays[0], closed_us)
        if view.kind is not None:
            others = calibrated(others, lid, view.standards, analyzer, view.kind, areas=view.areas)
        found[gas] = {"fitted": _columns(fitted), "left_out": _columns(others)}
    return found


def _others(
    view: GasData, window: Window, wide: Window, stays: list[PortVisit], closed_us: int
) -> Points:
    """Samples of this chamber's air that were not fitted one by one."""
    part = select(view.samples.inlet_us, wide)
    inlet, dry = view.samples.inlet_us[part], view.samples.dry[part]
    mine = ~np.isnan(dry)
    if view.analyzer.shared:
        here = np.zeros(len(inlet), dtype=bool)
        for v in stays:
            here |= (inlet >= v.started_us) & (inlet < v.ended_us)
        mine &= here
    else:
        mine &= (inlet < window.start_us) | (inlet >= window.stop_us)
    t = (inlet[mine] - closed_us) / SECOND
    return Points(t, dry[mine], np.ones_like(t), False, 1.0, window.stop_us, float("nan"))


def _columns(points: Points) -> dict[str, list[float]]:
    thin = slice(None, None, max(1, -(-len(points.t) // _MOST)))
    return {"t": points.t[thin].tolist(), "y": points.y[thin].tolist()}
