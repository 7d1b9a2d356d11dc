"""The handbook's first page, typed line by line as it stands."""

import csv
import os
import re
import shlex
import shutil
import signal
import threading
import tomllib
from pathlib import Path

import pytest
from draft.test_draft import SAMPLES, answered
from forking import Command

from stream.cli.command import main

PAGE = Path(__file__).parents[2] / "stream" / "handbook" / "first-station.md"
COMMANDS = re.findall(r"^    \$ lidstream (.+)$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)


def test_the_page_names_every_step() -> None:
    verbs = [command.split()[0] for command in COMMANDS]
    assert verbs == [
        "draft", "check", "check", "replay", "export", "export", "summary", "page", "run",
    ]  # fmt: skip


def test_the_page_tells_what_a_newcomer_missed() -> None:
    """Recorded files are not of yesterday, and a station of own sensors looks as drafted."""
    (summary,) = [command for command in COMMANDS if command.startswith("summary")]
    assert "--day 2026-06-16" in summary
    text = PAGE.read_text(encoding="utf-8")
    assert 'id = "sensor_{id}"' in text
    assert "three days" in text


def until(words: list[str], sign: str, seconds: float = 60.0) -> int:
    """Run a verb that goes on until it is stopped; its exit code after it has shown a sign."""
    process = Command(words, os.environ, printed=True)
    late = threading.Timer(seconds, process.kill)
    late.start()
    seen = ""
    with process.stderr:
        for line in process.stderr:
            seen += line
            if sign in line:
                break
        process.send_signal(signal.SIGTERM)
        seen += process.stderr.read()
        code = process.wait(60)
    late.cancel()
    assert sign in seen, seen
    return code


def test_ten_minutes_to_a_first_station(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two days of a logger's files become fluxes by what the page says, and nothing else."""
    incoming = tmp_path / "incoming"
    incoming.mkdir()
    for path in sorted((SAMPLES / "vellmark" / "incoming").glob("*-1[56].csv.gz")):
        shutil.copy(path, incoming)
    monkeypatch.chdir(tmp_path)
    station = tmp_path / "station.toml"
    codes = []
    for command in COMMANDS:
        words = shlex.split(command)
        if words[0] in ("page", "run"):
            ended = until(words, "http://" if words[0] == "page" else "running")
            # Only the service ends by a signal in good order; the page is simply closed.
            codes.append(ended if words[0] == "run" else 0)
            continue
        codes.append(main(words))
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        if words[0] == "check" and codes[-1] == 2:
            assert "questions are still open" in err
            true = tomllib.loads((SAMPLES / "vellmark" / "station.toml").read_text())
            station.write_text(answered(station, true))
        if words[0] == "replay":
            assert out.startswith("4 files: ")
    assert codes == [0, 2, 0, 0, 0, 0, 0, 0, 0]
    assert (tmp_path / "vellmark-2026-06-16.txt").exists()
    with Path("fluxes.csv").open() as rows:
        found = list(csv.DictReader(rows))
    assert len({(r["chamber"], r["closed_at"]) for r in found}) > 180
    assert sum(r["quality"] == "1" for r in found) > 450
    with Path("refused.csv").open() as rows:
        refused = list(csv.DictReader(rows))
    assert list(refused[0]) == ["station", "source", "line", "reason", "text"]
    assert [r["source"] for r in refused] == ["gas_2026-06-16.csv.gz"] * 2
