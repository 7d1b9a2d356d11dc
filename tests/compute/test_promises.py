"""Promises 2 to 6: durable, exactly once, nothing vanishes, late data, traced numbers."""

import contextlib
import random
import signal
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

import numpy as np
import pytest
from forking import fork, pipe, replay_told
from small import own_line_stream, part, shared_stream, station_text, stored, write_log

from stream import __version__
from stream.compute.replay import Pipeline, replay
from stream.ingest.batches import Batch, Reject, tidy
from stream.science.flux.constants import GAS_CONSTANT
from stream.station import StationFile, load_station
from stream.store import Changes, Store, open_store
from stream.store.results.readers import Reader
from stream.store.results.writer import Writer, Written
from stream.store.schema import metadata
from stream.times import SECOND

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]


def everything(url: str) -> dict[str, list[tuple[object, ...]]]:
    """All rows of all tables, the journal's blocks too."""
    tables = ("closures", "fluxes", "model_fits", "visits", "standard_visits", "gaps")
    more = ("quarantine", "journal_blocks", "journal_channels", "unsettled", "station_files")
    with closing(open_store(url)) as store:
        return stored(store, *tables, *more)


@pytest.mark.parametrize("shared", [False, True])
def test_replaying_the_same_files_again_changes_no_row(
    make_station: Make, database_url: str, tmp_path: Path, shared: bool
) -> None:
    file = make_station(shared=shared)
    log = write_log(shared_stream() if shared else own_line_stream(), tmp_path / "in" / "a.csv")
    log.write_text(log.read_text() + "rubbish,line\n")
    first = replay(file, [log], database_url)
    before = everything(database_url)
    assert len(before["fluxes"]) >= 9
    assert len(before["quarantine"]) == 1
    again = replay(file, [log], database_url)
    assert everything(database_url) == before
    assert (again.records, again.known) == (0, first.records)


def test_overlapping_files_in_any_order_give_the_same_results(
    make_station: Make, tmp_path: Path
) -> None:
    file = make_station()
    batch = own_line_stream()
    n = len(batch)
    logs = [
        write_log(part(batch, slice(a, b)), tmp_path / f"{a}.csv")
        for a, b in ((0, n // 2), (n // 3, n - 500), (n // 4, n))
    ]
    whole = f"sqlite:///{tmp_path / 'whole.db'}"
    replay(file, [write_log(batch, tmp_path / "whole.csv")], whole)
    for i, order in enumerate(([0, 1, 2], [2, 1, 0], [1, 0, 2])):
        url = f"sqlite:///{tmp_path / f'{i}.db'}"
        replay(file, [logs[j] for j in order], url)
        for table in ("closures", "fluxes", "model_fits", "gaps"):
            assert everything(url)[table] == everything(whole)[table]


def test_files_one_by_one_give_the_same_rows_as_together(
    make_station: Make, tmp_path: Path
) -> None:
    """Also where a file ends inside a closure."""
    file = make_station()
    batch = own_line_stream()
    lid = batch.values[:, batch.channels.index("lid_1")]
    cut = int(np.flatnonzero(lid == 1)[50])
    logs = [
        write_log(part(batch, rows), tmp_path / f"{i}.csv")
        for i, rows in enumerate((slice(0, cut), slice(cut, len(batch))))
    ]
    together, apart = (f"sqlite:///{tmp_path / name}.db" for name in ("together", "apart"))
    replay(file, logs, together)
    first = replay(file, logs[:1], apart)
    assert first.settled.pending == 1
    with closing(open_store(apart)) as store:
        (row,) = [r for r in Reader(store, "small").closures() if r["revision"] == 0]
        assert row["flags"] == "unfinished"
        assert row["quality"] == 2
    replay(file, logs[1:], apart)
    for table in ("closures", "fluxes", "model_fits", "gaps"):
        assert everything(apart)[table] == everything(together)[table]


ROUNDS = 12
FILES = 10


def test_killed_at_any_moment_and_started_again(database_url: str, tmp_path: Path) -> None:
    """kill -9 of twelve stations, each at another commit: every second exactly where it
    begins, the others within milliseconds of that. Started again, each ends as the
    undisturbed one. The kills must have hit all stages.
    """
    incoming = tmp_path / "incoming"
    for i in range(FILES):
        stream = own_line_stream(seed=i, hours=0.5)
        columns = {c: stream.values[:, j] for j, c in enumerate(stream.channels)}
        # Over a day apart: a span that was not noted has no neighbour to cover for it.
        moved = stream.times + i * 30 * 3600 * SECOND
        write_log(tidy(stream.source, moved, columns, stream.lines), incoming / f"log{i:02d}.csv")

    def station(name: str) -> StationFile:
        path = tmp_path / f"{name}.toml"
        path.write_text(station_text().replace('id = "small"', f'id = "{name}"'))
        return load_station(path)

    def start(file: StationFile, last: int = 0) -> tuple[BaseProcess, Connection]:
        told, tells = pipe()
        process = fork(replay_told, file.path, incoming, database_url, last, tells)
        tells.close()
        return process, told

    process, told = start(station("calm"))
    commits = 0
    with told, contextlib.suppress(EOFError):
        while told.poll(60):
            commits = told.recv()
    process.join(60)
    assert process.exitcode == 0
    rng = random.Random(4)
    stages: Counter[str] = Counter()
    with closing(open_store(database_url)) as store:
        expected = of_station(store, "calm")
        assert len(expected["fluxes"]) > 2 * FILES
        for i in range(ROUNDS):
            file = station(f"round{i}")
            at = 1 + i * commits // ROUNDS
            process, told = start(file, at if i % 2 else 0)
            with told:
                for number in range(1, at + 1):
                    assert told.recv() == number
                if i % 2 == 0:
                    time.sleep(rng.uniform(0.0, 0.004))
                    process.kill()
                process.join(60)
            assert process.exitcode == -signal.SIGKILL
            stages[stage(store, file.station.id)] += 1
            replay(file, [incoming], database_url)
            assert of_station(store, file.station.id) == expected
    print(f"kills by stage, of {commits} commits: {dict(stages)}")
    assert stages["intake"] >= 2
    assert stages["settlement"] >= 6


def test_a_batch_is_one_commit(
    make_station: Make, open_parts: OpenParts, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Records, refusals and the span still to be settled become durable together. A span
    that was not noted would be found again by later records, but not after the last ones.
    """
    commits: list[Changes] = []
    commit = Writer.commit

    def noted(self: Writer, changes: Changes) -> Written:
        commits.append(changes)
        return commit(self, changes)

    monkeypatch.setattr(Writer, "commit", noted)
    _, parts = open_parts(make_station(), database_url)
    batch = own_line_stream(hours=0.2)
    refused = Reject("made.csv", 7, "because", "x")
    parts.intake.take(replace(batch, rejects=(refused,)))
    (only,) = commits
    assert len(only.blocks) == 1
    assert len(only.rejects) == 1
    assert only.unsettled == [(int(batch.times[0]), int(batch.times[-1]))]


def of_station(store: Store, name: str) -> dict[str, list[tuple[object, ...]]]:
    """Rows of one station without its name and the digest of its file."""
    tables = ("closures", "fluxes", "model_fits", "gaps", "quarantine", "journal_channels")
    found = {}
    for table, rows in stored(store, *tables, "unsettled").items():
        names = [c.name for c in metadata.tables[table].columns]
        hidden = {names.index(c) for c in ("station", "station_digest") if c in names}
        mine = [r for r in rows if r[names.index("station")] == name]
        found[table] = [tuple(v for j, v in enumerate(r) if j not in hidden) for r in mine]
    return found


def stage(store: Store, name: str) -> str:
    """What a kill interrupted, as the database tells it."""
    tables = stored(store, "journal_blocks", "unsettled")
    blocks = sum(row[0] == name for row in tables["journal_blocks"])
    if blocks == 0:
        return "before the first commit"
    if blocks < FILES:
        return "intake"
    unsettled = any(row[0] == name for row in tables["unsettled"])
    return "settlement" if unsettled else "after the last commit"


def run(make_station: Make, open_parts: OpenParts, url: str, batch: Batch, **options: object):
    """Reader over what a batch gives."""
    file = make_station(**options)
    store, parts = open_parts(file, url)
    parts.intake.take(batch)
    parts.settlement.settle()
    return Reader(store, "small"), parts, store


def changed(batch: Batch, channel: str, rows: slice | np.ndarray, value: float) -> Batch:
    """The batch with some values of a channel replaced; NaN takes the record away."""
    values = batch.values.copy()
    values[rows, batch.channels.index(channel)] = value
    return tidy(
        batch.source,
        batch.times,
        {c: values[:, j] for j, c in enumerate(batch.channels)},
        batch.lines,
    )


CLOSED = slice(930 // 2, (930 + 400) // 2)
"""Rows in which lid 1 of the small own-line stream is closed for the second time."""


@pytest.mark.parametrize(
    ("channel", "rows", "value", "flag", "quality"),
    [
        ("n2o", slice(460, 700), np.nan, "no_samples", 9),
        ("n2o", slice(480, 678), np.nan, "few_points", 4),
        ("h2o", slice(0, 2700), np.nan, "no_water", 9),
        ("t_1", slice(100, 2700), np.nan, "no_temperature", 9),
        ("t_1", slice(478, 700), np.nan, "temperature_held", 1),
        ("p_air", slice(0, 2700), np.nan, "pressure_assumed", 1),
        ("n2o", slice(520, 524), 99999.0, "out_of_range", 3),
        ("status", slice(520, 530), 7.0, "analyzer_fault", 3),
        ("n2o", slice(460, 700), 331.0, "flat_line", 4),
        ("n2o", slice(520, 580), np.nan, "samples_missing", 3),
        ("lid_1", slice(550, 551), 2.0, "lid_bounce", 3),
        ("lid_1", slice(520, 700), 0.0, "too_short", 4),
        ("lid_1", slice(440, 480), 2.0, "slow_lid", 3),
        ("lid_1", slice(470, 490), np.nan, "close_time_uncertain", 3),
        ("lid_1", slice(670, 690), np.nan, "open_time_uncertain", 1),
        ("lid_1", slice(600, 900), np.nan, "no_open_edge", 3),
        ("lid_1", slice(480, 1200), 1.0, "too_long", 4),
    ],
)  # fmt: skip
def test_nothing_vanishes(
    make_station: Make,
    open_parts: OpenParts,
    database_url: str,
    channel: str,
    rows: slice,
    value: float,
    flag: str,
    quality: int,
) -> None:
    """A closure with something wrong has its row, with the reason and a quality from it."""
    batch = changed(own_line_stream(), channel, rows, value)
    reader, *_ = run(make_station, open_parts, database_url, batch)
    start = own_line_stream().times[0]
    mine = [
        r for r in reader.fluxes()
        if r["chamber"] == "C1" and 900 <= (r["closed_us"] - start) / SECOND <= 1010
    ]  # fmt: skip
    (row,) = mine
    assert flag in row["flags"].split()
    assert row["quality"] == quality
    if quality == 9 or flag == "few_points":
        assert row["flux_nmol_m2_s"] is None
    else:
        assert row["flux_nmol_m2_s"] is not None


def test_no_height_on_that_day(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    file = make_station()
    file.path.write_text(file.path.read_text().replace("2026-01-01T00", "2027-01-01T00"))
    store, parts = open_parts(load_station(file.path), database_url)
    parts.intake.take(own_line_stream(hours=0.4))
    parts.settlement.settle()
    for row in Reader(store, "small").fluxes():
        if row["revision"]:
            assert row["flags"].split()[0] == "no_height"
            assert row["quality"] == 9
            assert row["slope_nmol_mol_s"] is not None


def test_two_lids_on_one_line(make_station: Make, open_parts: OpenParts, database_url: str) -> None:
    batch = changed(own_line_stream(), "lid_1", slice(480, 760), 1.0)
    reader, *_ = run(make_station, open_parts, database_url, batch)
    shared = {
        (r["chamber"], r["closed_us"]) for r in reader.closures() if "line_shared" in r["flags"]
    }
    assert sorted(chamber for chamber, _ in shared) == ["C1", "C2"]


def test_closures_that_were_due_have_rows(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    """Lid 1 stays open for one closure of three: due 900 s after the one before."""
    batch = changed(own_line_stream(), "lid_1", slice(900 // 2, 1400 // 2), 0.0)
    reader, *_ = run(make_station, open_parts, database_url, batch)
    start = int(own_line_stream().times[0])
    found = [
        (r["chamber"], (r["due_us"] - start) / SECOND, r["flags"], r["quality"])
        for r in reader.gaps()
    ]
    assert found == [("C1", 960.0, "lid_stuck_open", 9)]


def test_a_late_record_makes_a_new_revision_and_the_old_one_stays(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    file = make_station()
    batch = own_line_stream()
    store, parts = open_parts(file, database_url)
    late = np.zeros(len(batch), dtype=bool)
    late[560:575] = True
    parts.intake.take(part(batch, ~late))
    parts.settlement.settle()
    before = stored(store)
    parts.intake.take(part(batch, late))
    settled = parts.settlement.settle()
    assert settled.written["closures", "revised"] == 1
    after = stored(store)
    kept = {row[:4]: row[7:] for row in after["closures"]}
    for row in before["closures"]:
        assert kept[row[:4]] == row[7:]
    assert set(before["fluxes"]) < set(after["fluxes"])
    assert set(before["model_fits"]) < set(after["model_fits"])
    newest = [r for r in Reader(store, "small").closures() if r["revision"] == 2]
    assert len(newest) == 1


def test_a_closure_waits_for_its_analyzer(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Lids and gas from two loggers: no flux is made of half the gas, and none waits for ever."""
    file = make_station()
    batch = own_line_stream(hours=0.5)
    store, parts = open_parts(file, sqlite_url)
    gas = ("n2o", "h2o", "status")
    rest = tuple(c for c in batch.channels if c not in gas)
    opened = (60 + 400) // 2
    early, soon, late = opened - 40, opened + 20, opened + 60

    def settled() -> list[tuple[int, str]]:
        parts.settlement.settle()
        found = [r for r in Reader(store, "small").fluxes() if r["chamber"] == "C1"]
        return [(r["revision"], r["flags"]) for r in found]

    parts.intake.take(part(batch, slice(0, early), gas))
    parts.intake.take(part(batch, slice(0, soon), rest))
    assert settled() == [(0, "unfinished")]
    parts.intake.take(part(batch, slice(early, soon), gas))
    assert settled() == [(1, "")]

    store, parts = open_parts(file, sqlite_url.replace("test.db", "silent.db"))
    parts.intake.take(part(batch, slice(0, early), gas))
    parts.intake.take(part(batch, slice(0, late), rest))
    assert settled() == [(1, "samples_missing")]


def test_a_late_lid_record_withdraws_a_closure_that_never_was(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Two closures seen apart turn out to be one when the records in between arrive."""
    file = make_station()
    batch = own_line_stream()
    lost = np.zeros(len(batch), dtype=bool)
    lost[465:640] = True
    store, parts = open_parts(file, sqlite_url)
    parts.intake.take(part(batch, ~lost))
    parts.settlement.settle()
    before = {r["closed_us"] for r in Reader(store, "small").closures() if r["chamber"] == "C1"}
    parts.intake.take(part(batch, lost))
    settled = parts.settlement.settle()
    after = {r["closed_us"] for r in Reader(store, "small").closures() if r["chamber"] == "C1"}
    assert settled.written["closures", "withdrawn"] == len(before - after) == 1
    fresh, fresh_parts = open_parts(file, sqlite_url.replace("test.db", "fresh.db"))
    fresh_parts.intake.take(batch)
    fresh_parts.settlement.settle()
    assert after == {
        r["closed_us"] for r in Reader(fresh, "small").closures() if r["chamber"] == "C1"
    }


def test_every_number_can_be_traced_and_worked_by_hand(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    """The row carries what it was computed from; the ideal gas gives the flux again."""
    reader, parts, store = run(make_station, open_parts, database_url, own_line_stream())
    rows = [r for r in reader.fluxes() if r["revision"]]
    assert len(rows) > 8
    for r in rows:
        assert r["station_digest"] == parts.file.digest
        assert r["software_version"] == __version__
        assert set(r["models"]) == {"linear", "quadratic", "saturating"}
        moles = (
            r["pressure_pa"] * r["volume_m3"] * (1 - r["water_mol_mol"])
            / (GAS_CONSTANT * (r["air_temperature_c"] + 273.15) * r["area_m2"])
        )  # fmt: skip
        assert r["flux_nmol_m2_s"] == pytest.approx(r["slope_nmol_mol_s"] * moles, rel=1e-12)
        for fit in r["models"].values():
            assert fit["flux_nmol_m2_s"] == pytest.approx(
                fit["slope_nmol_mol_s"] * moles, rel=1e-12
            )
        assert r["flux_nmol_m2_s"] == r["models"][r["model"]]["flux_nmol_m2_s"]
        assert 20.0 <= r["window_start_s"] < r["window_end_s"] <= 400.0
    (file_row,) = stored(store, "station_files")["station_files"]
    assert file_row[1] == parts.file.digest
    assert '"height_m":0.15' in str(file_row[2])


def test_visits_are_stored_with_their_errors(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    """Shared analyzer: 12 stays of a minute in 700 s give four to a chamber; standards too."""
    _, _, store = run(make_station, open_parts, database_url, shared_stream(), shared=True)
    found = stored(store)
    by_closure: dict[tuple[object, ...], int] = {}
    for row in found["visits"]:
        by_closure[row[:3]] = by_closure.get(row[:3], 0) + 1
    assert set(by_closure.values()) <= {3, 4}
    assert len(found["standard_visits"]) > 10
    columns = [c.name for c in metadata.tables["standard_visits"].columns]
    for row in found["standard_visits"]:
        named = dict(zip(columns, row, strict=True))
        assert named["standard_nmol_mol"] == 1000.0
        assert named["value_nmol_mol"] == pytest.approx(1000.0, abs=6 * named["value_se_nmol_mol"])
