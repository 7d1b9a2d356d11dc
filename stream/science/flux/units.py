"""Units of channels, converted once at the edge, and units of fluxes, on export.

A channel's unit is one of a closed list; each belongs to one quantity and has a
linear rule to that quantity's canonical unit. Flux units combine an amount
(``nmol``, ``ug N`` …), an area and a time.
"""

import re
from dataclasses import dataclass
from functools import cache
from typing import Final

from stream.science.flux.constants import ELEMENT_MASS, MOLAR_MASS, ZERO_CELSIUS_K


@dataclass(frozen=True, slots=True)
class ChannelUnit:
    """canonical = (value + offset) · factor."""

    quantity: str
    factor: float
    offset: float = 0.0


CANONICAL: Final = {
    "mole fraction": "nmol/mol",
    "temperature": "K",
    "pressure": "Pa",
    "volume fraction": "m3/m3",
    "number": "1",
    "length": "m",
    "flow": "m3/s",
    "speed": "m/s",
    "voltage": "V",
    "current": "A",
    "radiation": "W/m2",
    "conductivity": "S/m",
    "area": "count s",
}
"""Quantity → the unit that the science works in."""

CHANNEL_UNITS: Final = {
    "nmol/mol": ChannelUnit("mole fraction", 1.0),
    "ppb": ChannelUnit("mole fraction", 1.0),
    "umol/mol": ChannelUnit("mole fraction", 1e3),
    "ppm": ChannelUnit("mole fraction", 1e3),
    "mmol/mol": ChannelUnit("mole fraction", 1e6),
    "mol/mol": ChannelUnit("mole fraction", 1e9),
    "K": ChannelUnit("temperature", 1.0),
    "degC": ChannelUnit("temperature", 1.0, ZERO_CELSIUS_K),
    "Pa": ChannelUnit("pressure", 1.0),
    "hPa": ChannelUnit("pressure", 1e2),
    "kPa": ChannelUnit("pressure", 1e3),
    "m3/m3": ChannelUnit("volume fraction", 1.0),
    "%vol": ChannelUnit("volume fraction", 1e-2),
    "1": ChannelUnit("number", 1.0),
    "%": ChannelUnit("number", 1e-2),
    "count": ChannelUnit("number", 1.0),
    "m": ChannelUnit("length", 1.0),
    "cm": ChannelUnit("length", 1e-2),
    "mm": ChannelUnit("length", 1e-3),
    "m3/s": ChannelUnit("flow", 1.0),
    "L/min": ChannelUnit("flow", 1e-3 / 60.0),
    "mL/min": ChannelUnit("flow", 1e-6 / 60.0),
    "m/s": ChannelUnit("speed", 1.0),
    "V": ChannelUnit("voltage", 1.0),
    "mV": ChannelUnit("voltage", 1e-3),
    "A": ChannelUnit("current", 1.0),
    "W/m2": ChannelUnit("radiation", 1.0),
    "S/m": ChannelUnit("conductivity", 1.0),
    "count s": ChannelUnit("area", 1.0),
}
"""Every unit that a station file may name for a channel."""

_SENML: Final = {
    "K": ("K", 1.0),
    "Cel": ("degC", 1.0),
    "Pa": ("Pa", 1.0),
    "hPa": ("hPa", 1.0),
    "m": ("m", 1.0),
    "mm": ("mm", 1.0),
    "cm": ("cm", 1.0),
    "m/s": ("m/s", 1.0),
    "V": ("V", 1.0),
    "mV": ("mV", 1.0),
    "A": ("A", 1.0),
    "W/m2": ("W/m2", 1.0),
    "S/m": ("S/m", 1.0),
    "count": ("count", 1.0),
    "%RH": ("%", 1.0),
    # In RFC 8428 "%" names a ratio between 0 and 1, in spite of its look.
    "%": ("1", 1.0),
    "/": ("1", 1.0),
    "/100": ("%", 1.0),
    "ppm": ("ppm", 1.0),
}
_RATIO_QUANTITIES: Final = {"number", "mole fraction", "volume fraction"}
_RATIO_ONE: Final = {"number": 1.0, "mole fraction": 1e-9, "volume fraction": 1.0}


@cache
def rule_between(unit: str, wanted: str) -> tuple[float, float]:
    """Linear rule from one channel unit to another of the same quantity.

    Returns
    -------
    tuple of float
        (scale, shift) with wanted = value · scale + shift.

    Raises
    ------
    KeyError
        A unit is not in :data:`CHANNEL_UNITS`.
    ValueError
        The two measure different quantities. Plain numbers, mole fractions and
        volume fractions are all ratios and convert into one another.
    """
    a, b = CHANNEL_UNITS[unit], CHANNEL_UNITS[wanted]
    ratio = 1.0
    if a.quantity != b.quantity:
        if not {a.quantity, b.quantity} <= _RATIO_QUANTITIES:
            raise ValueError(f"{unit!r} is a {a.quantity}, {wanted!r} a {b.quantity}")
        ratio = _RATIO_ONE[a.quantity] / _RATIO_ONE[b.quantity]
    scale = a.factor * ratio / b.factor
    return scale, a.offset * scale - b.offset


def senml_rule(label: str, wanted: str) -> tuple[float, float]:
    """Linear rule from a SenML unit label (RFC 8428, RFC 8798) to a channel unit.

    A label that is itself a channel unit of ours is taken as such.

    Raises
    ------
    ValueError
        The label is unknown, or measures another quantity.
    """
    if label in _SENML:
        unit, factor = _SENML[label]
    elif label in CHANNEL_UNITS:
        unit, factor = label, 1.0
    else:
        raise ValueError(f"unit {label!r} is not known")
    scale, shift = rule_between(unit, wanted)
    return factor * scale, shift


_WRITTEN: Final = {
    "ppbv": "ppb", "ppb(v)": "ppb", "nmolmol-1": "nmol/mol", "nmol.mol-1": "nmol/mol",
    "ppmv": "ppm", "ppm(v)": "ppm", "umolmol-1": "umol/mol", "umol.mol-1": "umol/mol",
    "mmolmol-1": "mmol/mol", "molmol-1": "mol/mol",
    "c": "degC", "°c": "degC", "ºc": "degC", "degc": "degC", "deg.c": "degC", "celsius": "degC",
    "cel": "degC", "kelvin": "K", "mbar": "hPa", "mb": "hPa", "m3m-3": "m3/m3", "m³/m³": "m3/m3",
    "m³m-³": "m3/m3", "cm3/cm3": "m3/m3", "vol%": "%vol", "%(v/v)": "%vol", "percent": "%",
    "volt": "V", "volts": "V", "ms-1": "m/s", "w/m²": "W/m2", "wm-2": "W/m2", "l/min": "L/min",
    "ml/min": "mL/min",
}  # fmt: skip
_BY_LETTERS: Final = {unit.lower(): unit for unit in CHANNEL_UNITS if unit not in ("K", "mV")}


def unit_as_written(text: str) -> str | None:
    """One of :data:`CHANNEL_UNITS` by what loggers and people write for it: ``°C`` → ``degC``.

    A SenML label (RFC 8428, RFC 8798) is known too where it is one of ours, value for value.
    """
    plain = text.strip().replace("µ", "u").replace("μ", "u").replace(" ", "")
    plain = plain.replace("⁻¹", "-1").replace("^", "")
    if plain in CHANNEL_UNITS:
        return plain
    return _WRITTEN.get(plain.lower()) or _BY_LETTERS.get(plain.lower())


def same_unit(text: str, ours: str) -> bool | None:
    """Whether a unit as loggers and people write it is one of ours, value for value.

    Parameters
    ----------
    text : str
        As it stands in a header: ``ppb``, ``°C``, ``m3 m-3`` …
    ours : str
        One of :data:`CHANNEL_UNITS`.

    Returns
    -------
    bool or None
        None where the text is no unit that is known here.
    """
    unit = unit_as_written(text)
    if unit is None or ours not in CHANNEL_UNITS:
        return None
    if unit in ("1", "count") or CHANNEL_UNITS[ours].quantity == "area":
        return None  # a bare number, or a detector's own count: nothing to hold against
    try:
        return rule_between(unit, ours) == (1.0, 0.0)
    except ValueError:
        return False


_PREFIX: Final = {"": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "n": 1e-9, "p": 1e-12}
_AREA: Final = {"m-2": 1.0, "cm-2": 1e-4, "ha-1": 1e4}
_TIME: Final = {"s-1": 1.0, "min-1": 60.0, "h-1": 3600.0, "d-1": 86400.0, "a-1": 365.0 * 86400.0}
_FLUX: Final = re.compile(
    r"^(?P<prefix>[kmunpµ]?)(?P<base>mol|g)(?: (?P<species>[A-Z][A-Za-z0-9]*))?"
    r" (?P<area>m-2|cm-2|ha-1) (?P<time>s-1|min-1|h-1|d-1|a-1)$"
)


@dataclass(frozen=True, slots=True)
class FluxUnit:
    """A unit of flux density, such as ``ug N m-2 h-1``."""

    text: str
    base: str
    species: str | None
    factor: float

    @property
    def column(self) -> str:
        """The unit as the ending of a column name: ``ug_n_m2_h``."""
        words = self.text.replace("µ", "u").replace("-1", "").replace("-2", "2").split()
        return "_".join(words)

    def per_nmol(self, gas: str) -> float:
        """Factor from nmol m⁻² s⁻¹ of ``gas`` to this unit.

        Raises
        ------
        ValueError
            The unit counts an element or gas that ``gas`` is not reported as.
        """
        if self.base == "mol":
            if self.species not in (None, gas):
                raise ValueError(f"{self.text!r} does not apply to {gas}")
            mass = 1.0
        elif self.species == ELEMENT_MASS[gas][0]:
            mass = ELEMENT_MASS[gas][1]
        elif self.species == gas:
            mass = MOLAR_MASS[gas]
        else:
            raise ValueError(f"{self.text!r} does not apply to {gas}")
        return 1e-9 * mass * self.factor


def flux_unit(text: str) -> FluxUnit:
    """Read a unit of flux density.

    Parameters
    ----------
    text : str
        Amount, area and time, blank-separated: ``nmol m-2 s-1``, ``ug N m-2 h-1``,
        ``g N ha-1 d-1``, ``mg CO2 m-2 h-1`` … A year (``a-1``) has 365 days.

    Returns
    -------
    FluxUnit

    Raises
    ------
    ValueError
        The text does not have that form, or a mass does not say of what.
    """
    match = _FLUX.match(text.strip())
    if match is None:
        raise ValueError(
            f"flux unit {text!r} is not of the form 'nmol m-2 s-1', 'ug N m-2 h-1', 'mg C m-2 d-1'"
            " or 'kg N ha-1 a-1'"
        )
    species = match["species"]
    known = set(MOLAR_MASS) | {element for element, _ in ELEMENT_MASS.values()}
    if species is not None and species not in known:
        raise ValueError(f"flux unit {text!r} counts {species!r}, which no gas here bears")
    if match["base"] == "g" and species is None:
        raise ValueError(f"flux unit {text!r} must say grams of what, as in 'ug N m-2 h-1'")
    factor = _AREA[match["area"]] * _TIME[match["time"]] / _PREFIX[match["prefix"]]
    return FluxUnit(text.strip(), match["base"], species, factor)


_FOR_UDUNITS: Final = {
    "ppb": "1e-9",
    "ppm": "1e-6",
    "degC": "degree_Celsius",
    "%vol": "%",
    "count s": "s",
    "L/min": "L min-1",
    "mL/min": "mL min-1",
    "count": "1",
}


def udunits(channel_unit: str) -> str:
    """One of :data:`CHANNEL_UNITS` as UDUNITS reads it: ``m3/m3`` → ``m3 m-3``."""
    if channel_unit in _FOR_UDUNITS:
        return _FOR_UDUNITS[channel_unit]
    over, _, under = channel_unit.partition("/")
    if not under:
        return over
    digits = "".join(c for c in under if c.isdigit())
    return f"{over} {under.rstrip('0123456789')}-{digits or '1'}"


_RAISED: Final = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def sign(unit: str) -> str:
    """A unit as a screen shows it: ``m3 m-3`` → m³ m⁻³."""
    if unit == "degree_Celsius":
        return "°C"
    if unit == "1":
        return ""
    return " ".join(
        word.rstrip("-0123456789") + word[len(word.rstrip("-0123456789")) :].translate(_RAISED)
        for word in unit.split()
    )
