"""What the columns of the exports are: type, unit and a sentence, for every format."""

from dataclasses import dataclass
from typing import Final, Literal

Kind = Literal["string", "integer", "number", "datetime", "date"]

_TEXT: Final = {
    "station": "Station.",
    "chamber": "Chamber.",
    "plot": "Plot.",
    "block": "Block of the experiment.",
    "treatment": "Treatment.",
    "position": "Position in the field.",
    "gas": "Gas.",
    "kind": "closure, or gap for one that was due and did not come.",
    "analyzer": "Analyzer.",
    "level": "plot or treatment.",
    "model": "Model whose flux is reported.",
    "model_reason": "Why that model.",
    "flags": "Blank-separated words; see the table of flags.",
    "source": "File or topic.",
    "reason": "Why the line, or a cell of it, was not taken.",
    "text": "The line as it stood, shortened.",
    "station_digest": "Digest of what in the station file bears on a flux.",
    "software_version": "Version of lidstream.",
    "element": "Element that totals are counted as.",
    "gap_filling": "How gaps were filled.",
    "gwp": "Assessment whose warming potentials were used.",
    "missing_positions": "Positions without a flux, for which there is no total.",
    "less_reference_way": "blocks: blocks allowed for; welch: unequal variances.",
}
_WHOLE: Final = {
    "line": "Line of the file, counted from 1; 0 for the file as a whole.",
    "points": "Points that were fitted.",
    "quality": "1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing (IOC 54:V3).",
    "revision": "Which version of the result.",
    "bounces": "Interruptions of the closed lid that were bridged.",
    "fluxes": "Fluxes measured on the day.",
    "plots": "Plots that the number is the mean of.",
}
_MOMENTS: Final = {
    "closed_at": "When the lid closed, UTC.",
    "opened_at": "When the lid opened, UTC.",
    "mid_at": "Middle of the closure, UTC.",
    "time": "When it was recorded, UTC.",
    "hour_at": "Beginning of the hour, UTC.",
}
_DAYS: Final = {
    "day": "Day at the station, by standard time.",
    "from": "First day.",
    "to": "Last day.",
}
_ENDINGS: Final = (
    ("_nmol_m2_s", "nmol m-2 s-1"),
    ("_nmol_mol_s", "nmol mol-1 s-1"),
    ("_nmol_mol", "nmol mol-1"),
    ("_mol_mol", "mol mol-1"),
    ("_kg_ha", "kg ha-1"),
    ("_kg_t", "kg t-1"),
    ("_percent", "%"),
    ("_m3_m3", "m3 m-3"),
    ("_m3", "m3"),
    ("_m2", "m2"),
    ("_pa", "Pa"),
    ("_c", "degree_Celsius"),
    ("_mm", "mm"),
    ("_m", "m"),
    ("_s", "s"),
)
_PLAIN: Final = {
    "start_mole_fraction": "nmol mol-1",
    "days_since_rain": "d",
    "days_since_fertilizer": "d",
}
_ONE: Final = "1"


@dataclass(frozen=True, slots=True)
class Described:
    """One column."""

    name: str
    kind: Kind
    unit: str
    sentence: str


def describe(name: str) -> Described:
    """Type, unit and meaning of a column by its name; a number where nothing else is said."""
    for kind, words in (
        ("string", _TEXT),
        ("integer", _WHOLE),
        ("datetime", _MOMENTS),
        ("date", _DAYS),
    ):
        if name in words:
            return Described(name, kind, "", words[name])  # type: ignore[arg-type]
    if name.startswith("status_"):
        return Described(name, "string", "", f"What became of the fit of {name[7:]}.")
    return Described(name, "number", _unit(name), _sentence(name))


_CHANNEL: Final = {
    "ppb": "1e-9",
    "ppm": "1e-6",
    "degC": "degree_Celsius",
    "%vol": "%",
    "count s": "s",
    "L/min": "L min-1",
    "mL/min": "mL min-1",
    "count": "1",
}


def plain_unit(channel_unit: str) -> str:
    """A channel's unit as UDUNITS reads it."""
    if channel_unit in _CHANNEL:
        return _CHANNEL[channel_unit]
    over, _, under = channel_unit.partition("/")
    if not under:
        return over
    digits = "".join(c for c in under if c.isdigit())
    return f"{over} {under.rstrip('0123456789')}-{digits or '1'}"


def _unit(name: str) -> str:
    if name in _PLAIN:
        return _PLAIN[name]
    plain = name
    for model in ("linear", "quadratic", "saturating", "diffusive", "theil_sen"):
        plain = plain.removesuffix(f"_{model}")
    for ending, unit in _ENDINGS:
        if plain.endswith(ending):
            return unit
    return _ONE


def _sentence(name: str) -> str:
    return name.replace("_", " ").capitalize() + "."
