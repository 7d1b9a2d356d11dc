"""Compressed files: gzip (RFC 1952) and zstd (RFC 8878), whole, in members, and broken off."""

import gzip
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.errors import SourceError
from stream.ingest.files.contents import open_content

TEXT = b"".join(b"%d,%f\n" % (i, np.sin(i)) for i in range(20_000))


def read(path: Path, count: int = 1 << 16) -> tuple[bytes, str | None]:
    parts = []
    with open_content(path) as content:
        while part := content.read(count):
            parts.append(part)
    return b"".join(parts), content.broken


PACKED = {
    "plain": TEXT,
    "gzip": gzip.compress(TEXT),
    "gzip in members": gzip.compress(TEXT[:1000]) + gzip.compress(TEXT[1000:]),
    "gzip padded": gzip.compress(TEXT) + b"\0" * 512,
    "zstd": pa.compress(TEXT, "zstd", asbytes=True),
}


@pytest.mark.parametrize("kind", PACKED)
@pytest.mark.parametrize("count", [7, 4096, 1 << 20])
def test_whole_files(tmp_path: Path, kind: str, count: int) -> None:
    path = tmp_path / "log"
    path.write_bytes(PACKED[kind])
    assert read(path, count) == (TEXT, None)


@pytest.mark.parametrize("kind", ["gzip", "zstd"])
def test_broken_files_give_what_they_can(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "log"
    path.write_bytes(PACKED[kind][: len(PACKED[kind]) // 2])
    found, broken = read(path)
    assert TEXT.startswith(found)
    if kind == "gzip":
        assert len(found) > 0.4 * len(TEXT)
        assert broken == "it ends before the end that was packed"


@settings(max_examples=40, deadline=None)
@given(cut=st.integers(2, len(PACKED["gzip"]) - 1), flip=st.integers(10, len(PACKED["gzip"]) - 1))
def test_no_break_and_no_flipped_bit_raises(
    tmp_path_factory: pytest.TempPathFactory, cut: int, flip: int
) -> None:
    path = tmp_path_factory.mktemp("x") / "log"
    path.write_bytes(PACKED["gzip"][:cut])
    found, broken = read(path)
    assert TEXT.startswith(found)
    assert broken is not None
    damaged = bytearray(PACKED["gzip"])
    damaged[flip] ^= 0x10
    path.write_bytes(damaged)
    found, broken = read(path)
    assert found == TEXT or broken is not None


def test_nothing_there(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="cannot be read"), open_content(tmp_path / "none"):
        pass
