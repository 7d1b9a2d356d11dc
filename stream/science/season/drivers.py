"""What the days of one treatment were like: wetness, warmth, and time since fertilizer."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

WETNESS_DAYS: Final = (1.0, 3.0, 10.0)
"""How fast the soil forgets water, at the surface and below [d]."""
_WETNESS_MM: Final = (5.0, 5.0, 20.0)
"""What of it is much [mm]."""
DOSE_DAYS: Final = 15.0
"""How fast a dose is used up [d]."""
_TEMPERATURE_C: Final = 5.0

PRIOR_VARIANCE: Final = {
    "level": 25.0,
    "new water": 1.0,
    "water at the surface": 1.0,
    "water below": 1.0,
    "temperature": 1.0,
    "fertilizer": 4.0,
    "fertilizer and water": 1.0,
}
"""Column → variance of its coefficient before anything was measured [asinh units²]."""


@dataclass(frozen=True, slots=True)
class Drivers:
    """The days of a season for one treatment.

    Attributes
    ----------
    table : ndarray, shape (days, columns)
        In the order of ``names``.
    names : tuple of str
        Keys of :data:`PRIOR_VARIANCE`.
    pulses : ndarray, shape (days, reasons)
        What makes more change on a day: new water, and fertilizer where there is some.
    wetness : ndarray, shape (days,)
        Of the soil's surface, as in ``table``.
    """

    table: Floats
    names: tuple[str, ...]
    pulses: Floats
    wetness: Floats

    @property
    def prior_variance(self) -> Floats:
        """Of each column's coefficient."""
        return np.array([PRIOR_VARIANCE[name] for name in self.names])


def drivers_of(
    water_mm: Floats,
    temperature_c: Floats,
    doses: Sequence[tuple[int, float]],
    days: int,
) -> Drivers:
    """Drivers of a season's days.

    Parameters
    ----------
    water_mm : ndarray, shape (before + days,)
        Rain and irrigation of each day, days before the season first; NaN where unknown: the usual
        rain then stands for it, and as much may change on that day as on a wet one.
    temperature_c : ndarray, shape (before + days,)
        Of the air; NaN where unknown.
    doses : sequence of (int, float)
        Day of the season, which may be negative, and relative size of each dose of fertilizer.
    days : int
        Of the season.

    Returns
    -------
    Drivers
        Columns that say nothing (no water known, no temperature, no fertilizer) are left out.
    """
    unknown = np.isnan(np.asarray(water_mm, dtype=float))
    usual = 0.0 if unknown.all() else float(np.nanmean(water_mm))
    water = np.where(unknown, usual, water_mm)
    newest, quick, slow = (wetness(water, tau)[-days:] for tau in WETNESS_DAYS)
    surface = np.log1p(quick / _WETNESS_MM[1])
    columns: dict[str, Floats] = {"level": np.ones(days)}
    if water.any():
        columns["new water"] = np.log1p(newest / _WETNESS_MM[0])
        columns["water at the surface"] = surface
        columns["water below"] = np.log1p(slow / _WETNESS_MM[2])
    air = np.asarray(temperature_c, dtype=float)[-days:]
    if np.isfinite(air).sum() > 1 and np.nanstd(air) > 0:
        known = np.flatnonzero(np.isfinite(air))
        air = np.interp(np.arange(days), known, air[known])
        columns["temperature"] = (air - air.mean()) / _TEMPERATURE_C
    at = np.arange(days)
    fed = np.zeros(days)
    for day, size in doses:
        since = at - day
        fed += np.where(since >= 0, size * np.exp(-np.maximum(since, 0) / DOSE_DAYS), 0.0)
    if fed.any():
        columns["fertilizer"] = fed
        if water.any():
            columns["fertilizer and water"] = fed * surface
    new = np.convolve(water, (0.5, 0.5))[: len(water)][-days:]
    change = np.log1p(new / _WETNESS_MM[0])
    unsure = np.convolve(unknown, (1, 1))[: len(water)][-days:] > 0
    if unsure.any() and not unsure.all():
        change = np.where(unsure, np.maximum(change, np.quantile(change[~unsure], 0.9)), change)
    reasons = [change] if water.any() else []
    reasons += [fed] if fed.any() else []
    pulses = np.column_stack(reasons) if reasons else np.zeros((days, 0))
    return Drivers(np.column_stack(list(columns.values())), tuple(columns), pulses, surface)


def wetness(water_mm: Floats, tau_days: float) -> Floats:
    """Water of the days before, the older the less: Σ w₋ₖ e^(−k/τ), the day itself at half weight
    since its rain fell on part of it [mm].
    """
    kept = np.exp(-1.0 / tau_days)
    found = np.empty(len(water_mm))
    before = 0.0
    for day, mm in enumerate(water_mm):
        found[day] = before * kept + 0.5 * mm
        before = before * kept + mm
    return found
