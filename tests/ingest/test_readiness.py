"""Sockets whose descriptors are above what select() can watch."""

import contextlib
import os
import resource
import select
import socket
import time

import pytest

from stream.ingest.broker.readiness import ready


def test_a_descriptor_above_1023_is_watched() -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, min(hard, 4096)), hard))
    try:
        with contextlib.ExitStack() as stack:
            handles = [os.open("/dev/null", os.O_RDONLY) for _ in range(1100)]
            stack.callback(lambda: [os.close(h) for h in handles])
            ours, theirs = socket.socketpair()
            stack.enter_context(ours)
            stack.enter_context(theirs)
            assert ours.fileno() > 1023
            with pytest.raises(ValueError, match="filedescriptor out of range"):
                select.select([ours], [], [], 0)
            begun = time.monotonic()
            assert ready([ours], [], 0.2) == (set(), set())
            assert time.monotonic() - begun > 0.15
            theirs.sendall(b"x")
            assert ready([ours], [ours], 5.0) == ({ours.fileno()}, {ours.fileno()})
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_a_closed_socket_is_an_error() -> None:
    ours, theirs = socket.socketpair()
    ours.close()
    theirs.close()
    with pytest.raises((OSError, ValueError)):
        ready([ours], [], 0.1)
