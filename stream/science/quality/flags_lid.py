"""Flags of lids, clocks and people, and of closures that did not happen."""

from typing import Final

from stream.science.quality.flag import BAD, GOOD, MISSING, NOT_EVALUATED, SUSPECT, Flag

LID: Final = (
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
        "Find why lid records are missing. Where the lid's logger always records less often than"
        " edge_tolerance_s, let it record more often, or set closure.edge_tolerance_s to its"
        " interval.",
    ),
    Flag(
        "open_time_uncertain",
        GOOD,
        "The moment of opening is not known well.",
        "More than edge_tolerance_s between the last closed record and the one after.",
        "Find why lid records are missing. Where the lid's logger always records less often than"
        " edge_tolerance_s, let it record more often, or set closure.edge_tolerance_s to its"
        " interval.",
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
    Flag(
        "setup_implausible",
        BAD,
        "A setting of this chamber in the station file cannot be right.",
        "A size is outside what chambers can have; `lidstream check` names the key and the likely"
        " unit.",
        "Correct the station file, then reprocess.",
    ),
)

GAPS: Final = (
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
