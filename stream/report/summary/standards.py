"""Standard gases of a day: how far from their value they were shown, and drift."""

from collections.abc import Sequence
from statistics import median
from typing import Final

from stream.report.summary.model import StandardDay
from stream.station import Analyzer, Standard, Station
from stream.store.results.readers import Period, Reader, Row
from stream.times import DAY

FORTNIGHT: Final = 14 * DAY


def standards_of(station: Station, reader: Reader, period: Period) -> list[StandardDay]:
    """One for each standard of each analyzer that visits them."""
    wide = Period(period.first_us - FORTNIGHT, period.stop_us)
    rows: dict[tuple[str, str, int], list[Row]] = {}
    for r in reader.standard_visits(wide):
        rows.setdefault((r["analyzer"], r["gas"], r["port"]), []).append(r)
    return [
        _standard(a, s, rows.get((a.id, s.gas, s.port or 0), []), period)
        for a in station.analyzers
        if a.selector
        for s in a.standards
    ]


def deviations(rows: Sequence[Row]) -> list[tuple[int, float]]:
    """Of each visit the middle [µs] and the value shown over the standard's, less one [1].

    Zero gas has no such ratio, and is left out.
    """
    return [
        (r["mid_us"], r["value_nmol_mol"] / r["standard_nmol_mol"] - 1.0)
        for r in rows
        if r["standard_nmol_mol"] and r["value_nmol_mol"] is not None
    ]


def _standard(a: Analyzer, s: Standard, rows: Sequence[Row], period: Period) -> StandardDay:
    found = deviations(rows)
    today = [d for at, d in found if at >= period.first_us]
    before = [d for at, d in found if at < period.first_us]
    days = len({(at - period.first_us) // DAY for at, _ in found if at < period.first_us})
    visits = sum(r["mid_us"] >= period.first_us for r in rows)
    usual = (len(rows) - visits) / days if days else None
    drift = None
    if today and before:
        drift = 100.0 * ((1.0 + median(today)) / (1.0 + median(before)) - 1.0)
    spread = 100.0 * (max(today) - min(today)) if today else None
    areas = bool(today) and abs(median(today)) > 0.5
    words = []
    if not visits:
        words.append("not_visited")
    elif usual is not None and visits < 0.5 * usual:
        words.append("seldom_visited")
    worst = 100.0 * a.max_standard_drift
    if (drift is not None and abs(drift) > worst) or (spread is not None and spread > worst):
        words.append("drifts")
    return StandardDay(
        analyzer=a.id,
        gas=s.gas,
        standard=f"{s.name or f'port {s.port}'}, {s.value:g}",
        visits=visits,
        # A peak area over a mole fraction is no deviation.
        deviation_percent=None if areas or not today else 100.0 * median(today),
        spread_percent=spread,
        drift_percent=drift,
        usual_visits=usual,
        words=words,
    )
