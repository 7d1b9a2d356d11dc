"""A real Mosquitto of the tests' own, and who publishes to it."""

import os
import shutil
import socket
import subprocess
import threading
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from servers import IN_CI

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")


def need(program: str | None, name: str) -> None:
    """Skip without a program; fail where CI promises it."""
    if program is None:
        if IN_CI:
            pytest.fail(f"{name} is not installed")
        pytest.skip(f"{name} is not installed")


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Mosquitto:
    """A broker that can be stopped and started again; it keeps sessions on disk. A careful one
    does with each change, so that it can be killed; that is slow with many messages waiting.
    """

    USER, PASSWORD = "station", "between the rows 7"

    def __init__(
        self, folder: Path, *, tls: bool = False, careful: bool = False, options: str = ""
    ) -> None:
        need(MOSQUITTO, "mosquitto")
        self.folder, self.tls, self.port = folder, tls, free_port()
        folder.mkdir(parents=True, exist_ok=True)
        self.process: subprocess.Popen[bytes] | None = None
        passwords = folder / "passwords"
        subprocess.run(
            ["mosquitto_passwd", "-b", "-c", passwords, self.USER, self.PASSWORD], check=True
        )
        lines = [
            f"listener {self.port} 127.0.0.1",
            "allow_anonymous false",
            f"password_file {passwords}",
            "persistence true",
            f"persistence_location {folder}/",
            *(["autosave_interval 1", "autosave_on_changes true"] if careful else []),
            "max_queued_messages 0",
            "user root" if os.geteuid() == 0 else "",
            options,
        ]
        if tls:
            make_certificates(folder)
            lines += [f"cafile {folder}/ca.pem", f"certfile {folder}/broker.pem"]
            lines += [f"keyfile {folder}/broker.key"]
        (folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    def start(self) -> "Mosquitto":
        """Start, and wait until it answers."""
        assert MOSQUITTO is not None
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [MOSQUITTO, "-c", self.folder / "mosquitto.conf"], stdout=log, stderr=log
            )
        for _ in range(100):
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                time.sleep(0.05)
            else:
                return self
        raise AssertionError((self.folder / "log").read_text())

    def stop(self) -> None:
        """Stop in order: what is queued is on disk."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None

    def client(self, name: str = "", *, keep_session: bool = False) -> paho.Client:
        """A connected client with its network thread running."""
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5)
        client.username_pw_set(self.USER, self.PASSWORD)
        client.max_inflight_messages_set(500)
        if self.tls:
            client.tls_set(ca_certs=str(self.folder / "ca.pem"))
        client.connect("127.0.0.1", self.port, clean_start=not keep_session)
        client.loop_start()
        return client

    def publish(self, topic: str, payloads: list[bytes]) -> None:
        """Publish in order at QoS 1, and wait until the broker has all."""
        client = self.client()
        try:
            handles = [client.publish(topic, payload, qos=1) for payload in payloads]
            for handle in handles:
                handle.wait_for_publish(60)
                assert handle.is_published()
        finally:
            client.disconnect()
            client.loop_stop()

    def retained(self, topic: str, seconds: float = 5.0) -> bytes | None:
        """What is retained on a topic."""
        found: list[bytes] = []
        came = threading.Event()

        def take(_c: object, _d: object, message: paho.MQTTMessage) -> None:
            found.append(message.payload)
            came.set()

        client = self.client()
        client.on_message = take
        client.subscribe(topic, qos=1)
        came.wait(seconds)
        client.disconnect()
        client.loop_stop()
        return found[0] if found else None

    def source(self, **more: object) -> str:
        """The source as the station file has it."""
        lines = [
            "[[sources]]",
            'kind = "mqtt"',
            'host = "127.0.0.1"',
            f"port = {self.port}",
            'topics = ["small/records/#"]',
            f'username = "{self.USER}"',
            'password = "${LIDSTREAM_TEST_PASSWORD}"',
        ]
        if self.tls:
            lines += ["tls = true", f'ca_file = "{self.folder}/ca.pem"']
        lines += [f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {v}" for k, v in more.items()]
        return "\n".join(lines)


def make_certificates(folder: Path) -> None:
    """An authority of our own, and a certificate for 127.0.0.1."""

    def openssl(*words: object) -> None:
        subprocess.run(["openssl", *map(str, words)], check=True, capture_output=True)

    for name, subject in (("ca", "/CN=test authority"), ("other", "/CN=somebody else")):
        openssl(
            "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", 2, "-subj", subject,
            "-keyout", folder / f"{name}.key", "-out", folder / f"{name}.pem",
        )  # fmt: skip
    openssl(
        "req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=127.0.0.1",
        "-keyout", folder / "broker.key", "-out", folder / "broker.csr",
    )  # fmt: skip
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1\n")
    openssl(
        "x509", "-req", "-in", folder / "broker.csr", "-CA", folder / "ca.pem",
        "-CAkey", folder / "ca.key", "-CAcreateserial", "-days", 2,
        "-extfile", folder / "names", "-out", folder / "broker.pem",
    )  # fmt: skip
