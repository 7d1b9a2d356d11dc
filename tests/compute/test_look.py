"""What a person sees of a closure is what was fitted."""

from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from stream.compute.closure_samples import samples_around
from stream.compute.replay import replay
from stream.demo.scenario import Scenario, own_line, shared_analyzer
from stream.demo.write import write_station
from stream.science.models import MODELS
from stream.science.models.fit import lay_end_to_end
from stream.station import load_station
from stream.store import open_store
from stream.store.journal.journal import Journal
from stream.store.results.readers import Reader
from stream.times import SECOND


@pytest.mark.parametrize("make", [own_line, shared_analyzer])
def test_the_fitted_points_are_those_of_the_stored_flux(
    make: type[Scenario], tmp_path: Path
) -> None:
    """Count, window and R² of the stored row follow from them and the stored model."""
    file = load_station(write_station(make(1, faults=False), tmp_path))
    replay(file, [tmp_path / "incoming"], file.database_url)
    with closing(open_store(file.database_url)) as store:
        journal = Journal(store, file.station.id)
        rows = [r for r in Reader(store, file.station.id).fluxes() if r["quality"] == 1]
        assert len(rows) > 100
        for row in rows[:: len(rows) // 12]:
            seen = samples_around(
                file.station, journal, row["chamber"], row["closed_us"], row["opened_us"],
                round(row["open_gap_s"] * SECOND),
            )[row["gas"]]  # fmt: skip
            t, y = np.array(seen["fitted"]["t"]), np.array(seen["fitted"]["y"])
            assert len(t) == row["points"]
            assert (t[0], t[-1]) == (row["window_start_s"], row["window_end_s"])
            m = row["models"][row["model"]]
            fitted = MODELS[row["model"]].curve(
                m["start_mole_fraction"], m["slope_nmol_mol_s"], m["curvature"], t
            )
            if row["station"] == "vellmark":
                r2 = 1 - ((y - fitted) ** 2).sum() / ((y - y.mean()) ** 2).sum()
                assert r2 == pytest.approx(row["r_squared"], abs=1e-9)
            assert len(seen["left_out"]["t"]) > 20


@pytest.mark.parametrize("model", ["linear", "quadratic", "saturating", "diffusive", "theil_sen"])
def test_the_curve_of_each_model_passes_through_what_it_was_made_of(model: str) -> None:
    """A fit to points on its own curve leaves nothing over; the curve begins with the slope."""
    t = np.linspace(30.0, 900.0, 60)
    bend = {"quadratic": -2e-5, "saturating": 8e-4, "diffusive": 1 / 4000.0}.get(model, 0.0)
    y = MODELS[model].curve(330.0, 0.2, bend, t)
    fit = MODELS[model].fit(lay_end_to_end([t], [y], [np.ones_like(t)], known_variance=False))
    again = MODELS[model].curve(fit.start[0], fit.slope[0], fit.curvature[0], t)
    assert np.abs(again - y).max() < 2e-5
    near = MODELS[model].curve(330.0, 0.2, bend, np.array([0.0, 1e-6]))
    assert near[0] == 330.0
    if model != "diffusive":  # its second derivative has no bound at the start
        assert (near[1] - near[0]) / 1e-6 == pytest.approx(0.2, rel=1e-3)


def test_published_values_of_the_diffusive_curve() -> None:
    """C0 = 0.33, slope 1e-4 a second, tau = 3600 s: evaluated from [Livingston2006]_."""
    t = np.array([60.0, 600.0, 1800.0, 3600.0])
    wanted = [0.3354636833, 0.3755742401, 0.4455748120, 0.5301465876]
    assert MODELS["diffusive"].curve(0.33, 1e-4, 1 / 3600.0, t) == pytest.approx(wanted, abs=1e-10)
