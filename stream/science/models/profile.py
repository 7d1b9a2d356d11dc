"""What curves that are linear but for one parameter share.

C(t) = C₀ + s₀ φ(t; κ), with φ = x G(κ z) in time x scaled by the last point's, where z is x or
a root of it. Given κ the curve is linear in C₀ and s₀, so only κ is searched for (variable
projection, [GolubPereyra1973]_), without a starting value: a scan on averaged points, then
Newton steps on all.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline

Floats = NDArray[np.float64]

BINS: Final = 32
"""Averaged points of the scan."""
STEPS: Final = 512
"""Places of a table of G for each unit of κz."""


def cubics(value: Floats, slope: Floats) -> Floats:
    """Table of cubics that meet value and slope at each place.

    Parameters
    ----------
    value, slope : ndarray, shape (n,)
        G and its derivative by its argument at equal steps of 1/:data:`STEPS` from 0.

    Returns
    -------
    ndarray, shape (n - 1, 4)
        Coefficients by the distance from each place, in steps.
    """
    a, b = slope[:-1] / STEPS, slope[1:] / STEPS
    rise = np.diff(value)
    return np.column_stack([value[:-1], a, 3.0 * rise - 2.0 * a - b, a + b - 2.0 * rise])


@inline
def shape(table: Floats, at: float) -> tuple[float, float]:
    """G and its derivative; beyond the table G falls as one over its argument."""
    place = at * STEPS
    last = table.shape[0] - 1
    if place >= last:
        value = table[last, 0] * last / place
        return value, -value / at
    i = int(place)
    u = place - i
    c1, c2, c3 = table[i, 1], table[i, 2], table[i, 3]
    value = table[i, 0] + u * (c1 + u * (c2 + u * c3))
    return value, (c1 + u * (2.0 * c2 + u * 3.0 * c3)) * STEPS


@inline
def _project(
    x: Floats,
    z: Floats,
    y: Floats,
    w: Floats,
    sw: float,
    xr: float,
    zr: float,
    table: Floats,
    kappa: float,
) -> tuple[float, float, float]:
    """Profile at κ: what the curve explains, half the RSS's gradient, its Gauss–Newton slope.

    ``y`` is centred, so that Σ w y = 0. Moments are taken about the curve at
    the mean time ``xr`` with its root ``zr``: a point may weigh more than all others.
    """
    n = x.shape[0]
    g, dg = shape(table, kappa * zr)
    pr = xr * g
    dr = xr * zr * dg
    sp = 0.0
    sd = 0.0
    spp = 0.0
    spd = 0.0
    sdd = 0.0
    spy = 0.0
    sdy = 0.0
    for i in range(n):
        g, dg = shape(table, kappa * z[i])
        p = x[i] * g - pr
        d = x[i] * z[i] * dg - dr
        wp = w[i] * p
        wd = w[i] * d
        sp += wp
        sd += wd
        spp += wp * p
        spd += wp * d
        sdd += wd * d
        spy += wp * y[i]
        sdy += wd * y[i]
    cpp = spp - sp * sp / sw
    cpd = spd - sp * sd / sw
    cdd = sdd - sd * sd / sw
    slope = spy / cpp
    gradient = -slope * (sdy - slope * cpd)
    curve = slope * slope * (cdd - cpd * cpd / cpp)
    return slope * spy, gradient, curve


@inline
def _descend(
    x: Floats,
    z: Floats,
    y: Floats,
    w: Floats,
    sw: float,
    xr: float,
    zr: float,
    table: Floats,
    kappa: float,
    low: float,
    high: float,
    tolerance: float,
) -> float:
    """Root of the gradient between ``low`` and ``high``: Newton, then secant, else halving."""
    before = 0.0
    gradient_before = 0.0
    for step in range(60):
        _, gradient, curve = _project(x, z, y, w, sw, xr, zr, table, kappa)
        if gradient < 0.0:
            low = kappa
        else:
            high = kappa
        if step > 0 and (gradient - gradient_before) * (kappa - before) > 0.0:
            move = -gradient * (kappa - before) / (gradient - gradient_before)
        elif curve > 0.0:
            move = -gradient / curve
        else:
            move = math.nan
        before = kappa
        gradient_before = gradient
        following = kappa + move
        if not (low <= following <= high):
            following = 0.5 * (low + high)
        kappa = following
        if abs(kappa - before) <= tolerance * kappa or high - low <= 1e-15 * high:
            break
    return kappa


@inline
def _locate(
    x: Floats,
    z: Floats,
    y: Floats,
    w: Floats,
    sw: float,
    xr: float,
    zr: float,
    table: Floats,
    least: float,
    top: float,
    scan: int,
    tolerance: float,
) -> tuple[float, float, float]:
    """Scan κ at 0 and from ``least`` to ``top``; return the best and the bracket around it."""
    ratio = (top / least) ** (1.0 / (scan - 2))
    best = 0
    explained, gradient, _ = _project(x, z, y, w, sw, xr, zr, table, 0.0)
    downhill = gradient < 0.0
    value = least
    for j in range(1, scan):
        gain, _, _ = _project(x, z, y, w, sw, xr, zr, table, value)
        value *= ratio
        if gain > explained:
            explained = gain
            best = j
    if best == 0 and not downhill:
        return 0.0, 0.0, 0.0
    low = 0.0 if best <= 1 else least * ratio ** (best - 2)
    high = least * ratio**best if best < scan - 1 else top
    middle = 0.5 * least if best == 0 else least * ratio ** (best - 1)
    kappa = _descend(x, z, y, w, sw, xr, zr, table, min(middle, high), low, high, tolerance)
    return kappa, low, high


@inline
def search(
    x: Floats,
    z: Floats,
    y: Floats,
    w: Floats,
    sw: float,
    bx: Floats,
    bz: Floats,
    by: Floats,
    bw: Floats,
    table: Floats,
    least: float,
    top: float,
    scan: int,
) -> float:
    """The κ between 0 and ``top`` that leaves least; 0 where the points bend the other way.

    ``bx``, ``bz``, ``by`` and ``bw`` are the averages of the points, or the points themselves
    where there are few. The scan has ``scan`` values, 0 and from ``least`` on.
    """
    averaged = bx.shape[0] < x.shape[0]
    xr = 0.0
    zr = 0.0
    for i in range(x.shape[0]):
        xr += w[i] * x[i]
        zr += w[i] * z[i]
    xr /= sw
    zr /= sw
    kappa, low, high = _locate(
        bx, bz, by, bw, sw, xr, zr, table, least, top, scan, 1e-4 if averaged else 1e-9
    )
    if not averaged:
        return kappa
    if kappa > 0.0:
        kappa = _descend(x, z, y, w, sw, xr, zr, table, kappa, low, high, 1e-6)
        near_low = low > 0.0 and kappa - low < 1e-3 * low
        near_high = high < top and high - kappa < 1e-3 * high
        wrong = near_low or near_high or (low == 0.0 and kappa < 1e-6)
    else:
        _, gradient, _ = _project(x, z, y, w, sw, xr, zr, table, 0.0)
        wrong = gradient < 0.0
    if wrong:
        # The averages led to the wrong stretch: scan all points.
        kappa, _, _ = _locate(x, z, y, w, sw, xr, zr, table, least, top, scan, 1e-9)
    return kappa


@inline
def average(x: Floats, y: Floats, w: Floats, bx: Floats, by: Floats, bw: Floats) -> None:
    """Weighted means of as many groups of points in a row as ``bx`` has places."""
    n = x.shape[0]
    bins = bx.shape[0]
    for j in range(bins):
        i0 = n * j // bins
        i1 = n * (j + 1) // bins
        weight = 0.0
        xs = 0.0
        ys = 0.0
        for i in range(i0, i1):
            weight += w[i]
            xs += w[i] * x[i]
            ys += w[i] * y[i]
        bw[j] = weight
        bx[j] = xs / weight
        by[j] = ys / weight
