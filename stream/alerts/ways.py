"""The ways in which something is told: mail, MQTT, a webhook. Each sends one message."""

import json
import smtplib
import socket
import ssl
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from email.message import EmailMessage
from email.utils import formatdate
from http.client import HTTPConnection, HTTPException, HTTPResponse, HTTPSConnection
from typing import Any, Final

from stream.alerts.deadline import Deadline
from stream.alerts.publish import publish
from stream.errors import LidstreamError, SourceLost
from stream.secret import parted_site
from stream.station import MqttSource, StationFile
from stream.store.messages import Message

_WAIT_S: Final = 20.0
"""For each answer."""
_ALL_S: Final = 40.0
"""For all of a conversation."""

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
    except Exception as error:
        # Whatever a server may answer, it must not end the thread that tells.
        raise NotTold(f"{message.way}: {type(error).__name__}: {_words(error)}") from None


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


class _MailServer(smtplib.SMTP):
    """A mail server that must be done by a deadline; ``trust`` where TLS comes first."""

    def __init__(self, deadline: Deadline, trust: ssl.SSLContext | None) -> None:
        self._deadline = deadline
        self._trust = trust
        super().__init__(timeout=_WAIT_S)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        connection = socket.create_connection((host, port), timeout)
        self._deadline.watch(connection)
        self._host = host
        if self._trust is None:
            return connection
        return self._trust.wrap_socket(connection, server_hostname=host)


def _mail(file: StationFile, message: Message) -> None:
    mail, rules = mail_of(file, message), file.station.mail
    assert rules is not None
    where = f"mail server {rules.host}:{rules.port}"
    with Deadline(_ALL_S) as deadline:
        try:
            trust = ssl.create_default_context(
                cafile=None if rules.ca_file is None else str(file.beside(rules.ca_file))
            )
            with _MailServer(deadline, trust if rules.security == "tls" else None) as server:
                code, said = server.connect(rules.host, rules.port)
                if code != 220:
                    raise smtplib.SMTPConnectError(code, said)
                if rules.security == "starttls":
                    server.starttls(context=trust)
                if rules.username is not None:
                    password = file.password_of(rules)
                    server.login(rules.username, password.reveal() if password else "")
                server.send_message(mail)
        except (OSError, smtplib.SMTPException) as error:
            raise _failure(where, error, deadline) from None


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


class _Connection(HTTPConnection):
    """One that must be done by a deadline."""

    deadline: Deadline

    def connect(self) -> None:
        """Connect; TLS, where there is any, comes after this."""
        super().connect()
        self.deadline.watch(self.sock)


class _TlsConnection(HTTPSConnection, _Connection):
    """The same over TLS: its class connects through the one above."""


class _Http(urllib.request.HTTPHandler, urllib.request.HTTPSHandler):
    def __init__(self, deadline: Deadline) -> None:
        super().__init__()
        self._deadline = deadline

    def _watched(self, kind: type[_Connection], host: str, rest: dict[str, Any]) -> HTTPConnection:
        connection = kind(host, **rest)
        connection.deadline = self._deadline
        return connection

    def http_open(self, req: urllib.request.Request) -> HTTPResponse:
        """Over TCP."""
        return self.do_open(lambda host, **rest: self._watched(_Connection, host, rest), req)

    def https_open(self, req: urllib.request.Request) -> HTTPResponse:
        """Over TLS."""
        return self.do_open(lambda host, **rest: self._watched(_TlsConnection, host, rest), req)


def _webhook(file: StationFile, message: Message) -> None:
    if not file.webhook_url.startswith(("http://", "https://")):
        raise NotTold("no [webhook] with an http:// or https:// address in the station file")
    try:
        url, login = parted_site(file.webhook_url)
    except ValueError as error:
        raise NotTold(f"webhook: webhook.url: {error}") from None
    headers = {"Content-Type": "application/json", "User-Agent": "lidstream"}
    token = file.webhook_token
    if token and login:
        raise NotTold("webhook: webhook.url bears a name, and there is a token too; remove one")
    if login:
        headers["Authorization"] = f"Basic {login.reveal()}"
    if token:
        headers["Authorization"] = f"Bearer {token.reveal()}"
    body: Mapping[str, Any] = {"id": message.name, **message.content["json"]}
    request = urllib.request.Request(
        url, json.dumps(body, ensure_ascii=False).encode(), headers, method="POST"
    )
    with Deadline(_ALL_S) as deadline:
        try:
            opener = urllib.request.build_opener(_NoRedirect, _Http(deadline))
            with opener.open(request, timeout=_WAIT_S):
                return
        except urllib.error.HTTPError as error:
            raise NotTold(f"webhook: answered {error.code}") from None
        except (OSError, HTTPException) as error:
            raise _failure("webhook", error, deadline) from None


def _failure(where: str, error: Exception, deadline: Deadline) -> NotTold:
    if deadline.passed:
        return NotTold(f"{where}: not done within {deadline.seconds:.0f} s")
    if isinstance(error, HTTPException):
        return NotTold(f"{where}: its answer is not HTTP; correct webhook.url")
    return NotTold(f"{where}: {_words(error)}")


def _words(error: Exception) -> str:
    if isinstance(error, urllib.error.URLError) and isinstance(error.reason, Exception):
        error = error.reason
    if isinstance(error, smtplib.SMTPResponseException):
        said = error.smtp_error
        text = said.decode(errors="replace") if isinstance(said, bytes) else str(said)
        return f"answered {error.smtp_code} {text}".splitlines()[0]
    return str(getattr(error, "strerror", None) or error) or type(error).__name__


_WAYS: Final[dict[str, Send]] = {"mail": _mail, "mqtt": _mqtt, "webhook": _webhook}
