"""Yesterday's fluxes beside those of the fortnight before."""

from datetime import date, timedelta
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.field.days import chamber_days, treatment_days
from stream.field.series import calendar, read_series
from stream.report.summary.model import FluxDay
from stream.station import Station
from stream.store.results.flux_columns import FluxColumns

_DAYS: Final = 14
_LEAST: Final = 4
"""Days of the fortnight with a mean, from which the day is held against them."""
_BEYOND: Final = 1.0
"""Ranges of the fortnight that a chamber's mean may lie outside that range."""


def fluxes_of(
    station: Station, stored: FluxColumns, day: date
) -> tuple[list[FluxDay], list[FluxDay], list[str]]:
    """Means of treatments, and of the chambers that were unusual.

    Returns
    -------
    treatments, unusual : list of FluxDay
    missing : list of str
        Treatments and gases of which the day has no mean, with the reason where it is known.
    """
    days = calendar(station, day - timedelta(days=_DAYS), day)
    chambers = [chamber_days(station, s, days) for s in read_series(station, stored, days)]
    treatments = treatment_days(station, chambers, days)
    found = [_held(t.treatment or "all chambers", t.gas, t.flux) for t in treatments]
    unusual = [
        held
        for c in chambers
        if (held := _held(c.series.chamber.id, c.series.gas, c.days.flux)).word
        in {"above", "below"}
        and _far(held)
    ]
    missing = [
        f"{f.what}, {f.gas}" + (f" (no chamber at {', '.join(t.missing)})" if t.missing else "")
        for f, t in zip(found, treatments, strict=True)
        if f.word == "missing"
    ]
    return found, unusual, missing


def _held(what: str, gas: str, flux: NDArray[np.float64]) -> FluxDay:
    before = [float(x) for x in flux[:-1] if not np.isnan(x)]
    mean = None if np.isnan(flux[-1]) else float(flux[-1])
    low, high = (min(before), max(before)) if before else (None, None)
    if mean is None:
        word = "missing"
    elif low is None or high is None or len(before) < _LEAST:
        word = "new"
    elif mean > high:
        word = "above"
    elif mean < low:
        word = "below"
    else:
        word = "usual"
    middle = median(before) if before else None
    return FluxDay(what, gas, mean, low, middle, high, len(before), word)


def _far(held: FluxDay) -> bool:
    """Whether a mean lies far outside the fortnight's range, not just outside it."""
    if held.mean is None or held.low is None or held.high is None:
        return False
    margin = _BEYOND * (held.high - held.low)
    return not held.low - margin <= held.mean <= held.high + margin
