"""Months of fluxes in files: the same cells as the tables, never one that has changed since."""

import errno
import io
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from small import own_line_stream
from sqlalchemy import func, select, text

from stream.compute.replay import Pipeline
from stream.errors import StoreError
from stream.ingest.batches import Batch, tidy
from stream.station import StationFile
from stream.store import Store
from stream.store.results import flux_columns
from stream.store.results.flux_columns import FluxColumns, forget_months
from stream.store.results.readers import Only, Period
from stream.store.results.settled_months import SettledMonths
from stream.store.schema import flux_months
from stream.times import SECOND

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
NAMES = (
    *(("chamber", ""), ("closed_us", ""), ("gas", ""), ("flux_nmol_m2_s", ""), ("quality", "")),
    *(("revision", ""), ("flags", ""), ("flux_se_nmol_m2_s", "quadratic"), ("status", "linear")),
    *(("height_m", ""), ("flux_nmol_m2_s", "never_fitted")),
)
MARCH = 1_772_323_200 * SECOND
"""2026-03-01T00:00:00Z, by ``date -u -d 2026-03-01 +%s``."""
LATER = 1_790_000_000 * SECOND


def around_march() -> Batch:
    """The small stream, to a moment of open lids, moved so that a month ends in its middle."""
    stream = own_line_stream(hours=3.01)
    shift = MARCH - int(stream.times[len(stream) // 2])
    columns = {c: stream.values[:, j] for j, c in enumerate(stream.channels)}
    return tidy(stream.source, stream.times + shift, columns, stream.lines)


@dataclass
class Case:
    file: StationFile
    store: Store
    parts: Pipeline
    months: SettledMonths

    def rows(self, period: Period | None = None, only: Only | None = None) -> list[object]:
        reader = FluxColumns(self.store, "small", self.file.archive)
        tables = reader.read(period or Period(), only or Only(), NAMES)
        return [tuple(row.values()) for t in tables for row in t.to_pylist()]

    def from_tables(self, period: Period | None = None, only: Only | None = None) -> list[object]:
        reader = FluxColumns(self.store, "small", Path("nowhere"))
        tables = reader.read(period or Period(), only or Only(), NAMES)
        return [tuple(row.values()) for t in tables for row in t.to_pylist()]

    def files(self) -> list[Path]:
        return sorted((self.file.archive / "fluxes").rglob("*.*"))

    def listed(self) -> int:
        with self.store.reading() as connection:
            query = select(func.count()).select_from(flux_months).where(flux_months.c.current == 1)
            return int(connection.execute(query).scalar_one())


@pytest.fixture
def case(make_station: Make, database_url: str, open_parts: OpenParts) -> Case:
    file = make_station()
    store, parts = open_parts(file, database_url)
    parts.intake.take(around_march())
    parts.settlement.settle()
    return Case(file, store, parts, SettledMonths(store, "small", file.archive))


def spoil(case: Case, change: str) -> None:
    """Changes the tables behind the writer's back, to tell what is read from where."""
    with case.store.writing() as connection:
        connection.execute(text(change))


def test_a_month_is_read_from_its_file_and_gives_the_same_cells(case: Case) -> None:
    plain = case.rows()
    assert case.months.keep(LATER) == 2
    assert case.months.keep(LATER) == 0
    assert [f.name[:7] for f in case.files()] == ["2026-02", "2026-03"]
    assert pq.read_table(case.files()[0]).num_rows + pq.read_table(case.files()[1]).num_rows == len(
        plain
    )
    assert case.rows() == case.from_tables() == plain
    times = sorted({row[1] for row in plain})  # type: ignore[index]
    for period in (Period(times[1], times[-2]), Period(MARCH, MARCH + 1), Period(times[0], MARCH)):
        assert case.rows(period) == case.from_tables(period)
    for only in (
        Only(("C2",)),
        Only((), ("CH4",)),
        Only((), (), (1, 3)),
        Only(("C1",), ("N2O",), (2,)),
    ):
        assert case.rows(only=only) == case.from_tables(only=only)
    spoil(case, "UPDATE fluxes SET flux_nmol_m2_s = 0")
    assert case.rows() == plain != case.from_tables()


def test_only_what_is_over_and_settled_is_written(case: Case) -> None:
    assert case.months.keep(MARCH - 1) == 0
    assert case.months.keep(MARCH) == 1
    assert [f.name[:7] for f in case.files()] == ["2026-02"]
    spoil(case, f"INSERT INTO unsettled VALUES ('small', {MARCH + 40 * 86_400_000_000}, {LATER})")
    assert case.months.keep(LATER) == 1
    spoil(case, "DELETE FROM flux_months")
    spoil(case, f"INSERT INTO unsettled VALUES ('small', {MARCH + 1}, {MARCH + 2})")
    assert case.months.keep(LATER) == 0


def test_a_revision_takes_its_month_off_the_list_in_the_same_commit(case: Case) -> None:
    """A record that comes late changes a closure of March; February stays as it was written."""
    case.months.keep(LATER)
    february, march = case.files()
    before = case.rows()
    late = around_march()
    i = int(np.searchsorted(late.times, late.times[-1] - 1000 * SECOND))
    columns = {"n2o": np.full(200, 900.0)}
    case.parts.intake.take(tidy("late", late.times[i : i + 200] + SECOND, columns, np.arange(200)))
    case.parts.settlement.settle()
    assert case.listed() == 1
    assert case.rows() == case.from_tables() != before
    assert max(row[5] for row in case.rows()) == 2  # type: ignore[index]
    assert case.months.keep(LATER) == 1
    assert february in case.files()
    assert march not in case.files()
    assert len(case.files()) == 2
    assert case.rows() == case.from_tables()


@pytest.mark.parametrize("damage", ["gone", "flipped", "cut", "empty"])
def test_a_file_that_is_not_as_it_was_written_is_passed_over(case: Case, damage: str) -> None:
    plain = case.rows()
    case.months.keep(LATER)
    file = case.files()[0]
    held = bytearray(file.read_bytes())
    if damage == "gone":
        file.unlink()
    else:
        held[len(held) // 2] ^= 1
        file.write_bytes({"flipped": held, "cut": held[:99], "empty": b""}[damage])
    assert case.rows() == plain
    assert case.months.keep(LATER) == 1
    spoil(case, "UPDATE fluxes SET flux_nmol_m2_s = 0")
    assert case.rows() == plain


class Killed(BaseException):
    """As a signal that nobody handles."""


@pytest.mark.parametrize("step", ["_query", "_put", "_update"])
def test_a_crash_leaves_nothing_behind(
    case: Case, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever was done last: the next look clears it up, and what stands is written."""

    def dies(*_: object, **values: object) -> None:
        if step != "_update" or "current" in values:
            raise Killed

    plain = case.rows()
    with monkeypatch.context() as patch:
        patch.setattr(SettledMonths, step, dies)
        with pytest.raises(Killed):
            case.months.keep(LATER)
    assert case.listed() == 0
    assert case.rows() == plain
    assert case.months.keep(LATER) == 2
    assert len(case.files()) == case.listed() == 2
    assert case.rows() == plain == case.from_tables()


def test_a_revision_while_a_month_is_written_is_not_covered_up(
    case: Case, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By another writer, once the lock of this one was lost."""
    written = SettledMonths._put

    def put(months: SettledMonths, path: Path, out: io.BytesIO) -> None:
        written(months, path, out)
        changed = MARCH - 1 if path.name.startswith("2026-02") else MARCH
        where = "<" if changed < MARCH else ">="
        with case.store.writing() as connection:
            connection.execute(
                text(f"UPDATE fluxes SET flux_nmol_m2_s = 7 WHERE closed_us {where} {MARCH}")
            )
            forget_months(connection, "small", [changed])

    with monkeypatch.context() as patch:
        patch.setattr(SettledMonths, "_put", put)
        case.months.keep(LATER)
    assert {row[3] for row in case.rows()} == {7.0}  # type: ignore[index]
    case.months.keep(LATER)
    assert len(case.files()) == case.listed() == 2
    assert case.rows() == case.from_tables()


def test_chambers_in_groups_are_all_of_them(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = case.rows()
    for name, few in (("_AT_ONCE", 1), ("_SHORT_US", 0), ("_FEW_COLUMNS", 0)):
        monkeypatch.setattr(flux_columns, name, few)
    assert case.rows() == plain
    case.months.keep(LATER)
    assert case.rows() == plain
    assert case.rows(only=Only(("C2",))) == [r for r in plain if r[0] == "C2"]  # type: ignore[index]


def test_a_disk_that_refuses_costs_nothing_but_the_file(case: Case) -> None:
    (case.file.archive / "fluxes").parent.mkdir(parents=True, exist_ok=True)
    (case.file.archive / "fluxes").write_text("in the way")
    with pytest.raises(StoreError, match="months of fluxes cannot be written"):
        case.months.keep(LATER)
    assert case.listed() == 0
    assert case.rows() == case.from_tables()
    (case.file.archive / "fluxes").unlink()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Path, "replace", full_disk)
        with pytest.raises(StoreError, match="No space left"):
            case.months.keep(LATER)
    assert case.files() == []


def full_disk(*_: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_whoever_reads_while_months_come_and_go_has_one_commit(case: Case) -> None:
    """Each reading is one revision for all closures, whatever lies in files at that time."""
    stop = threading.Event()
    odd: list[object] = []

    def look() -> None:
        while not stop.is_set():
            found = {row[9] for row in case.rows()}  # type: ignore[index]
            if len(found) != 1:
                odd.append(found)

    reader = threading.Thread(target=look)
    reader.start()
    for height in range(1, 15):
        # As a commit of the writer does: rows and list at once.
        with case.store.writing() as connection:
            connection.execute(text(f"UPDATE closures SET height_m = {height}"))
            connection.execute(flux_months.update().values(current=0))
        case.months.keep(LATER)
    stop.set()
    reader.join()
    assert odd == []
    assert {row[9] for row in case.rows()} == {14.0}  # type: ignore[index]
