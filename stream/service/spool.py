"""Messages on the disk while there is no database: taken once it can be opened."""

import base64
import json
import os
import zlib
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from stream.ingest.broker.messages import Message
from stream.station import MqttSource, StationFile

_TOGETHER: Final = 2000


class Spool:
    """A file of messages, one a line, in the order in which they came.

    Parameters
    ----------
    path : Path
        It is there only while it holds something.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.damaged = 0
        """Lines that :meth:`groups` could not read."""

    @classmethod
    def of(cls, file: StationFile) -> "Spool":
        """Beside the station file, since the database may lie on a disk that is away."""
        return cls(file.path.resolve().parent / f".{file.station.id}.spool")

    @property
    def is_empty(self) -> bool:
        """Whether nothing waits."""
        return not self.path.exists()

    def keep(self, source: str, messages: Sequence[Message]) -> None:
        """Write messages down; they are on the disk when this returns.

        Raises
        ------
        OSError
            The disk refuses; none of them counts as kept.
        """
        lines = [
            json.dumps(
                {
                    "source": source,
                    "topic": m.topic,
                    "payload": base64.b64encode(m.payload).decode(),
                    "arrived_us": m.arrived_us,
                    "sum": _sum(source, m),
                }
            ).encode()
            for m in messages
        ]
        handle = os.open(self.path, os.O_CREAT | os.O_APPEND | os.O_WRONLY, 0o660)
        try:
            before = os.fstat(handle).st_size
            try:
                # What a failure cut off before stands on a line of its own.
                _write(handle, b"\n" + b"\n".join(lines) + b"\n")
                os.fsync(handle)
            except OSError:
                with suppress(OSError):
                    os.ftruncate(handle, before)  # a full disk takes the first half of it
                raise
        finally:
            os.close(handle)
        folder = os.open(self.path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def groups(self) -> Iterator[tuple[str, list[Message]]]:
        """Messages of one source that follow one another, so many at a time."""
        source, group = "", list[Message]()
        self.damaged = 0
        with self.path.open("rb") as lines:
            for line in lines:
                try:
                    found = json.loads(line)
                    message = Message(
                        found["topic"], base64.b64decode(found["payload"]), found["arrived_us"]
                    )
                    of = str(found["source"])
                    if found["sum"] != _sum(of, message):
                        raise ValueError("its checksum differs")
                except (ValueError, KeyError, TypeError):
                    self.damaged += bool(line.strip())
                    continue  # empty, damaged, or cut off before it was acknowledged
                if group and (of != source or len(group) >= _TOGETHER):
                    yield source, group
                    group = []
                source = of
                group.append(message)
        if group:
            yield source, group

    def clear(self) -> None:
        """Nothing waits any more; a file with lines that could not be read is kept aside."""
        if self.damaged:
            self.path.replace(self.path.with_name(f"{self.path.name}.damaged"))
        else:
            self.path.unlink(missing_ok=True)


def _sum(source: str, message: Message) -> int:
    content = f"{source}\0{message.topic}\0{message.arrived_us}\0".encode() + message.payload
    return zlib.crc32(content)


def key_of(source: MqttSource) -> str:
    """What a source is known by, wherever it stands in the station file."""
    return f"{source.host}:{source.port} {' '.join(source.topics)}"


def _write(handle: int, content: bytes) -> None:
    view = memoryview(content)
    while view:
        view = view[os.write(handle, view) :]
