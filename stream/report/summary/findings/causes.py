"""Every finding of a day, and what none of them explains."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from stream.report.summary.findings.air import of_air
from stream.report.summary.findings.finding import Evidence, Finding, of_station_file
from stream.report.summary.findings.lags import of_lags
from stream.report.summary.findings.lids import of_lids, of_stuck_lids
from stream.report.summary.findings.outages import of_outages
from stream.report.summary.findings.refused import Contradiction, RefusedSource
from stream.report.summary.findings.silent import around, of_clocks, of_silent_sensors
from stream.report.summary.findings.soil import of_soil
from stream.report.summary.findings.starts import of_starts
from stream.report.summary.model import (
    AnalyzerDay,
    ChamberDay,
    Fault,
    FaultCase,
    Sensor,
    StandardDay,
    UntrustedTimes,
)
from stream.store.results.readers import Row


@dataclass(frozen=True, slots=True)
class Day:
    """What the parts of a summary found wrong with a day."""

    faults: Sequence[Fault]
    sensors: Sequence[Sensor]
    analyzers: Sequence[AnalyzerDay]
    standards: Sequence[StandardDay]
    clock: Sequence[UntrustedTimes]
    chambers: Sequence[ChamberDay] = ()
    refused: Sequence[RefusedSource] = ()
    contradictions: Sequence[Contradiction] = ()
    newly_refused: bool = False
    """Whether lines were refused since the summary before, or nobody knows."""


def findings_of(evidence: Evidence, gaps: Sequence[Row], day: Day) -> list[Finding]:
    """Likely causes, one finding each."""
    found = list(of_outages(evidence, gaps, day.refused, fresh=day.newly_refused))
    parts = (of_station_file, of_starts, of_air, of_soil, of_lids, of_lags)
    found += [finding for part in parts for finding in part(evidence)]
    clocks = around(evidence, day.clock)
    found += of_stuck_lids(
        evidence, [r for r in gaps if not any(a <= r["due_us"] < b for a, b in clocks)]
    )
    found += of_clocks(evidence, day.clock, day.contradictions)
    known = {where for f in found for word, where in f.explains if word == "silent"}
    found += of_silent_sensors(evidence, gaps, [s for s in day.sensors if s.channel not in known])
    return found


def with_causes(faults: Sequence[Fault], findings: Sequence[Finding]) -> list[Fault]:
    """Faults whose cases say their cause, where one is known."""
    return [
        replace(f, cases=[replace(c, cause=_cause(f.flag, c, findings)) for c in f.cases])
        for f in faults
    ]


def _cause(flag: str, case: FaultCase, findings: Sequence[Finding]) -> str:
    for f in findings:
        if f.explains_case(flag, case):
            return f"{f.where}: {f.why}"
    return ""


def unexplained(day: Day, findings: Sequence[Finding]) -> Day:
    """A day without what a finding tells of already."""
    told = {pair for f in findings for pair in f.explains}
    return Day(
        faults=list(_unexplained(day.faults)),
        sensors=[
            replace(s, words=[w for w in s.words if w != "silent"])
            if ("silent", s.channel) in told
            else s
            for s in day.sensors
            if s.records or ("silent", s.channel) not in told
        ],
        analyzers=[a for a in day.analyzers if ("silent", a.analyzer) not in told],
        standards=[s for s in day.standards if ("not_visited", s.analyzer) not in told],
        clock=[],
        chambers=[] if ("no_closures", "station") in told else day.chambers,
    )


def _unexplained(faults: Sequence[Fault]) -> Iterator[Fault]:
    for fault in faults:
        cases = [c for c in fault.cases if not c.cause]
        if cases:
            yield replace(fault, cases=cases, count=sum(c.count for c in cases))
