"""Records keep their bits wherever they lie: small blocks, merged blocks, archived days."""

import hashlib
import shutil
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small import own_line_stream, part, stored
from sqlalchemy import func, select

from stream.compute.replay import Pipeline, join
from stream.errors import StoreError
from stream.ingest.batches import Batch, tidy
from stream.station import StationFile, load_station
from stream.store import Store, open_store
from stream.store.journal.adoption import adopt
from stream.store.journal.archive import Archive
from stream.store.journal.archived_day import look_at_day, read_day, write_day
from stream.store.journal.compaction import TOGETHER, compact
from stream.store.schema import journal_blocks
from stream.times import DAY, SECOND

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
MIDNIGHT = 1_770_076_800 * SECOND
"""2026-02-03T00:00:00Z"""
RESULTS = ("closures", "fluxes", "model_fits", "gaps")


def over_midnight(hours: float = 1.5) -> Batch:
    """The small stream, moved so that midnight falls into its middle."""
    stream = own_line_stream(hours=hours)
    shift = MIDNIGHT - int(stream.times[len(stream) // 2])
    columns = {c: stream.values[:, j] for j, c in enumerate(stream.channels)}
    return tidy(stream.source, stream.times + shift, columns, stream.lines)


def take_in_pieces(parts: Pipeline, batch: Batch, rows: int) -> None:
    for first in range(0, len(batch), rows):
        parts.intake.take(part(batch, slice(first, first + rows)))


def records(parts: Pipeline) -> dict[str, tuple[list[int], list[float]]]:
    found = parts.journal.read(parts.journal.extent(), 0, 2**62)
    filled = {c: s.filled() for c, s in found.items()}
    return {c: (s.times.tolist(), s.values.tolist()) for c, s in filled.items()}


def blocks(store: Store) -> int:
    with store.reading() as connection:
        return int(
            connection.execute(select(func.count()).select_from(journal_blocks)).scalar_one()
        )


def test_the_days_that_hold_records(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    """Each day once, whole or as far as asked, and no moment in two of them; the same of
    blocks and of archived days.
    """
    file = make_station()
    store, parts = open_parts(file, database_url)
    batch = over_midnight()
    parts.intake.take(batch)
    columns = {c: batch.values[:, j] for j, c in enumerate(batch.channels)}
    parts.intake.take(tidy("later.csv", batch.times + 4 * DAY, columns, batch.lines))
    starts = [MIDNIGHT + n * DAY for n in (-1, 0, 3, 4)]
    whole = [(start, start + DAY - 1) for start in starts]
    noon = MIDNIGHT + DAY // 2
    for archived in (False, True):
        if archived:
            parts.settlement.settle()
            assert archive_of(store, file).keep(MIDNIGHT + DAY) == 2
        assert parts.journal.days(0, 2**62) == whole
        assert parts.journal.days(MIDNIGHT - 1, MIDNIGHT) == [
            (MIDNIGHT - 1, MIDNIGHT - 1),
            (MIDNIGHT, MIDNIGHT),
        ]
        assert parts.journal.days(MIDNIGHT, MIDNIGHT + 1) == [(MIDNIGHT, MIDNIGHT + 1)]
        assert parts.journal.days(MIDNIGHT + DAY, MIDNIGHT + 3 * DAY - 1) == []
    assert parts.journal.days(noon, 2**62) == [(noon, MIDNIGHT + DAY - 1), *whole[2:]]


def archive_of(store: Store, file: StationFile) -> Archive:
    return Archive(store, "small", file.archive)


def test_merging_small_blocks_changes_no_record(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    store, parts = open_parts(make_station(), database_url)
    batch = over_midnight()
    gas = ("n2o", "h2o", "status")
    rest = tuple(c for c in batch.channels if c not in gas)
    take_in_pieces(parts, part(batch, slice(None), gas), 20)
    take_in_pieces(parts, part(batch, slice(None), rest), 31)
    before, count = records(parts), blocks(store)
    assert compact(store, "small") == count - blocks(store) > 4 * TOGETHER
    assert blocks(store) < 2 * 3 * TOGETHER
    assert compact(store, "small") == 0
    assert records(parts) == before
    _, fresh = open_parts(make_station(), database_url)
    assert records(fresh) == before
    parts.intake.refresh()
    parts.intake.take(batch)
    assert records(parts) == before, "records that were merged are known"


def test_archived_days_give_the_same_results_to_the_bit(
    make_station: Make, open_parts: OpenParts, database_url: str, sqlite_url: str
) -> None:
    """Half before the archive, half after, with overlap; then all again from the archive."""
    file = make_station()
    whole, whole_parts = open_parts(file, sqlite_url.replace("test.db", "whole.db"))
    batch = over_midnight()
    whole_parts.intake.take(batch)
    whole_parts.settlement.settle()
    store, parts = open_parts(file, database_url)
    cut = int(np.searchsorted(batch.times, MIDNIGHT)) + 300
    take_in_pieces(parts, part(batch, slice(0, cut)), 200)
    parts.settlement.settle()
    archive = archive_of(store, file)
    assert archive.keep(MIDNIGHT) == 1
    assert [p.suffix for p in file.archive.rglob("*") if p.is_file()] == [".parquet"]
    parts.intake.refresh()
    parts.intake.take(part(batch, slice(cut - 900, len(batch))))
    parts.settlement.settle()
    assert archive.keep(MIDNIGHT + DAY) == 1
    assert blocks(store) == 0
    assert records(parts) == records(whole_parts)
    assert stored(store, *RESULTS) == stored(whole, *RESULTS)
    settled = parts.settlement.reprocess(0, 2**62)
    assert sum(settled.written.values()) == 0


def test_the_archive_is_plain_parquet(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Read by pandas, without lidstream: times in UTC, one column a channel; those that are
    recorded seldom stand in rows of their own.
    """
    file = make_station()
    store, parts = open_parts(file, sqlite_url)
    batch = own_line_stream()
    parts.intake.take(batch)
    parts.settlement.settle()
    assert archive_of(store, file).keep(MIDNIGHT) == 1
    (path,) = file.archive.rglob("*.parquet")
    assert path.parent.relative_to(file.archive).as_posix() == "small/2026"
    assert path.name.startswith("2026-02-02-")
    table = pd.read_parquet(path).groupby("time_us", as_index=False).first()
    assert table["time_us"].tolist() == batch.times.tolist()
    for j, channel in enumerate(batch.channels):
        np.testing.assert_array_equal(table[channel], batch.values[:, j])
    assert path.stat().st_mode & 0o007 == 0, "not for everybody to read"


def columns_of(found: list) -> dict[str, dict[int, float]]:
    """Channel → time → value."""
    records: dict[str, dict[int, float]] = {}
    for times, columns in found:
        for name, values in columns.items():
            mine = records.setdefault(name, {})
            for at, value in zip(times.tolist(), values.tolist(), strict=True):
                if value == value:
                    assert at not in mine, "a record stands once"
                    mine[at] = value
    return records


@pytest.mark.parametrize("plain", [False, True], ids=["as written now", "one table, as before"])
def test_a_day_gives_back_what_was_written(tmp_path: Path, plain: bool) -> None:
    """Channels that are recorded at all times, seldom, at times of their own, for half of the
    day only, never; read all at once and one by one, from new files and from older ones.
    """
    rng = np.random.default_rng(6)
    times = np.arange(0, 40_000, dtype=np.int64) * 2_000_000
    columns = {
        name: np.full(len(times), np.nan) for name in ("fast", "a", "b", "own", "half", "no")
    }
    columns["fast"][:] = rng.normal(size=len(times))
    columns["fast"][5:9] = np.nan
    columns["a"][::60] = rng.normal(size=len(times[::60]))
    columns["b"][::60] = rng.normal(size=len(times[::60]))
    columns["own"][7::100] = rng.normal(size=len(times[7::100]))
    columns["half"][:21_000] = rng.normal(size=21_000)
    names = sorted(columns)
    parts = [
        (times[k : k + 8000], [columns[n][k : k + 8000] for n in names])
        for k in range(0, 40_000, 8000)
    ]
    file = write_day(tmp_path, "s", 0, names, parts)
    written = {
        n: {int(t): v for t, v in zip(times, columns[n], strict=True) if v == v} for n in names
    }
    assert {n: c for n, (_, _, c) in file.records.items()} == {
        n: len(w) for n, w in written.items() if w
    }
    seldom = {t for n in ("a", "b", "own") for t in written[n]}
    assert file.rows == len(times) + len(seldom), "no row without a record"
    path, digest = file.path, file.sha256
    if plain:
        table = pd.DataFrame({"time_us": times, **{n: columns[n] for n in names}})
        path = tmp_path / "older.parquet"
        table.to_parquet(path, row_group_size=9000)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
    found = columns_of(read_day(path, digest, set(names)))
    assert {n: found.get(n, {}) for n in names} == written
    for name in ("a", "own") if plain else ("own",):
        (_, alone), *more = read_day(path, digest, {name})
        assert not np.isnan(alone[name]).any()
        assert more == []
    for name in names:
        assert columns_of(read_day(path, digest, {name})).get(name, {}) == written[name]
    if not plain:
        station, looked = look_at_day(path)
        assert (station, looked.records) == ("s", file.records)


def test_a_late_record_of_an_archived_day(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    file = make_station()
    store, parts = open_parts(file, database_url)
    batch = own_line_stream()
    late = np.zeros(len(batch), dtype=bool)
    late[560:575] = True
    parts.intake.take(part(batch, ~late))
    parts.settlement.settle()
    archive = archive_of(store, file)
    archive.keep(MIDNIGHT)
    (first,) = file.archive.rglob("*.parquet")
    parts.intake.refresh()
    parts.intake.take(part(batch, late))
    assert archive.keep(MIDNIGHT) == 0, "a day that is not settled stays"
    assert parts.settlement.settle().written["closures", "revised"] == 1
    assert archive.keep(MIDNIGHT) == 1
    (second,) = file.archive.rglob("*.parquet")
    assert second != first
    assert len(records(parts)["n2o"][0]) == len(batch)


def test_a_file_that_is_gone_or_damaged_is_named(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    file = make_station()
    store, parts = open_parts(file, sqlite_url)
    parts.intake.take(own_line_stream())
    parts.settlement.settle()
    archive_of(store, file).keep(MIDNIGHT)
    (path,) = file.archive.rglob("*.parquet")
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    _, fresh = open_parts(file, sqlite_url)
    with pytest.raises(StoreError, match=rf"{path.name}.*checksum.*restore"):
        records(fresh)
    path.unlink()
    with pytest.raises(StoreError, match=rf"{path.name}.*gone"):
        records(fresh)


def test_retention_removes_records_and_no_result(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    """Afterwards the old records are not taken for new, and nothing is worked out without them."""
    file = make_station()
    store, parts = open_parts(file, database_url)
    batch = over_midnight(hours=3.0)
    parts.intake.take(batch)
    parts.settlement.settle()
    archive = archive_of(store, file)
    archive.keep(MIDNIGHT + DAY)
    before = stored(store, *RESULTS)
    assert archive.remove(MIDNIGHT, 7) == 1
    assert archive.remove(MIDNIGHT, 7) == 0
    assert len(list(archive.trash.iterdir())) == 1
    assert len(list((file.archive / "small").rglob("*.parquet"))) == 1
    parts.intake.refresh()
    assert parts.journal.kept_from() == MIDNIGHT
    assert min(records(parts)["n2o"][0]) == MIDNIGHT
    parts.intake.take(batch)
    parts.intake.take(batch)
    (row,) = stored(store, "quarantine")["quarantine"]
    assert "removed by archive.keep_days" in str(row)
    parts.settlement.settle()
    parts.settlement.reprocess(0, MIDNIGHT)
    assert stored(store, *RESULTS) == before
    # Another dead band: closures of the day that is gone keep what they have.
    path = file.path
    path.write_text(path.read_text().replace("dead_band_s = 20.0", "dead_band_s = 40.0"))
    _, changed = open_parts(load_station(path), database_url)
    assert changed.settlement.reprocess(0, 2**62).written["closures", "revised"] >= 4
    for row in stored(store, "closures")["closures"]:
        if int(str(row[2])) < MIDNIGHT - 1000 * SECOND:
            assert row[3:6] == (1, 1, 0), "first revision, current, not withdrawn"


def test_an_archive_outlives_its_database(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    file = make_station()
    store, parts = open_parts(file, sqlite_url)
    parts.intake.take(over_midnight())
    parts.settlement.settle()
    archive_of(store, file).keep(MIDNIGHT + DAY)
    other = file.archive / "small" / "2026" / "notes-1.parquet"
    shutil.copy(__file__, other)
    fresh, fresh_parts = open_parts(file, sqlite_url.replace("test.db", "fresh.db"))
    assert adopt(fresh, "small", file.archive).days == 2
    fresh_parts.settlement.settle()
    assert records(fresh_parts) == records(parts)
    assert stored(fresh, *RESULTS, "journal_channels") == stored(
        store, *RESULTS, "journal_channels"
    )


def test_a_crash_between_file_and_commit_loses_nothing(
    make_station: Make, sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file is there before the commit; without the commit the blocks still hold."""
    file = make_station()
    with closing(open_store(sqlite_url)) as store:
        parts = join(file, store)
        parts.intake.take(own_line_stream())
        parts.settlement.settle()
        before = records(parts)
        archive = archive_of(store, file)

        def crash(*_: object) -> None:
            assert len(list(file.archive.rglob("*.parquet"))) == 1
            raise KeyboardInterrupt

        with monkeypatch.context() as patch:
            patch.setattr("stream.store.journal.archive.remove_blocks", crash)
            with pytest.raises(KeyboardInterrupt):
                archive.keep(MIDNIGHT)
        assert records(parts) == before
        assert archive.keep(MIDNIGHT) == 1
        assert records(parts) == before
        assert len(list(file.archive.rglob("*.parquet"))) == 1
