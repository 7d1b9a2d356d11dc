"""What may drive fluxes, beside them day by day, and how closely they go together."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from stream.columns import DRIVERS
from stream.field.days import ChamberDays
from stream.field.series import Calendar, FluxSeries
from stream.station import Station

Floats = NDArray[np.float64]

_LEAST: Final = 10


@dataclass(frozen=True, slots=True)
class Correlation:
    """How a daily flux goes with a driver.

    Attributes
    ----------
    gas, treatment, driver : str
    rho : float
        Spearman's rank correlation over chambers and days; each chamber's fluxes are ranked
        among themselves first, so that strong places do not make it.
    days : int
        Chamber-days with both.
    """

    gas: str
    treatment: str
    driver: str
    rho: float
    days: int


def drivers_of(
    station: Station, series: FluxSeries, days: Calendar, rain: Mapping[int, float]
) -> dict[str, Floats]:
    """Driver → its value on each day for one chamber, NaN where unknown.

    Parameters
    ----------
    station : Station
        For its events.
    series : FluxSeries
        The chamber's, with what its soil sensors said at each closure.
    days : Calendar
        The days.
    rain : mapping of int to float
        Day of the calendar → rain and irrigation of the whole field [mm]; what the chamber's
        treatment got besides is added here.

    Returns
    -------
    dict of str to ndarray, shape (days,)
        The keys of :data:`DRIVERS`. Days since rain count from days with over 1 mm; days
        since fertilizer from that of the chamber's treatment.
    """
    n = days.days
    on = np.floor(series.t_h / 24.0).astype(np.int64)
    water = np.zeros(n)
    mine = dict(rain)
    wet = [e for e in station.events if e.kind in {"rain", "irrigation"}]
    for e in wet:
        if e.treatment == series.chamber.treatment and e.amount is not None:
            mine[days.index(e.day)] = max(mine.get(days.index(e.day), 0.0), e.amount)
    for d, mm in mine.items():
        if 0 <= d < n:
            water[d] += mm
    told = station.weather.rain_channel is not None or bool(wet)
    fed = [
        days.index(e.day)
        for e in station.events
        if e.kind == "fertilizer" and e.treatment in {None, series.chamber.treatment}
    ]
    return {
        "soil_temperature_c": _daily(on, series.temperature_c, n),
        "wfps": _daily(on, series.wfps, n),
        "soil_moisture_m3_m3": _daily(on, series.moisture, n),
        "rain_mm": water if told else np.full(n, np.nan),
        "days_since_rain": _since([d for d, mm in mine.items() if mm > 1.0], n),
        "days_since_fertilizer": _since(fed, n),
    }


def _daily(on: NDArray[np.int64], values: Floats, n: int) -> Floats:
    use = (on >= 0) & (on < n) & ~np.isnan(values)
    total = np.bincount(on[use], values[use], minlength=n)
    count = np.bincount(on[use], minlength=n)
    return np.asarray(np.divide(total, count, out=np.full(n, np.nan), where=count > 0))


def _since(event_days: Sequence[int], n: int) -> Floats:
    found = np.full(n, np.nan)
    for day in sorted(event_days):
        after = np.arange(n) >= day
        found[after] = np.arange(n)[after] - day
    return found


def correlations(
    station: Station,
    chambers: Sequence[ChamberDays],
    days: Calendar,
    rain: Mapping[int, float],
) -> list[Correlation]:
    """Rank correlation of daily fluxes with each driver, by gas and treatment.

    Days in a row are not independent, so that no significance is given: it is a way to see
    what goes with what.
    """
    pairs: dict[tuple[str, str, str], list[tuple[Floats, Floats]]] = {}
    for c in chambers:
        values = drivers_of(station, c.series, days, rain)
        for name in DRIVERS:
            both = ~np.isnan(c.days.flux) & ~np.isnan(values[name])
            if both.sum() >= _LEAST and np.ptp(values[name][both]) > 0:
                ranks = stats.rankdata(c.days.flux[both]) / both.sum()
                key = (c.series.gas, c.series.chamber.treatment, name)
                pairs.setdefault(key, []).append((ranks, values[name][both]))
    found = []
    for (gas, treatment, name), mine in pairs.items():
        ranks = np.concatenate([r for r, _ in mine])
        driver = np.concatenate([v for _, v in mine])
        rho = float(stats.spearmanr(ranks, driver).statistic)
        found.append(Correlation(gas, treatment, name, rho, len(ranks)))
    return found
