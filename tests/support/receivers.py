"""Who is told in tests: a mail server and a receiver of webhooks, both real and local."""

import json
import ssl
import threading
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from broker import free_port


class Mailbox:
    """An SMTP server that keeps what it gets; it may want a password, or refuse for a while."""

    USER, PASSWORD = "station", "between the rows 7"

    def __init__(self, *, login: bool = False, tls: Path | None = None) -> None:
        self.mails: list[EmailMessage] = []
        self.refuse = 0
        self.port = free_port()
        more: dict[str, Any] = {}
        if login:
            more = {
                "authenticator": self._check,
                "auth_required": True,
                "auth_require_tls": False,
            }
        if tls is not None:
            context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
            context.load_cert_chain(tls / "broker.pem", tls / "broker.key")
            more |= {"tls_context": context, "require_starttls": True}
        self._controller = Controller(self, hostname="127.0.0.1", port=self.port, **more)

    def _check(self, *words: Any) -> AuthResult:
        given = words[-1]
        right = isinstance(given, LoginPassword) and (
            given.login.decode(), given.password.decode()
        ) == (self.USER, self.PASSWORD)  # fmt: skip
        return AuthResult(success=right, handled=right)

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:
        """Called by the server for each mail."""
        if self.refuse:
            self.refuse -= 1
            return "451 come back later"
        content = envelope.content
        assert isinstance(content, bytes)
        mail = message_from_bytes(content, policy=default)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        return "250 kept"

    def __enter__(self) -> "Mailbox":
        self._controller.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._controller.stop()


class Hook:
    """An HTTP server that keeps what is posted to it."""

    def __init__(self) -> None:
        self.posts: list[tuple[dict[str, str], dict[str, Any]]] = []
        self.answer = 204
        kept = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if kept.answer < 300:
                    kept.posts.append((dict(self.headers), json.loads(body)))
                self.send_response(kept.answer)
                if kept.answer == 302:
                    self.send_header("Location", "/elsewhere")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/alerts"
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)

    def __enter__(self) -> "Hook":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)
