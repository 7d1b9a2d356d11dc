"""Nothing is written, nothing is held, and a service that writes goes on, on both databases."""

import hashlib
import shutil
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from small import own_line_stream, part
from sqlalchemy import text

import stream
from stream.compute.replay import Pipeline
from stream.errors import StoreBusy, StoreCorrupt, StoreError
from stream.station import StationFile
from stream.store import Store, open_reading, open_store

OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
MakeStation = Callable[..., StationFile]


def filled(file: StationFile, url: str, open_parts: OpenParts) -> tuple[Store, Pipeline]:
    """A small station with some closures."""
    store, parts = open_parts(file, url)
    parts.intake.take(own_line_stream())
    parts.settlement.settle()
    return store, parts


def digests(folder: Path) -> dict[str, str]:
    """Every file of a folder → digest of its bytes."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def everything(station: stream.Station) -> None:
    """Ask every question that there is."""
    rows = station.fluxes()
    days = {"start": rows["closed_at"].min(), "stop": rows["closed_at"].max()}
    for name in ("closures", "gaps", "notes", "vials", "hourly", "daily", "field", "records"):
        getattr(station, name)(**days)
    station.refused()
    repr(station)
    row = rows[rows["revision"] > 0].iloc[0]
    closure = station.closure(row["chamber"], row["closed_at"])
    closure.fit(row["gas"], dead_band_s=40)
    for name in ("fits", "revisions", "conditions", "notes", "window"):
        getattr(closure, name)
    closure.samples(row["gas"])
    station.with_settings(closure={"dead_band_s": 40}).refit(days["start"], days["stop"])


def test_a_write_fails(make_station: MakeStation, database_url: str, open_parts: OpenParts) -> None:
    store, _ = filled(make_station(), database_url, open_parts)
    count = text("SELECT count(*) FROM fluxes")
    with store.reading() as connection:
        before = connection.execute(count).scalar()
    reading = open_reading(database_url)
    for statement in ("DELETE FROM fluxes", "CREATE TABLE mine (a INTEGER)"):
        with pytest.raises(StoreError, match="cannot be written"), reading.writing() as connection:
            connection.execute(text(statement))
    with reading.reading() as connection:
        assert connection.execute(count).scalar() == before > 10


def test_no_byte_of_the_file_changes_and_no_file_comes(own_path: Path, tmp_path: Path) -> None:
    folder = tmp_path / "vellmark"
    shutil.copytree(own_path.parent, folder, ignore=shutil.ignore_patterns("incoming"))
    path = folder / "station.toml"
    before = digests(folder)
    station = stream.open_station(path)
    everything(station)
    assert digests(folder) == before
    folder.chmod(0o555)
    for name in before:
        (folder / name).chmod(0o444)
    assert len(stream.open_station(path).fluxes("N2O")) > 100
    folder.chmod(0o755)
    assert digests(folder) == before


def test_beside_a_writer_its_files_stay_its_own(
    make_station: MakeStation, sqlite_url: str, open_parts: OpenParts, tmp_path: Path
) -> None:
    """With the log in use nothing is added; when the writer has gone, it can come again."""
    file = make_station()
    store, parts = filled(file, sqlite_url, open_parts)
    there = set(tmp_path.iterdir())
    assert any(p.name.endswith("-wal") for p in there)
    everything(stream.open_station(file.path, sqlite_url))
    assert set(tmp_path.iterdir()) == there
    parts.intake.take(own_line_stream(seed=3, hours=2.5))
    parts.settlement.settle()
    store.close()
    everything(stream.open_station(file.path, sqlite_url))
    again = open_store(sqlite_url)
    again.close()


def test_a_file_that_changes_meanwhile_is_told(
    make_station: MakeStation, sqlite_url: str, open_parts: OpenParts
) -> None:
    """Who reads a database that nobody has open does not hold up whoever opens it then."""
    file = make_station()
    store, _ = filled(file, sqlite_url, open_parts)
    store.close()
    reading = open_reading(sqlite_url)

    def look_while_it_changes() -> None:
        with reading.reading() as mine:
            assert mine.execute(text("SELECT count(*) FROM fluxes")).scalar()
            other = open_store(sqlite_url)
            with other.writing() as connection:
                connection.execute(text("CREATE TABLE x AS SELECT * FROM fluxes"))
            other.close()

    with pytest.raises(StoreBusy, match="was changed meanwhile; ask again"):
        look_while_it_changes()
    with reading.reading() as connection:
        assert connection.execute(text("SELECT count(*) FROM x")).scalar()


def test_between_two_calls_nothing_is_held(
    make_station: MakeStation, postgres_url: str, open_parts: OpenParts
) -> None:
    """By the server's own list of sessions, and by taking the strongest lock there is."""
    file = make_station()
    store, _ = filled(file, postgres_url, open_parts)
    sessions = text("SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()")
    with store.reading() as connection:
        before = connection.execute(sessions).scalar()
    station = stream.open_station(file.path, postgres_url)
    table = station.fluxes()
    closure = station.closure("C1", table["closed_at"].iloc[0])
    closure.fit("N2O")
    with store.writing() as connection:
        assert connection.execute(sessions).scalar() == before
        connection.execute(text("LOCK TABLE fluxes IN ACCESS EXCLUSIVE MODE NOWAIT"))


def test_a_database_of_another_version_is_not_touched(
    make_station: MakeStation, database_url: str, open_parts: OpenParts
) -> None:
    file = make_station()
    store, _ = filled(file, database_url, open_parts)
    with store.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '0001'"))
    with pytest.raises(StoreCorrupt, match="those of another version than lidstream"):
        stream.open_station(file.path, database_url)
    with store.writing() as connection:
        assert (
            connection.execute(text("SELECT version_num FROM alembic_version")).scalar() == "0001"
        )
        connection.execute(text("DROP TABLE alembic_version"))
    with pytest.raises(StoreCorrupt, match="holds no tables of lidstream"):
        stream.open_station(file.path, database_url)


def test_reading_while_a_service_writes(
    make_station: MakeStation, database_url: str, open_parts: OpenParts
) -> None:
    """Records come and are settled in forty pieces; each table is of one commit, and every flux
    has all its models; the end is what it is without a reader.
    """
    file = make_station()
    _, parts = filled(file, database_url, open_parts)
    batch = own_line_stream(seed=5, hours=6.0)
    later = batch.times > own_line_stream().times[-1]
    rows = [i for i, new in enumerate(later) if new]
    failed: list[BaseException] = []
    over = threading.Event()

    def write() -> None:
        try:
            step = -(-len(rows) // 40)
            for at in range(0, len(rows), step):
                parts.intake.take(
                    part(batch, slice(rows[at], rows[min(at + step, len(rows)) - 1] + 1))
                )
                parts.settlement.settle()
        except BaseException as error:
            failed.append(error)
        finally:
            over.set()

    station = stream.open_station(file.path, database_url)
    sizes = [len(station.fluxes())]
    writer = threading.Thread(target=write)
    writer.start()
    while not over.is_set():
        table = station.fluxes()
        sizes.append(len(table))
        settled = table[table["revision"] > 0]
        assert settled["status_linear"].notna().all()
        assert table[["chamber", "closed_at", "gas"]].duplicated().sum() == 0
        one = settled[settled["quality"] == 1].iloc[-1]
        fit = station.closure(one["chamber"], one["closed_at"]).fit("N2O")
        assert fit.nobs > 50
    writer.join()
    assert failed == []
    assert sizes == sorted(sizes)
    assert len(set(sizes)) > 3
    assert len(station.fluxes()) > sizes[0] + 30
    settled = station.fluxes()
    settled = settled[settled["revision"] > 0]
    for _, row in settled.iterrows():
        fit = station.closure(row["chamber"], row["closed_at"]).fit("N2O")
        assert fit.flux == row["flux_nmol_m2_s"]
        assert " ".join(fit.flags) == row["flags"]
