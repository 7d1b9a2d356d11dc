"""Rows of closures that no model can be fitted to."""

from collections.abc import Callable

import numpy as np
from small import T0, own_line_stream

from stream.compute.replay import Pipeline
from stream.ingest.batches import tidy
from stream.station import StationFile
from stream.store import Store
from stream.store.results.readers import Reader
from stream.times import SECOND

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]


def test_a_closure_that_no_candidate_fits_has_no_flux(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """With the saturating curve alone, gas under the first chamber rises faster and faster,
    which no such curve does; under the second it is as in any stream.
    """
    batch = own_line_stream()
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    closed = columns["lid_1"] > 0
    since = (batch.times / SECOND - T0 - 60) % 900
    columns["n2o"][closed] += 1e-3 * since[closed] ** 2
    file = make_station(extra='[models]\ncandidates = ["saturating"]')
    store, parts = open_parts(file, sqlite_url)
    parts.intake.take(tidy(batch.source, batch.times, columns, batch.lines))
    parts.settlement.settle()
    rows = [r for r in Reader(store, "small").fluxes() if r["revision"]]
    bent = [r for r in rows if r["chamber"] == "C1"]
    assert len(bent) >= 5
    for row in bent:
        assert "no_fit" in row["flags"].split()
        assert (row["model"], row["model_reason"]) == ("", "no_fit")
        assert row["flux_nmol_m2_s"] is None
        assert row["slope_nmol_mol_s"] is None
        assert row["quality"] >= 2
        assert row["points"] > 100
    others = [r for r in rows if r["chamber"] == "C2"]
    assert len(others) >= 5
    assert {r["model"] for r in others} == {"saturating"}
    assert not any(np.isnan(r["flux_nmol_m2_s"]) or "no_fit" in r["flags"] for r in others)
