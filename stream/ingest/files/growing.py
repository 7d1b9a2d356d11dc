"""Files that grow: whole lines, and where reading stands behind them."""

from collections.abc import Iterator
from dataclasses import replace

from stream.errors import RecordError
from stream.ingest.batches import Batch, DateOrderKept, refused_batch, together
from stream.ingest.broker.senml import MAX_PACK, PACKS_A_BATCH, decode_pack
from stream.ingest.delimited.cells import Encoding
from stream.ingest.delimited.lines import MAX_LINE
from stream.ingest.delimited.reading import NEVER, UTF8, DelimitedReader, Place
from stream.station import Station


class GrowingText:
    """Lines of delimited text."""

    longest = MAX_LINE

    def __init__(
        self, reader: DelimitedReader, encoding: Encoding, order: DateOrderKept | None
    ) -> None:
        self._reader = reader
        self._order = order
        self.encoding = encoding

    @property
    def layout(self) -> str:
        return self._reader.layout.to_json()

    @property
    def ambiguous(self) -> str | None:
        """A date whose order of day and month was needed and not given, if there was one."""
        return self._reader.ambiguous

    def read(self, block: bytes) -> Iterator[tuple[Batch, Place, int]]:
        batch = replace(self._reader.read_block(block), settled=self._order)
        yield batch, self._reader.place, len(block)


class GrowingPacks:
    """SenML packs, one a line."""

    encoding = UTF8
    layout = None
    ambiguous = None
    longest = MAX_PACK

    def __init__(self, station: Station, name: str, place: Place) -> None:
        self._units = {channel: c.unit for channel, c in station.channels.items()}
        self._name = name
        self._line = place.line

    def read(self, block: bytes) -> Iterator[tuple[Batch, Place, int]]:
        lines = block.splitlines(keepends=True)
        for first in range(0, len(lines), PACKS_A_BATCH):
            group = lines[first : first + PACKS_A_BATCH]
            batches = []
            for line in group:
                self._line += 1
                if not line.strip():
                    continue
                try:
                    batches.append(decode_pack(self._name, line, self._units, line=self._line))
                except RecordError as error:
                    batches.append(refused_batch(self._name, self._line, str(error), line))
            place = Place(self._line, NEVER, NEVER)
            yield together(self._name, batches), place, sum(map(len, group))
