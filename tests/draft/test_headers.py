"""Drafts of logs with blanks in the names of columns, and before their units."""

from pathlib import Path

import pytest
from draft.own_logs import IDS, draft, fluxes, hold_against_the_truth, log

BLANKS = (
    "Date;Time;CO2_A ppm;CO2_B ppm;CO2_C ppm;CO2_D ppm;Lid_A;Lid_B;Lid_C;Lid_D;"
    "Temp_A C;Temp_B C;Temp_C C;Temp_D C;Baro hPa"
)
PARTED = (
    "Date;Time;CO2 east one [ppm];CO2 east two [ppm];CO2 west one [ppm];CO2 west two [ppm];"
    "lid east one;lid east two;lid west one;lid west two;"
    "t east one;t east two;t west one;t west two;air pressure hPa"
)


@pytest.mark.parametrize("header", [BLANKS, PARTED], ids=["units", "names"])
def test_blanks_in_names_between_tabs(header: str, tmp_path: Path) -> None:
    log(tmp_path / "in" / "x.txt", delimiter="\t", header=header)
    path, found = draft(tmp_path)
    assert len(found["chambers"]) == 4
    assert not any("date" in name or "time" in name for name in found["channels"])
    hold_against_the_truth(fluxes(path))


def test_blanks_alone_still_part_columns(tmp_path: Path) -> None:
    header = "Date;Time;CO2_A;CO2_B;CO2_C;CO2_D;Lid_A;Lid_B;Lid_C;Lid_D;TA;TB;TC;TD;Baro"
    log(tmp_path / "in" / "x.txt", delimiter="  ", header=header)
    _, found = draft(tmp_path)
    assert [c["id"] for c in found["chambers"]] == list(IDS)
    assert found["channels"]["co2_{id}"]["unit"] == "umol/mol"


def test_a_unit_behind_a_blank_is_a_unit(tmp_path: Path) -> None:
    log(tmp_path / "in" / "x.csv", header=BLANKS)
    _, found = draft(tmp_path)
    air = found["channels"]["temp_{id}"]
    assert air["unit"] == "degC"
    assert air["column"] == "Temp_{ID} C"


def test_a_letter_that_tells_columns_apart_is_no_unit(tmp_path: Path) -> None:
    header = BLANKS
    for name in IDS:
        header = header.replace(f"Temp_{name} C", f"Temp {name}")
    log(tmp_path / "in" / "x.csv", header=header)
    _, found = draft(tmp_path)
    assert "temp_{id}" in found["channels"]
    assert "temp" not in found["channels"]
