"""A season in even slots: what was measured in each, and what the soil was like."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.field.series import Calendar, FluxSeries
from stream.science.field.daily import pieces_of
from stream.science.field.filling import State
from stream.station import Station

Floats = NDArray[np.float64]

_DIVISORS: Final = (1, 2, 3, 4, 6, 8, 12, 24)
_LEAST: Final = 0.5
"""Share of a slot that must be covered for its mean to count as measured."""


@dataclass(frozen=True, slots=True)
class Slots:
    """One chamber and gas; arrays of shape (n,).

    Attributes
    ----------
    series : FluxSeries
    hours : int
        Length of a slot [h].
    flux : ndarray
        Mean over the slot, NaN where it was not measured [nmol m⁻² s⁻¹].
    state : State
        What the slot was like.
    since_rain, since_fertilizer : ndarray
        [d], NaN before the first.
    own_se_h, common_se_h : float
        Of the measured hours' integral: the part that is each flux's own, and the
        chamber's [nmol m⁻² s⁻¹ h].
    """

    series: FluxSeries
    hours: int
    flux: Floats
    state: State
    since_rain: Floats
    since_fertilizer: Floats
    own_se_h: float
    common_se_h: float

    @property
    def filled_share(self) -> float:
        """Share of the slots that was not measured."""
        return float(np.mean(np.isnan(self.flux)))


def slot_hours(station: Station) -> int:
    """Length of a slot: that of the schedule, as a whole part of a day [h]."""
    a_day = station.closure.expected_per_day or 8.0
    return min(_DIVISORS, key=lambda h: (abs(24.0 / a_day - h), h))


def slots_of(
    station: Station,
    series: Sequence[FluxSeries],
    days: Calendar,
    rain_days: Sequence[date] = (),
) -> list[Slots]:
    """Every series in even slots over the days.

    Parameters
    ----------
    station : Station
        For its events and rules.
    series : sequence of FluxSeries
        Of chambers and gases.
    days : Calendar
        The season.
    rain_days : sequence of date
        Days of rain that a gauge told of; those of ``[[events]]`` come to them.
    """
    hours = slot_hours(station)
    n = days.days * 24 // hours
    middle_h = np.asarray((np.arange(n) + 0.5) * hours, dtype=np.float64)
    wet = [e.day for e in station.events if e.kind in {"rain", "irrigation"}] + list(rain_days)
    since_rain = _since(middle_h, [days.index(d) for d in wet])
    return [_slots(station, s, hours, middle_h, since_rain, days) for s in series]


def _slots(
    station: Station,
    s: FluxSeries,
    hours: int,
    middle_h: Floats,
    since_rain: Floats,
    days: Calendar,
) -> Slots:
    n = len(middle_h)
    pieces = pieces_of(s.t_h, station.field.max_gap_h)
    slot = pieces.hour // hours
    use = (slot >= 0) & (slot < n)
    covered, total = np.zeros(n), np.zeros(n)
    if len(s.t_h):
        value = pieces.share * s.flux[pieces.left] + (1 - pieces.share) * s.flux[pieces.left + 1]
        np.add.at(covered, slot[use], pieces.weight[use])
        np.add.at(total, slot[use], (pieces.weight * value)[use])
    measured = covered >= _LEAST * hours
    flux = np.divide(total, covered, out=np.full(n, np.nan), where=measured)
    fed = [
        days.index(e.day)
        for e in station.events
        if e.kind == "fertilizer" and e.treatment in {None, s.chamber.treatment}
    ]
    since_fed = _since(middle_h, fed)
    spread = np.zeros(len(s.t_h))
    np.add.at(spread, pieces.left[use], (pieces.weight * pieces.share)[use])
    np.add.at(spread, pieces.left[use] + 1, (pieces.weight * (1 - pieces.share))[use])
    return Slots(
        series=s,
        hours=hours,
        flux=flux,
        state=State(
            hour=middle_h % 24.0,
            temperature=_at(middle_h, s.t_h, s.temperature_c),
            wfps=_at(middle_h, s.t_h, np.where(np.isnan(s.wfps), s.moisture, s.wfps)),
            since_event=np.fmin(since_rain, since_fed),
        ),
        since_rain=since_rain,
        since_fertilizer=since_fed,
        own_se_h=float(np.sqrt(np.sum((spread * s.fit_se) ** 2))),
        common_se_h=float(np.sum(spread * s.common_se)),
    )


def _since(middle_h: Floats, event_days: Sequence[int]) -> Floats:
    """Days since the last of some days began; NaN before the first."""
    found = np.full(len(middle_h), np.nan)
    for day in sorted(event_days):
        after = middle_h >= 24.0 * day
        found[after] = middle_h[after] / 24.0 - day
    return found


def _at(when: Floats, t_h: Floats, values: Floats) -> Floats:
    """A slow sensor between the closures that it was read in; NaN without any."""
    known = ~np.isnan(values)
    if not known.any():
        return np.full(len(when), np.nan)
    return np.asarray(np.interp(when, t_h[known], values[known]))
