"""A broker over MQTT 5: nothing is acknowledged before it is committed.

The broker keeps a session for us while we are away, and keeps every message that we
have not acknowledged. Memory never holds more than ``in_flight`` of them: we ask the
broker for that (Receive Maximum), and since there are brokers that keep to it only at
first, we also stop reading. So a slow disk makes the broker wait instead of us forget.
"""

import contextlib
import os
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from stream.errors import SourceError
from stream.ingest.broker.messages import Message
from stream.ingest.broker.readiness import ready
from stream.secret import Secret
from stream.station import MqttSource

_FAREWELL_S: Final = 2.0
_CONNECT_S: Final = 5.0
_LONGEST_WAIT_S: Final = 30.0
_WAIT_S: Final = 0.5
_READS_A_TURN: Final = 200

Tell = Callable[..., None]
"""``tell(level, event, **details)``: where the log is."""


class Broker:
    """The connection to one broker, run by one thread.

    Parameters
    ----------
    source : MqttSource
    client_id : str
        Names the session that the broker keeps.
    password : Secret or None
    ca_file, certificate_file, key_file : Path or None
        For TLS.
    status_topic : str
        Where our health is retained; also the topic of the last will.
    last_will : bytes
        What the broker says there when we vanish.
    deliver : callable
        Takes each :class:`Message`; must not block.
    forget : callable
        Told the number of a new connection on which the broker sends again what was not
        acknowledged: messages of earlier ones that still wait need not be kept.
    tell : callable
        For the log.
    """

    def __init__(
        self,
        source: MqttSource,
        client_id: str,
        *,
        password: Secret | None,
        files: tuple[Path | None, Path | None, Path | None],
        status_topic: str,
        last_will: bytes,
        deliver: Callable[[Message], None],
        forget: Callable[[int], None],
        tell: Tell,
    ) -> None:
        self.name = f"mqtt://{source.host}:{source.port}"
        self._source = source
        self._deliver = deliver
        self._forget = forget
        self._tell = tell
        self._status_topic = status_topic
        self._status: bytes | None = None
        self._told = b""
        self._heard_of_us = 0.0
        self._epoch = 0
        self._received = 0
        self._acknowledged: deque[Message] = deque()
        self._outstanding = 0
        self._wake_in, self._wake_out = socket.socketpair()
        self._wake_in.setblocking(False)
        self._wake_out.setblocking(False)
        self._quiet = False
        self.connected = False
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            protocol=paho.MQTTv5,
            manual_ack=True,
        )
        client.connect_timeout = _CONNECT_S
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        # Packets are written by the thread that reads, whoever queues them.
        client.on_socket_register_write = lambda *_: None
        client.will_set(status_topic, last_will, qos=1, retain=True)
        if source.username is not None:
            client.username_pw_set(source.username, password.reveal() if password else None)
        if source.tls:
            client.tls_set_context(tls_context(source, *files))
        self._client = client

    @property
    def unacknowledged(self) -> int:
        """Messages of this connection that wait for their commit."""
        return self._outstanding

    def acknowledge(self, messages: Iterable[Message]) -> None:
        """Tell the broker, once their records are committed, that it may forget messages.

        Those of an earlier connection are left alone: their numbers mean other messages
        now, and the broker sends them again.
        """
        self._acknowledged.extend(messages)
        self._wake()

    def say(self, status: bytes) -> None:
        """Retain a status on the status topic; the newest wins while there is no connection."""
        self._status = status
        self._wake()

    def run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        """Stay connected until ``stop`` is set; ``beat`` is called at least every few seconds.

        Raises
        ------
        SourceError
            A certificate or the address cannot be used at all.
        """
        try:
            self._run(stop, beat)
        finally:
            self.connected = False

    def close(self, farewell: bytes) -> None:
        """Say farewell on the status topic and disconnect; the session stays with the broker."""
        with contextlib.suppress(OSError, ValueError):
            if self._client.is_connected():
                self._send_acknowledgements()
                self._client.publish(self._status_topic, farewell, qos=0, retain=True)
                while self._client.want_write() and self._client.socket() is not None:
                    if self._client.loop_write() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                        break
                self._quiet = True
                connection = self._client.socket()
                held = socket.socket(fileno=os.dup(connection.fileno())) if connection else None
                self._client.disconnect()
                self._client.loop_write()
                if held is not None:
                    _read_to_the_end(held)
        self._wake_in.close()
        self._wake_out.close()

    def _run(self, stop: threading.Event, beat: Callable[[], None]) -> None:
        wait = 1.0
        first = True
        while not stop.is_set():
            beat()
            if self._client.socket() is None:
                try:
                    self._quiet = False
                    self._connect(first=first)
                    first = False
                except (OSError, ssl.SSLError, paho.WebsocketConnectionError) as error:
                    self._tell(
                        "warning", "broker away", source=self.name, error=why(error), wait_s=wait
                    )
                    self._pause(stop, beat, wait)
                    wait = min(2 * wait, _LONGEST_WAIT_S)
                    continue
            if self.connected:
                wait = 1.0
            self._turn()
            if self._client.socket() is None and not stop.is_set():
                self._pause(stop, beat, wait)
                wait = min(2 * wait, _LONGEST_WAIT_S)

    def _pause(self, stop: threading.Event, beat: Callable[[], None], seconds: float) -> None:
        until = time.monotonic() + seconds
        while time.monotonic() < until and not stop.wait(min(1.0, seconds)):
            beat()

    def _connect(self, *, first: bool) -> None:
        if not first:
            self._client.reconnect()
            return
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = self._source.session_expiry_s
        properties.ReceiveMaximum = self._source.in_flight
        self._client.connect(
            self._source.host,
            self._source.port,
            keepalive=self._source.keepalive_s,
            clean_start=False,
            properties=properties,
        )

    def _turn(self) -> None:
        """Wait for something to do, and do it."""
        connection = self._client.socket()
        if connection is None:
            return
        full = self._outstanding >= self._source.in_flight
        # What TLS has decrypted already does not make the socket readable.
        pending = 0
        if isinstance(connection, ssl.SSLSocket) and not full:
            pending = connection.pending()
        reading = [self._wake_in] if full else [connection, self._wake_in]
        writing = [connection] if self._client.want_write() else []
        try:
            number = connection.fileno()
            readable, writable = ready(reading, writing, 0 if pending else _WAIT_S)
        except (OSError, ValueError) as error:
            # A socket that its owner has closed since; whatever else it is must be heard of.
            if self._client.socket() is connection:
                self._tell(
                    "error", "broker cannot be waited for", source=self.name, error=why(error)
                )
                time.sleep(_WAIT_S)
            self._client.loop_misc()
            return
        if self._wake_in.fileno() in readable:
            with contextlib.suppress(BlockingIOError):
                self._wake_in.recv(4096)
        self._send_acknowledgements()
        if self._status is not None and self.connected:
            status, self._status = self._status, None
            self._told = status
            self._client.publish(self._status_topic, status, qos=1, retain=True)
        if full:
            self._stay()
        elif number in readable or pending:
            for _ in range(min(_READS_A_TURN, self._source.in_flight - self._outstanding)):
                before = self._received
                if self._client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    break
                if self._received == before:
                    break
        if number in writable or self._client.want_write():
            self._client.loop_write()
        if not full:
            self._client.loop_misc()

    def _stay(self) -> None:
        """Let the broker hear of us while we do not read, its answers to pings included."""
        now = time.monotonic()
        if self._told and now - self._heard_of_us > self._source.keepalive_s / 2:
            self._heard_of_us = now
            self._client.publish(self._status_topic, self._told, qos=0, retain=True)

    def _send_acknowledgements(self) -> None:
        while self._acknowledged:
            message = self._acknowledged.popleft()
            if message.epoch == self._epoch and self.connected:
                self._outstanding -= 1
                if message.qos:
                    self._client.ack(message.number, message.qos)

    def _wake(self) -> None:
        # A full pipe wakes as well as one more byte; a closed one has nobody to wake.
        with contextlib.suppress(OSError):
            self._wake_out.send(b"\0")

    # Called by the client, in the thread of run(). An exception here would end that
    # thread's reading while the connection looks alive, so none may leave.

    def _on_connect(
        self,
        client: paho.Client,
        _data: Any,
        flags: paho.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._quiet = True
            self._tell("error", "broker refuses", source=self.name, reason=str(reason))
            return
        self._epoch += 1
        self._outstanding = 0
        self.connected = True
        self._tell("info", "broker connected", source=self.name, session_kept=flags.session_present)
        if self._epoch > 1 and not flags.session_present:
            self._tell(
                "warning",
                "broker forgot the session; what was published meanwhile did not reach us",
                source=self.name,
            )
        if flags.session_present:
            self._forget(self._epoch)
        client.subscribe([(t, SubscribeOptions(qos=1)) for t in self._source.topics])

    def _on_disconnect(
        self,
        _client: paho.Client,
        _data: Any,
        _flags: paho.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.connected = False
        if not self._quiet:
            self._tell("warning", "broker disconnected", source=self.name, reason=str(reason))

    def _on_subscribe(
        self,
        _client: paho.Client,
        _data: Any,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        for topic, reason in zip(self._source.topics, reasons, strict=False):
            if reason.is_failure:
                self._tell(
                    "error", "broker refuses a topic", source=self.name, topic=topic,
                    reason=str(reason),
                )  # fmt: skip

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        self._received += 1
        self._outstanding += 1
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = repr(message._topic)
        self._deliver(
            Message(
                topic,
                bytes(message.payload),
                time.time_ns() // 1000,
                self._epoch,
                message.mid,
                message.qos,
            )
        )


def tls_context(
    source: MqttSource, ca_file: Path | None, certificate: Path | None, key: Path | None
) -> ssl.SSLContext:
    """What a broker's certificate is checked by.

    Raises
    ------
    SourceError
        A file cannot be used.
    """
    try:
        context = ssl.create_default_context(cafile=str(ca_file) if ca_file else None)
        if certificate is not None:
            context.load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise SourceError(
            f"mqtt://{source.host}:{source.port}: a TLS file cannot be used: {why(error)};"
            " see ca_file, certificate_file and key_file of the source"
        ) from None
    if not source.verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context


def why(error: BaseException) -> str:
    """What an error of the network says, in a few words."""
    return str(getattr(error, "strerror", None) or error) or type(error).__name__


def _read_to_the_end(connection: socket.socket) -> None:
    """Read what still comes until the broker has closed too.

    A connection that is closed over unread bytes is reset, and a broker that is reset takes us for
    gone: its last will would come after the farewell.
    """
    with connection, contextlib.suppress(OSError):
        connection.shutdown(socket.SHUT_WR)
        until = time.monotonic() + _FAREWELL_S
        while (left := until - time.monotonic()) > 0:
            connection.settimeout(left)
            if not connection.recv(65_536):
                return
