"""What people brought, as tables: entries of the field log, and gas samples in vials."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from stream import columns
from stream.compute.manual.vials import diluted, values_of_rows
from stream.manual.closures import closures_in
from stream.manual.tables import read_table
from stream.note_kinds import KINDS
from stream.report.table import Selection, Table, table_of
from stream.station import Station, read_notes
from stream.store.results.readers import Reader
from stream.store.station_data import KeptTable


def notes(station: Station, rows: Sequence[Mapping[str, Any]], selection: Selection) -> Table:
    """One row an entry of the field log, those that were retracted included.

    Of one chamber: what was noted of it, its plot, its treatment or the whole station.
    """
    period = selection.period

    def wanted(row: Mapping[str, Any]) -> bool:
        until = row["at_us"] if row["until_us"] is None else row["until_us"]
        (note,) = read_notes([row])
        mine = not selection.chambers or note.about(station) & set(selection.chambers)
        return bool(mine) and row["at_us"] < period.stop_us and until >= period.first_us

    def each() -> Iterator[dict[str, Any]]:
        for r in filter(wanted, rows):
            kind = KINDS.get(r["kind"])
            unit = kind.unit if kind and r["amount"] is not None else ""
            names = {"note": r["kind"], "entry": r["text"], "retracts": r["refers"]}
            yield {**r, **names, "amount_unit": unit}

    return table_of(columns.NOTES, each())


def vials(
    station: Station, reader: Reader, kept: Sequence[KeptTable], selection: Selection
) -> Table:
    """One row a gas sample and gas; the mole fraction is empty until it was measured, and where
    nothing tells it from what was measured.
    """
    tables = [read_table(station, t.name, t.content) for t in kept]
    gases = {c.id: tuple(station.analyzer(c.analyzer).gases) for c in station.chambers}
    analyzers = {c.id: c.analyzer for c in station.chambers}
    period, only = selection.period, selection.only
    pressures = {
        (r["chamber"], r["closed_us"]): r["pressure_pa"] for r in reader.closures(period, only)
    }
    values = {
        (analyzer.id, gas): values_of_rows(station, analyzer, gas, tables)
        for analyzer in station.analyzers
        if analyzer.sampling == "vials"
        for gas in only.gases or analyzer.gases
        if gas in analyzer.gases
    }

    def each() -> Iterator[dict[str, Any]]:
        measured = {
            (r["chamber"], r["closed_us"], r["gas"], r["visit"]): r
            for r in reader.visits(period, only)
        }
        for closure in closures_in(tables):
            if not period.first_us <= closure.closed_us < period.stop_us:
                continue
            if only.chambers and closure.chamber not in only.chambers:
                continue
            pressure = pressures.get((closure.chamber, closure.closed_us))
            dilution, _ = diluted(closure, float("nan") if pressure is None else pressure)
            for i, (campaign, sample) in enumerate(closure.samples):
                for gas in only.gases or gases.get(closure.chamber, ()):
                    of_row = values.get((analyzers[closure.chamber], gas), {})
                    value = of_row.get((campaign, sample.line), float("nan")) * dilution[i]
                    row = measured.get((closure.chamber, closure.closed_us, gas, i + 1), {})
                    yield {
                        "station": station.id,
                        "campaign": campaign,
                        "line": sample.line,
                        "vial": sample.vial,
                        "chamber": closure.chamber,
                        "closed_us": closure.closed_us,
                        "sampled_us": sample.sampled_us,
                        "gas": gas,
                        "mole_fraction": None if value != value else value,
                        "mole_fraction_se": row.get("value_se_nmol_mol"),
                        "injections": row.get("points", 0),
                    }

    return table_of(columns.VIALS, each())
