"""Single sensors that say nothing, and clocks in doubt, with what follows from them."""

from collections.abc import Iterator, Sequence
from typing import Final

from stream.store.readers import Row
from stream.summary.findings import Evidence, Finding, among
from stream.summary.model import Sensor

_USES: Final = (
    ("air_temperature_channel", ("no_temperature", "temperature_held")),
    ("pressure_channel", ("pressure_assumed",)),
    ("lid_channel", ("no_lid_records", "no_close_edge", "no_open_edge", "close_time_uncertain")),
)


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


def of_clocks(evidence: Evidence, sources: Sequence[str]) -> Iterator[Finding]:
    """One finding for clocks in doubt, with the closures that they cast doubt on."""
    if not sources:
        return
    chambers = [c.id for c in evidence.station.chambers]
    explains = {(flag, c) for flag in ("clock_unsteady", "clock_off") for c in chambers}
    marked = {
        (r["chamber"], r["closed_us"])
        for r in evidence.todays
        if {"clock_unsteady", "clock_off"} & set(r["flags"].split())
    }
    why = "uncertain" + (f"; {len(marked)} closures are flagged" if marked else "")
    what = "Check the logger's clock and its time service."
    yield Finding(2, among(sorted(sources)), what, why, frozenset(explains))
