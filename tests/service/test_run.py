"""The service as a process, with a real broker, real files and both databases."""

import json
import re
import socket
import sqlite3
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from broker import Mosquitto, free_port
from forking import done
from inside import Inside
from running import Running, wait
from small import contents, own_line_stream, packs, part, station_text, write_log

from stream.compute.replay import replay
from stream.station import load_station
from stream.times import rfc3339

TOPIC = "small/records/logger"
BATCH = own_line_stream(hours=0.5)
CUT = 650


def station(tmp_path: Path, *extra: str) -> Path:
    """A station file; the archive is not to come in between."""
    path = tmp_path / "station.toml"
    text = station_text(extra="\n".join([*extra, "[archive]", "after_days = 36500"]))
    path.write_text(text)
    (tmp_path / "incoming").mkdir(exist_ok=True)
    return path


def undisturbed(tmp_path: Path, batch=BATCH) -> dict[str, object]:
    """What one replay of the same records gives."""
    url = f"sqlite:///{tmp_path / 'undisturbed.db'}"
    calm = tmp_path / "calm.toml"
    calm.write_text(station_text())
    replay(load_station(calm), [write_log(batch, tmp_path / "calm" / "made.csv")], url)
    return contents(url)


def settled(url: str, expected: dict[str, object]) -> Callable[[], bool]:
    return lambda: contents(url) == expected


def test_an_upgrade_never_stops_the_intake(
    tmp_path: Path, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A height that is refused now, on a station that runs: its records are taken, its fluxes are
    flagged, the log says so, and the page shows why and takes no entry.
    """
    monkeypatch.setenv("LIDSTREAM_TEST_PASSWORD", Mosquitto.PASSWORD)
    port = free_port()
    page = f'[page]\nport = {port}\ntoken = "${{LIDSTREAM_TEST_PASSWORD}}"'
    path = station(tmp_path, page)
    half = len(BATCH) // 2
    first = write_log(part(BATCH, slice(0, half)), tmp_path / "a.csv")
    replay(load_station(path), [first], database_url)
    path.write_text(path.read_text().replace("height_m = 0.15", "height_m = 15.0", 1))
    write_log(part(BATCH, slice(half, None)), tmp_path / "incoming" / "b.csv")

    def flags() -> set[str]:
        return set(re.findall(r"[a-z_]+", str(contents(database_url)["closures"])))

    with Running(path, database_url) as running:
        (line,) = [e for e in running_lines(running) if "cannot be right" in str(e["error"])]
        assert line["level"] == "warning"
        wait(lambda: "setup_implausible" in flags(), about="flagged closures")
        running.wait_for("page served")
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/") as answer:
            shown = answer.read().decode()
        assert "15 m cannot be right. In cm that would be 0.15 m, in inches 0.381 m." in shown
        assert "Sign in to write" not in shown
        assert running.stop() < 10
    # A station without records does not begin with it.
    fresh = f"sqlite:///{tmp_path / 'fresh.db'}"
    with Running(path, fresh) as running:
        assert running.process.wait(30) == 2
    assert not (tmp_path / "fresh.db").exists()


def running_lines(running: Running) -> list[dict[str, object]]:
    """What the log says of the station file, once the service runs."""
    running.wait_for("running")
    return running.events("station file")


def test_broker_and_folder_give_what_a_replay_gives(
    broker: Mosquitto, tmp_path: Path, database_url: str
) -> None:
    """Half of the records by MQTT, half by a growing file, some by both."""
    expected = undisturbed(tmp_path)
    with Running(station(tmp_path, broker.source()), database_url) as running:
        running.wait_for("broker connected")
        broker.publish(TOPIC, packs(part(BATCH, slice(0, CUT))))
        wait(lambda: contents(database_url)["closures"], about="closures by MQTT")
        log = write_log(part(BATCH, slice(CUT - 100, len(BATCH))), tmp_path / "log.csv")
        text = log.read_bytes()
        with (tmp_path / "incoming" / "log.csv").open("ab", buffering=0) as out:
            for at in range(0, len(text), len(text) // 7):
                out.write(text[at : at + len(text) // 7])
                time.sleep(0.3)
        wait(settled(database_url, expected), about="the same rows as by replay")
        assert running.stop() < 10
        assert not running.events("quarantined")
    assert contents(database_url) == expected


def test_rows_give_the_same(broker: Mosquitto, tmp_path: Path, sqlite_url: str) -> None:
    rows = [
        json.dumps(
            [
                {
                    "time": rfc3339(int(BATCH.times[i])),
                    **{
                        c: v
                        for c, v in zip(BATCH.channels, BATCH.values[i].tolist(), strict=True)
                        if not np.isnan(v)
                    },
                }
                for i in range(first, min(len(BATCH), first + 50))
            ]
        ).encode()
        for first in range(0, len(BATCH), 50)
    ]
    with Running(station(tmp_path, broker.source(payload="rows")), sqlite_url) as running:
        running.wait_for("broker connected")
        broker.publish(TOPIC, rows)
        wait(settled(sqlite_url, undisturbed(tmp_path)))
        running.stop()


def test_a_second_writer_is_refused(
    tmp_path: Path, database_url: str, measured: Callable[[str, object], None]
) -> None:
    """One line that says what to do; the first goes on."""
    file = station(tmp_path)
    log = write_log(BATCH, tmp_path / "log.csv")
    with Running(file, database_url) as running:
        running.wait_for("running")
        refused = 0
        for words in (["run", file], ["replay", file, log], ["reprocess", file]):
            second = done([*words, "--database", database_url])
            assert second.returncode == 1
            last = second.stderr.splitlines()[-1]
            assert re.search(r"another lidstream.*; stop it first", last)
            assert "Traceback" not in second.stderr
            refused += 1
        measured("second writers that say who is there and end", f"{refused} of 3")
        running.stop()
    assert done(["replay", file, log, "--database", database_url]).returncode == 0


def test_no_source_is_said(tmp_path: Path) -> None:
    file = tmp_path / "station.toml"
    text = station_text()
    file.write_text(text.replace('[[sources]]\nkind = "folder"\npath = "incoming"\n', ""))
    refused = done(["run", file])
    assert refused.returncode == 2
    assert "station.toml: sources: none; add a [[sources]]" in refused.stderr


def test_tls_is_verified(tmp_path: Path, sqlite_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the authority's certificate the broker is trusted, with another one it is not; the
    password is nowhere in the log, the database or the status.
    """
    monkeypatch.setenv("LIDSTREAM_TEST_PASSWORD", Mosquitto.PASSWORD)
    broker = Mosquitto(tmp_path / "broker", tls=True).start()
    good = station(tmp_path, broker.source())
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(good.read_text().replace("ca.pem", "other.pem"))
    try:
        with Running(wrong, sqlite_url) as running:
            line = running.wait_for("broker away")
            assert "certificate verify failed" in str(line["error"]).lower()
            running.stop()
        with Running(good, sqlite_url) as running:
            running.wait_for("broker connected")
            broker.publish(TOPIC, packs(BATCH))
            wait(settled(sqlite_url, undisturbed(tmp_path)))
            running.stop()
            said = "".join(running.raw) + str(broker.retained("lidstream/small/status"))
        assert Mosquitto.PASSWORD not in said
        for path in tmp_path.glob("test.db*"):
            assert Mosquitto.PASSWORD.encode() not in path.read_bytes()
    finally:
        broker.stop()


def test_a_wrong_password_is_said(broker: Mosquitto, tmp_path: Path, sqlite_url: str) -> None:
    file = station(tmp_path, broker.source())
    with Running(file, sqlite_url, LIDSTREAM_TEST_PASSWORD="wrong word") as running:
        line = running.wait_for("broker refuses")
        assert "Not authorized" in str(line["reason"])
        assert running.stop() < 10
        assert "wrong word" not in "".join(running.raw)


def test_what_cannot_be_read_goes_to_quarantine_and_is_acknowledged(
    broker: Mosquitto, tmp_path: Path, database_url: str
) -> None:
    """Not looped: a second start finds nothing to do; good records beside it live on."""
    bad = [b"not json", b"\xff\xfe\0", b"[1,2]", b'{"n":"n2o"}', b"[" * 5000, b"x" * 3000]
    good = packs(BATCH)
    file = station(tmp_path, broker.source(max_payload_bytes=2048))
    small = packs(BATCH, rows=3)
    assert max(map(len, small)) < 2048 < len(good[0])
    with Running(file, database_url) as running:
        running.wait_for("broker connected")
        broker.publish(TOPIC, [*small[:100], *bad, good[0], *small[100:]])
        wait(lambda: len(contents(database_url)["quarantine"]) == len(bad) + 1)
        expected = undisturbed(tmp_path)
        expected["quarantine"] = contents(database_url)["quarantine"]
        wait(settled(database_url, expected))
        status = json.loads(broker.retained("lidstream/small/status") or b"{}")
        assert status["state"] == "running"
        running.stop()
    reasons = [str(reason) for reason, _ in expected["quarantine"]]
    assert sum("over max_payload_bytes" in r for r in reasons) == 3
    with Running(file, database_url) as running:
        running.wait_for("broker connected")
        time.sleep(1.5)
        running.stop()
        assert not running.events("quarantined")
    assert contents(database_url) == expected


def test_the_last_will_says_that_we_vanished(
    broker: Mosquitto, tmp_path: Path, sqlite_url: str
) -> None:
    def state() -> object:
        return json.loads(broker.retained("lidstream/small/status") or b"{}").get("state")

    file = station(tmp_path, broker.source())
    with Running(file, sqlite_url) as running:
        wait(lambda: state() == "running")
        running.kill()
    wait(lambda: state() == "vanished")
    with Running(file, sqlite_url) as running:
        wait(lambda: state() == "running")
        running.stop()
    assert state() == "stopped"


def test_sigterm_in_the_middle_of_a_backlog(
    broker: Mosquitto, tmp_path: Path, sqlite_url: str
) -> None:
    """It ends within 10 s, and the next start takes the rest."""

    def blocks(url: str) -> int:
        with closing(sqlite3.connect(url.removeprefix("sqlite:///"))) as database:
            return int(database.execute("SELECT count(*) FROM journal_blocks").fetchone()[0])

    batch = own_line_stream(hours=12.0)
    file = station(tmp_path, broker.source())
    with Running(file, sqlite_url) as running:
        running.wait_for("broker connected")
        running.stop()
    broker.publish(TOPIC, packs(batch, rows=5))
    with Running(file, sqlite_url) as running:
        running.wait_for("broker connected")
        wait(lambda: blocks(sqlite_url), about="the first records")
        assert running.stop() < 10
    expected = undisturbed(tmp_path, batch)
    assert contents(sqlite_url) != expected
    with Running(file, sqlite_url) as running:
        wait(settled(sqlite_url, expected), 60)
        running.stop()


def test_metrics(broker: Mosquitto, tmp_path: Path, sqlite_url: str) -> None:
    port = free_port()
    file = station(tmp_path, broker.source(), "[service]", f"metrics_port = {port}")
    with Running(file, sqlite_url) as running:
        running.wait_for("broker connected")
        broker.publish(TOPIC, packs(BATCH))
        wait(settled(sqlite_url, undisturbed(tmp_path)))

        def page() -> str:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5) as answer:
                return str(answer.read().decode())

        source = f'source="127.0.0.1:{broker.port}"'
        # What is counted is told a moment after it is committed.
        wait(lambda: f"lidstream_source_connected{{{source}}} 1.0" in page(), 10)
        wait(lambda: f"lidstream_source_unacknowledged{{{source}}} 0.0" in page(), 10)
        text = page()
        records = BATCH.records
        assert re.search(rf"^lidstream_records_total {records:.1f}$", text, re.MULTILINE)
        assert 'lidstream_results_total{how="new",what="closures"} 3.0' in text
        assert f"lidstream_source_connected{{{source}}} 1.0" in text
        assert f"lidstream_source_unacknowledged{{{source}}} 0.0" in text
        (age,) = re.findall(rf"lidstream_source_last_record_age_seconds{{{source}}} (\S+)", text)
        assert float(age) == pytest.approx(time.time() - BATCH.times[-1] / 1e6, abs=10)
        assert float(re.findall(r"^lidstream_disk_free_bytes (\S+)", text, re.MULTILINE)[0]) > 1e6
        assert re.search(r"lidstream_commit_seconds_count [1-9]", text)
        for host in {a[4][0] for a in socket.getaddrinfo(socket.gethostname(), port)}:
            if host != "127.0.0.1" and not str(host).startswith("127."):
                with pytest.raises((urllib.error.URLError, OSError)):
                    urllib.request.urlopen(f"http://{host}:{port}/metrics", timeout=2)
        running.stop()


def test_the_service_manager_is_told(tmp_path: Path, sqlite_url: str) -> None:
    """sd_notify(3): READY, then WATCHDOG more often than asked for, then STOPPING."""
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(path))
        manager.settimeout(90)
        file = station(tmp_path)
        with Running(
            file, sqlite_url, NOTIFY_SOCKET=str(path), WATCHDOG_USEC="3000000", WATCHDOG_PID=""
        ) as running:
            assert manager.recv(1000).startswith(b"READY=1\nSTATUS=")
            times = []
            for _ in range(3):
                assert manager.recv(1000) == b"WATCHDOG=1"
                times.append(time.monotonic())
            assert max(np.diff(times)) < 3.0
            running.stop()
        assert manager.recv(1000) in {b"STOPPING=1", b"WATCHDOG=1"}


def test_files_are_not_for_everybody(tmp_path: Path, sqlite_url: str) -> None:
    file = station(tmp_path)
    write_log(BATCH, tmp_path / "incoming" / "a.csv")
    with Running(file, sqlite_url) as running:
        running.wait_for("settled")
        for path in tmp_path.glob("test.db*"):
            assert path.stat().st_mode & 0o007 == 0, path
        running.stop()
    assert sqlite3.connect(tmp_path / "test.db").execute("PRAGMA quick_check").fetchone() == ("ok",)


def test_a_station_file_that_is_changed_is_told_and_not_used(
    tmp_path: Path, sqlite_url: str, monkeypatch: pytest.MonkeyPatch,
    measured: Callable[[str, object], None],
) -> None:  # fmt: skip
    """A restart uses it; one that is wrong by then is told as that."""
    from stream.service import schedule

    monkeypatch.setattr(schedule, "HEALTH_S", 0.5)
    path = tmp_path / "station.toml"
    text = station_text()
    path.write_text(text)
    (tmp_path / "incoming").mkdir()
    with Inside(path, sqlite_url) as inside:
        inside.wait_for("running")
        path.write_text(text + "\n# a remark\n")
        said = inside.wait_for("station file changed")
        assert str(said["note"]).endswith(
            "changed since it was read. Restart the service to use it."
        )
        path.write_text(text.replace('id = "laser"', "id = 3"))
        said = inside.wait_for("station file changed", count=2)
        assert "analyzers[0].id" in str(said["note"])
        path.write_text(text)
        time.sleep(1.5)
        told = len(inside.events("station file changed"))
        measured("changes of the station file told", f"{told} of 2")
        assert told == 2
