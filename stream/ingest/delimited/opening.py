"""A file of delimited text opened: encoding, layout, and the reader that fits."""

from dataclasses import dataclass, replace
from typing import Final

from stream.errors import SourceError
from stream.ingest.delimited.delimited import DelimitedReader
from stream.ingest.delimited.header import Wanted, find_channels, wanted_columns
from stream.ingest.delimited.layout import Layout, digest_of_keys, find_layout, no_layout
from stream.ingest.delimited.text import Encoding, find_encoding
from stream.ingest.times.timestamps import DateOrder, may_be_open
from stream.station import FolderSource, Station, read_clock

_FIRST_LINES: Final = 8
"""So many lines behind a header are looked at for what must be asked first."""


@dataclass(frozen=True, slots=True)
class Found:
    """What the beginning of a file told.

    Attributes
    ----------
    name : str
        Of the file, for messages.
    encoding : Encoding
    layout : Layout
    ambiguous : str or None
        A date whose order of day and month must be known before anything is taken.
    """

    name: str
    encoding: Encoding
    layout: Layout
    ambiguous: str | None


class TextFiles:
    """Opens the text files of one source.

    Parameters
    ----------
    source : FolderSource
    wanted : Wanted
    clock : str
        Of stamps that bear no offset, where the source has none of its own.
    """

    def __init__(self, source: FolderSource, wanted: Wanted, clock: str) -> None:
        self.source = source
        self._wanted = wanted
        self._clock = clock

    @classmethod
    def of(cls, station: Station, source: FolderSource) -> "TextFiles":
        """Those of a station's source."""
        return cls(source, wanted_columns(station), station.station.clock)

    def find(self, name: str, head: bytes) -> Found | None:
        """Look at the beginning of a file; None where it does not tell yet.

        Raises
        ------
        SourceError
            See :func:`find_layout`.
        SourceWaits
            The first record has a time zone that the station file must explain.
        """
        encoding = find_encoding(head, self.source.encoding)
        lines = self._whole_lines(encoding, head)
        text = encoding.to_utf8(lines)
        layout = find_layout(name, text, self.source, self._wanted)
        if layout is None:
            return None
        layout = replace(layout, keys=digest_of_keys(self.source))
        found = Found(name, encoding, layout, None)
        # What the first records ask about, before anything is taken.
        begin = text.split(b"\n", layout.header_lines + _FIRST_LINES)[:-1]
        plain = replace(found, encoding=Encoding())
        self.reader(plain).rows(b"".join(line + b"\n" for line in begin))
        if self.source.date_order is not None or not may_be_open(text):
            return found
        probe = self.reader(found)
        probe.rows(lines)
        return Found(name, encoding, layout, probe.ambiguous)

    def why_not(self, name: str, head: bytes) -> SourceError:
        """Why a file's beginning gave nothing."""
        encoding = find_encoding(head, self.source.encoding)
        lines = encoding.to_utf8(self._whole_lines(encoding, head))
        return no_layout(name, lines, self.source, self._wanted)

    def again(self, name: str, head: bytes, layout: Layout) -> Found | None:
        """A file whose layout is known from when it was read last; None where the station
        file says since how it is written.

        Raises
        ------
        SourceError
            Two columns fit one channel.
        """
        if layout.keys != digest_of_keys(self.source):
            return None
        # Channels may have been added since.
        layout = replace(layout, channels=find_channels(name, layout.header, self._wanted))
        return Found(name, find_encoding(head, self.source.encoding), layout, None)

    def reader(self, found: Found, order: DateOrder | None = None) -> DelimitedReader:
        """A reader that stands at the file's beginning.

        Parameters
        ----------
        found : Found
        order : {'dmy', 'mdy', 'ymd'}, optional
            Of dates like 03.04.2026, where the station file does not give it.
        """
        layout = found.layout if order is None else replace(found.layout, order=order)
        clock = read_clock(self.source.clock or self._clock)
        return DelimitedReader(found.name, layout, self._wanted, clock, self.source, found.encoding)

    @staticmethod
    def _whole_lines(encoding: Encoding, head: bytes) -> bytes:
        """Up to the last line end, or all of it where there is none."""
        return head[: encoding.lines_end(head)] or head
