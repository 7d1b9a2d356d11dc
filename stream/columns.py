"""Every column of every result, once: name, type, unit, label and a sentence; and which
columns each table has, in which order. Tables, files, pages and documents read it here.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, Literal

from stream.science.flux.units import sign, udunits

Kind = Literal["string", "integer", "number", "datetime", "date"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes
    ----------
    name : str
        As others rely on it.
    kind : str
        ``datetime`` is RFC 3339 in UTC, ``date`` a day at the station.
    unit : str
        As UDUNITS reads it; empty where there is none.
    label : str
        For a screen, in lower case.
    sentence : str
        What it is, for those who were not there.
    stored : str
        Its name in the database, where that is another.
    model : str
        The model whose number it is; empty where it is that of the model reported.
    """

    name: str
    kind: Kind
    unit: str
    label: str
    sentence: str
    stored: str = ""
    model: str = ""

    @property
    def key(self) -> str:
        """Where its value lies in a row from the database."""
        return self.stored or self.name

    @property
    def heading(self) -> str:
        """Label and unit, for the head of a table or an axis."""
        return ", ".join(part for part in (self.label, sign(self.unit)) if part)


def _text(name: str, label: str, sentence: str, stored: str = "") -> Column:
    return Column(name, "string", "", label, sentence, stored)


def _whole(name: str, label: str, sentence: str) -> Column:
    return Column(name, "integer", "", label, sentence)


def _moment(name: str, label: str, sentence: str, stored: str = "") -> Column:
    return Column(name, "datetime", "", label, sentence, stored)


def _number(name: str, unit: str, label: str, sentence: str, stored: str = "") -> Column:
    return Column(name, "number", unit, label, sentence, stored)


_FLUX: Final = "nmol m-2 s-1"

_DECLARED: Final = (
    # What and where.
    _text("station", "station", "Station."),
    _text("chamber", "chamber", "Chamber."),
    _text("plot", "plot", "Plot."),
    _text("block", "block", "Block of the experiment."),
    _text("treatment", "treatment", "Treatment."),
    _text("position", "position", "Position in the field."),
    _text("gas", "gas", "Gas."),
    _text("analyzer", "analyzer", "Analyzer."),
    _text("kind", "kind", "closure, or gap for one that was due and did not come."),
    _text("level", "level", "plot or treatment."),
    # When.
    _moment("closed_at", "lid closed", "When the lid closed, UTC.", "closed_us"),
    _moment("opened_at", "lid opened", "When the lid opened, UTC.", "opened_us"),
    _moment("mid_at", "middle", "Middle of the closure, UTC.", "mid_us"),
    _moment("time", "time", "When it was recorded, UTC."),
    _moment("hour_at", "hour", "Beginning of the hour, UTC."),
    Column("day", "date", "", "day", "Day at the station, by standard time."),
    Column("from", "date", "", "first day", "First day."),
    Column("to", "date", "", "last day", "Last day."),
    # The flux and how it was found.
    _number("flux_nmol_m2_s", _FLUX, "flux", "Flux, positive from soil to air."),
    _number(
        *("flux_se_nmol_m2_s", _FLUX, "standard error"),
        "Standard error of the flux: of the fit, and of height, area, temperature and pressure.",
    ),
    _number(
        *("detection_limit_nmol_m2_s", _FLUX, "detection limit"),
        "Smallest flux that this closure could tell from none.",
    ),
    _text("model", "model", "Model whose flux is reported."),
    _text("model_reason", "why that model", "Why that model."),
    _text("status", "fit", "What became of the fit."),
    _whole("points", "points", "Points that were fitted."),
    _number(
        *("window_start_s", "s", "window from"),
        "Time of the first fitted point, after the lid closed.",
    ),
    _number(
        *("window_end_s", "s", "window to"),
        "Time of the last fitted point, after the lid closed.",
    ),
    _number(
        *("start_mole_fraction", "nmol mol-1", "start"),
        "Dry mole fraction under the lid at the moment it closed, by the model.",
    ),
    _number("r_squared", "1", "R²", "Share of the variance that the model explains."),
    _number(
        *("initial_slope_nmol_mol_s", "nmol mol-1 s-1", "initial slope"),
        "Rate of change of the dry mole fraction at the moment the lid closed.",
        "slope_nmol_mol_s",
    ),
    _number(
        *("residual_sd_nmol_mol", "nmol mol-1", "scatter"),
        "Standard deviation of the points about the model.",
    ),
    _number(
        *("noise_ratio", "1", "noise ratio"),
        "Long-run over plain variance of the residuals: above 1 where neighbours go together.",
    ),
    _number(
        *("calibration_gain", "1", "calibration"),
        "Factor by which standard gases corrected the mole fractions.",
    ),
    _number(
        *("chamber_bias_factor", "1", "storage factor"),
        "Factor that allows for gas stored in the soil under the chamber.",
    ),
    # The closure and the air in it.
    _number("height_m", "m", "headspace height", "Mean height of the headspace above the soil."),
    _number(
        *("volume_m3", "m3", "volume, tubing and cell included"),
        "Volume of the headspace, tubing and cell included.",
    ),
    _number("area_m2", "m2", "area", "Area of soil under the chamber."),
    _number(
        *("air_temperature_c", "degree_Celsius", "headspace temperature"),
        "Mean temperature of the air in the headspace.",
    ),
    _number("pressure_pa", "Pa", "pressure", "Mean pressure of the air."),
    _number("soil_temperature_c", "degree_Celsius", "soil temperature", "Temperature of the soil."),
    _number(
        *("soil_moisture_m3_m3", "m3 m-3", "soil moisture"),
        "Volume of water in a volume of soil.",
    ),
    _number("wfps", "1", "water-filled pore space", "Share of the soil's pores filled by water."),
    _number(
        *("water_mol_mol", "mol mol-1", "water vapour"),
        "Mean mole fraction of water vapour in moist air.",
    ),
    _number(
        *("close_gap_s", "s", "between the last open and the first closed record"),
        "Time between the last record of an open lid and the first of a closed one.",
    ),
    _number(
        *("open_gap_s", "s", "between the last closed and the first open record"),
        "Time between the last record of a closed lid and the first of an open one.",
    ),
    _number("moving_s", "s", "lid moving before it closed", "How long the lid moved to close."),
    _whole("bounces", "bounces of the lid", "Interruptions of the closed lid that were bridged."),
    # How good it is, and where it comes from.
    _whole(
        "quality", "quality", "1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing (IOC 54:V3)."
    ),
    _text("flags", "flags", "Blank-separated words; see the table of flags."),
    _whole("revision", "revision", "Which version of the result."),
    _text(
        *("station_digest", "digest of the station file"),
        "Digest of what in the station file bears on a flux.",
    ),
    _text("software_version", "software version", "Version of lidstream."),
    _text("result_digest", "digest of this result", "Digest of every number of the result."),
    # Refused lines.
    _text("source", "source", "File or topic."),
    _whole("line", "line", "Line of the file, counted from 1; 0 for the file as a whole."),
    _text("reason", "reason", "Why the line, or a cell of it, was not taken."),
    _text("text", "text", "The line as it stood, shortened."),
    # Days, and what may drive the flux.
    _number("coverage", "1", "covered", "Share of the time that fluxes near enough cover."),
    _whole("fluxes", "fluxes", "Fluxes measured on the day."),
    _number("rain_mm", "mm", "rain", "Rain and irrigation of the day."),
    _number("days_since_rain", "d", "time since rain", "Days since the last day with rain."),
    _number(
        *("days_since_fertilizer", "d", "time since fertilizer"),
        "Days since fertilizer was last spread.",
    ),
    _whole("plots", "plots", "Plots that the number is the mean of."),
    _number(
        *("area_measured", "1", "area measured"),
        "Share of the field's area whose positions were measured.",
    ),
    # The season.
    _text("element", "element", "Element that totals are counted as."),
    _number("total_kg_ha", "kg ha-1", "total", "Emission from the first day to the last."),
    _number("total_se_kg_ha", "kg ha-1", "standard error", "Standard error of the total."),
    _number("total_low_kg_ha", "kg ha-1", "from", "Lower end of the total's interval."),
    _number("total_high_kg_ha", "kg ha-1", "to", "Upper end of the total's interval."),
    _number("filled_share", "1", "filled", "Share of the total that gap filling supplied."),
    _text("gap_filling", "gap filling", "How gaps were filled."),
    _number(
        *("gap_rmse_nmol_m2_s", _FLUX, "error of filling"),
        "Root mean square error of gap filling in artificial gaps.",
    ),
    _number(
        *("gap_bias_nmol_m2_s", _FLUX, "bias of filling"),
        "Mean error of gap filling in artificial gaps.",
    ),
    _number(
        *("emission_factor_percent", "%", "emission factor"),
        "Share of the applied nitrogen that was emitted, less that of the reference.",
    ),
    _number(
        *("emission_factor_se_percent", "%", "standard error"),
        "Standard error of the emission factor.",
    ),
    _number("per_yield_kg_t", "kg t-1", "per yield", "Emission for each tonne harvested."),
    _number(
        *("per_yield_se_kg_t", "kg t-1", "standard error"),
        "Standard error of the emission per yield.",
    ),
    _number(
        *("co2_equivalent_kg_ha", "kg ha-1", "CO₂ equivalent"),
        "Mass of carbon dioxide with the same warming over 100 years.",
    ),
    _number(
        *("co2_equivalent_se_kg_ha", "kg ha-1", "standard error"),
        "Standard error of the carbon dioxide equivalent.",
    ),
    _text("gwp", "warming potentials", "Assessment whose warming potentials were used."),
    _number(
        *("less_reference_kg_ha", "kg ha-1", "less the reference"),
        "Total less that of the reference treatment.",
    ),
    _number(
        *("less_reference_low_kg_ha", "kg ha-1", "from"),
        "Lower end of the interval of the difference.",
    ),
    _number(
        *("less_reference_high_kg_ha", "kg ha-1", "to"),
        "Upper end of the interval of the difference.",
    ),
    _number(
        *("less_reference_p", "1", "p"),
        "Probability of such a difference, or a larger one, if there were none.",
    ),
    _text(
        *("less_reference_way", "compared by"),
        "blocks: blocks allowed for; welch: unequal variances.",
    ),
    _text(
        *("missing_positions", "positions missing"),
        "Positions without a flux, for which there is no total.",
    ),
)

COLUMNS: Final = {c.name: c for c in _DECLARED}
"""Name → the column."""

PLACE: Final = ("plot", "block", "treatment", "position")
_ORIGIN: Final = ("quality", "flags", "revision", "station_digest", "software_version")
_PAIR: Final = ("flux_nmol_m2_s", "flux_se_nmol_m2_s")
AS_FLUX: Final = frozenset(c.name for c in _DECLARED if c.unit == _FLUX)
"""Columns that ``--unit`` converts."""
_OF_FLUXES: Final = (
    *("station", "chamber", *PLACE, "gas", "closed_at", "opened_at", "mid_at"),
    *(*_PAIR, "detection_limit_nmol_m2_s", "model", "model_reason", "points"),
    *("window_start_s", "window_end_s", "start_mole_fraction", "r_squared"),
    *("air_temperature_c", "pressure_pa", "volume_m3", "area_m2", "soil_temperature_c"),
    *("soil_moisture_m3_m3", "wfps", *_ORIGIN),
)
_OF_FITS: Final = (
    *("initial_slope_nmol_mol_s", "water_mol_mol", "height_m", "residual_sd_nmol_mol"),
    *("noise_ratio", "calibration_gain"),
)
CLOSURES: Final = (
    *("station", "chamber", "kind", "closed_at", "opened_at", "analyzer", *PLACE),
    *("height_m", "volume_m3", "area_m2", "air_temperature_c", "pressure_pa"),
    *("soil_temperature_c", "soil_moisture_m3_m3", "wfps", "water_mol_mol", "close_gap_s"),
    *("open_gap_s", "moving_s", "bounces", *_ORIGIN),
)
REFUSED: Final = ("station", "source", "line", "reason", "text")
DRIVERS: Final = (
    *("soil_temperature_c", "wfps", "soil_moisture_m3_m3"),
    *("rain_mm", "days_since_rain", "days_since_fertilizer"),
)
DAILY: Final = (
    *("station", "chamber", *PLACE, "gas", "day", *_PAIR, "coverage", "fluxes", "flags"),
    *DRIVERS,
)
HOURLY: Final = ("station", "chamber", *PLACE, "gas", "hour_at", *_PAIR, "coverage")
FIELD: Final = (
    *("station", "level", "plot", "block", "treatment", "gas", "day", *_PAIR),
    *("area_measured", "plots", "flags"),
)
SEASON: Final = (
    *("station", "level", "plot", "block", "treatment", "gas", "from", "to", "element"),
    *("total_kg_ha", "total_se_kg_ha", "total_low_kg_ha", "total_high_kg_ha", "plots"),
    *("area_measured", "filled_share", "gap_filling", "gap_rmse_nmol_m2_s", "gap_bias_nmol_m2_s"),
    *("emission_factor_percent", "emission_factor_se_percent"),
    *("per_yield_kg_t", "per_yield_se_kg_t"),
    *("co2_equivalent_kg_ha", "co2_equivalent_se_kg_ha", "gwp"),
    *("less_reference_kg_ha", "less_reference_low_kg_ha", "less_reference_high_kg_ha"),
    *("less_reference_p", "less_reference_way", "flags", "missing_positions"),
)
FACTS: Final = (
    *("revision", "analyzer", *PLACE, "height_m", "volume_m3", "area_m2"),
    *("air_temperature_c", "pressure_pa", "soil_temperature_c", "soil_moisture_m3_m3", "wfps"),
    *("water_mol_mol", "close_gap_s", "open_gap_s", "moving_s", "bounces"),
    *("station_digest", "software_version", "result_digest"),
)
"""What the page says of a closure."""


def columns(names: Iterable[str]) -> tuple[Column, ...]:
    """Columns by their names.

    Raises
    ------
    KeyError
        A name is not declared.
    """
    return tuple(COLUMNS[name] for name in names)


def fluxes(
    models: Iterable[str], ending: str = "nmol_m2_s", unit: str = _FLUX
) -> tuple[Column, ...]:
    """The columns of the table of fluxes.

    Parameters
    ----------
    models : iterable of str
        The candidates, a pair of columns each.
    ending, unit : str
        Of columns that are fluxes: in the name, and as UDUNITS reads it.
    """
    models = tuple(models)
    pairs = (_of_model(COLUMNS[name], m) for m in models for name in _PAIR)
    status = (_of_model(COLUMNS["status"], m) for m in models)
    found = (*columns(_OF_FLUXES), *pairs, *columns(_OF_FITS), *status)
    return (*(_in_unit(c, ending, unit) for c in found), COLUMNS["chamber_bias_factor"])


def _of_model(column: Column, model: str) -> Column:
    return replace(
        column,
        name=f"{column.name}_{model}",
        label=f"{column.label}, {model.replace('_', ' ')}",
        sentence=f"{column.sentence.rstrip('.')}, by the model {model.replace('_', ' ')}.",
        stored=column.key,
        model=model,
    )


def _in_unit(column: Column, ending: str, unit: str) -> Column:
    if column.unit != _FLUX:
        return column
    name = column.name.replace("nmol_m2_s", ending)
    return replace(column, name=name, unit=unit, stored=column.key)


def channel(name: str, unit: str) -> Column:
    """The column of a recorded channel, in the unit that the station file gives it."""
    return _number(name, udunits(unit), name, f"Channel {name}.")
