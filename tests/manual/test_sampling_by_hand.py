"""Samples taken by hand become closures, exactly once, and again when a table is corrected."""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from rounds import (
    HEIGHT_M,
    PRESSURE_PA,
    RATE,
    TEMPERATURE_C,
    run,
    station_text,
    vials,
    written,
)
from small import stored

from stream.compute.replay import Pipeline
from stream.errors import SourceError
from stream.science.flux.flux import slope_to_flux
from stream.station import StationFile, load_station
from stream.store import Store
from stream.store.results.readers import Reader

OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
Rows = list[dict[str, object]]


@pytest.fixture
def hand_file(tmp_path: Path) -> StationFile:
    path = tmp_path / "hand.toml"
    path.write_text(station_text())
    return load_station(path)


@pytest.fixture
def opened(
    hand_file: StationFile, database_url: str, open_parts: OpenParts
) -> tuple[Store, Pipeline]:
    return open_parts(hand_file, database_url)


def take(parts: Pipeline, **tables: Rows) -> Rows:
    """Bring tables, settle, and read what stands."""
    for name, rows in tables.items():
        parts.hand.take(f"{name}.csv", written(rows))
    parts.settlement.settle()
    return standing(parts)


def standing(parts: Pipeline) -> Rows:
    return list(Reader(parts.journal._store, "small").fluxes())


def true_flux(chamber: str) -> float:
    return float(
        slope_to_flux(RATE[chamber], 0.1 * HEIGHT_M, 0.1, PRESSURE_PA, TEMPERATURE_C + 273.15)
    )


def flags(row: dict[str, object]) -> set[str]:
    return set(str(row["flags"]).split())


def test_vials_and_a_run_become_fluxes(opened: tuple[Store, Pipeline]) -> None:
    """A detector that bends by a seventh and drifts by 4 %, standards twice in each bracket:
    fluxes of the simulated truth, with height, temperature and pressure as noted that day.
    """
    _, parts = opened
    rows = take(parts, feb9=vials(), run1=run(vials()))
    assert [r["chamber"] for r in rows] == list(RATE)
    for r in rows:
        assert (r["points"], flags(r)) == (4, set())
        assert r["model"] == "saturating"
        flux, error = float(str(r["flux_nmol_m2_s"])), float(str(r["flux_se_nmol_m2_s"]))
        assert flux == pytest.approx(true_flux(str(r["chamber"])), abs=2.5 * error)
        assert error < 0.2 * flux
        assert r["height_m"] == HEIGHT_M
        assert r["pressure_pa"] == pytest.approx(PRESSURE_PA)
        assert r["air_temperature_c"] == pytest.approx(TEMPERATURE_C)
        assert r["calibration_gain"] == pytest.approx(1 / 8.5, rel=0.1)


def test_the_same_tables_again_change_nothing(opened: tuple[Store, Pipeline]) -> None:
    store, parts = opened
    take(parts, feb9=vials(), run1=run(vials()))
    before = stored(store, "closures", "fluxes", "model_fits", "visits", "hand_tables")
    assert not parts.hand.take("feb9.csv", written(vials())).changed
    assert not parts.hand.take("run1.csv", written(run(vials()))).changed
    written_now = parts.settlement.settle().written
    assert not sum(written_now.values())
    assert stored(store, *before) == before


def test_a_run_that_comes_later_makes_a_revision(opened: tuple[Store, Pipeline]) -> None:
    """Tables in any order end the same; a closure whose vials wait says so."""
    store, parts = opened
    for r in take(parts, feb9=vials()):
        assert flags(r) == {"vials_waiting"}
        assert (r["quality"], r["flux_nmol_m2_s"], r["revision"]) == (2, None, 1)
    late = take(parts, run1=run(vials()))
    assert {r["revision"] for r in late} == {2}
    assert all(r["flux_nmol_m2_s"] is not None for r in late)
    old = [row for row in stored(store, "closures")["closures"] if row[3] == 1]
    assert len(old) == 3


def test_a_corrected_table_takes_the_place_of_the_old(opened: tuple[Store, Pipeline]) -> None:
    """A lid's time was off by ten minutes: the closure moves, the old one is withdrawn and
    both tables stay readable.
    """
    store, parts = opened
    wrong = vials()
    for row in wrong[:4]:
        row["closed_at"] = "2026-02-09T09:50:00"
    before = take(parts, feb9=wrong, run1=run(vials()))
    after = take(parts, feb9=vials())
    assert len(before) == len(after) == 3
    assert before[0]["closed_us"] != after[0]["closed_us"]
    assert [r["revision"] for r in after] == [1, 1, 1]
    kept = stored(store, "hand_tables")["hand_tables"]
    assert [(row[2], row[3], row[4]) for row in kept] == [
        ("run1.csv", 1, 1), ("feb9.csv", 1, 0), ("feb9.csv", 2, 1),
    ]  # fmt: skip
    withdrawn = [row for row in stored(store, "closures")["closures"] if row[5] == 1]
    assert len(withdrawn) == 1


def test_diluted_vials_give_the_same_fluxes(opened: tuple[Store, Pipeline]) -> None:
    """Vials of 12 mL that held 101.325 kPa of inert gas, 20 mL pushed in at 96 kPa:
    1 + 101.325 · 12/(96 · 20) = 1.63328 by hand.
    """
    _, parts = opened
    plain = take(parts, feb9=vials(), run1=run(vials(), noise=1e-6))
    thin = vials(day=1, prefix="W")
    for row in thin:
        row |= {"sample_ml": 20, "vial_ml": 12, "fill_kpa": 101.325}
    factor = 1 + 101.325 * 12 / (96.0 * 20)
    assert factor == pytest.approx(1.63328, rel=1e-5)
    rows = take(parts, feb10=thin, run2=run(thin, noise=1e-6, dilution=factor))
    old = {p["closed_us"] for p in plain}
    mine = [r for r in rows if r["closed_us"] not in old]
    second = [r for r in rows if int(str(r["closed_us"])) > int(str(plain[2]["closed_us"]))]
    assert len(second) == len(mine) == 3
    for r, p in zip(second, plain, strict=True):
        assert r["flux_nmol_m2_s"] == pytest.approx(p["flux_nmol_m2_s"], rel=0.03)
        assert "vial_underfilled" not in flags(r)
    for row in thin:
        row |= {"sample_ml": 10, "fill_kpa": 0}
    under = take(parts, feb10=thin)
    assert sum("vial_underfilled" in flags(r) for r in under) == 3


def test_swapped_times_are_found_and_not_mended(opened: tuple[Store, Pipeline]) -> None:
    """Two times written down the wrong way round: said of that closure and no other."""
    _, parts = opened
    noted = vials()
    noted[5]["sampled_at"], noted[6]["sampled_at"] = noted[6]["sampled_at"], noted[5]["sampled_at"]
    rows = take(parts, feb9=noted, run1=run(vials()))
    assert [("times_swapped" in flags(r)) for r in rows] == [False, True, False]
    assert rows[1]["quality"] == 3


def test_a_vial_noted_twice_is_used_for_neither(opened: tuple[Store, Pipeline]) -> None:
    _, parts = opened
    noted = vials()
    noted[6]["vial"] = noted[1]["vial"]
    rows = take(parts, feb9=noted, run1=run(vials()))
    assert [r["points"] for r in rows] == [3, 3, 4]
    assert [("vial_doubtful" in flags(r)) for r in rows] == [True, True, False]


def test_vials_that_are_used_again_belong_to_the_campaign_before(
    opened: tuple[Store, Pipeline],
) -> None:
    """The same names a week later: by the campaign that the run names, or by its time; if
    it tells neither, to none.
    """
    _, parts = opened
    first, second = vials(), vials(day=7)
    for row in second:
        row["chamber"] = {"H1": "H3", "H3": "H1"}.get(str(row["chamber"]), row["chamber"])
    named = run(second)
    for injection in named:
        injection["campaign"] = "feb16"
    timed = run(first)
    for injection in timed:
        injection["injected_at"] = "2026-02-12T08:00:00+10:00"
    rows = take(parts, feb9=first, feb16=second, run1=timed, run2=named)
    assert len(rows) == 6
    for r in rows:
        flux, error = float(str(r["flux_nmol_m2_s"])), float(str(r["flux_se_nmol_m2_s"]))
        assert flux == pytest.approx(true_flux(str(r["chamber"])), abs=3 * error)
        assert not flags(r)
    silent = take(parts, run1=run(first))
    assert all("vial_doubtful" in flags(r) for r in silent)


def test_a_vial_that_was_not_run(opened: tuple[Store, Pipeline]) -> None:
    _, parts = opened
    injections = [i for i in run(vials()) if i["vial"] != "V02"]
    rows = take(parts, feb9=vials(), run1=injections)
    assert [("vials_missing" in flags(r)) for r in rows] == [True, False, False]
    assert [r["points"] for r in rows] == [3, 4, 4]


def test_a_run_without_enough_standards(opened: tuple[Store, Pipeline]) -> None:
    _, parts = opened
    bare = [i for i in run(vials()) if i["standard"] not in {"low", "middle"}]
    for r in take(parts, feb9=vials(), run1=bare):
        assert flags(r) == {"no_calibration"}
        assert (r["quality"], r["flux_nmol_m2_s"]) == (9, None)


def test_a_vial_beyond_the_standards(
    tmp_path: Path, database_url: str, open_parts: OpenParts
) -> None:
    path = tmp_path / "hand.toml"
    path.write_text(station_text(response="linear"))
    _, parts = open_parts(load_station(path), database_url)
    injections = [i for i in run(vials()) if i["standard"] != "high"]
    rows = take(parts, feb9=vials(), run1=injections)
    assert [("beyond_standards" in flags(r)) for r in rows] == [False, False, True]


def test_tables_in_any_order_end_the_same(opened: tuple[Store, Pipeline]) -> None:
    """Two rounds and their runs, settled after each table or once: what stands is the same."""
    first, second = vials(), vials(day=7, prefix="W")
    tables = {"feb9": first, "feb16": second, "run1": run(first), "run2": run(second, seed=2)}
    _, parts = opened
    expected = [without_version(r) for r in take(parts, **tables)]
    assert len(expected) == 6
    for order in (("run2", "feb16", "run1", "feb9"), ("feb16", "run1", "feb9", "run2")):
        for name in tables:
            # Emptied first, so that each order begins without the others' rows.
            header = ",".join(tables[name][0]).encode() + b"\n"
            parts.hand.take(f"{name}.csv", header)
        parts.settlement.settle()
        assert standing(parts) == []
        for name in order:
            rows = take(parts, **{name: tables[name]})
        assert [without_version(r) for r in rows] == expected


def without_version(row: dict[str, object]) -> dict[str, object]:
    """A row without what counts revisions, nor those of its models."""
    models = {
        name: {k: v for k, v in m.items() if k != "revision"}
        for name, m in row["models"].items()  # type: ignore[attr-defined]
    }
    return {**row, "models": models} | {"revision": 0}


@pytest.mark.parametrize(
    ("column", "text", "reason"),
    [
        ("chamber", "H9", "chamber: 'H9' is not sampled into vials; they are H1, H2, H3"),
        ("vial", "", "vial: empty"),
        ("closed_at", "", "closed_at: empty"),
        ("closed_at", "2026-02-09T12:00:00", "sampled_at: not within a day after closed_at"),
        ("sampled_at", "10 past ten", "sampled_at: '10 past ten' is not a time"),
        ("height_m", "-1", "height_m: '-1' must be above 0"),
        ("air_temperature_c", "warm", "air_temperature_c: 'warm' is not a number"),
    ],
)
def test_a_bad_row_goes_to_quarantine(
    opened: tuple[Store, Pipeline], column: str, text: str, reason: str
) -> None:
    store, parts = opened
    noted = vials()
    noted[0][column] = text
    taken = parts.hand.take("feb9.csv", written(noted))
    assert (taken.rows, taken.refused) == (11, 1)
    (kept,) = Reader(store, "small").quarantine()
    assert kept["line"] == 2
    assert str(kept["reason"]).startswith(reason)
    assert "V01" in str(kept["text"]) or column == "vial"


def test_the_time_of_closing_need_be_written_once(opened: tuple[Store, Pipeline]) -> None:
    """Rows that leave it out take that of the chamber's row before."""
    _, parts = opened
    full = take(parts, feb9=vials(), run1=run(vials()))
    sparse = vials()
    for i, row in enumerate(sparse):
        if i % 4:
            row["closed_at"] = ""
    again = take(parts, feb9=sparse)
    assert [r["flux_nmol_m2_s"] for r in again] == [r["flux_nmol_m2_s"] for r in full]
    assert [r["revision"] for r in again] == [1, 1, 1]


def test_a_table_that_is_none(opened: tuple[Store, Pipeline]) -> None:
    _, parts = opened
    for raw, said in (
        (b"a,b\n1,2\n", "neither a table of vials"),
        (b"vial,sampled_at,chamber\n", "no column 'closed_at'"),
        (b"vial,sequence,standard\n1,1,\n", "no column of a channel of vials (gc_n2o)"),
        (b"\xff\xfe", "not UTF-8 text"),
    ):
        with pytest.raises(SourceError, match=re.escape(said)):
            parts.hand.take("x.csv", raw)


def test_clock_times_with_a_date_and_a_decimal_comma(opened: tuple[Store, Pipeline]) -> None:
    """As people write them: a column for the date, 9:05 for the time, and a semicolon."""
    _, parts = opened
    lines = ["date;chamber;closed_at;sampled_at;vial;height_m;air_temperature_c"]
    lines += [f"2026-02-09;H1;9:05;{t};V{i};0,18;24,0" for i, t in enumerate(("9:05:30", "9:25"))]
    taken = parts.hand.take("feb9.csv", "\n".join(lines).encode())
    assert (taken.rows, taken.refused) == (2, 0)
    parts.settlement.settle()
    (row,) = standing(parts)
    assert row["closed_us"] == np.datetime64("2026-02-08T23:05:00", "us").astype(int)
    assert (row["height_m"], row["air_temperature_c"]) == (0.18, pytest.approx(24.0))
