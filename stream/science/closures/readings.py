"""Readings of an analyzer: made dry, judged, and gathered for many closures in one pass."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.closures.window import is_flat, is_toggling, missing_share, usual_spacing
from stream.science.flux.flux import dry_mole_fraction
from stream.science.kernel import inline, kernel

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]
Bits = NDArray[np.uint8]

NO_SAMPLES: Final = 1
NO_WATER: Final = 2
OUTSIDE: Final = 4
FAULT: Final = 8
FLAT: Final = 16
TOGGLES: Final = 32
"""Bits of what is wrong: no sample at all; no water vapour to make one dry (of a window: not
any); out of range; the analyzer's status was not good; a line without noise, and one that
jumps between a few values (of a window)."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """Usable samples of m windows, laid end to end, N in all.

    Attributes
    ----------
    t, y : ndarray, shape (N,)
        Time since the lid closed [s], dry mole fraction [nmol mol⁻¹].
    offsets : ndarray of int64, shape (m + 1,)
        Window i holds ``offsets[i]:offsets[i + 1]``.
    spacing_us, missing, water : ndarray, shape (m,)
        Usual time between samples [µs], NaN with fewer than two; share of the window that
        lacks samples; mean water vapour [mol mol⁻¹], NaN where unknown.
    wrong : ndarray of uint8, shape (m,)
        Bits.
    """

    t: Floats
    y: Floats
    offsets: Micros
    spacing_us: Floats
    missing: Floats
    water: Floats
    wrong: Bits


@inline
def wrong_with(raw: Floats, wrong: Bits, apart: float) -> int:
    """Bits of a window, from its readings and the bits of its samples; ``apart`` is how far
    readings that toggle lie from one another at least.
    """
    n = wrong.shape[0]
    if n == 0:
        return NO_SAMPLES
    some = 0
    every = 255
    for i in range(n):
        some |= wrong[i]
        every &= wrong[i]
    bits = (some & (OUTSIDE | FAULT)) | (every & NO_WATER)
    if is_flat(raw):
        bits |= FLAT
    if is_toggling(raw, apart):
        bits |= TOGGLES
    return bits


@kernel
def _gather(
    inlet: Micros,
    raw: Floats,
    dry: Floats,
    water: Floats,
    wrong: Bits,
    parts: NDArray[np.int64],
    starts: Micros,
    stops: Micros,
    closed: Micros,
    apart: float,
    t: Floats,
    y: Floats,
    offsets: Micros,
    numbers: Floats,
    bits: Bits,
) -> None:
    at = 0
    offsets[0] = 0
    for i in range(starts.shape[0]):
        a, b = parts[i, 0], parts[i, 1]
        vapour = 0.0
        known = 0
        for j in range(a, b):
            if water[j] == water[j]:
                vapour += water[j]
                known += 1
            if dry[j] == dry[j]:
                t[at] = (inlet[j] - closed[i]) / 1_000_000
                y[at] = dry[j]
                at += 1
        offsets[i + 1] = at
        numbers[i, 0] = usual_spacing(inlet[a:b])
        numbers[i, 1] = missing_share(inlet[a:b], starts[i], stops[i])
        numbers[i, 2] = vapour / known if known else math.nan
        bits[i] = wrong_with(raw[a:b], wrong[a:b], apart)


def _parts(inlet_us: Micros, starts_us: Micros, stops_us: Micros) -> NDArray[np.int64]:
    """First and last sample of each window, shape (m, 2)."""
    first = np.searchsorted(inlet_us, starts_us)
    last = np.searchsorted(inlet_us, stops_us)
    return np.column_stack([first, np.maximum(first, last)])


def gather(
    inlet_us: Micros,
    raw: Floats,
    dry: Floats,
    water: Floats,
    wrong: Bits,
    starts_us: Micros,
    stops_us: Micros,
    closed_us: Micros,
    apart: float,
) -> Gathered:
    """Usable samples of m windows, and what is wrong with each.

    Parameters
    ----------
    inlet_us, raw, dry, water, wrong : ndarray, shape (n,)
        Samples in order of time: time at the inlet [µs], reading, dry mole fraction (NaN
        where it cannot be used), water vapour [mol mol⁻¹], bits of what is wrong.
    starts_us, stops_us, closed_us : ndarray of int64, shape (m,)
        Windows, the stop not included, and when each lid closed [µs].
    apart : float
        How far readings that toggle lie from one another at least, as recorded; NaN where the
        noise is not known.

    Returns
    -------
    Gathered
        What is found of a window does not depend on the others.
    """
    parts = _parts(inlet_us, starts_us, stops_us)
    m, most = len(parts), int((parts[:, 1] - parts[:, 0]).sum())
    t, y = np.empty(most), np.empty(most)
    offsets, numbers, bits = np.empty(m + 1, np.int64), np.empty((m, 3)), np.empty(m, np.uint8)
    _gather(
        inlet_us, raw, dry, water, wrong, parts, starts_us, stops_us, closed_us, apart,
        t, y, offsets, numbers, bits,
    )  # fmt: skip
    return Gathered(t, y, offsets, numbers[:, 0], numbers[:, 1], numbers[:, 2], bits)


@kernel
def _ends(
    inlet: Micros,
    dry: Floats,
    parts: NDArray[np.int64],
    closed: Micros,
    few: int,
    t: Floats,
    y: Floats,
    there: NDArray[np.bool_],
) -> None:
    for i in range(parts.shape[0]):
        a, b = parts[i, 0], parts[i, 1]
        count = 0
        for j in range(a, b):
            if dry[j] == dry[j]:
                if count < few:
                    t[i, count] = (inlet[j] - closed[i]) / 1_000_000
                    y[i, count] = dry[j]
                count += 1
        there[i] = count >= 3 * few
        if not there[i]:
            continue
        count = 2 * few
        j = b - 1
        while count > few:
            if dry[j] == dry[j]:
                count -= 1
                t[i, count] = (inlet[j] - closed[i]) / 1_000_000
                y[i, count] = dry[j]
            j -= 1


def ends(
    inlet_us: Micros,
    dry: Floats,
    starts_us: Micros,
    stops_us: Micros,
    closed_us: Micros,
    few: int,
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """The first and the last few usable samples of m windows.

    Parameters
    ----------
    inlet_us, dry, starts_us, stops_us, closed_us
        As :func:`gather`.
    few : int
        How many at each end.

    Returns
    -------
    tuple of ndarray
        Time since the lid closed [s] and dry mole fraction [nmol mol⁻¹], shape (m, 2 few),
        and whether a window has three times as many; what a window without them holds
        means nothing.
    """
    parts = _parts(inlet_us, starts_us, stops_us)
    t, y = np.empty((len(parts), 2 * few)), np.empty((len(parts), 2 * few))
    there = np.empty(len(parts), dtype=np.bool_)
    _ends(inlet_us, dry, parts, closed_us, few, t, y, there)
    return t, y, there


_LEAST_WATER = -0.002
"""Water vapour that is read in dry gas, at least [mol mol⁻¹; common practice, no source]."""


@dataclass(frozen=True, slots=True)
class Scale:
    """From readings of a channel to a quantity: its range, in the channel's unit, and
    value = reading · ``scale`` + ``shift``.
    """

    scale: float
    shift: float
    low: float = -math.inf
    high: float = math.inf


@kernel
def _judge(
    raw: Floats,
    scale: float,
    shift: float,
    low: float,
    high: float,
    vapour: Floats,
    w_scale: float,
    w_shift: float,
    w_low: float,
    w_high: float,
    wet: bool,
    status: Floats,
    fine: Floats,
    dry: Floats,
    water: Floats,
    wrong: NDArray[np.uint8],
) -> None:
    told = vapour.shape[0] > 0
    watched = status.shape[0] > 0
    for i in range(raw.shape[0]):
        bits = 0
        if raw[i] < low or raw[i] > high:
            bits |= OUTSIDE
        w = math.nan
        if told and vapour[i] >= w_low and vapour[i] <= w_high:
            w = vapour[i] * w_scale + w_shift
            # In dry gas the noise of a reading goes below zero.
            if not (w > _LEAST_WATER and w < 1.0):
                w = math.nan
        if watched and status[i] == status[i]:
            good = False
            for j in range(fine.shape[0]):
                good |= status[i] == fine[j]
            if not good:
                bits |= FAULT
        value = raw[i] * scale + shift
        if wet:
            value = dry_mole_fraction(value, w)
            if w != w:
                bits |= NO_WATER
        water[i] = w
        wrong[i] = bits
        dry[i] = math.nan if bits & (OUTSIDE | FAULT) else value


def judge(
    raw: Floats,
    gas: Scale,
    vapour: Floats | None,
    water: Scale,
    status: Floats | None,
    fine: Floats,
    *,
    wet: bool,
) -> tuple[Floats, Floats, NDArray[np.uint8]]:
    """Dry mole fractions of n readings.

    Parameters
    ----------
    raw : ndarray, shape (n,)
        Readings, none NaN.
    gas, water : Scale
        Of the gas and of water vapour, to [nmol mol⁻¹] and [mol mol⁻¹].
    vapour, status : ndarray, shape (n,), or None
        Readings of water vapour and of the analyzer's status at the same times, NaN where
        there is none; None where there is no such channel.
    fine : ndarray
        Statuses under which a reading counts.
    wet : bool
        Whether the gas was measured in moist air (Eq. 4 of METHODS.md).

    Returns
    -------
    tuple of ndarray, shape (n,)
        Dry mole fraction [nmol mol⁻¹], NaN where it cannot be used; water vapour
        [mol mol⁻¹], NaN where unknown; bits of :mod:`stream.science.closures.readings`.
    """
    n, none = len(raw), np.empty(0)
    dry, found, wrong = np.empty(n), np.empty(n), np.empty(n, dtype=np.uint8)
    _judge(
        raw, gas.scale, gas.shift, gas.low, gas.high,
        none if vapour is None else vapour, water.scale, water.shift, water.low, water.high, wet,
        none if status is None else status, fine, dry, found, wrong,
    )  # fmt: skip
    return dry, found, wrong


@inline
def levels(y: Floats, few: int) -> tuple[float, float, float]:
    """Medians of the first and of the last few samples, and the error of their difference.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples in order of time, at least twice as many as ``few``.
    few : int
        How many make a level.

    Returns
    -------
    tuple of float
        First, last, and the standard error that means of as many would have.
    """
    n = y.shape[0]
    apart = 0.0
    middle = np.empty(2)
    for k in range(2):
        end = y[:few] if k == 0 else y[n - few :]
        mean = 0.0
        for i in range(few):
            mean += end[i]
        mean /= few
        for i in range(few):
            apart += (end[i] - mean) ** 2
        middle[k] = np.median(end)
    return float(middle[0]), float(middle[1]), math.sqrt(apart / (few - 1) / few)


@kernel
def _levels(y: Floats, few: int, found: Floats) -> None:
    for i in range(y.shape[0]):
        found[i, 0], found[i, 1], found[i, 2] = levels(y[i], few)


def levels_of_ends(y: Floats, few: int) -> Floats:
    """:func:`levels` of each row of ``y``, shape (m, 2 few); shape (m, 3)."""
    found = np.empty((len(y), 3))
    _levels(y, few, found)
    return found
