"""Flags of points: samples of an analyzer, and vials filled by hand."""

from typing import Final

from stream.science.quality.flag import BAD, MISSING, NOT_EVALUATED, SUSPECT, Flag

POINTS: Final = (
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
        "toggling",
        BAD,
        "The reading jumps between two or three values.",
        "Ten or more readings take at most three values, further apart than the analyzer's noise,"
        " and at least one reading in four differs from the one before.",
        "Check the analyzer's signal cable, its plug and the logger's input.",
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
        "standards_exchanged",
        BAD,
        "The standard gases read in the opposite order: the lower one reads higher.",
        "Analyzer readings fall from the lowest standard gas to the highest.",
        "Check which cylinder is on which port, or the names of standard gases in the GC run"
        " table.",
    ),
    Flag(
        "standards_implausible",
        SUSPECT,
        "A standard gas reads far from its certified value.",
        "The reading of a standard gas is less than 2/3 or more than 3/2 of its value.",
        "Check unit and column of the channel, and value and port of the standard gas.",
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
)
