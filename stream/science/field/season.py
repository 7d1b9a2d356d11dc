"""Season totals, and the factors that are made of them."""

import math
from dataclasses import dataclass
from typing import Final

GWP100: Final = {
    "AR4": {"N2O": 298.0, "CH4": 25.0, "CO2": 1.0},
    "AR5": {"N2O": 265.0, "CH4": 28.0, "CO2": 1.0},
    "AR6": {"N2O": 273.0, "CH4": 27.0, "CO2": 1.0},
}
"""Warming over a hundred years over that of the same mass of CO₂ [IPCC assessments]; of
methane in AR6 that which is not fossil, since soil's is not."""

MASS_RATIO: Final = {"N2O": 44.0 / 28.0, "CH4": 16.0 / 12.0, "CO2": 44.0 / 12.0}
"""Gas over the element that it is reported as, by the convention of the IPCC."""

DEFAULT_FACTOR: Final = {
    "aggregated": (1.0, 0.2, 1.8),
    "synthetic fertilizer, wet climate": (1.6, 1.3, 1.9),
    "other nitrogen, wet climate": (0.6, 0.1, 1.1),
    "dry climate": (0.5, 0.0, 1.1),
}
"""Emission factor of the 2019 Refinement, volume 4, table 11.1, and its range [%]."""


@dataclass(frozen=True, slots=True)
class Amount:
    """A number with its standard error, and its 90 % interval where one is known."""

    value: float
    se: float
    low: float = math.nan
    high: float = math.nan

    @property
    def half_width(self) -> float:
        """Half of the interval over the value [1]; infinite at zero."""
        if not self.value:
            return math.inf
        return 0.5 * (self.high - self.low) / abs(self.value)

    def times(self, factor: float) -> "Amount":
        """In another unit."""
        ends = sorted((self.low * factor, self.high * factor))
        return Amount(self.value * factor, abs(factor) * self.se, *ends)


def emission_factor(treated: Amount, reference: Amount, nitrogen_kg_ha: float) -> Amount:
    """Share of the nitrogen that left as N₂O-N beyond what left without it [%].

    Parameters
    ----------
    treated, reference : Amount
        Season totals of N₂O-N [kg ha⁻¹], over the same time.
    nitrogen_kg_ha : float
        Nitrogen that the treatment got more than the reference [kg ha⁻¹].

    Returns
    -------
    Amount
        100 (E_treated − E_reference)/N [%]; errors of the two as independent.

    Raises
    ------
    ValueError
        The nitrogen is not positive.
    """
    if not nitrogen_kg_ha > 0:
        raise ValueError("an emission factor needs nitrogen that the reference did not get")
    return Amount(
        100.0 * (treated.value - reference.value) / nitrogen_kg_ha,
        100.0 * math.hypot(treated.se, reference.se) / nitrogen_kg_ha,
    )


def yield_scaled(total: Amount, yield_t_ha: float) -> Amount:
    """Emission for each tonne of yield.

    Raises
    ------
    ValueError
        The yield is not positive.
    """
    if not yield_t_ha > 0:
        raise ValueError("a yield must be positive")
    return total.times(1.0 / yield_t_ha)


def co2_equivalent(element_kg_ha: Amount, gas: str, assessment: str) -> Amount:
    """Warming over a hundred years as that of CO₂ [kg ha⁻¹].

    Parameters
    ----------
    element_kg_ha : Amount
        N₂O-N, CH₄-C or CO₂-C [kg ha⁻¹].
    gas : str
        ``N2O``, ``CH4`` or ``CO2``.
    assessment : str
        Key of :data:`GWP100`.

    Returns
    -------
    Amount
        Element × gas over element × GWP. The error is that of the emission alone.
    """
    return element_kg_ha.times(MASS_RATIO[gas] * GWP100[assessment][gas])
