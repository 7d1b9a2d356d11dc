"""Physical constants and molar masses.

Sources: [CODATA2022]_ (exact since the SI of 2019) and [CIAAW2021]_, abridged
standard atomic weights. Keys are listed in ``METHODS.md``.
"""

from typing import Final

GAS_CONSTANT: Final = 8.31446261815324
"""Molar gas constant [J mol⁻¹ K⁻¹], exact."""

ZERO_CELSIUS_K: Final = 273.15
"""0 °C [K], exact."""

STANDARD_ATMOSPHERE_PA: Final = 101325.0
"""Standard atmosphere [Pa], exact."""

PARTICLE_DENSITY_G_CM3: Final = 2.65
"""Density of mineral soil particles [g cm⁻³]; common practice."""

ATOMIC_WEIGHT: Final = {"H": 1.008, "C": 12.011, "N": 14.007, "O": 15.999}
"""Abridged standard atomic weights [g mol⁻¹]."""

MOLAR_MASS: Final = {
    "N2O": 2 * ATOMIC_WEIGHT["N"] + ATOMIC_WEIGHT["O"],
    "CH4": ATOMIC_WEIGHT["C"] + 4 * ATOMIC_WEIGHT["H"],
    "CO2": ATOMIC_WEIGHT["C"] + 2 * ATOMIC_WEIGHT["O"],
    "NH3": ATOMIC_WEIGHT["N"] + 3 * ATOMIC_WEIGHT["H"],
    "NO": ATOMIC_WEIGHT["N"] + ATOMIC_WEIGHT["O"],
}
"""Molar mass of each gas that a station may name [g mol⁻¹]."""

ELEMENT_MASS: Final = {
    "N2O": ("N", 2 * ATOMIC_WEIGHT["N"]),
    "CH4": ("C", ATOMIC_WEIGHT["C"]),
    "CO2": ("C", ATOMIC_WEIGHT["C"]),
    "NH3": ("N", ATOMIC_WEIGHT["N"]),
    "NO": ("N", ATOMIC_WEIGHT["N"]),
}
"""The element a gas is reported as, and its mass in one mole of the gas [g mol⁻¹]."""
