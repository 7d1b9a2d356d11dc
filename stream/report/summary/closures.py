"""Closures of a day: how many were due, got and usable, and what was wrong with the rest."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from stream.field.series import is_usable
from stream.report.summary.model import ChamberDay, Fault, FaultCase, Gap
from stream.science.quality.flags import FLAGS, GOOD
from stream.station import Station
from stream.store.results.readers import Period, Reader, Row
from stream.times import rfc3339

NO_FAULTS: Final = frozenset({"below_detection", "bias_corrected", "temperature_held"})
"""Flags that say how a flux is to be read, not that something went wrong."""
_FIRST: Final = {9: 0, 4: 1, 3: 2, 2: 3, 1: 4}


@dataclass(slots=True)
class _Seen:
    at_us: list[int] = field(default_factory=list)
    gases: set[str] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class DayRows:
    """What the store has of a day, or of another period."""

    fluxes: list[Row]
    gaps: list[Row]

    @classmethod
    def read(cls, reader: Reader, period: Period) -> "DayRows":
        """Rows of closures whose lids closed in the period, and of gaps that were due in it."""
        return cls(list(reader.flux_flags(period)), list(reader.gaps(period)))


def chamber_days(station: Station, rows: DayRows, *, dark: bool) -> list[ChamberDay]:
    """One a chamber, in the order of the station file.

    Parameters
    ----------
    station : Station
    rows : DayRows
    dark : bool
        Whether nothing at all was recorded that day: then all closures that the station
        file expects were due, though nothing shows when.
    """
    found = []
    for c in station.chambers:
        gases = station.analyzer(c.analyzer).gases
        mine = [r for r in rows.fluxes if r["chamber"] == c.id]
        gaps = [r for r in rows.gaps if r["chamber"] == c.id]
        got = len({r["closed_us"] for r in mine})
        automatic = c.lid_channel is not None
        due = got + len(gaps)
        if dark and automatic:
            due = max(due, round(station.closure.expected_per_day))
        usable = {gas: sum(is_usable(station, r) for r in mine if r["gas"] == gas) for gas in gases}
        found.append(
            ChamberDay(
                chamber=c.id,
                plot=c.plot,
                position=c.position,
                treatment=c.treatment,
                due=due,
                got=got,
                usable=usable,
                gaps=[Gap(rfc3339(r["due_us"]), r["flags"]) for r in gaps],
                marked_bad=len({r["closed_us"] for r in mine if "marked_bad" in r["flags"]}),
            )
        )
    return found


def faults_of(rows: DayRows) -> list[Fault]:
    """Every flag that came up, gravest first; of one gravity the more frequent first."""
    seen: dict[tuple[str, str], _Seen] = {}
    all_of: dict[str, list[int]] = {}
    for row in rows.fluxes:
        all_of.setdefault(row["chamber"], []).append(row["closed_us"])
        for flag in row["flags"].split():
            case = seen.setdefault((flag, row["chamber"]), _Seen())
            case.at_us.append(row["closed_us"])
            case.gases.add(row["gas"])
    for row in rows.gaps:
        all_of.setdefault(row["chamber"], []).append(row["due_us"])
        for flag in row["flags"].split():
            seen.setdefault((flag, row["chamber"]), _Seen()).at_us.append(row["due_us"])
    gases = {
        chamber: {r["gas"] for r in rows.fluxes if r["chamber"] == chamber} for chamber in all_of
    }
    by_flag: dict[str, list[FaultCase]] = {}
    for (flag, chamber), case in seen.items():
        if flag in NO_FAULTS:
            continue
        times = sorted(set(case.at_us))
        by_flag.setdefault(flag, []).append(
            FaultCase(
                chamber=chamber,
                gases=sorted(case.gases) if case.gases != gases[chamber] else [],
                count=len(times),
                first_at=rfc3339(times[0]),
                last_at=rfc3339(times[-1]),
                over=max(all_of[chamber]) > times[-1],
            )
        )
    found = [_fault(flag, cases) for flag, cases in by_flag.items()]
    order = list(FLAGS)
    return sorted(found, key=lambda f: (_FIRST[f.quality], -f.count, order.index(f.flag)))


def _fault(flag: str, cases: Sequence[FaultCase]) -> Fault:
    known = FLAGS[flag]
    return Fault(
        flag=flag,
        quality=known.quality,
        meaning=known.meaning,
        remedy=known.remedy,
        count=sum(c.count for c in cases),
        first_at=min(c.first_at for c in cases),
        last_at=max(c.last_at for c in cases),
        cases=sorted(cases, key=lambda c: c.chamber),
    )


def grave(faults: Iterable[Fault]) -> list[Fault]:
    """Those that cost fluxes or cast doubt on them."""
    return [f for f in faults if f.quality != GOOD]
