"""Rain of a gauge, day by day, and the days on which sampling is due."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import seasons

from stream.cli.command import main
from stream.compute.replay import Pipeline
from stream.field.series import calendar
from stream.field.weather import rain_days, rain_mm, sampling_due
from stream.ingest.batches import tidy
from stream.station import StationFile, load_station
from stream.store import Store
from stream.times import SECOND

OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]


@pytest.fixture
def wet(tmp_path: Path, sqlite_url: str, open_parts: OpenParts) -> tuple[StationFile, Pipeline]:
    """A gauge that tips 0.2 mm: 24 mm in the evening of 7 January, 3 mm on the 20th."""
    text = seasons.station_text()
    text = text[: text.index("[[events]]")]
    text += '[[events]]\nkind = "fertilizer"\nday = "2026-01-25"\n'
    text += '[channels.peak]\nunit = "nmol/mol"\n[[analyzers]]\nid = "gc"\nsampling = "vials"\n'
    text += 'basis = "dry"\ngases = { N2O = "peak" }\nprecision = { N2O = 3.0 }\n'
    text += '[[chambers]]\nid = "M1"\nanalyzer = "gc"\narea_m2 = 0.25\nplot = "1"\n'
    text += 'treatment = "split_rate"\nposition = "ridge"\n'
    text += 'heights = [{ from = "2026-01-01T00:00:00Z", height_m = 0.15 }]\n'
    text += '[[events]]\nkind = "irrigation"\nday = "2026-02-10"\namount = 12.0\n'
    path = tmp_path / "season.toml"
    path.write_text(text)
    file = load_station(path)
    _, parts = open_parts(file, sqlite_url)
    days = calendar(file.station, date(2026, 1, 5), date(2026, 1, 6))
    begin = days.start_us // SECOND
    # 7 January from 22:00 to 24:00 at the station, which is the same day in UTC.
    tips = begin + 2 * 86_400 + 22 * 3600 + 60 * np.arange(120)
    light = begin + 15 * 86_400 + 60 * np.arange(15)
    t = np.concatenate((tips, light))
    parts.intake.take(
        tidy("gauge.csv", t * SECOND, {"rain": np.full(len(t), 0.2)}, np.arange(2, len(t) + 2))
    )
    return file, parts


def test_rain_by_the_day(wet: tuple[StationFile, Pipeline]) -> None:
    file, parts = wet
    days = calendar(file.station, date(2026, 1, 5), date(2026, 2, 20))
    found = {days.day(d): mm for d, mm in rain_mm(file.station, parts.journal, days).items()}
    assert found == {
        date(2026, 1, 7): pytest.approx(24.0),
        date(2026, 1, 20): pytest.approx(3.0),
        date(2026, 2, 10): 12.0,
    }
    assert rain_days(file.station, parts.journal, days) == [date(2026, 1, 7), date(2026, 2, 10)]


def test_what_is_due_by_the_rules(wet: tuple[StationFile, Pipeline]) -> None:
    """After 24 mm daily for three days, then each second day for a week; after fertilizer
    from its own day on; after 12 mm once; weekly in between (common practice, no source).
    """
    file, parts = wet
    days = calendar(file.station, date(2026, 1, 5), date(2026, 2, 14))
    due = sampling_due(file.station, parts.journal, days)
    assert [d.isoformat()[5:] for d in due] == [
        "01-05", "01-08", "01-09", "01-10", "01-12", "01-14", "01-16", "01-23", "01-25", "01-26",
        "01-27", "01-29", "01-31", "02-02", "02-09", "02-11",
    ]  # fmt: skip
    assert due[date(2026, 1, 8)] == "24 mm, day 1"
    assert due[date(2026, 1, 25)] == "fertilizer, day 1"
    assert due[date(2026, 2, 11)] == "12 mm"
    later = calendar(file.station, date(2026, 1, 11), date(2026, 1, 17))
    assert [d.day for d in sampling_due(file.station, parts.journal, later)] == [11, 12, 14, 16]


def test_the_verb(
    wet: tuple[StationFile, Pipeline], sqlite_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file, _ = wet
    asked = ["due", str(file.path), "--database", sqlite_url]
    assert main([*asked, "--from", "2026-01-05", "--to", "2026-01-10"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "2026-01-05 Mon  regular",
        "2026-01-08 Thu  24 mm, day 1",
        "2026-01-09 Fri  24 mm, day 2",
        "2026-01-10 Sat  24 mm, day 3",
    ]
    assert main([*asked, "--from", "tomorrow"]) == 2
    assert "--from: 'tomorrow' is not a day" in capsys.readouterr().err


def test_a_station_without_sampling_by_hand(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line, for which neither a database nor rain is needed."""
    path = tmp_path / "plain.toml"
    path.write_text(seasons.station_text())
    assert main(["due", str(path)]) == 0
    (line,) = capsys.readouterr().out.splitlines()
    assert line.startswith(f"{path}: this station has no sampling by hand, so nothing is due.")
    assert main(["due", str(path), "--from", "tomorrow"]) == 2
