"""Every finding of a day, and the faults that none of them explains."""

from collections.abc import Sequence, Set
from dataclasses import replace

from stream.summary.air import of_air
from stream.summary.findings import Finding, Looked, of_station_file
from stream.summary.lags import of_lags
from stream.summary.lids import of_lids
from stream.summary.model import Fault
from stream.summary.starts import of_starts


def findings_of(looked: Looked) -> list[Finding]:
    """Likely mistakes of setting up, and slow changes, one for each cause."""
    parts = (of_station_file, of_starts, of_air, of_lids, of_lags)
    return [finding for part in parts for finding in part(looked)]


def unexplained(faults: Sequence[Fault], explained: Set[tuple[str, str]]) -> list[Fault]:
    """Faults without the cases that a finding tells of already."""
    found = []
    for fault in faults:
        cases = [c for c in fault.cases if (fault.flag, c.chamber) not in explained]
        if cases:
            found.append(replace(fault, cases=cases, count=sum(c.count for c in cases)))
    return found
