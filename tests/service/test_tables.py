"""Tables of vials and runs, put into a folder while the service runs."""

import time
from pathlib import Path

import rounds
from rounds import run, vials, written
from running import Running, wait
from small import stored

from stream.station import load_station
from stream.store import open_store
from stream.store.results.readers import Reader


def station(tmp_path: Path) -> Path:
    path = tmp_path / "hand.toml"
    source = '[[sources]]\nkind = "tables"\npath = "rounds"'
    path.write_text(rounds.station_text(extra=source))
    (tmp_path / "rounds").mkdir()
    return path


def fluxes(url: str) -> list[dict[str, object]]:
    store = open_store(url)
    try:
        return list(Reader(store, "small").fluxes())
    finally:
        store.close()


def test_tables_are_taken_and_taken_again_when_corrected(tmp_path: Path, database_url: str) -> None:
    """The vials, then the run, then a correction; a kill and a restart change nothing, and
    what is no table is said.
    """
    file = station(tmp_path)
    folder = tmp_path / "rounds"
    with Running(file, database_url) as running:
        running.wait_for("running")
        (folder / "feb9.csv").write_bytes(written(vials()))
        wait(lambda: len(fluxes(database_url)) == 3, about="closures that wait for their run")
        assert {r["flags"] for r in fluxes(database_url)} == {"vials_waiting"}
        (folder / "notes.csv").write_text("monday,rain\n")
        (folder / "run1.csv").write_bytes(written(run(vials())))
        wait(lambda: all(r["flux_nmol_m2_s"] for r in fluxes(database_url)), about="the run")
        refused = running.wait_for("table refused")
        assert "notes.csv: neither a table of vials" in str(refused["error"])
        lower = vials()
        for row in lower:
            row["height_m"] = 0.09
        before = fluxes(database_url)
        (folder / "feb9.csv").write_bytes(written(lower))
        wait(lambda: {r["revision"] for r in fluxes(database_url)} == {3}, about="the correction")
        after = fluxes(database_url)
        for b, a in zip(before, after, strict=True):
            assert (
                abs(float(str(a["flux_nmol_m2_s"])) / float(str(b["flux_nmol_m2_s"])) - 0.5) < 0.01
            )
        running.kill()
    store = open_store(database_url)
    tables = ("closures", "fluxes", "model_fits", "visits", "hand_tables", "quarantine")
    kept = stored(store, *tables)
    with Running(file, database_url) as running:
        running.wait_for("table refused")
        running.stop()
    assert stored(store, *tables) == kept
    store.close()
    assert load_station(file).station.sources[0].kind == "tables"


def test_a_folder_that_comes_later(tmp_path: Path, sqlite_url: str) -> None:
    file = station(tmp_path)
    folder = tmp_path / "rounds"
    folder.rmdir()
    with Running(file, sqlite_url) as running:
        running.wait_for("running")
        folder.mkdir()
        (folder / "feb9.csv").write_bytes(written(vials()))
        wait(lambda: len(fluxes(sqlite_url)) == 3, about="closures")
        running.stop()


def test_links_that_lead_nowhere_or_out_hide_no_table(tmp_path: Path, sqlite_url: str) -> None:
    """Each is told once, and the tables beside them are taken."""
    file = station(tmp_path)
    folder = tmp_path / "rounds"
    (tmp_path / "outside.csv").write_bytes(written(vials()))
    (folder / "a-nothing.csv").symlink_to(tmp_path / "gone.csv")
    (folder / "b-circle.csv").symlink_to("b-circle.csv")
    (folder / "c-out.csv").symlink_to(tmp_path / "outside.csv")
    (folder / "feb9.csv").write_bytes(written(vials()))
    with Running(file, sqlite_url) as running:
        running.wait_for("table taken")
        wait(lambda: len(fluxes(sqlite_url)) == 3, about="closures of the table")
        time.sleep(2.5)  # two looks more
        told = sorted(str(line["error"]).split(":")[0] for line in running.events("table refused"))
        assert told == ["a-nothing.csv", "b-circle.csv", "c-out.csv"]
        assert [line["table"] for line in running.events("table taken")] == ["feb9.csv"]
        running.stop(60)
