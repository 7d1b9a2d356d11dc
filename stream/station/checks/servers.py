"""Faults of what the station file says about servers: brokers, mail, webhook, page."""

import re
from collections.abc import Iterator
from typing import Final

from stream.station.models import Station
from stream.station.sources import MqttSource

_ADDRESS: Final = re.compile(r"^[^@\s<>,;]+@[^@\s<>,;]+$")
_LOOPBACK: Final = frozenset({"127.0.0.1", "::1", "localhost"})
_VARIABLE_ONLY: Final = re.compile(r"^\$\{[A-Za-z_][A-Za-z0-9_]*\}$")
_LOGIN: Final = re.compile(r"^https?://[^/?#@:]*:(?!\$\{[A-Za-z_][A-Za-z0-9_]*\}@)[^/?#]*@")
"""An address with a password that stands there as it is."""


def server_faults(station: Station) -> Iterator[str]:
    """Every fault, one line each: path, what is wrong, what to write."""
    yield from _brokers(station)
    yield from _telling(station)


def _brokers(station: Station) -> Iterator[str]:
    for i, s in enumerate(station.sources):
        if not isinstance(s, MqttSource):
            continue
        path = f"sources[{i}]"
        if s.password is not None and not _VARIABLE_ONLY.match(s.password):
            yield (
                f"{path}.password: a password does not belong into the station file; write"
                ' password = "${NAME}" and set NAME in the environment, or password_file'
            )
        if s.password is not None and s.password_file is not None:
            yield f"{path}.password_file: password is given too; remove one"
        if s.username is None and (s.password or s.password_file):
            yield f"{path}.username: missing; a password needs one"
        if not s.tls and (s.ca_file or s.certificate_file or s.key_file):
            yield f"{path}.tls: certificates are given and TLS is off; write tls = true"
        if (s.certificate_file is None) != (s.key_file is None):
            yield f"{path}.certificate_file: certificate_file and key_file go together"
        for j, topic in enumerate(s.topics):
            levels = topic.split("/")
            bad = any(("#" in x or "+" in x) and len(x) > 1 for x in levels)
            if not topic or bad or "#" in levels[:-1]:
                yield f"{path}.topics[{j}]: {topic!r} is not an MQTT topic filter"


def _telling(station: Station) -> Iterator[str]:
    secrets = [("page.token", station.page.token)]
    if station.mail is not None:
        mail = station.mail
        secrets.append(("mail.password", mail.password))
        if mail.password is not None and mail.password_file is not None:
            yield "mail.password_file: password is given too; remove one"
        if mail.username is None and (mail.password or mail.password_file):
            yield "mail.username: missing; a password needs one"
        for path, address in [("mail.sender", mail.sender), *(("mail.to", to) for to in mail.to)]:
            if not _ADDRESS.match(address):
                yield f"{path}: {address!r} is not an address like field@station.example"
        if mail.security == "none" and mail.password is not None and mail.host not in _LOOPBACK:
            yield 'mail.security: a password would go over the network in clear; write "starttls"'
    if station.webhook is not None:
        secrets.append(("webhook.token", station.webhook.token))
        url = station.webhook.url
        if not url.startswith(("http://", "https://")) and not _VARIABLE_ONLY.match(url):
            yield 'webhook.url: not an http:// or https:// address; write one, or "${NAME}"'
        elif _LOGIN.match(url):
            yield (
                "webhook.url: a password does not belong into the station file; write"
                ' "${NAME}" for the whole address and set NAME in the environment'
            )
    for path, secret in secrets:
        if secret is not None and not _VARIABLE_ONLY.match(secret):
            yield (
                f"{path}: a secret does not belong into the station file; write"
                ' "${NAME}" and set NAME in the environment'
            )
    if station.page.token is not None and station.page.token_file is not None:
        yield "page.token_file: token is given too; remove one"
    if (station.alerts.quiet_from is None) != (station.alerts.quiet_to is None):
        yield "alerts.quiet_from: quiet_from and quiet_to go together"
    brokers = any(isinstance(s, MqttSource) for s in station.sources)
    for key in ("summary", "alerts"):
        if getattr(station, key).topic is not None and not brokers:
            yield f"{key}.topic: there is no broker; add a source of kind mqtt, or remove it"
