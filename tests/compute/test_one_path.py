"""Promise 1: cut a stream into any chunks, and the stored rows are the same, to the bit."""

import itertools
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small import own_line_stream, part, shared_stream, station_text, stored

from stream.compute.replay import join
from stream.ingest.batches import Batch
from stream.station import StationFile, load_station
from stream.store import open_store

STREAMS: dict[bool, Callable[[int], Batch]] = {False: own_line_stream, True: shared_stream}


def run(
    file: StationFile, pieces: list[Batch], folder: Path
) -> dict[str, list[tuple[object, ...]]]:
    """All results after taking the pieces one by one, settling after each."""
    with (
        tempfile.NamedTemporaryFile(dir=folder, suffix=".db") as name,
        closing(open_store(f"sqlite:///{name.name}")) as store,
    ):
        parts = join(file, store)
        for piece in pieces:
            parts.intake.take(piece)
            parts.settlement.settle()
            parts.intake.refresh()  # or all that was settled would be settled again
        return stored(store)


@pytest.fixture(scope="module", params=[False, True], ids=["own line", "shared analyzer"])
def kind(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory):
    """A station of each kind, its stream, and what the whole stream gives at once."""
    folder = tmp_path_factory.mktemp("one-path")
    path = folder / "station.toml"
    # So strict that noise decides: which closure came before a closure then shows.
    rules = station_text(shared=request.param)
    path.write_text(
        rules.replace("[closure]", "[closure]\nmax_leftover = 0.003\nambient = { N2O = 329.9 }")
    )
    file = load_station(path)
    batch = _trouble(STREAMS[request.param](7))
    whole = run(file, [batch], folder)
    assert len(whole["closures"]) > 8
    assert len(whole["gaps"]) > 0
    unflushed = ["not_flushed" in " ".join(map(str, row)) for row in whole["closures"]]
    assert any(unflushed)
    assert not all(unflushed)
    return file, batch, whole, folder


def _trouble(batch: Batch) -> Batch:
    """Holes, a bounce, a stuck lid and a silent stretch, so that edges are met with."""
    values = batch.values.copy()
    lid = batch.channels.index("lid_1")
    n = len(values)
    values[n // 5 : n // 5 + 3, batch.channels.index("n2o")] = np.nan
    closed = np.flatnonzero(values[:, lid] == 1)
    values[closed[len(closed) // 3], lid] = 0.0
    values[closed[len(closed) // 2] :, lid][:300] = 1.0
    values[n // 3 : n // 3 + 460, batch.channels.index("lid_2")] = 0.0
    values[int(n * 0.7) : int(n * 0.7) + 250, lid] = np.nan
    keep = np.ones(n, dtype=bool)
    keep[int(n * 0.5) : int(n * 0.5) + 40] = False
    changed = Batch(batch.source, batch.channels, batch.times, values, batch.lines)
    return part(changed, keep)


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_any_cuts_give_the_same_rows(kind, data: st.DataObject) -> None:
    file, batch, whole, folder = kind
    cuts = data.draw(st.lists(st.integers(1, len(batch) - 1), min_size=1, max_size=12, unique=True))
    edges = [0, *sorted(cuts), len(batch)]
    pieces = [part(batch, slice(a, b)) for a, b in itertools.pairwise(edges)]
    assert run(file, pieces, folder) == whole


def test_one_row_at_a_time_around_every_edge(kind) -> None:
    file, batch, whole, folder = kind
    lid = batch.values[:, batch.channels.index("lid_2")]
    edge = int(np.flatnonzero(np.diff(np.nan_to_num(lid)) != 0)[2])
    edges = [0, *range(edge - 4, edge + 8), len(batch)]
    pieces = [part(batch, slice(a, b)) for a, b in itertools.pairwise(edges)]
    assert run(file, pieces, folder) == whole


@settings(max_examples=8, deadline=None)
@given(order=st.permutations(range(6)), seed=st.integers(0, 2**16))
def test_any_order_of_arrival_ends_in_the_same_current_numbers(kind, order, seed: int) -> None:
    """Late records make new revisions (promise 5), and the newest say the same."""
    file, batch, whole, folder = kind
    rng = np.random.default_rng(seed)
    label = np.sort(rng.integers(0, 6, len(batch)))
    pieces = [part(batch, label == i) for i in order]
    found = run(file, [p for p in pieces if len(p)], folder)
    assert newest(found) == newest(whole)


def test_a_late_record_just_after_an_opening_that_was_settled(kind) -> None:
    """It says that the lid bounced, so the closure before it is another: it is read again."""
    file, batch, _, folder = kind
    lid = batch.channels.index("lid_2")
    values = batch.values.copy()
    opened = np.flatnonzero((values[:-1, lid] == 1) & (values[1:, lid] == 0))[1] + 1
    values[opened + 1, lid] = 1.0
    batch = Batch(batch.source, batch.channels, batch.times, values, batch.lines)
    late = np.arange(len(batch)) == opened + 1
    whole = run(file, [batch], folder)
    assert any("lid_bounce" in " ".join(map(str, row)) for row in whole["closures"])
    found = run(file, [part(batch, ~late), part(batch, late)], folder)
    assert newest(found) == newest(whole)
    assert len(found["closures"]) > len(whole["closures"])


def test_late_gas_of_a_closure_bears_on_the_one_after_it(kind) -> None:
    """Each closure knows the level that the one before it ended with: most of one comes
    after the next has been settled, for every closure in turn.
    """
    file, batch, _, folder = kind
    path = folder / "short.toml"
    path.write_text(file.path.read_text().replace("hold_s = 600.0", "hold_s = 60.0"))
    file = load_station(path)
    whole = run(file, [batch], folder)
    lid = batch.values[:, batch.channels.index("lid_2")]
    openings = np.flatnonzero((lid[:-1] == 1) & (lid[1:] == 0))
    for opening in openings:
        late = (np.arange(len(batch)) > opening - 190) & (np.arange(len(batch)) < opening - 2)
        found = run(file, [part(batch, ~late), part(batch, late)], folder)
        assert newest(found) == newest(whole)


def newest(found: dict[str, list[tuple[object, ...]]]) -> dict[str, set[tuple[object, ...]]]:
    """Current results that are not withdrawn, without revision."""
    rows = {}
    for name, identity in (("closures", 3), ("gaps", 3), ("standard_visits", 4)):
        # identity, revision, current, withdrawn, digests, content
        rows[name] = {
            (*row[:identity], *row[identity + 3 :])
            for row in found[name]
            if row[identity + 1] == 1 and row[identity + 2] == 0
        }
    return rows


def test_a_line_shared_with_a_closure_that_was_settled_long_ago(tmp_path: Path) -> None:
    """One lid stays closed while another closes and opens and is settled; what comes later
    does not read that one again, and still knows of it.
    """
    path = tmp_path / "station.toml"
    path.write_text(station_text())
    batch = own_line_stream(hours=1.5)
    values = batch.values.copy()
    one, other = (batch.channels.index(name) for name in ("lid_1", "lid_2"))
    shut = np.flatnonzero(values[:, one] == 1)
    first = shut[: int(np.argmax(np.diff(shut) > 1)) + 1]
    values[first[-1] + 1 :, one] = 0.0
    values[:, other] = 0.0
    values[first[0] + 60 : first[-1] + 900, other] = 1.0  # 2 s a row: half an hour beyond
    batch = Batch(batch.source, batch.channels, batch.times, values, batch.lines)
    cut = int(first[-1]) + 600
    pieces = [part(batch, slice(0, cut)), part(batch, slice(cut, None))]
    file = load_station(path)
    whole = run(file, [batch], tmp_path)
    assert len(whole["closures"]) == 2
    assert all("line_shared" in " ".join(map(str, row)) for row in whole["closures"])
    assert run(file, pieces, tmp_path) == whole
