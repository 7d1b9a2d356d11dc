"""Readings of an analyzer made dry, and what is wrong with each."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stream.science.closures.gather import FAULT, NO_WATER, OUTSIDE
from stream.science.flux.water import dry_mole_fraction
from stream.science.kernel import kernel

Floats = NDArray[np.float64]

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
        [mol mol⁻¹], NaN where unknown; bits of :mod:`stream.science.closures.gather`.
    """
    n, none = len(raw), np.empty(0)
    dry, found, wrong = np.empty(n), np.empty(n), np.empty(n, dtype=np.uint8)
    _judge(
        raw, gas.scale, gas.shift, gas.low, gas.high,
        none if vapour is None else vapour, water.scale, water.shift, water.low, water.high, wet,
        none if status is None else status, fine, dry, found, wrong,
    )  # fmt: skip
    return dry, found, wrong
