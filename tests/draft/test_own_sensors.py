"""Drafts of stations where each chamber has a gas sensor of its own."""

from pathlib import Path

import pytest
from draft.own_logs import IDS, draft, fluxes, log, means, true_flux


def test_each_chamber_is_worked_out_from_its_own_sensor(tmp_path: Path) -> None:
    """Held against the ideal gas law, chamber by chamber."""
    log(tmp_path / "in" / "turn.csv")
    path, found = draft(tmp_path)
    assert [a["id"] for a in found["analyzers"]] == ["sensor_{id}"]
    assert found["analyzers"][0]["gases"] == {"CO2": "co2_{id}"}
    assert found["chamber_defaults"]["analyzer"] == "sensor_{id}"
    # The c of degC and the d are no keys of chambers.
    assert found["channels"]["temp_{id}"] == {"unit": "degC", "range": [-30.0, 70.0]}
    assert len(path.read_text(encoding="utf-8").splitlines()) < 60
    got = means(fluxes(path))
    assert sorted(got) == list(IDS)
    for chamber, value in got.items():
        assert value == pytest.approx(true_flux(chamber), rel=0.05)


def test_sensors_that_fit_no_chamber_are_asked_about(tmp_path: Path) -> None:
    header = log(tmp_path / "in" / "a.csv").read_text(encoding="utf-8")
    (tmp_path / "in" / "a.csv").write_text(
        header.replace("CO2_C [ppm]", "CO2 top [ppm]").replace("CO2_D [ppm]", "CO2 mast [ppm]")
    )
    _, found = draft(tmp_path)
    (analyzer,) = found["analyzers"]
    asked = analyzer["gases"]["CO2"]
    assert asked.startswith("? ")
    assert "co2_a, co2_b, co2_top, co2_mast" in asked


def test_a_gas_that_all_share_beside_sensors_of_their_own_is_asked_about(tmp_path: Path) -> None:
    path = log(tmp_path / "in" / "a.csv")
    first, *rest = path.read_text(encoding="utf-8").splitlines()
    lines = [f"{first};N2O [ppb]", *(f"{line};331.{i % 7}" for i, line in enumerate(rest))]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    _, found = draft(tmp_path)
    (analyzer,) = found["analyzers"]
    assert analyzer["id"] == "sensor_{id}"
    assert analyzer["gases"]["CO2"] == "co2_{id}"
    assert "n2o" in analyzer["gases"]["N2O"]
    assert analyzer["gases"]["N2O"].startswith("? ")
