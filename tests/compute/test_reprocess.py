"""New revisions from the stored records, over a period, and the old ones kept."""

from collections.abc import Callable
from pathlib import Path

import pytest
from small import own_line_stream, shared_stream, stored, write_log

from stream.compute.replay import Pipeline, replay
from stream.compute.reprocess import reprocess
from stream.errors import StoreError
from stream.station import StationFile, load_station
from stream.store import Store
from stream.store.results.readers import Reader

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]


def altered(file: StationFile, old: str, new: str) -> StationFile:
    """The station file after somebody has changed it."""
    text = file.path.read_text()
    assert old in text
    file.path.write_text(text.replace(old, new))
    return load_station(file.path)


@pytest.mark.parametrize("shared", [False, True])
def test_another_dead_band_gives_what_a_fresh_replay_gives(
    make_station: Make, open_parts: OpenParts, database_url: str, tmp_path: Path, shared: bool
) -> None:
    file = make_station(shared=shared)
    stream = shared_stream() if shared else own_line_stream()
    log = write_log(stream, tmp_path / "log.csv")
    replay(file, [log], database_url)
    file = altered(file, "dead_band_s = 20.0", "dead_band_s = 45.0")
    done = reprocess(file, database_url)
    fresh = f"sqlite:///{tmp_path / 'fresh.db'}"
    replay(file, [log], fresh)
    store, _ = open_parts(file, database_url)
    other, _ = open_parts(file, fresh)
    mine = [{**r, "revision": 0} for r in Reader(store, "small").closures() if r["revision"]]
    theirs = [{**r, "revision": 0} for r in Reader(other, "small").closures() if r["revision"]]
    assert mine == theirs
    assert done.written["closures", "revised"] == len(theirs) > 8
    assert done.written["closures", "withdrawn"] == 0
    kept = [row for row in stored(store)["closures"] if row[3] == 1]
    assert len(kept) == len(theirs)


def test_twice_changes_nothing_the_second_time(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, tmp_path: Path
) -> None:
    file = make_station(extra="\n[uncertainty]\nheight_m = 0.003\n")
    replay(file, [write_log(own_line_stream(), tmp_path / "log.csv")], sqlite_url)
    store, _ = open_parts(file, sqlite_url)
    before = stored(store)
    assert sum(reprocess(file, sqlite_url).written.values()) == 0
    assert stored(store) == before
    file = altered(file, "height_m = 0.003", "height_m = 0.005")
    assert reprocess(file, sqlite_url).written["closures", "revised"] > 8
    before = stored(store)
    assert sum(reprocess(file, sqlite_url).written.values()) == 0
    assert stored(store) == before


def test_only_the_period_is_touched(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, tmp_path: Path
) -> None:
    file = make_station()
    replay(file, [write_log(own_line_stream(hours=3), tmp_path / "log.csv")], sqlite_url)
    store, _ = open_parts(file, sqlite_url)
    closed = sorted(r["closed_us"] for r in Reader(store, "small").closures() if r["revision"])
    first, stop = closed[6], closed[14]
    file = altered(file, "dead_band_s = 20.0", "dead_band_s = 45.0")
    done = reprocess(file, sqlite_url, first, stop)
    assert done.written["closures", "revised"] == 8
    for r in Reader(store, "small").closures():
        if r["revision"]:
            inside = first <= r["closed_us"] < stop
            assert r["revision"] == (2 if inside else 1)
            assert (r["station_digest"] == file.digest) is inside


def test_a_revision_carries_its_station_file(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, tmp_path: Path
) -> None:
    """Both texts stay, under their digests."""
    file = make_station()
    replay(file, [write_log(own_line_stream(), tmp_path / "log.csv")], sqlite_url)
    later = altered(file, "height_m = 0.15", "height_m = 0.16")
    reprocess(later, sqlite_url)
    store, _ = open_parts(later, sqlite_url)
    texts = {row[1]: str(row[2]) for row in stored(store, "station_files")["station_files"]}
    assert set(texts) == {file.digest, later.digest}
    assert '"height_m":0.16' in texts[later.digest]


def test_nothing_to_reprocess(make_station: Make, sqlite_url: str, open_parts: OpenParts) -> None:
    file = make_station()
    with pytest.raises(StoreError, match="no such database"):
        reprocess(file, sqlite_url)
    open_parts(file, sqlite_url)
    with pytest.raises(StoreError, match="no record of station 'small'"):
        reprocess(file, sqlite_url)
