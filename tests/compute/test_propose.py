"""Lag, flushing and dead band proposed from stored records of known truth."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from small import T0, own_line_stream, shared_stream

from stream.cli.command import main
from stream.compute.propose import propose
from stream.compute.replay import Pipeline
from stream.errors import CommandError
from stream.ingest.batches import Batch, tidy
from stream.science.planning.proposal import Proposal
from stream.station import StationFile
from stream.store import Store
from stream.times import SECOND

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
STEP_S = 2


def changed(batch: Batch, n2o: np.ndarray) -> Batch:
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    columns["n2o"] = n2o
    return tidy(batch.source, batch.times, columns, batch.lines)


def own_line(delay_s: int, settling: float, seed: int = 3) -> Batch:
    """Six hours of two lids at a strong flux; the air stirs for a while after each closing."""
    batch = own_line_stream(seed=seed, hours=6.0)
    t = batch.times / SECOND - T0
    h2o = batch.values[:, batch.channels.index("h2o")] / 1e3
    rise = np.zeros(len(t))
    stirred = np.zeros(len(t))
    for i in (1, 2):
        since = (t - 60 - 450 * (i - 1)) % 900
        on = (since < 400) & (t >= 60 + 450 * (i - 1))
        rise += np.where(on, 0.8 * i * -np.expm1(-7e-4 * since) / 7e-4, 0.0)
        stirred += np.where(on, settling * np.exp(-since / 15.0), 0.0)
    dry = 330.0 + rise + stirred
    n = delay_s // STEP_S
    late = np.concatenate((np.full(n, dry[0]), dry[:-n])) if n else dry
    noise = np.random.default_rng(seed).standard_normal(len(t))
    return changed(batch, (late + 0.3 * noise) * (1 - h2o))


def proposed(file: StationFile, open_parts: OpenParts, url: str, batch: Batch) -> list[Proposal]:
    _, parts = open_parts(file, url)
    parts.intake.take(batch)
    parts.settlement.settle()
    return propose(file, url)


@pytest.mark.parametrize("delay_s", [0, 6, 20])
def test_the_lag_of_an_own_line(
    make_station: Make, open_parts: OpenParts, sqlite_url: str, delay_s: int
) -> None:
    """The station file says 4 s; what the records show is found whatever it says."""
    (found,) = proposed(make_station(), open_parts, sqlite_url, own_line(delay_s, 0.0))
    assert (found.what, found.gas, found.lag_now_s) == ("lid", "N2O", 4.0)
    assert found.events > 30
    assert found.lag_s == pytest.approx(delay_s, abs=1.5)
    assert found.settled_s is not None
    assert found.settled_s <= 6.0


def test_the_dead_band_of_an_own_line(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Stirring of 30 nmol/mol that fades with 15 s on rises of 280 and 560: within 0.5 % of
    the smaller after 15 ln(30/1.4) = 46 s, of the larger after 36 s.
    """
    file = make_station()
    (found,) = proposed(file, open_parts, sqlite_url, own_line(6, 30.0))
    assert found.settled_s is not None
    assert 30.0 <= found.settled_s <= 56.0
    assert found.lag_s == pytest.approx(6.0, abs=2.0)
    said = "\n".join(found.sentences())
    assert "dead_band_s = " in said
    assert "now 20" in said


def test_lag_and_flushing_of_a_port_selector(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """A cell that turns over in 6 s behind 4 s of tubing: 10 s of lag; within 0.5 % of a step
    after 6 ln 200 = 32 s, which is 26 s past the lag at the inlet.
    """
    batch = shared_stream(hours=6.0)
    wet = batch.values[:, batch.channels.index("n2o")]
    keep = np.exp(-STEP_S / 6.0)
    late = np.concatenate((np.full(2, wet[0]), wet[:-2]))
    mixed = np.empty(len(late))
    level = late[0]
    for i, value in enumerate(late):
        level = keep * level + (1 - keep) * value
        mixed[i] = level
    (found,) = proposed(make_station(shared=True), open_parts, sqlite_url, changed(batch, mixed))
    assert found.what == "port"
    # A cell that is stepped each 2 s is late by 2 keep/(1 − keep) = 5.06 s on average.
    assert found.lag_s == pytest.approx(4.0 + 2 * keep / (1 - keep), abs=1.2)
    assert found.settled_s is not None
    assert 18.0 <= found.settled_s <= 34.0
    assert "flush_s = " in "\n".join(found.sentences())


def test_the_verb_draws_and_changes_nothing(
    make_station: Make,
    open_parts: OpenParts,
    sqlite_url: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    file = make_station()
    proposed(file, open_parts, sqlite_url, own_line(6, 30.0))
    before = file.path.read_bytes()
    asked = ["propose", str(file.path), "--database", sqlite_url, "--out", str(tmp_path)]
    assert main(asked) == 0
    said = capsys.readouterr().out
    assert "laser, N2O: " in said
    assert "Nothing was changed" in said
    assert (tmp_path / "edge-laser-N2O.png").read_bytes().startswith(b"\x89PNG")
    assert file.path.read_bytes() == before
    assert main([*asked, "--from", "2026-05-01"]) == 2
    assert "too little to propose anything from" in capsys.readouterr().err


def test_weak_fluxes_propose_nothing(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    with pytest.raises(CommandError, match="fewer than 10 good closures"):
        proposed(make_station(), open_parts, sqlite_url, own_line_stream(hours=0.5))
