"""Sizes that chambers have, and the unit that a number was likely written in."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Size:
    """What a number can be, and how else people write it.

    Attributes
    ----------
    unit : str
        That it must be in.
    low, high : float
        Outside of this it cannot be right.
    usual : tuple of float
        Outside of this it is odd, and may be right.
    others : tuple of (unit, factor, shift)
        In which people write it by mistake; value · factor + shift is in ``unit``.
    common : tuple of float, optional
        What most are: units that lead there are likelier than others.
    """

    unit: str
    low: float
    high: float
    usual: tuple[float, float]
    others: tuple[tuple[str, float, float], ...] = ()
    common: tuple[float, float] | None = None

    def cannot_be(self, value: float) -> bool:
        """Whether a number cannot be right."""
        return not self.low <= value <= self.high

    def is_odd(self, value: float) -> bool:
        """Whether a number is out of the common."""
        return not self.usual[0] <= value <= self.usual[1]

    def likely(self, value: float) -> str:
        """The units that a number was likely written in, all that fit: ``in cm that would be
        0.6 m, in mm 0.06 m``, or ''.
        """
        found: list[tuple[str, str]] = []
        for low, high in (self.common or self.usual, self.usual):
            found = found or [
                (unit, f"{meant:.4g} {self.unit}")
                for unit, factor, shift in self.others
                if low <= (meant := value * factor + shift) <= high
            ]
        told = [f"in {unit} {meant}" for unit, meant in found]
        return ", ".join([f"in {u} that would be {m}" for u, m in found[:1]] + told[1:])


HEIGHT: Final = Size(
    "m",
    0.01,
    3.0,
    (0.03, 1.5),
    (("cm", 1e-2, 0.0), ("mm", 1e-3, 0.0), ("inches", 0.0254, 0.0)),
    (0.03, 1.0),
)
"""Headspace height [common practice, no source]."""
AREA: Final = Size(
    "m2", 0.002, 20.0, (0.007, 4.0), (("cm2", 1e-4, 0.0), ("mm2", 1e-6, 0.0), ("dm2", 1e-2, 0.0))
)
"""Area of soil under a chamber [common practice, no source]."""
EXTRA_VOLUME: Final = Size(
    "m3", 0.0, 1.0, (0.0, 0.05), (("litres", 1e-3, 0.0), ("cm3", 1e-6, 0.0)), (2e-5, 0.05)
)
"""Tubing and cell [common practice, no source]."""
YIELD: Final = Size(
    "t/ha",
    0.0,
    float("inf"),
    (0.0, 200.0),
    (("kg/ha", 1e-3, 0.0), ("dt/ha", 0.1, 0.0)),
    (0.5, 150.0),
)
"""Of a crop [common practice, no source]."""
AIR_TEMPERATURE: Final = Size(
    "degC", -70.0, 80.0, (-50.0, 55.0), (("K", 1.0, -273.15), ("°F", 5 / 9, -160 / 9))
)
"""Of a headspace."""
AIR_PRESSURE: Final = Size(
    "hPa",
    400.0,
    1085.0,
    (550.0, 1060.0),
    (
        ("Pa", 1e-2, 0.0),
        ("kPa", 10.0, 0.0),
        ("mmHg", 1.33322, 0.0),
        ("bar", 1000.0, 0.0),
        ("atmospheres", 1013.25, 0.0),
        ("inHg", 33.8639, 0.0),
    ),
)
"""Of outdoor air where people farm."""
