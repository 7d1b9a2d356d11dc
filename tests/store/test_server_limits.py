"""How long a server may keep us waiting: for a statement, for a lock, and behind a dead line."""

import socket
import time
from contextlib import closing

import pytest
from psycopg import Connection
from sqlalchemy import text

from stream.errors import StoreError
from stream.store import connect, open_store
from stream.store.schema import marks

pytestmark = pytest.mark.postgres


def test_a_line_that_is_dead_is_noticed_within_a_minute(postgres_url: str) -> None:
    """Asked of the operating system about the connection's own socket; tcp(7)."""
    with closing(open_store(postgres_url)) as store, store.reading() as connection:
        driver = connection.connection.driver_connection
        assert isinstance(driver, Connection)
        with socket.socket(fileno=socket.dup(driver.fileno())) as line:
            assert line.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
            idle, every, count = (
                line.getsockopt(socket.IPPROTO_TCP, option)
                for option in (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT)
            )
            assert idle + every * count <= 60
            sent = line.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT)
            assert 0 < sent <= 60_000


@pytest.mark.parametrize(
    ("what", "told"), [("statement", "statement timeout"), ("lock", "in use by another process")]
)
def test_a_statement_that_takes_too_long_is_one_line(
    postgres_url: str, monkeypatch: pytest.MonkeyPatch, what: str, told: str
) -> None:
    with closing(open_store(postgres_url)) as other:
        monkeypatch.setattr(connect, "STATEMENT_S" if what == "statement" else "BUSY_S", 1)
        with closing(open_store(postgres_url)) as store, other.writing() as holding:
            holding.execute(text(f"LOCK TABLE {marks.name} IN ACCESS EXCLUSIVE MODE"))
            begun = time.monotonic()
            slow = "SELECT pg_sleep(30)" if what == "statement" else f"DELETE FROM {marks.name}"
            with pytest.raises(StoreError) as error, store.writing() as connection:
                connection.execute(text(slow))
            assert time.monotonic() - begun < 20.0
        assert "\n" not in str(error.value)
        assert told in str(error.value)
