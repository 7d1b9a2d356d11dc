"""The ways in which something is told: mail, MQTT, a webhook. Each sends one message."""

import json
import smtplib
import ssl
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from email.message import EmailMessage
from email.utils import formatdate
from typing import Any, Final

from stream.errors import LidstreamError, SourceLost
from stream.sources.publish import publish
from stream.station import MqttSource, StationFile
from stream.store.messages import Message

_WAIT_S: Final = 20.0

Send = Callable[[StationFile, Message], None]


class NotTold(LidstreamError):
    """A message could not be handed over; it is kept and tried again."""


def send(file: StationFile, message: Message) -> None:
    """Hand one message over.

    Raises
    ------
    NotTold
        Nobody took it: why, in one line.
    """
    try:
        _WAYS[message.way](file, message)
    except NotTold:
        raise
    except LidstreamError as error:
        raise NotTold(str(error)) from None


def mail_of(file: StationFile, message: Message) -> EmailMessage:
    """The mail of a message, as text and, where there is any, as HTML.

    Its identifier is the message's name, so that one that is delivered twice can be known.
    """
    rules, content = file.station.mail, message.content
    if rules is None:
        raise NotTold("no [mail] in the station file")
    mail = EmailMessage()
    mail["Subject"] = " ".join(str(content["subject"]).split())
    mail["From"] = rules.sender
    mail["To"] = ", ".join(rules.to)
    mail["Date"] = formatdate(localtime=False)
    name = "".join(c if c.isalnum() or c in "-_." else "-" for c in message.name)
    mail["Message-ID"] = f"<{name}@{file.station.id}.lidstream>"
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(content["text"])
    if content.get("html"):
        mail.add_alternative(content["html"], subtype="html")
    return mail


def _mail(file: StationFile, message: Message) -> None:
    mail, rules = mail_of(file, message), file.station.mail
    assert rules is not None
    where = f"mail server {rules.host}:{rules.port}"
    try:
        trust = ssl.create_default_context(
            cafile=None if rules.ca_file is None else str(file.beside(rules.ca_file))
        )
        if rules.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(
                rules.host, rules.port, timeout=_WAIT_S, context=trust
            )
        else:
            server = smtplib.SMTP(rules.host, rules.port, timeout=_WAIT_S)
        with server:
            if rules.security == "starttls":
                server.starttls(context=trust)
            if rules.username is not None:
                server.login(rules.username, file.password_of(rules) or "")
            server.send_message(mail)
    except (OSError, smtplib.SMTPException) as error:
        raise NotTold(f"{where}: {_words(error)}") from None


def _mqtt(file: StationFile, message: Message) -> None:
    source = next((s for s in file.station.sources if isinstance(s, MqttSource)), None)
    if source is None:
        raise NotTold("there is no broker among the sources")
    names = (source.ca_file, source.certificate_file, source.key_file)
    ca_file, certificate, key = (None if n is None else file.beside(n) for n in names)
    try:
        publish(
            source,
            file.password_of(source),
            (ca_file, certificate, key),
            str(message.content["topic"]),
            json.dumps(message.content["json"], ensure_ascii=False).encode(),
            retain=bool(message.content.get("retain", False)),
        )
    except SourceLost as error:
        raise NotTold(str(error)) from None


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A token goes to the address that was written down, and to no other."""

    def redirect_request(self, *_: Any) -> None:
        """Follow nothing."""


def _webhook(file: StationFile, message: Message) -> None:
    rules = file.station.webhook
    if rules is None:
        raise NotTold("no [webhook] in the station file")
    headers = {"Content-Type": "application/json", "User-Agent": "lidstream"}
    token = file.webhook_token
    if token:
        headers["Authorization"] = f"Bearer {token}"
    body: Mapping[str, Any] = {"id": message.name, **message.content["json"]}
    request = urllib.request.Request(
        rules.url, json.dumps(body, ensure_ascii=False).encode(), headers, method="POST"
    )
    try:
        with urllib.request.build_opener(_NoRedirect).open(request, timeout=_WAIT_S):
            return
    except urllib.error.HTTPError as error:
        raise NotTold(f"webhook: answered {error.code}") from None
    except OSError as error:
        raise NotTold(f"webhook: {_words(error)}") from None


def _words(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        said = error.smtp_error
        text = said.decode(errors="replace") if isinstance(said, bytes) else str(said)
        return f"answered {error.smtp_code} {text}".splitlines()[0]
    return str(getattr(error, "strerror", None) or error) or type(error).__name__


_WAYS: Final[dict[str, Send]] = {"mail": _mail, "mqtt": _mqtt, "webhook": _webhook}
