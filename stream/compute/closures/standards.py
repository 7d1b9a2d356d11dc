"""Visits to the ports of standard gases: measured beside known, for calibration."""

from stream.compute.closures.calibrate import known_mole_fraction
from stream.compute.closures.points import analyzer_channels, precision_nmol, samples_of
from stream.compute.closures.rows import digest_of
from stream.compute.closures.segments import micros
from stream.compute.closures.visit_points import PORT_HOLD_US, port_runs, values_of_tails
from stream.science.closures.lid import NO_RUNS, Runs, join_runs
from stream.science.closures.visits import PortVisit, port_visits
from stream.station import Analyzer, Station
from stream.store.journal.journal import Journal
from stream.store.results.changes import Changes, Result, Scope
from stream.store.results.writer import AnchorReader
from stream.times import DAY, SECOND


def standard_changes(
    station: Station,
    analyzer: Analyzer,
    journal: Journal,
    anchors: AnchorReader,
    first_us: int,
    touched_us: int,
    start_us: int,
    until_us: int,
) -> Changes:
    """Standard visits that records from ``first_us`` to ``touched_us`` bear on.

    Parameters
    ----------
    station, analyzer, journal, anchors
        Where to look.
    first_us, touched_us : int
        Span of new records [µs].
    start_us, until_us : int
        First and last record of the station [µs].
    """
    lag = micros(analyzer.lag_s)
    anchor = anchors.last_standard(analyzer.id, first_us - micros(analyzer.lag_s + 120.0))
    at = start_us if anchor is None else anchor
    end = min(until_us, touched_us + DAY)
    ports = {s.port for s in analyzer.standards}
    runs = _read_ports(analyzer, journal, at, end)
    visits = [v for v in port_visits(runs, PORT_HOLD_US, end) if v.port in ports]
    over = [v for v in visits if v.finished and v.ended_us + lag <= end]
    # Visits that may go on, or whose gas has not all come, are spoken for later.
    later = [v.started_us for v in visits if not (v.finished and v.ended_us + lag <= end)]
    stop = min([end + 1, *runs.first[-1:].tolist(), *later])
    results: list[Result] = []
    for day in sorted({v.started_us // DAY for v in over}):
        todays = [v for v in over if v.started_us // DAY == day and v.started_us < stop]
        if todays:
            results += _values(station, analyzer, journal, todays)
    return Changes(results=results, scopes=[Scope("standard_visits", analyzer.id, at, stop)])


def _read_ports(analyzer: Analyzer, journal: Journal, first_us: int, last_us: int) -> Runs:
    """Runs of the selector's ports, a day read at a time."""
    runs = NO_RUNS
    for first, last in journal.days(first_us, last_us):
        records = journal.read({str(analyzer.selector)}, first, last)
        runs = join_runs(runs, port_runs(analyzer, records), PORT_HOLD_US)
    return runs


def _values(
    station: Station, analyzer: Analyzer, journal: Journal, visits: list[PortVisit]
) -> list[Result]:
    """One result for each visit and each gas that its standard holds."""
    lag, flush = micros(analyzer.lag_s), micros(analyzer.flush_s)
    mixing = micros(analyzer.mixing_s)
    low = visits[0].started_us - 60 * SECOND
    high = visits[-1].ended_us + lag + SECOND
    records = journal.read(analyzer_channels(analyzer), low, high)
    results: list[Result] = []
    for gas in analyzer.gases:
        samples = samples_of(station, analyzer, gas, records)
        known = {s.port: s for s in analyzer.standards if s.gas == gas}
        mine = [v for v in visits if v.port in known]
        tails = [v.settled(flush, mixing) for v in mine]
        values = values_of_tails(samples, tails, precision_nmol(station, analyzer, gas))
        for i, v in enumerate(mine):
            row = {
                "port": v.port,
                "ended_us": v.ended_us,
                "mid_us": int(values.mid_us[i]),
                "standard_nmol_mol": known_mole_fraction(station, analyzer, known[v.port])[0],
                "value_nmol_mol": float(values.value[i]),
                "value_se_nmol_mol": float(values.value_se[i]),
                "points": int(values.points[i]),
            }
            key = (analyzer.id, gas, v.started_us)
            results.append(Result("standard_visits", key, row, digest_of(row)))
    return results
