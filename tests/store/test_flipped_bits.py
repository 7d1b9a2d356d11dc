"""A bit that has turned over by itself is noticed: at reading, by the scrub, at adoption."""

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from small import own_line_stream, part
from sqlalchemy import select, update

from stream.compute.replay import Pipeline, join
from stream.errors import RecordsDamaged
from stream.ingest.batches import Batch, tidy
from stream.station import StationFile
from stream.store import Store
from stream.store.journal import archived_day as day_file
from stream.store.journal.adoption import adopt
from stream.store.journal.archive import Archive
from stream.store.journal.compaction import TOGETHER, compact
from stream.store.journal.journal import Journal
from stream.store.journal.scrub import Scrub
from stream.store.schema import journal_blocks
from stream.times import DAY, SECOND

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
Measured = Callable[[str, object], None]
MIDNIGHT = 1_770_076_800 * SECOND
FLIPS = 120


def over_midnight() -> Batch:
    stream = own_line_stream(hours=1.5)
    shift = MIDNIGHT - int(stream.times[len(stream) // 2])
    columns = {c: stream.values[:, j] for j, c in enumerate(stream.channels)}
    return tidy(stream.source, stream.times + shift, columns, stream.lines)


def flipped(content: bytes, bit: int) -> bytes:
    changed = bytearray(content)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


def bits(size: int, count: int = FLIPS, seed: int = 7) -> list[int]:
    """Places all over a content of so many bytes."""
    return np.random.default_rng(seed).integers(0, 8 * size, count).tolist()


def reads(file: StationFile, store: Store) -> str:
    """What a reader that has read nothing before is told; empty where all is well."""
    day_file._trusted.clear()
    journal = Journal(store, "small", file.archive)
    try:
        journal.read(journal.extent(), 0, 2**62)
    except RecordsDamaged as error:
        return str(error)
    return ""


def scrubs(file: StationFile, store: Store) -> str:
    """What the scrub finds in one round, from wherever the last one ended."""
    scrub = Scrub(store, "small", file.archive)
    ends = 0
    try:
        while ends < 2:
            ends += scrub.look(60.0)
    except RecordsDamaged as error:
        return str(error)
    return ""


def test_of_blocks_in_the_database_every_one_is_noticed(
    make_station: Make, open_parts: OpenParts, database_url: str, measured: Measured
) -> None:
    file = make_station()
    store, parts = open_parts(file, database_url)
    batch = over_midnight()
    for rows in np.array_split(np.arange(len(batch)), 6):
        parts.intake.take(part(batch, rows))
    t = journal_blocks.c
    with store.reading() as connection:
        blocks = connection.execute(select(t.sequence, t.data).order_by(t.sequence)).all()
    sound = {int(n): bytes(data) for n, data in blocks}
    assert reads(file, store) == scrubs(file, store) == ""

    def put(number: int, data: bytes) -> None:
        with store.writing() as connection:
            connection.execute(update(journal_blocks).where(t.sequence == number).values(data=data))

    noticed = found = 0
    numbers = np.random.default_rng(8).choice(sorted(sound), FLIPS).tolist()
    for number, where in zip(numbers, bits(2**20), strict=True):
        put(number, flipped(sound[number], where % (8 * len(sound[number]))))
        noticed += f"block {number} " in reads(file, store)
        found += f"block {number} " in scrubs(file, store)
        put(number, sound[number])
    measured("blocks with flipped bits noticed at reading", f"{noticed} of {FLIPS}")
    measured("blocks with flipped bits noticed by the scrub", f"{found} of {FLIPS}")
    assert (noticed, found) == (FLIPS, FLIPS)
    assert reads(file, store) == ""


def test_of_days_in_the_archive_every_one_is_noticed(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, tmp_path: Path, measured: Measured
) -> None:
    """At reading, by the scrub, and by a new database that adopts the archive."""
    file = make_station()
    store, parts = open_parts(file, sqlite_url)
    parts.intake.take(over_midnight())
    parts.settlement.settle()
    Archive(store, "small", file.archive).keep(MIDNIGHT + DAY)
    path, _ = sorted(file.archive.rglob("*.parquet"))
    sound = path.read_bytes()
    noticed = found = refused = 0
    for where in bits(len(sound)):
        path.write_bytes(flipped(sound, where))
        noticed += path.name in reads(file, store)
        found += path.name in scrubs(file, store)
        fresh, _ = open_parts(file, f"sqlite:///{tmp_path / 'fresh.db'}")
        adopted = adopt(fresh, "small", file.archive)
        refused += [p.name for p in adopted.damaged] == [path.name] and adopted.days == 1
        fresh.close()
        (tmp_path / "fresh.db").unlink()
        shutil.rmtree(file.archive / "damaged", ignore_errors=True)
        path.write_bytes(sound)
    measured("archive files with flipped bits noticed at reading", f"{noticed} of {FLIPS}")
    measured("archive files with flipped bits noticed by the scrub", f"{found} of {FLIPS}")
    measured("archive files with flipped bits not adopted", f"{refused} of {FLIPS}")
    assert (noticed, found, refused) == (FLIPS, FLIPS, FLIPS)
    assert reads(file, store) == ""


@pytest.mark.parametrize("which", ["first_us", "last_us", "rows", "channels"])
def test_what_is_said_of_a_block_is_checked_too(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, which: str
) -> None:
    file = make_station()
    store, parts = open_parts(file, sqlite_url)
    parts.intake.take(over_midnight())
    value = '["n2o"]' if which == "channels" else journal_blocks.c[which] + 4
    with store.writing() as connection:
        connection.execute(update(journal_blocks).values({which: value}))
    assert "damaged" in scrubs(file, store)


def damage(store: Store) -> int:
    """Turn a bit in the block in the middle; its number."""
    t = journal_blocks.c
    with store.writing() as connection:
        rows = connection.execute(select(t.sequence, t.data).order_by(t.sequence)).all()
        number, data = rows[len(rows) // 2]
        changed = flipped(bytes(data), 4 * len(data))
        connection.execute(update(journal_blocks).where(t.sequence == number).values(data=changed))
    return int(number)


def test_neither_merging_nor_archiving_gives_damage_a_new_checksum(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    file = make_station()
    store, parts = open_parts(file, database_url)
    batch = over_midnight()
    for rows in np.array_split(np.arange(len(batch)), 3 * TOGETHER):
        parts.intake.take(part(batch, rows))
    parts.settlement.settle()
    number = damage(store)
    with pytest.raises(RecordsDamaged, match=f"block {number} "):
        compact(store, "small")
    with pytest.raises(RecordsDamaged, match=f"block {number} "):
        Archive(store, "small", file.archive).keep(MIDNIGHT + 2 * DAY)


def test_what_was_set_aside_is_kept_and_asked_for_until_it_has_come_again(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    file = make_station()
    store, parts = open_parts(file, database_url)
    batch = over_midnight()
    pieces = np.array_split(np.arange(len(batch)), 5)
    for rows in pieces:
        parts.intake.take(part(batch, rows))
    parts.settlement.settle()
    damage(store)
    fresh = join(file, store)
    found = fresh.through(fresh.journal.read, fresh.journal.extent(), 0, 2**62)
    assert len(found["n2o"].times) == len(batch) - len(pieces[2])
    (told,) = fresh.told
    assert "are set aside. Bring the files that held them" in told
    (lost,) = fresh.journal.lost(0, 2**62)
    assert (lost.first_us, lost.last_us) == tuple(batch.times[pieces[2][[0, -1]]].tolist())
    assert fresh.journal.lost(0, lost.first_us - 1) == []
    fresh.intake.take(batch)
    assert fresh.journal.lost(0, 2**62) == []
    found = fresh.journal.read(fresh.journal.extent(), 0, 2**62)
    assert np.array_equal(found["n2o"].times, batch.times)
    assert len(fresh.journal.set_aside()) == 1


def test_a_day_that_was_away_for_a_while_is_taken_up_again(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, tmp_path: Path
) -> None:
    """Its file is gone, as with a disk that is not there; then it is back."""
    file = make_station()
    store, parts = open_parts(file, sqlite_url)
    parts.intake.take(over_midnight())
    parts.settlement.settle()
    Archive(store, "small", file.archive).keep(MIDNIGHT + DAY)
    first, _ = sorted(file.archive.rglob("*.parquet"))
    first.rename(tmp_path / first.name)
    fresh = join(file, store)
    assert len(fresh.through(fresh.journal.read, ["n2o"], 0, 2**62)["n2o"].times)
    assert "is gone" in fresh.told[0]
    (tmp_path / first.name).rename(first)
    assert adopt(store, "small", file.archive).days == 1
    assert reads(file, store) == ""
    assert join(file, store).journal.lost(0, 2**62) == []
