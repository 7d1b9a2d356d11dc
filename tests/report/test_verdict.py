"""What a summary says first: nothing is well while a question is open, and a replayed past is
judged by its own last day.
"""

from contextlib import closing
from datetime import date
from pathlib import Path

import pytest
from small import own_line_stream, station_text, write_log

from stream.cli.command import main
from stream.compute.replay import replay
from stream.report.summary.day_summary import summarize
from stream.station import load_station
from stream.store import open_store
from stream.store.station_data import SERVICE_LOOK, Marks, StationData


@pytest.mark.parametrize(
    ("height", "verdict"), [("0.15", "good"), ("2.0", "look")], ids=["no question", "a question"]
)
def test_all_is_not_well_while_a_height_is_asked_about(
    tmp_path: Path, height: str, verdict: str
) -> None:
    path = tmp_path / "station.toml"
    path.write_text(station_text().replace("height_m = 0.15", f"height_m = {height}"))
    file = load_station(path)
    assert bool(file.questions) == (verdict == "look")
    log = write_log(own_line_stream(hours=36.0, step_s=5), tmp_path / "a.csv")
    replay(file, [log], file.database_url)
    with closing(open_store(file.database_url)) as store:
        day = summarize(StationData.over(file, store), date(2026, 2, 3))
    # Its thermometers stand still, which is for the next visit.
    assert ("station file" in {t.where for t in day.tasks}) == (verdict == "look")
    assert {t.rank for t in day.tasks} == {3}
    assert day.verdict == verdict
    assert ("All is well" in day.sentence) == (verdict == "good")


def test_a_replayed_past_is_judged_by_its_last_whole_day(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its records run from noon on 2 February to 10 minutes after midnight of the 4th."""
    path = tmp_path / "station.toml"
    path.write_text(station_text())
    log = write_log(own_line_stream(hours=35.5, step_s=5), tmp_path / "a.csv")
    assert main(["replay", str(path), str(log)]) == 0
    capsys.readouterr()
    assert main(["summary", str(path)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "2026-02-03" in told
    assert "Records end on 2026-02-04 at 00:09. All is well." in told
    # Where a service ran, that they ended is the trouble itself.
    file = load_station(path)
    with closing(open_store(file.database_url)) as store:
        Marks(store, file.station.id).put(SERVICE_LOOK, "1770000000000000")
    assert main(["summary", str(path)]) == 0
    told = capsys.readouterr().out
    assert "Records end" not in told
    assert "All is well" not in told


def test_records_of_one_day_are_judged_by_that_day(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "station.toml"
    path.write_text(station_text())
    log = write_log(own_line_stream(step_s=5), tmp_path / "a.csv")
    assert main(["replay", str(path), str(log)]) == 0
    assert main(["summary", str(path)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "Records end on 2026-02-02 at 14:09." in told
