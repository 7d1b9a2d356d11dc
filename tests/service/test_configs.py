"""What configs/ offers works: the unit by systemd's own checker, the broker's file by a broker."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from broker import MOSQUITTO, Mosquitto, free_port, make_certificates, need
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from running import Running, wait
from small import contents, own_line_stream, packs, station_text

CONFIGS = Path(__file__).parents[2] / "configs"
BATCH = own_line_stream(hours=0.4)


def test_the_unit_is_good(tmp_path: Path) -> None:
    """systemd-analyze verify(1), with the program replaced by one that is there."""
    need(shutil.which("systemd-analyze"), "systemd-analyze")
    unit = tmp_path / "lidstream.service"
    text = (CONFIGS / "lidstream.service").read_text()
    assert "/opt/lidstream/bin/lidstream run" in text
    unit.write_text(text.replace("/opt/lidstream/bin/lidstream", "/bin/true"))
    done = subprocess.run(
        ["systemd-analyze", "verify", unit], capture_output=True, text=True, timeout=60
    )
    mine = [line for line in done.stderr.splitlines() if "lidstream" in line]
    assert mine == [], done.stderr
    strict = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", unit],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    (score,) = re.findall(r"exposure level for \S+: ([\d.]+)", strict.stdout)
    assert float(score) < 2.5, strict.stdout[-500:]


def test_the_brokers_file_works(
    tmp_path: Path, sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As it stands, but for paths and ports: TLS, passwords, who may do what, a long queue."""
    need(MOSQUITTO, "mosquitto")
    monkeypatch.setenv("LIDSTREAM_TEST_PASSWORD", Mosquitto.PASSWORD)
    folder = tmp_path / "broker"
    folder.mkdir()
    make_certificates(folder)
    tls, plain = free_port(), free_port()
    text = (CONFIGS / "mosquitto.conf").read_text()
    for old, new in (
        ("listener 8883", f"listener {tls} 127.0.0.1"),
        ("listener 1883", f"listener {plain}"),
        ("/etc/mosquitto/certs", str(folder)),
        ("/etc/mosquitto", str(folder)),
        ("/var/lib/mosquitto", str(folder)),
        ("log_dest syslog", f"log_dest file {folder}/log"),
    ):
        assert old in text, old
        text = text.replace(old, new)
    (folder / "mosquitto.conf").write_text(text + "user root\n")
    acl = (CONFIGS / "mosquitto.acl").read_text()
    (folder / "mosquitto.acl").write_text(acl.replace("vellmark", "small"))
    broker = Mosquitto(tmp_path / "maker")
    for user in ("logger", "lidstream", "people"):
        create = ["-c"] if user == "logger" else []
        words = ["mosquitto_passwd", *create, "-b", folder / "passwords", user, Mosquitto.PASSWORD]
        subprocess.run(words, check=True)
    (folder / "passwords").chmod(0o600)
    broker.folder, broker.port = folder, plain
    broker.start()
    source = broker.source().replace('username = "station"', 'username = "lidstream"')
    source = source.replace(f"port = {plain}", f"port = {tls}")
    source += f'\ntls = true\nca_file = "{folder}/ca.pem"'
    file = tmp_path / "station.toml"
    file.write_text(station_text(extra=f"{source}\n[archive]\nafter_days = 36500"))
    (tmp_path / "incoming").mkdir()

    def client(user: str) -> Client:
        found = Client(CallbackAPIVersion.VERSION2)
        found.username_pw_set(user, Mosquitto.PASSWORD)
        found.connect("127.0.0.1", plain)
        found.loop_start()
        return found

    try:
        with Running(file, sqlite_url) as running:
            running.wait_for("broker connected")
            running.stop()
        logger = client("logger")
        messages = packs(BATCH, rows=1)
        assert len(messages) > 600
        handles = [logger.publish("small/records/a", m, qos=1) for m in messages]
        handles[-1].wait_for_publish(30)
        people = client("people")
        stray = people.publish("small/records/a", b'[{"n":"n2o","t":1760000000,"v":1}]', qos=1)
        stray.wait_for_publish(10)
        with Running(file, sqlite_url) as running:
            wait(lambda: contents(sqlite_url)["records"])
            wait(lambda: records(sqlite_url) == BATCH.records)
            running.stop()
            assert not running.events("broker refuses a topic")
        for one in (logger, people):
            one.disconnect()
            one.loop_stop()
    finally:
        broker.stop()


def records(url: str) -> int:
    found = contents(url)["records"]
    assert isinstance(found, dict)
    return sum(len(times) for times, _ in found.values())
