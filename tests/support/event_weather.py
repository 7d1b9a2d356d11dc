"""Weather of made seasons: spells of rain and fronts; no statistical model has a part in it.

Times are days since the season's first midnight (UTC).
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]

LEAD = 30
"""Days of weather, and of pulses that may reach into the season, before it."""


@dataclass(frozen=True)
class Weather:
    """Rain a day from ``LEAD`` days before the season, and air temperature at any time."""

    days: int
    rain_mm: Floats
    rain_at: Floats
    front_at: Floats
    front_c: Floats
    swing_c: Floats

    def temperature(self, t: Floats, swing: float = 1.0) -> Floats:
        """Air temperature [°C]; with a smaller ``swing``, that of the topsoil."""
        season = 13.0 - 6.5 * np.cos(2 * np.pi * (t + 20) / 260)
        day = np.clip(np.floor(t).astype(int) + LEAD, 0, len(self.swing_c) - 1)
        daily = self.swing_c[day] * np.cos(2 * np.pi * (t - 14 / 24))
        return season + np.interp(t, self.front_at, self.front_c) + swing * daily

    def warmth(self, t: Floats) -> Floats:
        """What the topsoil's temperature multiplies a flux by: Q10 of 2.2, 1 at 14 °C."""
        return np.asarray(2.2 ** ((self.temperature(t, 0.5) - 14) / 10))


def draw_weather(rng: np.random.Generator, days: int) -> Weather:
    """Dry spells of gamma length and wet spells in turn; fronts as straight passages."""
    n = LEAD + days
    rain = np.zeros(n)
    day = int(rng.integers(0, 5))
    while day < n:
        wet = int(rng.geometric(0.5))
        heavy = rng.random(wet) < 0.25
        amounts = np.where(heavy, rng.gamma(2.0, 12.0, wet), rng.exponential(4.0, wet))
        rain[day : day + wet] = amounts[: n - day]
        day += wet + 1 + int(rng.gamma(1.2, 4.0))
    passages = np.cumsum(rng.gamma(3.0, 1.0, n)) - LEAD - 3
    swing = np.where(rain > 1, 2.5, 5.0) * rng.uniform(0.6, 1.4, n)
    return Weather(
        days=days,
        rain_mm=np.round(rain, 1),
        rain_at=np.arange(n) - LEAD + rng.uniform(0.0, 0.95, n),
        front_at=passages,
        front_c=rng.normal(0.0, 3.0, n),
        swing_c=swing,
    )
