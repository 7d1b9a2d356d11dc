"""Files that appear whole, or not at all."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stream.errors import LidstreamError


@contextmanager
def part_of(path: Path) -> Iterator[Path]:
    """A path beside ``path`` to write to, which takes its place at the end.

    Raises
    ------
    LidstreamError
        The path cannot be written.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            yield part
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise LidstreamError(
            f"{path}: cannot be written: {error.strerror}; choose another --out"
        ) from None


def write_whole(path: Path, text: str) -> None:
    """Write a text.

    Raises
    ------
    LidstreamError
        The path cannot be written.
    """
    with part_of(path) as part:
        part.write_text(text, encoding="utf-8", newline="")
