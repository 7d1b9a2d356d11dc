"""One message to a broker, over a connection of its own."""

import contextlib
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from stream.errors import SourceLost
from stream.ingest.broker.mqtt import tls_context, why
from stream.ingest.broker.readiness import ready
from stream.secret import Secret
from stream.station import MqttSource

_WAIT_S: Final = 10.0


def publish(
    source: MqttSource,
    password: Secret | None,
    files: tuple[Path | None, Path | None, Path | None],
    topic: str,
    payload: bytes,
    *,
    retain: bool,
) -> None:
    """Publish at QoS 1, and wait until the broker has it.

    Raises
    ------
    SourceLost
        The broker is away, refuses, or does not answer in time.
    """
    name = f"mqtt://{source.host}:{source.port}"
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.connect_timeout = _WAIT_S
    if source.username is not None:
        client.username_pw_set(source.username, password.reveal() if password else None)
    if source.tls:
        client.tls_set_context(tls_context(source, *files))
    try:
        client.connect(source.host, source.port, keepalive=source.keepalive_s)
    except OSError as error:
        raise SourceLost(f"{name}: {why(error)}; it is tried again") from None
    end = time.monotonic() + _WAIT_S
    try:
        _turn_until(client.is_connected, client, end)
        handle = client.publish(topic, payload, qos=1, retain=retain)
        _turn_until(handle.is_published, client, end)
    except (OSError, RuntimeError, ValueError) as error:
        raise SourceLost(f"{name}: {why(error)}; it is tried again") from None
    finally:
        client.disconnect()
        with contextlib.suppress(OSError, ValueError):
            client.loop_write()


def _turn_until(done: Callable[[], bool], client: paho.Client, end: float) -> None:
    """Let a client work until something is so.

    Raises
    ------
    OSError
        The broker closed the connection, or it is later than ``end``.
    """
    while not done():
        connection = client.socket()
        if connection is None:
            raise OSError("the broker closed the connection")
        if time.monotonic() > end:
            raise OSError(f"no answer within {_WAIT_S:.0f} s")
        ready([connection], [connection] if client.want_write() else [], 0.1)
        # Also where nothing can be read: TLS may hold what it has decrypted already.
        client.loop_read()
        if client.want_write():
            client.loop_write()
        client.loop_misc()
