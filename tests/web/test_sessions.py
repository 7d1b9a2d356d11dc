"""Cookies: nobody can make one, they end, and a short word lets nobody write."""

import base64
import hashlib
import hmac
import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from itsdangerous import TimestampSigner
from page_client import alone
from page_served import WORD

from stream.cli.command import main
from stream.station import StationFile
from stream.web.sessions import KeyFile

Make = Callable[..., StationFile]


@pytest.fixture
def open_page(make_station: Make, monkeypatch: pytest.MonkeyPatch) -> StationFile:
    """A station whose page can be written on."""
    monkeypatch.setenv("LIDSTREAM_PAGE_WORD", WORD)
    return make_station(extra='[page]\ntoken = "${LIDSTREAM_PAGE_WORD}"')


def forged(key: str, **content: object) -> str:
    """A cookie as Starlette signs them, by whoever has a key."""
    data = base64.b64encode(json.dumps(content).encode())
    return f"lidstream={TimestampSigner(key).sign(data).decode()}"


def test_a_cookie_made_from_the_word_alone_is_nobodys(
    open_page: StationFile, database_url: str, measured: Callable[[str, object], None]
) -> None:
    """What was signed with could be guessed without asking us, from any cookie and a list."""
    once = hmac.new(WORD.encode(), b"lidstream session", hashlib.sha256).hexdigest()
    keys = (once, WORD, "", hmac.new(b"", WORD.encode(), hashlib.sha256).hexdigest())
    answers = []
    with alone(open_page, database_url) as client:
        for key in keys:
            client.cookie = forged(key, writer="Mallory", since=int(time.time()), form="f")
            note = {"form": "f", "kind": "other", "text": "x", "key": "1"}
            answers.append(client.ask("POST", "/log", note)[0])
            assert "Mallory" not in client.ask("GET", "/log")[1]
    wrote = len(answers) - answers.count(403)
    measured("cookies forged from the word alone that wrote a note", f"{wrote} of {len(keys)}")
    assert wrote == 0


def test_the_key_is_random_and_its_owners_alone(
    open_page: StationFile, sqlite_url: str, tmp_path: Path
) -> None:
    with alone(open_page, sqlite_url) as client:
        assert client.sign_in() == 303
        path = tmp_path / ".small.page-key"
        assert path.stat().st_mode & 0o777 == 0o600
        assert len(path.read_bytes()) == 32
        assert WORD.encode() not in path.read_bytes()
        client.ask("GET", "/")
        assert "R. Tarn" in client.ask("GET", "/log")[1]
    # Over a restart people stay signed in.
    cookie = client.cookie
    with alone(open_page, sqlite_url) as client:
        client.cookie = cookie
        assert "R. Tarn" in client.ask("GET", "/log")[1]


def test_sessions_end_on_request_and_with_another_word(
    open_page: StationFile, sqlite_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    station = str(tmp_path / "station.toml")
    with alone(open_page, sqlite_url) as client:
        client.sign_in()
        cookie = client.cookie
        assert main(["page", station, "--database", sqlite_url, "--end-sessions"]) == 0
        assert capsys.readouterr().out == "All sessions are ended.\n"
        client.cookie = cookie
        assert "R. Tarn" not in client.ask("GET", "/log")[1]
        assert client.sign_in() == 303
        cookie = client.cookie
    monkeypatch.setenv("LIDSTREAM_PAGE_WORD", WORD + " and another")
    with alone(open_page, sqlite_url) as client:
        client.cookie = cookie
        assert "R. Tarn" not in client.ask("GET", "/log")[1]


def test_a_session_ends_after_twelve_hours_however_busy(
    open_page: StationFile, sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = time.time
    with alone(open_page, sqlite_url) as client:
        client.sign_in()
        for hours in range(1, 12):
            monkeypatch.setattr(time, "time", lambda h=hours: real() + h * 3600)
            assert "R. Tarn" in client.ask("GET", "/log")[1], hours
        monkeypatch.setattr(time, "time", lambda: real() + 12 * 3600 + 60)
        assert "R. Tarn" not in client.ask("GET", "/log")[1]


@pytest.mark.parametrize("how", ["open", "group", "foreign", "short", "gone"])
def test_a_key_that_others_may_have_read_is_replaced(tmp_path: Path, how: str) -> None:
    path = tmp_path / "key"
    first = KeyFile(path).key()
    assert KeyFile(path).key() == first
    if how == "open":
        path.chmod(0o644)
    elif how == "group":
        path.chmod(0o640)
    elif how == "foreign":
        if os.geteuid():
            pytest.skip("only root can give a file to somebody else")
        os.chown(path, 12_345, -1)
    elif how == "short":
        path.write_bytes(b"x")
    else:
        path.unlink()
    second = KeyFile(path).key()
    assert second != first
    assert path.stat().st_mode & 0o777 == 0o600
    assert path.stat().st_uid == os.geteuid()
    assert path.read_bytes() == second
    assert os.listdir(tmp_path) == ["key"]


def test_where_no_key_can_be_kept_there_is_one_for_as_long_as_we_run(tmp_path: Path) -> None:
    keys = KeyFile(tmp_path / "nowhere" / "key")
    assert keys.key()
    assert not keys.renew()


@pytest.mark.parametrize("word", ["x", "fifteen letters"])
def test_a_short_word_lets_nobody_write(
    make_station: Make, sqlite_url: str, monkeypatch: pytest.MonkeyPatch, word: str
) -> None:
    monkeypatch.setenv("LIDSTREAM_PAGE_WORD", word)
    file = make_station(extra='[page]\ntoken = "${LIDSTREAM_PAGE_WORD}"')
    with alone(file, sqlite_url) as client:
        assert "fewer than 16 characters" in client.ask("GET", "/log")[1]
        assert "<form" not in client.ask("GET", "/log")[1]
        assert client.ask("POST", "/sign-in", {"form": "x", "name": "x", "token": word})[0] == 403
