"""Every flag there is: what it means, how it is found, what to do at the station.

Flags are words in the manner of CF ``flag_meanings``; ``quality`` is the primary
level of the IOC scheme [IOC54V3]_: 1 good, 2 not evaluated, 3 suspect, 4 bad,
9 missing. In a row the gravest flag decides, 9 standing for a number that is not there.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

GOOD: Final = 1
NOT_EVALUATED: Final = 2
SUSPECT: Final = 3
BAD: Final = 4
MISSING: Final = 9


@dataclass(frozen=True, slots=True)
class Flag:
    """One word, the quality it lowers a row to, and three sentences."""

    name: str
    quality: int
    meaning: str
    found: str
    remedy: str


_ALL = (
    # The lid
    Flag(
        "no_close_edge",
        BAD,
        "The lid was already closed at the first record, so the moment of closing is unknown.",
        "The first lid record, or the first after a silence longer than lid_hold_s, says closed.",
        "Nothing, if the logger had just started; otherwise find why records are missing.",
    ),
    Flag(
        "no_open_edge",
        SUSPECT,
        "The records stop before the lid is seen to open.",
        "A silence longer than lid_hold_s follows a record that says closed.",
        "Find why the lid's records stop: power, logger or link.",
    ),
    Flag(
        "unfinished",
        NOT_EVALUATED,
        "The closure is not over at the last record; the flux comes when it is.",
        "The lid has not opened, or the records up to the opening have not all come. The row"
        " is provisional, revision 0.",
        "Nothing, unless it lasts.",
    ),
    Flag(
        "close_time_uncertain",
        SUSPECT,
        "The moment of closing is not known well enough for the slope at that moment.",
        "More than edge_tolerance_s between the last record before closing and the first after.",
        "Find why lid records are missing.",
    ),
    Flag(
        "open_time_uncertain",
        GOOD,
        "The moment of opening is not known well.",
        "More than edge_tolerance_s between the last closed record and the one after.",
        "Find why lid records are missing.",
    ),
    Flag(
        "lid_bounce",
        SUSPECT,
        "The lid left the closed state for a moment and came back.",
        "An interruption shorter than bounce_s between two closed records.",
        "Look at the seal, the latch and the position switch.",
    ),
    Flag(
        "slow_lid",
        SUSPECT,
        "The lid took long to close, so gas gathered before it sealed.",
        "The moving state before closing lasted more than moving_limit_s.",
        "Look for dirt in the hinge, a weak actuator or low supply voltage. Lids close by"
        " themselves: isolate the drive before reaching in.",
    ),
    Flag(
        "too_short",
        BAD,
        "The lid was closed for less than min_duration_s.",
        "Opening minus closing time.",
        "Look at the lid schedule and the position switch.",
    ),
    Flag(
        "too_long",
        SUSPECT,
        "The lid stayed closed for more than max_duration_s; points after that are not used.",
        "Opening minus closing time.",
        "The lid may stick: look at actuator, hinge and seal with the drive isolated.",
    ),
    Flag(
        "line_shared",
        BAD,
        "Another lid on the same line was closed at the same time, so the gas is a mixture.",
        "Closures of two chambers on an analyzer without port selector overlap by more than"
        " bounce_s.",
        "Look at the lid schedule; a lid that sticks closed shows on its own row too.",
    ),
    # Clocks
    Flag(
        "clock_unsteady",
        SUSPECT,
        "The clock of the lid's or the analyzer's logger was set back, or wrote times twice.",
        "Within a file a new record stands behind later ones, lies in the hour that summer time"
        " repeats, or differs from one of the same time.",
        "Keep loggers on standard time, and let their clocks be disciplined in small steps.",
    ),
    Flag(
        "clock_off",
        SUSPECT,
        "The clock of the lid's or the analyzer's logger was far from the time of arrival.",
        "Live records came ahead of time, or steadily later than max_clock_offset_s.",
        "Set the logger's clock, and look at its battery and its time service.",
    ),
    # People
    Flag(
        "marked_bad",
        BAD,
        "A person marked this time as bad; the field log says who and why.",
        "The closure overlaps a note of the kind bad about this chamber.",
        "Nothing; take the note back if it was wrong.",
    ),
    # Points
    Flag(
        "no_samples",
        MISSING,
        "The analyzer has no record of this gas in the closure.",
        "No point between dead band and opening.",
        "Look at the analyzer, its link and its clock.",
    ),
    Flag(
        "few_points",
        BAD,
        "Too few points are left to fit.",
        "Fewer than min_points after dead band, range and status checks.",
        "Look at the other flags of the row for where they went.",
    ),
    Flag(
        "samples_missing",
        SUSPECT,
        "Samples are missing inside the closure.",
        "More than a tenth of the window without records at the usual spacing.",
        "Look at the link between analyzer and logger.",
    ),
    Flag(
        "visits_missing",
        SUSPECT,
        "The port selector came by less often than it should have.",
        "A pause between two visits of over 1.75 times the shortest one, or a visit too short"
        " to settle.",
        "Look at the port schedule and selector.",
    ),
    Flag(
        "analyzer_fault",
        SUSPECT,
        "The analyzer itself reported a fault; those samples are not used.",
        "status_channel is not one of status_ok.",
        "Read the analyzer's own status and follow its maker's instructions.",
    ),
    Flag(
        "out_of_range",
        SUSPECT,
        "Values lie outside the channel's range; they are kept, and not used.",
        "Value below or above range in the station file.",
        "Look at sensor and wiring; check that the range is right.",
    ),
    Flag(
        "flat_line",
        BAD,
        "The analyzer's reading does not move, not even by its own noise.",
        "More than half of the window repeats the value before to the last digit, and the"
        " whole takes three values or fewer.",
        "Look at the analyzer and at the logger's link to it; restart the link.",
    ),
    Flag(
        "calibration_overdue",
        SUSPECT,
        "Too few standard gases were visited lately; the points are as measured.",
        "Within standard_hold_s before closing and up to the opening there is no visit of as"
        " many different standards as the response needs.",
        "Look at the port schedule, the cylinders' valves and their pressure. Compressed gas:"
        " follow local codes.",
    ),
    Flag(
        "calibration_poor",
        SUSPECT,
        "The standards do not agree with one another, or what they show wanders.",
        "A standard lies further from the response than max_standard_residual of their span,"
        " its visits differ by more than max_standard_drift of its value, or standards of"
        " different gas are shown alike, so that points stay as measured.",
        "Check values and leaks of the standards; let the analyzer's maker see a drift.",
    ),
    Flag(
        "no_calibration",
        MISSING,
        "Peak areas cannot be made mole fractions: too few standards were run with them.",
        "The channel counts peak areas, and fewer different standards than the response needs"
        " were visited lately, or stand in the run.",
        "Run standards before, between and after the samples.",
    ),
    # Samples taken by hand
    Flag(
        "vials_waiting",
        NOT_EVALUATED,
        "The closure was sampled by hand, and no vial of it has been measured yet.",
        "No run has an injection of this gas for any of its vials.",
        "Bring the table of the run.",
    ),
    Flag(
        "vials_missing",
        SUSPECT,
        "Some vials of the closure have not been measured.",
        "Runs have injections of this gas for some of its vials only.",
        "Look for the vial, and for its name in the run's table.",
    ),
    Flag(
        "vial_doubtful",
        SUSPECT,
        "A vial of the closure is noted more than once, so nobody knows whose air it held; its"
        " value is not used.",
        "The same vial twice in one table, or in several and the run names neither campaign nor"
        " time.",
        "Correct the table and bring it again; reuse a vial's name only in another campaign.",
    ),
    Flag(
        "vial_underfilled",
        SUSPECT,
        "A vial ended below ambient pressure, so that air of the laboratory may have come in.",
        "fill_kpa and the sample over the vial's volume make less than ambient pressure.",
        "Push in more air than the vial holds.",
    ),
    Flag(
        "times_swapped",
        SUSPECT,
        "Two sample times, or two vials, of the closure were likely written down the wrong way"
        " round.",
        "The order of values is broken by more than noise, and one swap mends it for every gas"
        " that moves and leaves a 25th of the misfit; four samples at least.",
        "Look at the field sheet; correct the table and bring it again.",
    ),
    Flag(
        "beyond_standards",
        SUSPECT,
        "A vial lies beyond the standards of its run, where their response is a guess.",
        "Over a tenth above the highest standard, or below the lowest where the response is a"
        " line or a parabola.",
        "Run a standard of that size.",
    ),
    # What goes with the points
    Flag(
        "no_water",
        MISSING,
        "Moist mole fractions cannot be made dry: no water vapour was recorded.",
        "basis is wet and water_channel has no record near the points.",
        "Look at the analyzer's water channel.",
    ),
    Flag(
        "no_temperature",
        MISSING,
        "No headspace temperature, so no flux.",
        "No record in the closure nor within hold_s before it.",
        "Look at the chamber's temperature sensor.",
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
        "no_height",
        MISSING,
        "No headspace height is known for that day, so no flux.",
        "The closure is earlier than the first of heights.",
        "Measure the height and add it to the station file.",
    ),
    # The fit
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
        "Residual standard deviation above 5 times the stated precision.",
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
        "The flux of CO2 is below its detection limit.",
        "Look at the seal, the collar and the tubing of this chamber. On frozen or flooded soil"
        " it may be true.",
    ),
    Flag(
        "leak_suspected",
        SUSPECT,
        "Every gas bends more sharply than a sealed headspace can.",
        "All gases of the closure, two at least, have the reason curve_too_sharp.",
        "Look at the seal, the collar and the tubing of this chamber.",
    ),
    Flag(
        "start_off_ambient",
        SUSPECT,
        "The closure did not begin near outside air: the headspace was not flushed.",
        "The fitted start differs from ambient in the station file by more than ambient_tolerance.",
        "Give the lid more time open between closures; look for still air and a lid that opens"
        " half way.",
    ),
    Flag(
        "not_flushed",
        SUSPECT,
        "The headspace still held gas of the closure before when the lid closed.",
        "For every gas that rose clearly in the closure before, over max_leftover of what that"
        " held in the end was still there at the start, over ambient where the station file"
        " gives it, or else over the first level of the closure before.",
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
    # Closures that did not happen
    Flag(
        "lid_stuck_open",
        MISSING,
        "A closure was due and the lid stayed open.",
        "Lid records say open throughout.",
        "Look at actuator, fuse and schedule. Lids close by themselves: isolate the drive first.",
    ),
    Flag(
        "lid_stuck_closed",
        MISSING,
        "A closure was due and the lid was closed already.",
        "Lid records say closed at the due time.",
        "Free the lid soon: plants and soil under it suffer. Isolate the drive first.",
    ),
    Flag(
        "lid_stuck_moving",
        MISSING,
        "A closure was due and the lid was neither open nor closed.",
        "Lid records say moving at the due time.",
        "Look for an obstacle or a failed end switch. Isolate the drive first.",
    ),
    Flag(
        "no_lid_records",
        MISSING,
        "A closure was due and there is no lid record.",
        "No lid record within lid_hold_s of the due time.",
        "Look at power, logger and link.",
    ),
)

FLAGS: Final = {flag.name: flag for flag in _ALL}
"""Word → :class:`Flag`, in the order in which rows list them."""

_ORDER: Final = {name: i for i, name in enumerate(FLAGS)}
_GRAVITY: Final = {MISSING: 4, BAD: 3, SUSPECT: 2, NOT_EVALUATED: 1, GOOD: 0}


def words(flags: Iterable[str]) -> str:
    """Blank-separated words in the fixed order, each once.

    Raises
    ------
    KeyError
        A word is not in :data:`FLAGS`.
    """
    return " ".join(sorted(set(flags), key=lambda name: _ORDER[name]))


def quality(flags: Iterable[str]) -> int:
    """Primary quality of a row that bears ``flags``: 1, 2, 3, 4 or 9 [IOC54V3]_."""
    return max((FLAGS[name].quality for name in flags), key=lambda q: _GRAVITY[q], default=GOOD)


def gravest(flags: Iterable[str]) -> str:
    """The flag that decides the quality, the first of them in the fixed order, or ''."""
    return max(
        sorted(set(flags), key=lambda name: _ORDER[name]),
        key=lambda name: _GRAVITY[FLAGS[name].quality],
        default="",
    )
