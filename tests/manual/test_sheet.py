"""A round on paper: planned, refused with its reason, filled in and brought back."""

import csv
import re
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from pathlib import Path

import pytest
from rounds import held, run, station_text, written

from stream.cli.command import main
from stream.compute.replay import replay
from stream.errors import CommandError
from stream.manual.sheet import plan_round, write_round
from stream.station import StationFile, load_station
from stream.store import open_store
from stream.store.results.readers import Reader

DAY, START = date(2026, 2, 9), time(10, 0)


@pytest.fixture
def make(tmp_path: Path) -> Callable[[str], StationFile]:
    def written(extra: str = "") -> StationFile:
        path = tmp_path / "hand.toml"
        path.write_text(station_text(extra=extra))
        return load_station(path)

    return written


def test_every_chamber_is_reached_at_every_sample_time(make: Callable[..., StationFile]) -> None:
    """Nobody is in two places: for each person the planned times are a turn's steps apart."""
    station = make("[hand]\nsample_minutes = [0, 6, 15]\nwalk_s = 20.0").station
    plan = plan_round(station, DAY, START, (), 1)
    (walk,) = plan.walks
    assert walk.offset_s == (0.0, 65.0, 130.0)
    assert walk.turn_s == 195.0
    assert plan.between_s == 360.0
    assert plan.sentence() == (
        "3 chambers, one person, 3 samples each: a turn takes 3 min 15 s of the 6 min between"
        " sample times"
    )


@pytest.mark.parametrize(
    ("extra", "people", "said"),
    [
        (
            "sample_minutes = [0, 3, 9]\nwalk_s = 20.0",
            1,
            "a turn of 3 chambers takes 3 min 15 s, and sample times are 3 min apart;"
            " one person reaches 2 in that time: use --people 2",
        ),
        (
            "sample_minutes = [0, 0.5]",
            3,
            "even one chamber takes too long; write longer hand.sample_minutes",
        ),
    ],
)
def test_a_round_that_cannot_be_walked_says_why(
    make: Callable[..., StationFile], extra: str, people: int, said: str
) -> None:
    station = make(f"[hand]\n{extra}").station
    with pytest.raises(CommandError, match=re.escape(said)):
        plan_round(station, DAY, START, (), people)


def test_places_give_the_way(make: Callable[..., StationFile], tmp_path: Path) -> None:
    """H1 and H3 stand together and H2 far off: the way is H1, H3, H2 at a metre a second."""
    text = station_text()
    for name, place in (("H1", "[0, 0]"), ("H2", "[90, 0]"), ("H3", "[5, 0]")):
        text = text.replace(f'id = "{name}"', f'id = "{name}"\nplace_m = {place}')
    path = tmp_path / "placed.toml"
    path.write_text(text)
    plan = plan_round(load_station(path).station, DAY, START, (), 1)
    names = [plan.chambers[i].id for i in plan.walks[0].order]
    assert sorted(names[1:]) == ["H2", "H3"]
    assert plan.walks[0].turn_s == pytest.approx(3 * 45.0 + 180.0)


def test_unknown_chambers_are_named(make: Callable[..., StationFile]) -> None:
    with pytest.raises(CommandError, match="--chamber Z9: not sampled by hand"):
        plan_round(make().station, DAY, START, ("Z9",), 1)


def test_the_sheet_comes_back_filled_in(
    make: Callable[..., StationFile], tmp_path: Path, sqlite_url: str
) -> None:
    """Printed, filled in with the times at which things were done, measured, replayed; the
    rows of a chamber that was left out count for nothing.
    """
    file = make()
    plan = plan_round(file.station, DAY, START, (), 1)
    table, sheet = write_round(file.station, plan, tmp_path)
    page = sheet.read_text()
    rows = list(csv.DictReader(table.read_text().splitlines()))
    assert len(rows) == 12
    assert len({r["vial"] for r in rows}) == 12
    for r in rows:
        assert page.count(r["vial"]) == 2, "once on the sheet and once on its label"
    assert "eye protection" in page
    assert "http" not in page
    closed: dict[str, str] = {}
    for r in rows:
        if r["chamber"] == "H2":
            continue
        late = datetime.fromisoformat(f"{DAY}T{r['planned_at']}") + timedelta(seconds=11)
        r["closed_at"] = closed.setdefault(r["chamber"], late.strftime("%H:%M:%S"))
        r["sampled_at"] = late.strftime("%H:%M:%S")
        r |= {"height_m": "0.18", "air_temperature_c": "24"}
    table.write_bytes(written(rows))
    done = [r for r in rows if r["sampled_at"]]
    full = [r | {c: f"{DAY}T{r[c]}" for c in ("closed_at", "sampled_at")} for r in done]
    assert held(full[0]) == 335.0
    (tmp_path / "run.csv").write_bytes(written(run(full)))
    replay(file, [table, tmp_path / "run.csv"], sqlite_url)
    store = open_store(sqlite_url)
    fluxes = list(Reader(store, "small").fluxes())
    store.close()
    assert [(r["chamber"], r["points"], r["flags"]) for r in fluxes] == [
        ("H1", 4, "pressure_assumed"),
        ("H3", 4, "pressure_assumed"),
    ]


def test_a_table_that_may_be_filled_in_is_not_written_over(
    make: Callable[..., StationFile], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    station = str(make().path)
    asked = ["round", station, "--day", "2026-02-09", "--out", str(tmp_path)]
    assert main(asked) == 0
    capsys.readouterr()
    before = (tmp_path / "round-2026-02-09.csv").read_bytes()
    assert main([*asked, "--people", "2"]) == 2
    said = capsys.readouterr().err
    assert "is there already, and may be filled in" in said
    assert (tmp_path / "round-2026-02-09.csv").read_bytes() == before
    assert main(["round", station, "--day", "9 Feb"]) == 2
    assert main(["round", station, "--day", "2026-02-10", "--start", "noon"]) == 2
