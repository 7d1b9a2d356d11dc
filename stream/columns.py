"""Every column of every result, once: name, type, unit, label and a sentence; and which
columns each table has, in which order. Tables, files, pages and documents read it here.
"""

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from stream.column import Column, date, moment, number, text, whole
from stream.science.flux.units import udunits

FLUX: Final = "nmol m-2 s-1"
"""The unit of fluxes as they are stored."""

_DECLARED: Final = (
    # What and where.
    text("station", "station", "Station."),
    text("chamber", "chamber", "Chamber."),
    text("plot", "plot", "Plot."),
    text("block", "block", "Block of the experiment."),
    text("treatment", "treatment", "Treatment."),
    text("position", "position", "Position in the field."),
    text("gas", "gas", "Gas."),
    text("analyzer", "analyzer", "Analyzer."),
    text("kind", "kind", "closure, or gap for one that was due and did not come."),
    text("level", "level", "plot or treatment."),
    # When.
    moment("closed_at", "lid closed", "When the lid closed, UTC.", "closed_us"),
    moment("opened_at", "lid opened", "When the lid opened, UTC.", "opened_us"),
    moment("mid_at", "middle", "Middle of the closure, UTC.", "mid_us"),
    moment("time", "time", "When it was recorded, UTC."),
    moment("hour_at", "hour", "Beginning of the hour, UTC."),
    date("day", "day", "Day at the station, by standard time."),
    date("from", "first day", "First day."),
    date("to", "last day", "Last day."),
    # The flux and how it was found.
    number("flux_nmol_m2_s", FLUX, "flux", "Flux, positive from soil to air."),
    number(
        *("flux_se_nmol_m2_s", FLUX, "standard error"),
        "Standard error of the flux: of the fit, and of height, area, temperature and pressure.",
    ),
    number(
        *("detection_limit_nmol_m2_s", FLUX, "detection limit"),
        "Smallest flux that this closure could tell from none.",
    ),
    text("model", "model", "Model whose flux is reported."),
    text("model_reason", "why that model", "Why that model."),
    text("status", "fit", "What became of the fit."),
    whole("points", "points", "Points that were fitted."),
    number(
        *("window_start_s", "s", "window from"),
        "Time of the first fitted point, after the lid closed.",
    ),
    number(
        *("window_end_s", "s", "window to"),
        "Time of the last fitted point, after the lid closed.",
    ),
    number(
        *("start_mole_fraction", "nmol mol-1", "start"),
        "Dry mole fraction under the lid at the moment it closed, by the model.",
    ),
    number("r_squared", "1", "R²", "Share of the variance that the model explains."),
    number(
        *("initial_slope_nmol_mol_s", "nmol mol-1 s-1", "initial slope"),
        "Rate of change of the dry mole fraction at the moment the lid closed.",
        "slope_nmol_mol_s",
    ),
    number(
        *("residual_sd_nmol_mol", "nmol mol-1", "scatter"),
        "Standard deviation of the points about the model.",
    ),
    number(
        *("noise_ratio", "1", "noise ratio"),
        "Long-run over plain variance of the residuals: above 1 where neighbours go together.",
    ),
    number(
        *("calibration_gain", "1", "calibration"),
        "Factor by which standard gases corrected the mole fractions.",
    ),
    number(
        *("chamber_bias_factor", "1", "storage factor"),
        "Factor that allows for gas stored in the soil under the chamber.",
    ),
    # The closure and the air in it.
    number("height_m", "m", "headspace height", "Mean height of the headspace above the soil."),
    number(
        *("volume_m3", "m3", "volume, tubing and cell included"),
        "Volume of the headspace, tubing and cell included.",
    ),
    number("area_m2", "m2", "area", "Area of soil under the chamber."),
    number(
        *("air_temperature_c", "degree_Celsius", "headspace temperature"),
        "Mean temperature of the air in the headspace.",
    ),
    number("pressure_pa", "Pa", "pressure", "Mean pressure of the air."),
    number("soil_temperature_c", "degree_Celsius", "soil temperature", "Temperature of the soil."),
    number(
        *("soil_moisture_m3_m3", "m3 m-3", "soil moisture"),
        "Volume of water in a volume of soil.",
    ),
    number("wfps", "1", "water-filled pore space", "Share of the soil's pores filled by water."),
    number(
        *("water_mol_mol", "mol mol-1", "water vapour"),
        "Mean mole fraction of water vapour in moist air.",
    ),
    number(
        *("close_gap_s", "s", "between the last open and the first closed record"),
        "Time between the last record of an open lid and the first of a closed one.",
    ),
    number(
        *("open_gap_s", "s", "between the last closed and the first open record"),
        "Time between the last record of a closed lid and the first of an open one.",
    ),
    number("moving_s", "s", "lid moving before it closed", "How long the lid moved to close."),
    whole("bounces", "bounces of the lid", "Interruptions of the closed lid that were bridged."),
    # How good it is, and where it comes from.
    whole(
        "quality", "quality", "1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing (IOC 54:V3)."
    ),
    text("flags", "flags", "Blank-separated words; see the table of flags."),
    whole("revision", "revision", "Which version of the result."),
    text(
        *("station_digest", "digest of the station file"),
        "Digest of what in the station file bears on a flux.",
    ),
    text("software_version", "software version", "Version of lidstream."),
    text("result_digest", "digest of this result", "Digest of every number of the result."),
    # Refused lines.
    text("source", "source", "File or topic."),
    whole("line", "line", "Line of the file, counted from 1; 0 for the file as a whole."),
    text("reason", "reason", "Why the line, or a cell of it, was not taken."),
    text("text", "text", "The line as it stood, shortened."),
    # The field log.
    whole("number", "number", "Number of the entry."),
    moment("noted_at", "time", "When it happened, UTC.", "at_us"),
    moment("until_at", "until", "Until when it lasted, UTC.", "until_us"),
    text("note", "kind of entry", "Kind of the entry."),
    number("amount", "1", "amount", "Amount, in the unit that amount_unit names."),
    text("amount_unit", "unit", "Unit of the amount."),
    text("entry", "entry", "What the entry says."),
    text("author", "author", "Who made the entry."),
    moment("written_at", "written", "When the entry was made, UTC.", "written_us"),
    whole("retracts", "retracts", "Number of the entry that this one retracts or corrects."),
    # Gas samples in vials.
    text("campaign", "campaign", "Table of vials that the gas sample stands in."),
    text("vial", "vial", "Vial."),
    moment("sampled_at", "sampled", "When the gas sample was taken, UTC.", "sampled_us"),
    number(
        *("mole_fraction", "nmol mol-1", "mole fraction"),
        "Dry, in terms of the standard gases; of a vial its dilution undone.",
    ),
    number(
        *("mole_fraction_se", "nmol mol-1", "standard error"),
        "Standard error of the mole fraction.",
    ),
    whole("injections", "injections", "Injections that the mole fraction is the mean of."),
    # One closure.
    number("seconds", "s", "time since closing", "Time at the inlet since the lid closed."),
    whole("used", "used", "Whether it is a data point of the fit."),
    number(
        *("difference_nmol_m2_s", FLUX, "difference"),
        "Flux with the settings that are tried, less the stored flux.",
    ),
    # Days, and what may drive the flux.
    number("coverage", "1", "covered", "Share of the time that fluxes near enough cover."),
    whole("fluxes", "fluxes", "Fluxes measured on the day."),
    number("rain_mm", "mm", "rain", "Rain and irrigation of the day."),
    number("days_since_rain", "d", "time since rain", "Days since the last day with rain."),
    number(
        *("days_since_fertilizer", "d", "time since fertilizer"),
        "Days since fertilizer was last spread.",
    ),
    whole("plots", "plots", "Plots that the number is the mean of."),
    number(
        *("area_measured", "1", "area measured"),
        "Share of the field's area whose positions were measured.",
    ),
    # The season.
    text("element", "element", "Element that totals are counted as."),
    number("total_kg_ha", "kg ha-1", "total", "Emission from the first day to the last."),
    number("total_se_kg_ha", "kg ha-1", "standard error", "Standard error of the total."),
    number("total_low_kg_ha", "kg ha-1", "from", "Lower end of the total's interval of 90 %."),
    number("total_high_kg_ha", "kg ha-1", "to", "Upper end of the total's interval of 90 %."),
    number("filled_share", "1", "filled", "Share of the hours whose flux was filled."),
    text("gap_filling", "gap filling", "How gaps were filled."),
    number(
        *("gap_rmse_nmol_m2_s", FLUX, "error of filling"),
        "Root mean square error of gap filling in artificial gaps.",
    ),
    number(
        *("gap_bias_nmol_m2_s", FLUX, "bias of filling"),
        "Mean error of gap filling in artificial gaps.",
    ),
    number(
        *("emission_factor_percent", "%", "emission factor"),
        "Share of the applied nitrogen that was emitted, less that of the reference.",
    ),
    number(
        *("emission_factor_se_percent", "%", "standard error"),
        "Standard error of the emission factor.",
    ),
    number("per_yield_kg_t", "kg t-1", "per yield", "Emission for each tonne harvested."),
    number(
        *("per_yield_se_kg_t", "kg t-1", "standard error"),
        "Standard error of the emission per yield.",
    ),
    number(
        *("co2_equivalent_kg_ha", "kg ha-1", "CO₂ equivalent"),
        "Mass of carbon dioxide with the same warming over 100 years.",
    ),
    number(
        *("co2_equivalent_se_kg_ha", "kg ha-1", "standard error"),
        "Standard error of the carbon dioxide equivalent.",
    ),
    text("gwp", "warming potentials", "Assessment whose warming potentials were used."),
    number(
        *("less_reference_kg_ha", "kg ha-1", "less the reference"),
        "Total less that of the reference treatment.",
    ),
    number(
        *("less_reference_low_kg_ha", "kg ha-1", "from"),
        "Lower end of the difference's interval of 90 %.",
    ),
    number(
        *("less_reference_high_kg_ha", "kg ha-1", "to"),
        "Upper end of the difference's interval of 90 %.",
    ),
    number(
        *("less_reference_p", "1", "p"),
        "Probability of such a difference, or a larger one, if there were none.",
    ),
    text(
        *("less_reference_way", "compared by"),
        "blocks: blocks allowed for; welch: unequal variances.",
    ),
    text(
        *("missing_positions", "positions missing"),
        "Positions without a flux, for which there is no total.",
    ),
)

COLUMNS: Final = {c.name: c for c in _DECLARED}
"""Name → the column."""

PLACE: Final = ("plot", "block", "treatment", "position")
_ORIGIN: Final = ("quality", "flags", "revision", "station_digest", "software_version")
_PAIR: Final = ("flux_nmol_m2_s", "flux_se_nmol_m2_s")
PLACED_FLUXES: Final = ("chamber", *PLACE, "gas", "mid_at", *_PAIR)
AS_FLUX: Final = frozenset(c.name for c in _DECLARED if c.unit == FLUX)
"""Columns that a unit converts."""
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
GAPS: Final = (
    *("station", "chamber", "closed_at", "analyzer", *PLACE, "quality", "flags", "revision"),
)
"""Of closures that did not happen; ``closed_at`` is when one was due."""
NOTES: Final = (
    *("station", "number", "noted_at", "until_at", "note", "chamber", "plot", "treatment"),
    *("amount", "amount_unit", "entry", "author", "written_at", "retracts"),
)
VIALS: Final = (
    *("station", "campaign", "line", "vial", "chamber", "closed_at", "sampled_at", "gas"),
    *("mole_fraction", "mole_fraction_se", "injections"),
)
FITS: Final = (
    *("gas", "model", "status", *_PAIR, "start_mole_fraction", "initial_slope_nmol_mol_s"),
    *("r_squared", "noise_ratio"),
)
"""Every model's fit of one closure."""
REVISIONS: Final = (
    *("revision", "closed_at", "opened_at", "quality", "flags", "station_digest"),
    *("software_version", "result_digest"),
)
SAMPLES: Final = ("seconds", "mole_fraction", "used")
"""What was recorded of one gas around one closure."""
_COMPARED: Final = (*_PAIR, "model", "model_reason", "points", "quality", "flags")
REFUSED: Final = ("station", "source", "line", "reason", "text")
DRIVERS: Final = (
    *("soil_temperature_c", "wfps", "soil_moisture_m3_m3"),
    *("rain_mm", "days_since_rain", "days_since_fertilizer"),
)
DAILY: Final = (
    *("station", "chamber", *PLACE, "gas", "day", *_PAIR, "coverage", "fluxes", "flags"),
    *DRIVERS,
)
SERIES: Final = (
    *("chamber", "gas", "mid_at", "closed_at", *_PAIR, "quality", "flags"),
    *("soil_temperature_c", "soil_moisture_m3_m3", "wfps"),
)
"""Of fluxes in order of time: for days, seasons and charts."""
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
    models: Iterable[str], ending: str = "nmol_m2_s", unit: str = FLUX
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
    return (*(in_unit(c, ending, unit) for c in found), COLUMNS["chamber_bias_factor"])


def comparison() -> tuple[Column, ...]:
    """The columns of stored fluxes beside those that other settings give."""
    pairs = (pair for name in _COMPARED for pair in (COLUMNS[name], _tried(COLUMNS[name])))
    known = ("station", "chamber", *PLACE, "gas", "closed_at")
    return (*columns(known), *pairs, COLUMNS["difference_nmol_m2_s"])


def _tried(column: Column) -> Column:
    return replace(
        column,
        name=f"{column.name}_tried",
        key=f"{column.key}_tried",
        label=f"{column.label}, tried",
        sentence=f"{column.sentence.rstrip('.')}, with the settings that are tried.",
    )


def _of_model(column: Column, model: str) -> Column:
    return replace(
        column,
        name=f"{column.name}_{model}",
        label=f"{column.label}, {model.replace('_', ' ')}",
        sentence=f"{column.sentence.rstrip('.')}, by the model {model.replace('_', ' ')}.",
        model=model,
    )


def in_unit(column: Column, ending: str, unit: str) -> Column:
    """A column that is a flux, in another unit; any other as it is."""
    if column.unit != FLUX:
        return column
    name = column.name.replace("nmol_m2_s", ending)
    return replace(column, name=name, unit=unit)


def channel(name: str, unit: str) -> Column:
    """The column of a recorded channel, in the unit that the station file gives it."""
    return number(name, udunits(unit), name, f"Channel {name}.")
