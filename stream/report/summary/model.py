"""What a day's summary says; every part is plain data, and the whole is JSON."""

from dataclasses import asdict, dataclass
from typing import Any

from stream.ingest.refusals import Refusals


@dataclass(frozen=True, slots=True)
class Task:
    """One thing to do at the station.

    ``rank`` is 1 for what cannot wait, 2 for today, 3 for the next visit.
    """

    rank: int
    where: str
    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Gap:
    """A closure that was due and did not happen."""

    due_at: str
    cause: str


@dataclass(frozen=True, slots=True)
class ChamberDay:
    """Closures of one chamber; ``usable`` by gas, None where the gas is not its own."""

    chamber: str
    plot: str
    position: str
    treatment: str
    due: int
    got: int
    usable: dict[str, int]
    gaps: list[Gap]
    marked_bad: int


@dataclass(frozen=True, slots=True)
class FaultCase:
    """A fault at one chamber.

    ``over`` tells that a later closure of the day was free of it, ``cause`` what it comes of
    where that is known.
    """

    chamber: str
    gases: list[str]
    count: int
    first_at: str
    last_at: str
    over: bool
    cause: str = ""


@dataclass(frozen=True, slots=True)
class Fault:
    """A flag, what it means, where it came up, and what to do."""

    flag: str
    quality: int
    meaning: str
    remedy: str
    count: int
    first_at: str
    last_at: str
    cases: list[FaultCase]


@dataclass(frozen=True, slots=True)
class Sensor:
    """A channel over the day; numbers in its unit, None where there is no record.

    ``drift`` is the day's median less that of the summaries of the fortnight before,
    ``flat_h`` the longest time that one value was repeated, ``silent_h`` the longest time
    without a record [h].
    """

    channel: str
    unit: str
    records: int
    low: float | None
    median: float | None
    high: float | None
    out_of_range: int
    drift: float | None
    usual_drift: float | None
    flat_h: float
    silent_h: float
    words: list[str]


@dataclass(frozen=True, slots=True)
class StandardDay:
    """Visits of one standard gas; deviations as measured, before any correction [%].

    ``drift_percent`` is against the median of the fortnight before.
    """

    analyzer: str
    gas: str
    standard: str
    visits: int
    deviation_percent: float | None
    spread_percent: float | None
    drift_percent: float | None
    usual_visits: float | None
    words: list[str]


@dataclass(frozen=True, slots=True)
class AnalyzerDay:
    """An analyzer: minutes in which it reported a fault, and minutes that it was silent."""

    analyzer: str
    fault_min: float
    silent_min: float
    words: list[str]


@dataclass(frozen=True, slots=True)
class FluxDay:
    """A treatment's or chamber's mean flux beside its last fortnight [nmol m⁻² s⁻¹].

    ``low`` and ``high`` are the least and the greatest daily mean of the fortnight;
    ``word`` is ``usual``, ``above``, ``below``, ``new`` (nothing to hold it against) or
    ``missing``.
    """

    what: str
    gas: str
    mean: float | None
    low: float | None
    median: float | None
    high: float | None
    days: int
    word: str


@dataclass(frozen=True, slots=True)
class UntrustedTimes:
    """Minutes of a source in which its clock was in doubt."""

    source: str
    kind: str
    minutes: int
    first_at: str
    last_at: str


@dataclass(frozen=True, slots=True)
class Machine:
    """The computer and the path of the records, at the time of writing."""

    last_record_at: str | None
    lag_min: float | None
    free_mb: float | None
    unsettled_h: float
    pending: int
    quarantined: int
    newly_quarantined: int | None
    refusals: list[Refusals]
    clock: list[UntrustedTimes]


@dataclass(frozen=True, slots=True)
class DaySummary:
    """A day, whole.

    ``verdict`` is ``good``, ``look`` or ``act``; ``sentence`` says it in words.
    """

    station: str
    name: str
    day: str
    zone: str
    verdict: str
    sentence: str
    tasks: list[Task]
    chambers: list[ChamberDay]
    faults: list[Fault]
    sensors: list[Sensor]
    analyzers: list[AnalyzerDay]
    standards: list[StandardDay]
    fluxes: list[FluxDay]
    unusual: list[FluxDay]
    machine: Machine
    notes: list[str]
    sampling_due: str
    station_digest: str
    software_version: str

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)

    @property
    def gases(self) -> list[str]:
        """Every gas of the station, in the order of its analyzers."""
        return list(dict.fromkeys(g for c in self.chambers for g in c.usable))
