"""The connection to a real broker: what is acknowledged, and what is not."""

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from broker import Mosquitto
from running import wait

from stream.ingest.broker.messages import Message
from stream.ingest.broker.mqtt import Broker
from stream.secret import Secret
from stream.station import MqttSource

TOPIC = "small/records/a"


class Client:
    """A :class:`Broker` in its thread; messages are kept and not acknowledged."""

    def __init__(self, mosquitto: Mosquitto, **options: object) -> None:
        self.messages: list[Message] = []
        self.said: list[str] = []
        self.forgotten: list[int] = []
        source = MqttSource(
            kind="mqtt", host="127.0.0.1", port=mosquitto.port, topics=("small/records/+",),
            username=mosquitto.USER, **options,
        )  # type: ignore[arg-type]  # fmt: skip
        self.broker = Broker(
            source,
            "tested",
            password=Secret(mosquitto.PASSWORD),
            files=(None, None, None),
            status_topic="tested/status",
            last_will=b"vanished",
            deliver=self._take,
            forget=self.forgotten.append,
            tell=lambda level, event, **_: self.said.append(event),
        )
        self.stop = threading.Event()
        self.fail = False
        self.thread = threading.Thread(
            target=self.broker.run, args=(self.stop, lambda: None), daemon=True
        )
        self.thread.start()
        wait(lambda: self.broker.connected, 10, self.said)

    def _take(self, message: Message) -> None:
        self.messages.append(message)

    def payloads(self, epoch: int) -> list[bytes]:
        return [m.payload for m in self.messages if m.epoch == epoch]

    def close(self) -> None:
        self.stop.set()
        self.thread.join(5)
        self.broker.close(b"stopped")


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    found = Mosquitto(tmp_path / "broker", careful=True, options="max_inflight_messages 0").start()
    yield found
    found.stop()


def restart(mosquitto: Mosquitto, client: Client, connections: int) -> None:
    time.sleep(1.2)  # the broker's own autosave
    mosquitto.stop()
    wait(lambda: not client.broker.connected, 10)
    mosquitto.start()
    wait(lambda: client.said.count("broker connected") == connections, 20, client.said)


def test_an_acknowledgement_of_an_earlier_connection_acknowledges_nothing(
    mosquitto: Mosquitto,
) -> None:
    """Numbers of messages begin anew with each connection: held over, they would make the
    broker forget other messages (MQTT 5, section 4.4).
    """
    client = Client(mosquitto)
    first = [b"1", b"2", b"3"]
    mosquitto.publish(TOPIC, first)
    wait(lambda: client.payloads(1) == first)
    assert client.broker.unacknowledged == 3
    restart(mosquitto, client, 2)
    assert client.forgotten == [2]
    wait(lambda: client.payloads(2) == first, about="what was not acknowledged comes again")
    client.broker.acknowledge([m for m in client.messages if m.epoch == 1])
    time.sleep(0.5)
    assert client.broker.unacknowledged == 3
    restart(mosquitto, client, 3)
    wait(lambda: client.payloads(3) == first, about="and again")
    client.broker.acknowledge([m for m in client.messages if m.epoch == 3])
    wait(lambda: client.broker.unacknowledged == 0)
    mosquitto.publish(TOPIC, [b"4"])
    restart(mosquitto, client, 4)
    wait(lambda: client.payloads(4) == [b"4"], about="but not what was acknowledged")
    client.close()


def test_no_more_than_in_flight_wait_in_memory(mosquitto: Mosquitto) -> None:
    """Also with a broker that sends more after the first acknowledgement, as the tests' own
    does (seen with Mosquitto 2.0.11), and for longer than the connection may be silent.
    """
    client = Client(mosquitto, in_flight=7, keepalive_s=5)
    client.broker.say(b"here")
    payloads = [b"%d" % i for i in range(40)]
    mosquitto.publish(TOPIC, payloads)
    wait(lambda: len(client.messages) == 7)
    time.sleep(12)
    assert len(client.messages) == 7, "the broker keeps the others"
    assert client.said == ["broker connected"], "and does not take us for gone"
    done = 0
    while done < 40:
        ready = client.messages[done:]
        client.broker.acknowledge(ready)
        done += len(ready)
        wait(lambda done=done: len(client.messages) > done or done == 40)
        assert len(client.messages) - done <= 7
    assert client.payloads(1) == payloads, "in their order, each once"
    client.close()


def test_topic_filters_hold(mosquitto: Mosquitto) -> None:
    client = Client(mosquitto)
    mosquitto.publish("small/records/a/b", [b"too deep"])
    mosquitto.publish("small/other", [b"elsewhere"])
    mosquitto.publish("small/records/z", [b"mine"])
    wait(lambda: client.messages)
    time.sleep(0.3)
    assert [(m.topic, m.payload) for m in client.messages] == [("small/records/z", b"mine")]
    client.close()


def test_the_status_is_retained_and_the_newest_wins(mosquitto: Mosquitto) -> None:
    client = Client(mosquitto)
    for word in (b"old", b"older", b"newest"):
        client.broker.say(word)
    wait(lambda: mosquitto.retained("tested/status", 1) == b"newest")
    client.close()
    assert mosquitto.retained("tested/status", 2) == b"stopped"


def test_who_stops_while_messages_come_is_not_taken_for_gone(mosquitto: Mosquitto) -> None:
    """Bytes that nobody reads any more must not reset the connection."""
    client = Client(mosquitto)
    client.stop.set()
    client.thread.join(5)
    mosquitto.publish("small/records/a", [b"1,2,3"] * 20)
    time.sleep(0.3)
    client.close()
    time.sleep(0.3)
    assert mosquitto.retained("tested/status", 2) == b"stopped"
