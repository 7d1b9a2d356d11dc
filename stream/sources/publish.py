"""One message to a broker, over a connection of its own."""

from pathlib import Path
from typing import Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from stream.errors import SourceLost
from stream.sources.mqtt import tls_context, why
from stream.station import MqttSource

_WAIT_S: Final = 10.0


def publish(
    source: MqttSource,
    password: str | None,
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
        client.username_pw_set(source.username, password)
    if source.tls:
        client.tls_set_context(tls_context(source, *files))
    try:
        client.connect(source.host, source.port, keepalive=source.keepalive_s)
    except OSError as error:
        raise SourceLost(f"{name}: {why(error)}; it is tried again") from None
    client.loop_start()
    try:
        handle = client.publish(topic, payload, qos=1, retain=retain)
        try:
            handle.wait_for_publish(_WAIT_S)
        except (RuntimeError, ValueError) as error:
            raise SourceLost(f"{name}: {error}; it is tried again") from None
        if not handle.is_published():
            raise SourceLost(f"{name}: no answer within {_WAIT_S:.0f} s; it is tried again")
    finally:
        client.disconnect()
        client.loop_stop()
