"""Daily fluxes of the chambers of one treatment, as a linear state-space model.

On each day d, chamber c, on a scale on which fluxes are about normal,

    z_cd = x_d'β + s_d + r_cd + a_cd + e_cd + noise of measuring,

with coefficients β of the drivers, a course s_d that all chambers share, a quick and a slow course
r_cd and a_cd of each chamber, and scatter e_cd of the day alone. A course is remembered from day to
day, s_d = φ s_(d−1) + new; what comes new to s and r varies more on days with new water or
fertilizer. The filter and smoother are those of [Durbin2012]_ (one observation at a time, section
6.4); given what was measured, draws are made by their section 4.9.2.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stream.science.kernel import inline, kernel

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Observed:
    """Daily fluxes of one treatment, transformed.

    Attributes
    ----------
    z : ndarray, shape (chambers, days)
        NaN where nothing was measured.
    noise : ndarray, shape (chambers, days)
        Variance of measuring.
    drivers : ndarray, shape (days, columns)
    prior_variance : ndarray, shape (columns,)
        Of their coefficients.
    pulses : ndarray, shape (days, reasons)
        What makes more change on a day.
    """

    z: Floats
    noise: Floats
    drivers: Floats
    prior_variance: Floats
    pulses: Floats


@dataclass(frozen=True, slots=True)
class Scatter:
    """What is not explained.

    Attributes
    ----------
    variances : ndarray, shape (1 + 2 chambers, days)
        Of what comes new to each course (s, r of each chamber, a of each); on the first day, of
        the courses themselves.
    kept : ndarray, shape (1 + 2 chambers,)
        φ of each.
    rest : float
        Variance of e.
    """

    variances: Floats
    kept: Floats
    rest: float


def log_likelihood(observed: Observed, scatter: Scatter) -> float:
    """Of all that was measured, coefficients integrated out."""
    noise = observed.noise + scatter.rest
    given = observed.drivers, observed.prior_variance, scatter.variances, scatter.kept
    return float(_log_likelihood(observed.z, noise, *given))


def draw(observed: Observed, scatter: Scatter, draws: int, rng: np.random.Generator) -> Floats:
    """What each chamber and day would have given without noise of measuring, given all that was
    measured.

    Returns
    -------
    ndarray, shape (chambers, days, draws)
        On the scale of ``z``.
    """
    chambers, days = observed.z.shape
    # Draw all without looking at what was measured, then add what that makes of the difference.
    new = np.sqrt(scatter.variances)[:, :, None] * rng.standard_normal(
        (len(scatter.kept), days, draws)
    )
    courses = _remembered(new, scatter.kept)
    beta = np.sqrt(observed.prior_variance)[:, None] * rng.standard_normal(
        (len(observed.prior_variance), draws)
    )
    signal = (observed.drivers @ beta)[None] + courses[0] + courses[1 : chambers + 1]
    signal += courses[chambers + 1 :]
    rest = math.sqrt(scatter.rest) * rng.standard_normal(signal.shape)
    noise = np.sqrt(observed.noise)[:, :, None] * rng.standard_normal(signal.shape)
    left = observed.z[:, :, None] - signal - rest - noise
    _smooth(
        left,
        observed.noise + scatter.rest,
        observed.drivers,
        observed.prior_variance,
        scatter.variances,
        scatter.kept,
    )
    return np.asarray(signal + rest + left)


@kernel
def _remembered(new: Floats, kept: Floats) -> Floats:
    for i in range(new.shape[0]):
        for d in range(1, new.shape[1]):
            new[i, d] += kept[i] * new[i, d - 1]
    return new


@inline
def _forget(p: Floats, kept: Floats, variances: Floats) -> None:
    """Variances of a day from those of the day before."""
    n = p.shape[0]
    for i in range(len(kept)):
        for j in range(n):
            p[i, j] *= kept[i]
            p[j, i] *= kept[i]
    for i in range(len(kept)):
        p[i, i] += variances[i]


@inline
def _seen(state: Floats, c: int, chambers: int, x: Floats) -> float:
    """What a chamber shows of a state."""
    first = 2 * chambers + 1
    total: float = state[0] + state[1 + c] + state[1 + chambers + c]
    for k in range(len(x)):
        total += x[k] * state[first + k]
    return total


@inline
def _first(chambers: int, variances: Floats, prior: Floats) -> Floats:
    """Variances of the state on the first day: the courses, then β."""
    courses = 2 * chambers + 1
    p = np.zeros((courses + len(prior), courses + len(prior)))
    for i in range(courses):
        p[i, i] = variances[i, 0]
    for k in range(len(prior)):
        p[courses + k, courses + k] = prior[k]
    return p


@inline
def _gain(p: Floats, c: int, chambers: int, x: Floats, gain: Floats) -> float:
    """Covariances of the state with what a chamber shows, into ``gain``; the variance of that."""
    for i in range(p.shape[0]):
        gain[i] = _seen(p[i], c, chambers, x)
    return _seen(gain, c, chambers, x)


@inline
def _take_off(p: Floats, gain: Floats, f: float) -> None:
    for i in range(len(gain)):
        part = gain[i] / f
        for j in range(len(gain)):
            p[i, j] -= part * gain[j]


@kernel
def _log_likelihood(
    z: Floats, noise: Floats, x: Floats, prior: Floats, variances: Floats, kept: Floats
) -> float:
    chambers, days = z.shape
    p = _first(chambers, variances, prior)
    n = p.shape[0]
    state = np.zeros(n)
    gain = np.empty(n)
    found = 0.0
    for d in range(days):
        if d > 0:
            _forget(p, kept, variances[:, d])
            for i in range(len(kept)):
                state[i] *= kept[i]
        for c in range(chambers):
            if np.isnan(z[c, d]):
                continue
            f = _gain(p, c, chambers, x[d], gain) + noise[c, d]
            off = z[c, d] - _seen(state, c, chambers, x[d])
            for i in range(n):
                state[i] += gain[i] * off / f
            _take_off(p, gain, f)
            found -= 0.5 * (math.log(f) + off * off / f + math.log(2.0 * math.pi))
    return found


@kernel
def _smooth(
    left: Floats, noise: Floats, x: Floats, prior: Floats, variances: Floats, kept: Floats
) -> None:
    """Put in place of each value what drivers and courses are expected to make together, given all
    values that are not NaN; of many draws that lack the same values.
    """
    chambers, days, draws = left.shape
    p = _first(chambers, variances, prior)
    n = p.shape[0]
    courses = len(kept)
    gains = np.zeros((days, chambers, n))
    f = np.zeros((days, chambers))
    before = np.empty((days, n, n))
    for d in range(days):
        if d > 0:
            _forget(p, kept, variances[:, d])
        before[d] = p
        for c in range(chambers):
            if not np.isnan(left[c, d, 0]):
                f[d, c] = _gain(p, c, chambers, x[d], gains[d, c]) + noise[c, d]
                _take_off(p, gains[d, c], f[d, c])
    states = np.empty((days, n))
    off = np.zeros((days, chambers))
    for m in range(draws):
        state = np.zeros(n)
        for d in range(days):
            if d > 0:
                for i in range(courses):
                    state[i] *= kept[i]
            states[d] = state
            for c in range(chambers):
                if f[d, c] > 0.0:
                    off[d, c] = left[c, d, m] - _seen(state, c, chambers, x[d])
                    part = off[d, c] / f[d, c]
                    for i in range(n):
                        state[i] += gains[d, c, i] * part
        back = np.zeros(n)
        for d in range(days - 1, -1, -1):
            for c in range(chambers - 1, -1, -1):
                if f[d, c] > 0.0:
                    dot = 0.0
                    for i in range(n):
                        dot += gains[d, c, i] * back[i]
                    part = (off[d, c] - dot) / f[d, c]
                    back[0] += part
                    back[1 + c] += part
                    back[1 + chambers + c] += part
                    for k in range(len(prior)):
                        back[courses + k] += x[d, k] * part
            for i in range(n):
                total = 0.0
                for j in range(n):
                    total += before[d, i, j] * back[j]
                states[d, i] += total
            for i in range(courses):
                back[i] *= kept[i]
        for d in range(days):
            for c in range(chambers):
                left[c, d, m] = _seen(states[d], c, chambers, x[d])
