"""Channels of a day: range, drift against the fortnight before, flat lines, silences."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stream.report.summary.model import AnalyzerDay, Sensor
from stream.science.flux.units import CANONICAL, CHANNEL_UNITS, rule_between
from stream.station import Station
from stream.store.journal.journal import Journal
from stream.store.results.readers import Period
from stream.times import SECOND

_HOUR: Final = 3600 * SECOND
_BREAK_US: Final = 600 * SECOND
"""A silence in which nobody knows whether a value stood still."""
_FLAT_GAS_H: Final = 5.0 / 60.0
_FLAT_SENSOR_H: Final = 6.0
"""A thermometer or barometer that repeats its last digit for so long does not measure."""
_SILENT_H: Final = 1.0
_FEW: Final = 12
_DRIFT_TIMES: Final = 4.0
_WEATHER: Final = {"temperature": 2.0, "pressure": 500.0, "volume fraction": 0.05}
"""Quantity → what sensors of one station differ by as the weather turns, in the canonical unit
[common practice, no source]."""
_ALONE: Final = 5.0
"""So many times as much a sensor without another of its kind may move with the weather."""


def sensors_of(
    station: Station, journal: Journal, period: Period, before: Sequence[Mapping[str, Any]]
) -> list[Sensor]:
    """Every recorded channel of the station file, in its order.

    Parameters
    ----------
    station : Station
    journal : Journal
    period : Period
        The day.
    before : sequence of mapping
        The summaries of the days before, as stored.
    """
    by_hand = {
        channel for a in station.analyzers if a.sampling == "vials" for channel in a.gases.values()
    }
    records = journal.read(station.channels, period.first_us, period.stop_us - 1)
    medians = _medians(before)
    gases = {
        channel
        for a in station.analyzers
        if a.sampling == "continuous"
        for channel in a.gases.values()
    }
    found = []
    for channel, rules in station.channels.items():
        if channel in by_hand:
            continue  # comes in tables, not in records
        series = records[channel].filled()
        found.append(
            _sensor(
                channel,
                rules.unit,
                rules.range,
                series.times,
                series.values,
                period,
                medians.get(channel, []),
                gas=channel in gases,
            )
        )
    return [_against_others(s, found, gas=s.channel in gases) for s in found]


def _against_others(sensor: Sensor, all_of: Sequence[Sensor], *, gas: bool) -> Sensor:
    """A sensor that moved with others of its kind, or as gases do, has not drifted.

    At a thaw, after rain or with a front all of them move; a gas is held against standards
    and against outdoor air.
    """
    if "drifted" not in sensor.words or sensor.drift is None or sensor.usual_drift is None:
        return sensor
    quantity = CHANNEL_UNITS[sensor.unit].quantity
    scale, _ = rule_between(sensor.unit, CANONICAL[quantity])
    least = _WEATHER.get(quantity, 0.0) / scale
    others = [
        s.drift
        for s in all_of
        if s.unit == sensor.unit and s.channel != sensor.channel and s.drift is not None
    ]
    moved = abs(sensor.drift - float(np.median(others))) if others else abs(sensor.drift)
    limit = max(_DRIFT_TIMES * sensor.usual_drift, least if others else _ALONE * least)
    if moved > limit and not gas and quantity != "mole fraction":
        return sensor
    return replace(sensor, words=[w for w in sensor.words if w != "drifted"])


def _medians(before: Sequence[Mapping[str, Any]]) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for day in before:
        for s in day.get("sensors", ()):
            if s["median"] is not None:
                found.setdefault(s["channel"], []).append(s["median"])
    return found


def _sensor(
    channel: str,
    unit: str,
    bounds: tuple[float, float] | None,
    times: NDArray[np.int64],
    values: NDArray[np.float64],
    period: Period,
    medians: Sequence[float],
    *,
    gas: bool,
) -> Sensor:
    if not len(values):
        return Sensor(
            channel, unit, 0, None, None, None, 0, None, None, 0.0,
            (period.stop_us - period.first_us) / _HOUR, ["silent"],
        )  # fmt: skip
    wrong = np.zeros(len(values), dtype=bool)
    if bounds is not None:
        wrong = (values < bounds[0]) | (values > bounds[1])
    right = values[~wrong] if not wrong.all() else values
    quantity = CHANNEL_UNITS[unit].quantity
    middle = float(np.median(right))
    drift = usual = None
    if len(medians) >= 3 and quantity != "number":
        drift = middle - float(np.median(medians))
        usual = float(np.percentile(np.abs(np.array(medians) - np.median(medians)), 90))
    flat = _longest_flat_h(times, values)
    silent = _longest_silence_h(times, period)
    words = []
    if silent > max(_SILENT_H, 4 * _usual_step_h(times)):
        words.append("silent")
    limit = _FLAT_GAS_H if gas else _FLAT_SENSOR_H
    if (gas or quantity in {"temperature", "pressure"}) and len(values) >= _FEW and flat > limit:
        words.append("flat")
    if wrong.any():
        words.append("out_of_range")
    if drift is not None and usual is not None and abs(drift) > _DRIFT_TIMES * usual > 0:
        words.append("drifted")
    return Sensor(
        channel=channel,
        unit=unit,
        records=len(values),
        low=float(right.min()),
        median=middle,
        high=float(right.max()),
        out_of_range=int(np.count_nonzero(wrong)),
        drift=drift,
        usual_drift=usual,
        flat_h=round(flat, 3),
        silent_h=round(silent, 3),
        words=words,
    )


def _longest_flat_h(times: NDArray[np.int64], values: NDArray[np.float64]) -> float:
    """Longest time between the first and the last of equal records in a row, none of which is
    missing [h].
    """
    step = np.diff(times)
    silent = step > max(_BREAK_US, 6.0 * float(np.median(step))) if len(step) else step > 0
    starts = np.flatnonzero(np.concatenate(([True], (values[1:] != values[:-1]) | silent)))
    ends = np.concatenate((starts[1:], [len(values)])) - 1
    return float((times[ends] - times[starts]).max() / _HOUR)


def _longest_silence_h(times: NDArray[np.int64], period: Period) -> float:
    edges = np.concatenate(([period.first_us], times, [period.stop_us]))
    return float(np.diff(edges).max() / _HOUR)


def _usual_step_h(times: NDArray[np.int64]) -> float:
    return float(np.median(np.diff(times)) / _HOUR) if len(times) > 1 else 0.0


def analyzers_of(station: Station, journal: Journal, period: Period) -> list[AnalyzerDay]:
    """Minutes in which each continuous analyzer reported a fault, or said nothing."""
    found = []
    for a in station.analyzers:
        if a.sampling != "continuous":
            continue
        channels = set(a.gases.values()) | ({a.status_channel} if a.status_channel else set())
        records = journal.read(channels, period.first_us, period.stop_us - 1)
        fault = 0.0
        if a.status_channel is not None:
            status = records[a.status_channel].filled()
            bad = ~np.isin(status.values, a.status_ok)
            step = np.diff(status.times, append=period.stop_us)
            fault = float(np.minimum(step, 60 * SECOND)[bad].sum() / (60 * SECOND))
        series = [records[c].filled().times for c in a.gases.values()]
        times = min(series, key=len)
        edges = np.concatenate(([period.first_us], times, [period.stop_us]))
        steps = np.diff(edges)
        silent = float(steps[steps > 60 * SECOND].sum() / (60 * SECOND))
        words = [w for w, there in (("fault", fault > 0), ("silent", silent > 0)) if there]
        found.append(AnalyzerDay(a.id, round(fault, 1), round(silent, 1), words))
    return found
