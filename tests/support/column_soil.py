"""A soil column below a chamber: heat, water, and gas that diffuses into a headspace.

Heat is conducted through layers; water is a bucket that fills, ponds, drains and dries. Gas is
made in the top of the column and diffuses through its air-filled pores; while a lid is closed
the headspace is one more cell on top of it. The column is solved once for each air content, gas
and height; since it is linear, what a closure holds is the flux before it times that course.
Nothing here imports lidstream. Numbers are common practice, from memory; Millington and Quirk's
tortuosity is recalled from memory.
"""

from dataclasses import dataclass

import numpy as np
from column_weather import MINUTES, Floats, Weather
from numpy.typing import NDArray

POROSITY = 0.50
AIRS = np.linspace(0.015, 0.45, 24)
"""Air-filled porosities for which courses are solved."""

DIFFUSIVITY = {"N2O": 1.43e-5, "CO2": 1.39e-5, "CH4": 1.95e-5}  # in air, 0 degC [m² s⁻¹]
SOLUBLE = {"N2O": 0.85, "CO2": 1.15, "CH4": 0.04}  # water over air, at 12 degC
DEPTH_M, LAYERS = 0.30, 40


@dataclass(frozen=True)
class Courses:
    """What a flux of one has put into the headspace after so many steps, by air content."""

    step_s: float
    excess: Floats
    """Shape (len(AIRS), steps + 1) [mol m⁻³ of headspace for 1 mol m⁻² s⁻¹]."""

    def at(self, air: float, seconds: Floats) -> Floats:
        """The course at one air content, at seconds after closing."""
        place = float(np.interp(air, AIRS, np.arange(len(AIRS))))
        k = min(int(place), len(AIRS) - 2)
        share = place - k
        course = (1 - share) * self.excess[k] + share * self.excess[k + 1]
        return np.interp(seconds, self.step_s * np.arange(len(course)), course)


def solve(gas: str, height_m: float, seconds: float, leak_per_s: float = 0.0) -> Courses:
    """Implicit steps of the column and its headspace, for all air contents at once."""
    step = 5.0
    thick = DEPTH_M * np.diff(np.linspace(0, 1, LAYERS + 1) ** 1.6)
    middle = np.cumsum(thick) - thick / 2
    made = np.exp(-middle / 0.06) * thick
    made /= made.sum()
    many = len(AIRS)
    through = DIFFUSIVITY[gas] * AIRS ** (10 / 3) / POROSITY**2 + 2e-9
    holds = AIRS + SOLUBLE[gas] * (POROSITY - AIRS)

    gaps = np.concatenate([[middle[0]], np.diff(middle)])
    conduct = through[:, None] / gaps[None, :]  # upper side of each layer
    flow = np.zeros((many, LAYERS + 1, LAYERS + 1))  # cell 0 is the headspace
    for k in range(LAYERS):
        c = conduct[:, k]
        flow[:, k, k] -= c
        flow[:, k, k + 1] += c
        flow[:, k + 1, k + 1] -= c
        flow[:, k + 1, k] += c
    flow[:, 0, 0] -= leak_per_s * height_m
    room = np.concatenate([np.full((many, 1), height_m), holds[:, None] * thick[None, :]], axis=1)
    source = np.concatenate([[0.0], made])

    # Before closing: outdoor air on top, the flux out equal to what is made.
    inner = flow[:, 1:, 1:]
    start = np.linalg.solve(inner, np.broadcast_to(-made, (many, LAYERS))[..., None])
    state = np.concatenate([np.zeros((many, 1, 1)), start], axis=1)
    ahead = np.linalg.inv(np.eye(LAYERS + 1)[None] * room[:, :, None] / step - flow)
    steps = int(np.ceil(seconds / step)) + 1
    out = np.empty((many, steps + 1))
    out[:, 0] = 0.0
    for i in range(steps):
        state = ahead @ (room[:, :, None] / step * state + source[None, :, None])
        out[:, i + 1] = state[:, 0, 0]
    return Courses(step, out)


@dataclass(frozen=True)
class Ground:
    """One value a minute below one chamber."""

    soil_c: Floats
    """At 5 cm."""
    water: Floats
    """Volume of water in the top soil, of the volume of soil."""
    ponded: NDArray[np.bool_]
    flux: dict[str, Floats]
    """[nmol m⁻² s⁻¹], as it is with an open lid."""


def heat(w: Weather) -> Floats:
    """Temperature at 5 cm: twelve layers, with air and sun above, a minute a step."""
    thick, conduct, holds = 0.03, 1.0, 2.4e6
    layers = np.full(12, float(w.air_c[: 10 * MINUTES].mean()))
    rate = conduct / (thick * thick * holds) * 60.0
    top = w.air_c + w.sun_w / 110.0 - 1.2 * (w.sun_w <= 0)
    out = np.empty(len(top))
    for i, s in enumerate(top.tolist()):
        up = np.concatenate([[layers[0] + 0.35 * (s - layers[0])], layers[:-1]])
        down = np.concatenate([layers[1:], layers[-1:]])
        layers = layers + rate * (up + down - 2 * layers)
        out[i] = layers[1]
    return np.maximum(out, 0.1 * out)  # freezing water holds the soil near 0 degC


def water(w: Weather, low: float, rng: np.random.Generator) -> tuple[Floats, NDArray[np.bool_]]:
    """A bucket of 15 cm: rain and run-on in, drying and draining out; a low place ponds."""
    deep = 150.0
    store = deep * rng.uniform(0.20, 0.34)
    gain = w.rain_mm * (1 + 2.5 * low)
    dry = w.sun_w / 2.45e6 * 60.0 * 0.55
    out = np.empty(len(gain))
    full = deep * (POROSITY - 0.015)
    drains = 1.0 / (60 * 14.0) * (1 - 0.85 * low)
    for i, (g, d) in enumerate(zip(gain.tolist(), dry.tolist(), strict=True)):
        store += g - d * min(1.0, store / (0.25 * deep))
        store -= max(store - 0.30 * deep, 0.0) * drains
        store = min(store, full + 30.0 * low)
        out[i] = store
    return np.minimum(out, full) / deep, out >= full


def ground(
    w: Weather,
    soil_c: Floats,
    low: float,
    fertilized_s: float | None,
    rng: np.random.Generator,
) -> Ground:
    """What lies below one chamber, and what it gives off."""
    theta, ponded = water(w, low, rng)
    soil = soil_c + rng.normal(0, 0.3)
    filled = theta / POROSITY
    warm = np.exp(np.log(2.4) / 10 * (soil - 10))
    frozen = np.clip((soil + 0.3) / 0.6, 0.08, 1.0)
    open_pores = np.clip((POROSITY - theta) / 0.06, 0.03, 1.0)
    respires = rng.lognormal(np.log(1900.0), 0.35) * warm * open_pores * frozen
    respires = respires * np.clip(filled / 0.3, 0.25, 1.0)

    background = rng.lognormal(np.log(0.12), 0.5)
    nitrous = background * warm * open_pores * frozen * np.clip(filled / 0.5, 0.3, 1.6)
    if fertilized_s is not None:
        wet = np.exp(-(((filled - 0.72) / 0.16) ** 2))
        age = (w.time_s - fertilized_s) / 86400.0
        pulse = np.where(age > 0, (1 - np.exp(-age / 1.6)) * np.exp(-age / 9.0), 0.0)
        nitrous = (
            nitrous + rng.lognormal(np.log(7.0), 0.8) * pulse * (0.15 + wet) * warm * open_pores
        )
    uptake = -rng.uniform(0.15, 1.0) * open_pores * np.clip(1.4 - filled, 0.1, 1.0) * frozen
    wetland = rng.uniform(0.5, 6.0) * np.clip((filled - 0.93) / 0.04, 0.0, 1.0) * warm
    return Ground(soil, theta, ponded, {"CO2": respires, "N2O": nitrous, "CH4": uptake + wetland})
