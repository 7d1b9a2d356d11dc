"""Coverage on a soil that nothing was set on: a column of layers, solved in time.

    python tests/bench/blind.py

A source that fades with depth feeds a soil of random diffusivity, storage and depth under a
headspace of random height; the noise is white with three slow parts. The choice between
models and its intervals were set on another simulator: this one only looks. Seeds are fixed.
"""

import sys

import numpy as np
from scipy.linalg import solve_banded
from scipy.signal import lfilter

from stream.science.models import MODELS
from stream.science.models.choice import choose
from stream.science.models.fit import Segments

SOILS = 400
LAYERS = 60
NAMES = ("linear", "quadratic", "saturating")
WITH_DIFFUSIVE = (*NAMES, "diffusive")


def closure(
    diffusivity: float, stored: float, depth_m: float, source_m: float, height_m: float, end_s: int
) -> np.ndarray:
    """Excess in the headspace each second for a flux of one [a unit s⁻¹ height⁻¹], implicit."""
    dz = depth_m / LAYERS
    z = (np.arange(LAYERS) + 0.5) * dz
    source = np.exp(-z / source_m)
    source /= np.sum(source) * dz
    # Steady before the lid closes: what is made below passes each boundary upwards.
    below = np.cumsum(source[::-1])[::-1] * dz
    steady = np.empty(LAYERS)
    steady[0] = below[0] * 0.5 * dz / diffusivity
    for i in range(1, LAYERS):
        steady[i] = steady[i - 1] + below[i] * dz / diffusivity
    # Unknowns: headspace, then layers; zero flux at the bottom.
    n = LAYERS + 1
    step = 1.0
    top = diffusivity / (0.5 * dz)
    inner = diffusivity / dz
    band = np.zeros((3, n))
    capacity = np.concatenate(([height_m], np.full(LAYERS, stored * dz)))
    links = np.concatenate(([top], np.full(LAYERS - 1, inner)))
    band[1] = capacity / step
    band[1, :-1] += links
    band[1, 1:] += links
    band[0, 1:] = -links
    band[2, :-1] = -links
    state = np.concatenate(([0.0], steady))
    made = np.concatenate(([0.0], source * dz))
    found = np.empty(end_s)
    for i in range(end_s):
        found[i] = state[0]
        state = solve_banded((1, 1), band, capacity / step * state + made)
    return found


def noise(rng: np.random.Generator, n: int) -> np.ndarray:
    """White, with slow parts of 3, 30 and 200 s; some 0.35 in all."""
    total = 0.25 * rng.standard_normal(n)
    for memory, size in ((3.0, 0.2), (30.0, 0.1), (200.0, 0.08)):
        rho = np.exp(-1.0 / memory)
        shocks = rng.standard_normal(n + 2000) * size * np.sqrt(1 - rho**2)
        total += lfilter([1.0], [1.0, -rho], shocks)[2000:]
    return total


def judge(names: tuple[str, ...], t: np.ndarray, y: np.ndarray, slope: np.ndarray) -> str:
    """Bias, coverage and choice over all closures."""
    m, n = y.shape
    segments = Segments(np.tile(t, m), y.ravel(), np.ones(m * n), np.arange(m + 1) * n, False)
    fits = {name: MODELS[name].fit(segments) for name in names}
    span, first = np.full(m, t[-1] - t[0]), np.full(m, t[0])
    picked = choose(fits, span, first, known_variance=False)
    ratio, error = picked.slope / slope, picked.slope_se / slope
    curved = np.mean([not MODELS[picked.models[j]].straight for j in picked.chosen])
    cover = np.mean(np.abs(ratio - 1) < 1.96 * error)
    return f"{100 * (np.median(ratio) - 1):+.1f} | {100 * cover:.1f} | {100 * curved:.0f} |"


def main() -> int:
    """Print one table."""
    t = np.arange(30.0, 600.0)
    print("| soil | flux | candidates | bias, % | coverage, % | curves, % |")
    print("| --- | --- | --- | --- | --- | --- |")
    for soil, (low, high) in (("wet or dense", (1e-8, 2e-7)), ("loose and moist", (2e-7, 2e-6))):
        rng = np.random.default_rng(20261125)
        shapes = []
        for _ in range(SOILS):
            height = rng.uniform(0.10, 0.20)
            rise = closure(
                diffusivity=float(np.exp(rng.uniform(np.log(low), np.log(high)))),
                stored=rng.uniform(0.15, 0.45),
                depth_m=rng.uniform(0.2, 0.8),
                source_m=rng.uniform(0.02, 0.10),
                height_m=height,
                end_s=601,
            )
            shapes.append(np.interp(t, np.arange(601.0), rise) * height)
        for label, size in (("weak", 0.01), ("middling", 0.05), ("strong", 0.5)):
            slope = size * np.exp(rng.normal(0.0, 0.5, SOILS))
            y = 330.0 + slope[:, None] * np.array(shapes)
            y = y + np.array([noise(rng, len(t)) for _ in range(SOILS)])
            for names in (NAMES, WITH_DIFFUSIVE):
                which = "default" if names == NAMES else "and `diffusive`"
                print(f"| {soil} | {label} | {which} | {judge(names, t, y, slope)}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
