"""Starts of closures over days: outdoor air as a check of units, calibration and drying."""

from collections.abc import Iterator, Sequence
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.report.summary.findings.finding import Evidence, Finding, among
from stream.science.flux.units import CHANNEL_UNITS, rule_between
from stream.science.quality.air import OUTDOOR_NMOL, Start, elevation_deg, exchanged, likely_cause
from stream.station import Analyzer, Station
from stream.store.results.readers import Row
from stream.times import DAY

Floats = NDArray[np.float64]

_MIXED_DEG: Final = 15.0
"""Elevation of the sun from which air is well mixed."""
_FOLLOWS: Final = ("start_implausible", "start_off_ambient", "no_co2_rise", "not_flushed")
_OF_GAS: Final = (
    *("out_of_range", "few_points", "no_samples", "no_fit", "poor_fit", "visits_missing"),
    *("calibration_overdue", "calibration_poor", "standards_implausible", "standards_exchanged"),
)
"""What follows from values of another gas or unit, and from nothing else where no other row of
the chamber has it."""
_LEAST: Final = 24
_LEAST_DAYS: Final = 3
_LASTING: Final = {"N2O": (0.93, 1.25), "CH4": (0.93, 1.60), "CO2": (0.80, 1.50)}
"""Middle of many starts over outdoor air, by day: below and above it is no weather. Canopies
draw CO2 down by a sixth [common practice, no source]."""
_GROWTH: Final = {"CO2": 2500.0, "CH4": 10.0, "N2O": 1.1}
"""A year [nmol mol⁻¹; NOAA Global Monitoring Laboratory, from memory]."""
_YEAR_US: Final = 31_556_952_000_000
_IN_2024_US: Final = 1_719_792_000_000_000
_SLOPE: Final = (0.6, 1.5)
_CLEAR: Final = 8.0
_CLEAR_DAYS: Final = 3.0
"""Slope over its error by days, from which it is no chance of the week's weather."""
_LEAST_WATER: Final = 3e-4
"""Standard deviation of water vapour from which it tells anything [mol mol⁻¹]."""


def of_starts(evidence: Evidence) -> Iterator[Finding]:
    """Starts that are nothing like outdoor air, lasting small departures, and moist air."""
    for a in evidence.station.analyzers:
        mine = [r for r in evidence.rows if r["analyzer"] == a.id]
        gross = _gross(evidence, a, [r for r in mine if r["closed_us"] >= evidence.day.first_us])
        yield from gross
        if gross or any(r["closed_us"] >= evidence.day.first_us for r in mine) is False:
            continue
        moist = list(_moist(evidence, a, mine))
        yield from moist
        if not moist:
            yield from _lasting(evidence, a, mine)


def _gross(evidence: Evidence, a: Analyzer, rows: Sequence[Row]) -> list[Finding]:
    """One finding for all gases of an analyzer whose starts were gross that day."""
    station = evidence.station
    flagged = [r for r in rows if "start_implausible" in r["flags"].split()]
    gases = [g for g in a.gases if any(r["gas"] == g for r in flagged)]
    outside = [g for g in a.gases if g not in gases and _all_outside(rows, g)]
    shown = [g for g in a.gases if g not in (*gases, *outside) and _standards_off(rows, g)]
    if not gases and not outside and not shown:
        return []
    starts = {}
    for gas in a.gases:
        of_gas = [r for r in (flagged if gas in gases else rows) if r["gas"] == gas]
        known = [r["start_mole_fraction"] for r in of_gas if r["start_mole_fraction"] is not None]
        middle = median(known) if known else float("nan")
        scale = _scale(station, a, gas)
        if gas in (*outside, *shown) or 2 * len(known) < len(of_gas):
            # Few readings were used, or standards made them what they are not.
            middle = scale * evidence.middle(a.gases[gas])
        starts[gas] = Start(middle, middle, scale)
    turned = {g for pair in exchanged(starts) for g in pair}
    more = [*outside, *(g for g in shown if g in turned)]
    if not gases and not more:
        return []
    # What most closures of a day show of a gas bears on all of them.
    more += [
        g for g in gases
        if 2 * sum(r["gas"] == g for r in flagged) > sum(r["gas"] == g for r in rows)
    ]  # fmt: skip
    touched = {(r["chamber"], r["gas"], r["closed_us"]) for r in flagged}
    touched |= {(r["chamber"], r["gas"], r["closed_us"]) for r in rows if r["gas"] in more}
    flagged, beside = [], set()
    for r in rows:
        if (r["chamber"], r["gas"], r["closed_us"]) in touched:
            flagged.append(r)
        else:
            beside |= {(flag, r["chamber"]) for flag in r["flags"].split()}
    gases += [g for g in more if g not in gases]
    causes = []
    for gas in gases:
        causes.append(likely_cause(gas, starts, _unit(station, a, gas)))
    closures = len({(r["chamber"], r["closed_us"]) for r in flagged})
    chambers = [r["chamber"] for r in flagged]
    what = "Check unit, column and calibration of these channels, and for leaking cylinders."
    why = f"{'; '.join(causes)} ({closures} closure{'s' if closures > 1 else ''})"
    explains = {(flag, chamber) for flag in _FOLLOWS for chamber in chambers}
    explains |= {(flag, c) for flag in _OF_GAS for c in chambers} - beside
    if any("calibration_overdue" in r["flags"].split() for r in flagged):
        explains.add(("not_visited", a.id))
    where = f"{a.id}: {among(chambers)}"
    return [Finding(2, where, what, why, frozenset(explains))]


def _all_outside(rows: Sequence[Row], gas: str) -> bool:
    """Whether most closures of a day have no reading of a gas within its range."""
    mine = [set(r["flags"].split()) for r in rows if r["gas"] == gas]
    lost = [f for f in mine if "out_of_range" in f and f & {"few_points", "no_samples"}]
    return len(lost) > len(mine) / 2


def _standards_off(rows: Sequence[Row], gas: str) -> bool:
    """Whether most closures of a day have a gas whose standards are shown far from their values."""
    mine = [r["flags"].split() for r in rows if r["gas"] == gas]
    return sum("standards_implausible" in f for f in mine) > len(mine) / 2


def _scale(station: Station, a: Analyzer, gas: str) -> float:
    unit = station.channels[a.gases[gas]].unit
    if CHANNEL_UNITS[unit].quantity == "area":
        return 1.0
    return rule_between(unit, "nmol/mol")[0]


def _unit(station: Station, a: Analyzer, gas: str) -> str:
    """Of the channel; of peak areas that of what they are turned into."""
    unit = station.channels[a.gases[gas]].unit
    return "nmol/mol" if CHANNEL_UNITS[unit].quantity == "area" else unit


def _by_day(evidence: Evidence, rows: Sequence[Row]) -> list[Row]:
    """Starts of closures while the sun mixed the air, and nothing worse was wrong."""
    site = evidence.station.station
    usable = [
        r
        for r in rows
        if r["start_mole_fraction"] is not None
        and r["quality"] <= 3
        and not {"not_flushed", "poor_fit", "line_shared"} & set(r["flags"].split())
    ]
    if site.latitude is None or site.longitude is None or not usable:
        return usable
    times = np.array([r["closed_us"] for r in usable], dtype=np.int64)
    high = elevation_deg(times, site.latitude, site.longitude) > _MIXED_DEG
    return [r for r, day in zip(usable, high.tolist(), strict=True) if day]


def _enough(rows: Sequence[Row]) -> bool:
    days = {r["closed_us"] // DAY for r in rows}
    return len(rows) >= _LEAST and len(days) >= _LEAST_DAYS


def _lasting(evidence: Evidence, a: Analyzer, rows: Sequence[Row]) -> Iterator[Finding]:
    """Starts that are off by little, and for days."""
    off = []
    for gas in a.gases:
        bounds = _LASTING.get(gas)
        mine = _by_day(evidence, [r for r in rows if r["gas"] == gas])
        if bounds is None or gas in evidence.station.closure.start_range or not _enough(mine):
            continue
        years = (median(r["closed_us"] for r in mine) - _IN_2024_US) / _YEAR_US
        usual = OUTDOOR_NMOL[gas] + _GROWTH[gas] * years
        starts = np.array([r["start_mole_fraction"] for r in mine]) / usual
        # Gas that is still there of closures before makes starts high, never low.
        low, middle = float(np.quantile(starts, 0.1)), float(np.median(starts))
        if middle < bounds[0]:
            off.append((gas, middle, usual))
        elif low > bounds[1]:
            off.append((gas, low, usual))
    if not off:
        return
    said = []
    for gas, share, usual in off:
        scale, unit = _scale(evidence.station, a, gas), _unit(evidence.station, a, gas)
        side = "above" if share > 1.0 else "below"
        said.append(
            f"{gas} begins at {share * usual / scale:.4g} {unit} by day,"
            f" {abs(100 * (share - 1)):.0f} % {side} outdoor air ({usual / scale:.4g})"
        )
    leaks = any(s.gas == gas and share > 1.0 for gas, share, _ in off for s in a.standards)
    what = "Check the calibration with a standard gas" + (
        ", and look for a standard gas leaking into the sampling line." if leaks else "."
    )
    yield Finding(3, a.id, what, f"{'; '.join(said)}, over {_days(rows)} days")


def _days(rows: Sequence[Row]) -> int:
    return len({r["closed_us"] // DAY for r in rows})


def _moist(evidence: Evidence, a: Analyzer, rows: Sequence[Row]) -> Iterator[Finding]:
    """Gases that fall as water vapour rises were measured in moist air; gases that rise with it
    were made dry twice.

    A mole fraction in moist air is 1 − w of that in dry air, so the logarithm of starts falls
    by one for each mole of water in a mole of air (Dalton's law).
    """
    slopes = []
    for gas in ("N2O", "CH4"):
        mine = [r for r in rows if r["gas"] == gas]
        mine = _by_day(evidence, mine)
        if not _enough(mine):
            return
        water = _water(evidence, a, mine)
        if water is None:
            return
        days = np.array([r["closed_us"] // DAY for r in mine])
        found = slope_by_days(water, np.log([r["start_mole_fraction"] for r in mine]), days)
        if found is None:
            return
        slopes.append(found)
    signs = {np.sign(slope) for slope, _, _ in slopes}
    # One of the two must be clear; the other must not contradict it.
    clear = [
        slope
        for slope, error, by_days in slopes
        if _SLOPE[0] <= abs(slope) <= _SLOPE[1]
        and abs(slope) > _CLEAR * error
        and abs(slope) > _CLEAR_DAYS * by_days
    ]
    agree = all(abs(slope - np.sign(slope)) < 1.0 + 3.0 * error for slope, error, _ in slopes)
    if not clear or len(signs) > 1 or not agree:
        return
    if clear[0] < 0 and a.basis == "dry":
        what = 'Check whether the analyzer measures moist air. If so, use basis = "wet".'
        how = "falls"
    elif clear[0] > 0 and a.basis == "wet" and all(0.4 <= s <= 1.6 for s, _, _ in slopes):
        # Warm, moist days are those of strong soils too: both must rise as Dalton's law says.
        what = 'Check whether the analyzer gives dry mole fractions. If so, use basis = "dry".'
        how = "rises"
    else:
        return
    why = (
        f"outdoor N2O and CH4 {how.removesuffix('s')} with water vapour as moist air does"
        f" ({abs(clear[0]):.1f} of what Dalton's law says), over {_days(rows)} days"
    )
    yield Finding(3, a.id, what, why)


def _water(evidence: Evidence, a: Analyzer, rows: Sequence[Row]) -> Floats | None:
    """Water vapour at the closures [mol mol⁻¹], by the analyzer or by a channel beside it."""
    known = [r["water_mol_mol"] for r in rows]
    if all(w is not None for w in known):
        return np.array(known, dtype=np.float64)
    channels = evidence.station.channels
    gases = {c for other in evidence.station.analyzers for c in other.gases.values()}
    beside = [
        name
        for name, c in channels.items()
        if c.unit in {"mmol/mol", "mol/mol"} and name not in gases
    ]
    if len(beside) != 1:
        return None
    series = evidence.journal.read({beside[0]}, evidence.week.first_us, evidence.week.stop_us - 1)[
        beside[0]
    ].filled()
    if not len(series.times):
        return None
    scale = rule_between(channels[beside[0]].unit, "mol/mol")[0]
    at = np.array([r["closed_us"] for r in rows], dtype=np.int64)
    place = np.clip(np.searchsorted(series.times, at), 0, len(series.times) - 1)
    return np.asarray(series.values[place] * scale)


def slope_by_days(
    x: Floats, y: Floats, days: NDArray[np.int64]
) -> tuple[float, float, float] | None:
    """Slope, its standard error by least squares and that by leaving out one day after the other,
    without wild points; None where x hardly varies.

    Closures of a day share its air, so that a week is a few air masses, however many closures it
    has: least squares alone takes their chance company for proof.
    """
    keep = np.abs(y - np.median(y)) <= 4.0 * 1.4826 * np.median(np.abs(y - np.median(y))) + 1e-12
    x, y, days = x[keep], y[keep], days[keep]
    if len(x) < _LEAST or np.std(x) < _LEAST_WATER:
        return None
    away = x - x.mean()
    slope = float(np.sum(away * y) / np.sum(away**2))
    left = y - y.mean() - slope * away
    error = float(np.sqrt(np.sum(left**2) / (len(x) - 2) / np.sum(away**2)))
    without = []
    for day in np.unique(days):
        a, b = x[days != day], y[days != day]
        if len(a) < 2 or np.ptp(a) == 0.0:
            return None
        without.append(float(np.polyfit(a - a.mean(), b, 1)[0]))
    n = len(without)
    spread = np.sum((np.array(without) - np.mean(without)) ** 2)
    return slope, error, float(np.sqrt((n - 1) / n * spread)) if n > 1 else float("inf")
