"""Single sensors that say nothing, and clocks in doubt, with what follows from them."""

from collections.abc import Iterator, Sequence
from typing import Final

from stream.report.summary.findings.finding import Evidence, Finding, among, micros
from stream.report.summary.findings.lids import interval_us
from stream.report.summary.findings.refused import Contradiction
from stream.report.summary.model import Sensor, UntrustedTimes
from stream.store.results.readers import Row
from stream.times import SECOND

_USES: Final = (
    ("air_temperature_channel", ("no_temperature", "temperature_held")),
    ("pressure_channel", ("pressure_assumed",)),
    ("lid_channel", ("no_lid_records", "no_close_edge", "no_open_edge", "close_time_uncertain")),
)
_OF_CLOCKS: Final = (
    *("lid_stuck_open", "lid_stuck_closed", "lid_stuck_moving", "no_lid_records"),
    *("no_close_edge", "no_open_edge", "close_time_uncertain", "open_time_uncertain"),
    *("too_short", "too_long", "slow_lid", "lid_bounce", "line_shared", "visits_missing"),
    *("no_samples", "samples_missing", "few_points", "no_fit", "poor_fit", "not_flushed"),
    *("leak_suspected", "no_co2_rise", "pressure_step", "flat_line", "start_implausible"),
)

_SET: Final = ("set_back", "repeated_hour", "written_twice")
"""Kinds of doubt that cut or repeat records; a clock that is off alone does neither."""


def of_silent_sensors(
    evidence: Evidence, gaps: Sequence[Row], sensors: Sequence[Sensor]
) -> Iterator[Finding]:
    """Sensors of chambers that were silent, and left closures without them."""
    for s in sensors:
        if s.records and "silent" not in s.words:
            continue
        explains: set[tuple[str, str]] = set()
        chambers: list[str] = []
        for key, flags in _USES:
            mine = [c.id for c in evidence.station.chambers if getattr(c, key) == s.channel]
            chambers += mine
            explains |= {(flag, c) for flag in flags for c in mine}
        bears = [
            r
            for r in (*evidence.todays, *gaps)
            if any((f, r["chamber"]) in explains for f in r["flags"].split())
        ]
        if not bears:
            continue
        how = f"no data for {s.silent_h:.1f} h" if s.records else "no data all day"
        hit = among(sorted({r["chamber"] for r in bears}))
        explains.add(("silent", s.channel))
        what = "Check the sensor and its wiring."
        yield Finding(2, s.channel, what, f"{how}; closures of {hit} lack it", frozenset(explains))


def of_clocks(
    evidence: Evidence,
    doubts: Sequence[UntrustedTimes],
    contradictions: Sequence[Contradiction] = (),
) -> Iterator[Finding]:
    """One finding for clocks in doubt, with the closures that they cast doubt on, and with what a
    step makes of closures: some twice, some cut, some apart from their gas.

    Where nothing but two files with other values for the same times is behind them, the files
    are named.
    """
    if not doubts:
        return
    chambers = [c.id for c in evidence.station.chambers]
    always = {(flag, c) for flag in ("clock_unsteady", "clock_off") for c in chambers}
    near = {(flag, c) for flag in _OF_CLOCKS for c in chambers if around(evidence, doubts)}
    marked = {
        (r["chamber"], r["closed_us"])
        for r in evidence.todays
        if {"clock_unsteady", "clock_off"} & set(r["flags"].split())
    }
    why = "uncertain" + (f"; {len(marked)} closures are flagged" if marked else "")
    what = "Check the logger's clock and its time service."
    where = among(sorted({d.source for d in doubts}))
    files = _files_apart(evidence, contradictions)
    if files and all(d.kind == "written_twice" for d in doubts):
        where = among(files)
        what = (
            "Find out which of these files holds the data of this station. Take the others away,"
            " then replay into a new database."
        )
        said = "; ".join(
            f"{c.lines} lines of {c.source} have other values for times already recorded"
            f" (first: {c.reason})"
            for c in contradictions
        )
        why = (
            f"{said}{why.removeprefix('uncertain')}; if both are of this station, its clock was set"
            " back in between"
        )
    yield Finding(
        2, where, what, why, frozenset(always | near), around(evidence, doubts), frozenset(always)
    )


def _files_apart(evidence: Evidence, found: Sequence[Contradiction]) -> list[str]:
    """Files that contradict others, and those others; none where a file contradicts but itself:
    its times are coarser than its records, or its clock was set.
    """
    names = set()
    for c in found:
        stand = evidence.journal.sources(c.channel, c.first_us, c.last_us)
        if stand != {c.source}:  # of archived days no file is known
            names |= stand | {c.source}
    return sorted(names)


def around(evidence: Evidence, doubts: Sequence[UntrustedTimes]) -> tuple[tuple[int, int], ...]:
    """When closures may be touched by a clock that was set [µs]."""
    margin = interval_us(evidence) + round(evidence.station.closure.max_duration_s * SECOND)
    return tuple(
        (micros(d.first_at) - margin, micros(d.last_at) + margin) for d in doubts if d.kind in _SET
    )
