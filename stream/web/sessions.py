"""Who is signed in: cookies that nobody can make, and that end."""

import hashlib
import hmac
import os
import secrets
import time
from pathlib import Path
from typing import Final

from starlette.middleware.sessions import SessionMiddleware
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from stream.secret import Secret

SESSION_S: Final = 12 * 3600
LEAST_TOKEN: Final = 16
"""Characters; a shorter word can be guessed."""
_KEY_BYTES: Final = 32


class KeyFile:
    """A random key in a file that its owner alone reads; a new one ends every session.

    Parameters
    ----------
    path : Path or None
        Made when it is first needed. Without one, or where it cannot be made, the key
        lasts as long as the process.
    """

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self._known: tuple[int, int] | None = None
        self._key = secrets.token_bytes(_KEY_BYTES)

    def key(self) -> bytes:
        """The key as it is now."""
        if self.path is None:
            return self._key
        try:
            found = self.path.stat()
            if (found.st_mtime_ns, found.st_ino) != self._known:
                self._read(self.path)
        except FileNotFoundError:
            self.renew()
        except OSError:
            return self._key
        return self._key

    def renew(self) -> bool:
        """Another key, at once; whether it could be kept."""
        self._key = secrets.token_bytes(_KEY_BYTES)
        if self.path is None:
            return False
        fresh = self.path.with_name(f"{self.path.name}.{os.getpid()}.new")
        try:
            fresh.unlink(missing_ok=True)
            handle = os.open(fresh, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
            with os.fdopen(handle, "wb") as out:
                out.write(self._key)
            fresh.replace(self.path)
            self._know(self.path)
        except OSError:
            return False
        return True

    def _read(self, path: Path) -> None:
        found = path.read_bytes()
        about = path.stat()
        shared = os.name == "posix" and (about.st_mode & 0o077 or about.st_uid != os.getuid())
        if len(found) < _KEY_BYTES or shared:
            # Others may have read it, or it is none.
            self.renew()
            return
        self._key = found
        self._know(path)

    def _know(self, path: Path) -> None:
        found = path.stat()
        self._known = found.st_mtime_ns, found.st_ino


class Sessions:
    """Signed cookies; a changed key or a changed token ends all of them.

    Parameters
    ----------
    app : ASGIApp
    keys : KeyFile
    token : Secret or None
    secure : bool
        The cookie goes over TLS only.
    """

    def __init__(self, app: ASGIApp, keys: KeyFile, token: Secret | None, *, secure: bool) -> None:
        self._app = app
        self._keys = keys
        self._token = b"" if token is None else token.reveal().encode()
        self._secure = secure
        self._made: tuple[bytes, SessionMiddleware] | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """As ASGI has it."""
        key = self._keys.key()
        if self._made is None or self._made[0] != key:
            word = hmac.new(key, self._token, hashlib.sha256).hexdigest()
            self._made = (
                key,
                SessionMiddleware(
                    self._app,
                    secret_key=word,
                    session_cookie="lidstream",
                    max_age=SESSION_S,
                    same_site="strict",
                    https_only=self._secure,
                ),
            )
        await self._made[1](scope, receive, send)


def begin(request: Request, writer: str) -> None:
    """A session of its own, so that a form's word known before is of no use after."""
    request.session.clear()
    request.session["writer"] = writer
    request.session["since"] = int(time.time())


def writer_of(request: Request) -> str | None:
    """Who is signed in; nobody twelve hours after they did, however busy the cookie was."""
    writer, since = request.session.get("writer"), request.session.get("since")
    if not isinstance(writer, str) or not isinstance(since, int):
        return None
    return writer if 0 <= time.time() - since < SESSION_S else None
