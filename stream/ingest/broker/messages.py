"""Messages of a broker into batches: SenML packs, or arrays of rows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, Final, Literal

import msgspec
import numpy as np

from stream.errors import RecordError
from stream.ingest.batches import MAX_REJECT_TEXT, Batch, Reject, from_cells, refusal
from stream.ingest.broker.senml import Cells, add_plain_pack, decode_pack
from stream.ingest.times.time_columns import epoch_to_micros
from stream.ingest.times.timestamps import LoggerClock, parse_time
from stream.times import SECOND

_MAX_EPOCH_S: Final = 1e11


@dataclass(frozen=True, slots=True)
class Message:
    """One message as it came.

    Attributes
    ----------
    topic : str
    payload : bytes
    arrived_us : int
        By the clock of this computer [µs].
    epoch, number, qos : int
        Connection it came on, its number there, and its quality of service: what it
        takes to acknowledge it, and not another.
    """

    topic: str
    payload: bytes
    arrived_us: int
    epoch: int = 0
    number: int = 0
    qos: int = 1


class Decoder:
    """Decodes the messages of one source.

    Parameters
    ----------
    name : str
        Of the source, for the journal.
    units : mapping of str to str
        The station's channels → their units.
    payload : str
        ``senml`` or ``rows``.
    time_column : str
        Of rows.
    clock : tzinfo
        Of times in rows that bear no offset.
    max_bytes : int
        A larger payload goes to quarantine.
    """

    def __init__(
        self,
        name: str,
        units: Mapping[str, str],
        payload: Literal["senml", "rows"],
        time_column: str,
        clock: tzinfo,
        max_bytes: int,
    ) -> None:
        self.name = name
        self._units = units
        self._payload = payload
        self._time_column = time_column
        self._clock = clock
        self._clocks: dict[str, LoggerClock] = {}
        self._max_bytes = max_bytes

    def batch(self, messages: Sequence[Message]) -> Batch:
        """All records of some messages; what cannot be understood is refused with its reason.

        A message has no line, so that one that is delivered again is refused as the
        same line of quarantine.
        """
        rejects: list[Reject] = []
        plain: Cells = {}
        careful: dict[str, list[tuple[Any, Any]]] = {}
        for message in messages:
            try:
                self._add(message, plain, careful, rejects)
            except RecordError as error:
                rejects.append(refusal(message.topic, 0, str(error), message.payload))
        cells = {
            channel: (epoch_to_micros(np.array(seconds)), np.array(values) + 0.0)
            for channel, (seconds, values) in plain.items()
        }
        for channel, parts in careful.items():
            held = [cells[channel]] if channel in cells else []
            together = [*held, *parts]
            cells[channel] = (
                np.concatenate([p[0] for p in together]),
                np.concatenate([p[1] for p in together]),
            )
        return from_cells(self.name, cells, 0, rejects)

    def _add(
        self,
        message: Message,
        plain: Cells,
        careful: dict[str, list[tuple[Any, Any]]],
        rejects: list[Reject],
    ) -> None:
        size = len(message.payload)
        if size > self._max_bytes:
            raise RecordError(f"{size} bytes are over max_payload_bytes ({self._max_bytes})")
        if self._payload == "senml":
            if add_plain_pack(message.payload, self._units, plain):
                return
            pack = decode_pack(
                message.topic, message.payload, self._units, line=0, now_us=message.arrived_us
            )
        else:
            pack = self._rows(message)
        rejects += pack.rejects
        for j, channel in enumerate(pack.channels):
            there = ~np.isnan(pack.values[:, j])
            careful.setdefault(channel, []).append((pack.times[there], pack.values[there, j]))

    def _rows(self, message: Message) -> Batch:
        try:
            rows = msgspec.json.decode(message.payload)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
            raise RecordError(f"not JSON: {error}") from None
        if not isinstance(rows, list):
            raise RecordError("not an array of rows")
        cells: dict[str, tuple[list[int], list[float]]] = {}
        rejects: list[Reject] = []
        for index, row in enumerate(rows):
            try:
                self._row(message.topic, row, cells)
            except RecordError as error:
                text = msgspec.json.encode(row).decode()[:MAX_REJECT_TEXT]
                rejects.append(Reject(message.topic, 0, f"row {index + 1}: {error}", text))
        arrays = {
            channel: (np.array(times, dtype=np.int64), np.array(values))
            for channel, (times, values) in cells.items()
        }
        return from_cells(message.topic, arrays, 0, rejects)

    def _row(
        self, topic: str, row: object, cells: dict[str, tuple[list[int], list[float]]]
    ) -> None:
        if not isinstance(row, dict):
            raise RecordError("not an object")
        if self._time_column not in row:
            raise RecordError(f"no {self._time_column!r}")
        time_us = self._time(topic, row[self._time_column])
        found: list[tuple[str, float]] = []
        for name, value in row.items():
            if name not in self._units or name == self._time_column or value is None:
                continue
            if not isinstance(value, int | float):
                raise RecordError(f"{name}: the value is not a number")
            if not np.isfinite(number := _float(value)):
                raise RecordError(f"{name}: the value is out of bounds")
            found.append((name, number))
        for name, number in found:
            times, values = cells.setdefault(name, ([], []))
            times.append(time_us)
            values.append(number)

    def _time(self, topic: str, value: object) -> int:
        if isinstance(value, str):
            time_us, is_local = parse_time(value.strip())
            if not is_local:
                return time_us
            clock = self._clocks.setdefault(topic, LoggerClock(self._clock))
            return int(clock.to_utc(np.array([time_us], dtype=np.int64))[0])
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RecordError("the time is neither text nor a number")
        if not abs(_float(value)) < _MAX_EPOCH_S:
            raise RecordError("the time is out of bounds")
        return round(value * SECOND)


def _float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:
        return float("inf")
