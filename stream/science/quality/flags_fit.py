"""Flags of what goes with the points, of the fit, and of lid and seal."""

from typing import Final

from stream.science.quality.flag import BAD, GOOD, MISSING, SUSPECT, Flag

FIT: Final = (
    # What goes with the points
    Flag(
        "no_water",
        MISSING,
        "Moist mole fractions cannot be made dry: no water vapour was recorded.",
        "basis is wet and water_channel has no record near the points.",
        "Look at the analyzer's water channel.",
    ),
    Flag(
        "water_implausible",
        SUSPECT,
        "Water vapour is above what air of that temperature can hold.",
        "Mean water vapour of the fit window is above saturation at 15 K more than the headspace"
        " temperature.",
        "Check unit and column of the water channel, and the temperature sensor.",
    ),
    Flag(
        "no_temperature",
        MISSING,
        "No headspace temperature, so no flux.",
        "No record in the closure nor within hold_s before it.",
        "Look at the chamber's temperature sensor.",
    ),
    Flag(
        "temperature_implausible",
        SUSPECT,
        "Headspace temperature is outside what is possible at this place, season and hour.",
        "Outside −70 to 80 °C, where it is not used; outside wide bounds by latitude, elevation,"
        " season and sun; or 40 K above or 55 K below the soil's.",
        "Check the unit of the channel (°C, K or °F), the sensor and its wiring.",
    ),
    Flag(
        "temperature_held",
        GOOD,
        "Headspace temperature is the last one before the closure.",
        "No record in the closure, one within hold_s before it.",
        "Nothing, if the sensor is read rarely.",
    ),
    Flag(
        "pressure_assumed",
        GOOD,
        "Pressure is that of the standard atmosphere at the station's elevation.",
        "No pressure_channel, or no record in the closure nor within hold_s before it.",
        "Look at the pressure sensor, if there is one.",
    ),
    Flag(
        "pressure_implausible",
        SUSPECT,
        "Air pressure is outside what is possible at the station's elevation.",
        "Outside 400 to 1,085 hPa, where the standard atmosphere is used in its place; or 12 %"
        " below or 9 % above the standard atmosphere at elevation_m.",
        "Check the unit of the channel, elevation_m, and whether the sensor reduces pressure to"
        " sea level.",
    ),
    Flag(
        "no_height",
        MISSING,
        "No headspace height is known for that day, so no flux.",
        "The closure is earlier than the first of heights.",
        "Measure the height and add it to the station file.",
    ),
    # The fit
    Flag(
        "height_implausible",
        BAD,
        "The headspace height in the vial table cannot be right.",
        "height_m of a vial table is under 0.01 or over 3 m.",
        "Correct the table, in metres, and load it again.",
    ),
    Flag(
        "no_fit",
        BAD,
        "No candidate model could be fitted.",
        "Every candidate failed; the model columns say why.",
        "Look at the points.",
    ),
    Flag(
        "poor_fit",
        SUSPECT,
        "Points scatter about the curve far more than the analyzer's noise.",
        "Residual standard deviation above 5 times the stated precision and 0.5 % of the rise.",
        "Look for a leak, a pumping lid, bubbles from wet soil or a failing analyzer.",
    ),
    Flag(
        "below_detection",
        GOOD,
        "The flux is smaller than could be told from zero; it is kept as measured.",
        "Absolute flux below detection_limit.",
        "Nothing: average such fluxes, never set them to zero.",
    ),
    Flag(
        "bias_corrected",
        GOOD,
        "The flux is raised by what the soil stores while the lid is closed.",
        "chamber_bias is soil_storage; the factor stands in chamber_bias_factor.",
        "Nothing; divide by the factor to have the flux without it.",
    ),
    Flag(
        "bias_not_corrected",
        GOOD,
        "The flux was to be corrected for what the soil stores, and is not.",
        "Soil temperature, soil moisture or bulk density is not known, or the gas's solubility.",
        "Look at the soil sensors; give bulk_density_g_cm3.",
    ),
    # Lid and seal, by all gases together
    Flag(
        "no_co2_rise",
        SUSPECT,
        "CO2 did not rise, though soil breathes: the lid may not have sealed, or the air came"
        " from elsewhere.",
        "The flux of CO2 is below its detection limit, and the soil is not known to be colder than"
        " 1 °C or full of water (WFPS over 0.9).",
        "Look at the seal, the collar and the tubing of this chamber. On flooded soil it may be"
        " true.",
    ),
    Flag(
        "leak_suspected",
        SUSPECT,
        "Every gas bends more sharply than a sealed headspace can.",
        "All gases of the closure, two at least, have the reason curve_too_sharp.",
        "Look at the seal, the collar and the tubing of this chamber.",
    ),
    Flag(
        "start_implausible",
        BAD,
        "The initial mole fraction of this gas is far from that of outdoor air.",
        "The first data points and the fitted initial mole fraction both lie outside"
        " closure.start_range; where most readings are outside the channel's range, the first of"
        " those alone. If two gases look exchanged, both are flagged.",
        "Check unit and column of the channel and its calibration, and look for gas leaking from a"
        " cylinder.",
    ),
    Flag(
        "co2_falls_in_dark",
        SUSPECT,
        "CO2 decreased during the closure in the dark, when plants take up none.",
        "The CO2 flux is below −0.3 µmol m⁻² s⁻¹ and more than three standard errors below zero,"
        " and the sun is 6° or more below the horizon.",
        "Check whether lid_closed and lid_open are the wrong way round and whether lids or sampling"
        " lines are exchanged; check the seal.",
    ),
    Flag(
        "start_off_ambient",
        SUSPECT,
        "The initial mole fraction of this gas differs from closure.ambient.",
        "The fitted start of this gas differs from closure.ambient by more than ambient_tolerance.",
        "Check the calibration of this gas. If all gases are high, keep the lid open longer between"
        " closures.",
    ),
    Flag(
        "not_flushed",
        SUSPECT,
        "The headspace still held gas of the closure before when the lid closed.",
        "For every gas that rose clearly in the closure before, over max_leftover of what that"
        " held in the end was still there at the start, over ambient where the station file"
        " gives it, or else over the first level of the closure before; then two gases must say"
        " so, by more than outdoor air changes.",
        "Give the lid more time open between closures; look for still air and a lid that opens"
        " half way.",
    ),
    Flag(
        "pressure_step",
        SUSPECT,
        "Pressure jumped when the lid closed, which pushes air into the soil or draws it out.",
        "Medians of the minute before and the half minute after closing differ by more than"
        " pressure_step_pa, and by more than the sensor's noise; three records on each side"
        " are needed.",
        "Look at the vent and its tube, and at how hard the lid comes down.",
    ),
)
