"""The samples of one closure as they were fitted, for somebody who looks at it."""

from dataclasses import replace
from typing import Any, Final

import numpy as np

from stream.compute.closures.calibrate import calibrated
from stream.compute.closures.evaluate import GasData, as_lid, read_closures
from stream.compute.closures.points import Points
from stream.compute.closures.rows import Event
from stream.science.closures.visits import PortVisit
from stream.science.closures.window import Window, select
from stream.station import Station
from stream.store.journal.journal import Journal
from stream.times import SECOND

_AROUND_S: Final = 60.0
_MOST: Final = 4000
"""Samples of a gas that a screen shows."""


def samples_around(
    station: Station,
    journal: Journal,
    chamber: str,
    closed_us: int,
    opened_us: int,
    open_gap_us: int = 0,
    most: int = _MOST,
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
    most : int
        Samples of a gas; more are thinned evenly.

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
    lid = replace(as_lid(closed_us, opened_us), open_gap_us=open_gap_us)
    event = Event(place, lid, 0)
    around = round(_AROUND_S * SECOND)
    read = read_closures(station, analyzer, [event], journal, around)
    wide = Window(closed_us - around, opened_us + around)
    found = {}
    for gas, (fitted,) in read.points([lid]).items():
        view = read.views[gas]
        others = _others(view, read.windows[0], wide, read.stays[0], closed_us)
        if view.kind is not None:
            (others,) = calibrated(
                [others], [lid], view.standards, analyzer, view.kind, areas=view.areas
            )
        found[gas] = {"fitted": _columns(fitted, most), "left_out": _columns(others, most)}
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


def _columns(points: Points, most: int) -> dict[str, list[float]]:
    thin = slice(None, None, max(1, -(-len(points.t) // most)))
    return {"t": points.t[thin].tolist(), "y": points.y[thin].tolist()}
