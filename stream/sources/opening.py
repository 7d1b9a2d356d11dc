"""A file of delimited text opened: encoding, layout, and the reader that fits."""

from dataclasses import dataclass

from stream.errors import SourceError
from stream.sources.delimited import DelimitedReader
from stream.sources.header import Wanted, says_utc, wanted_columns
from stream.sources.layout import Layout, find_layout, no_layout
from stream.sources.text import Encoding, find_encoding
from stream.sources.timestamps import DateOrder
from stream.station import FolderSource, Station, read_clock


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
        """
        encoding = find_encoding(head, self.source.encoding)
        lines = self._whole_lines(encoding, head)
        layout = find_layout(name, encoding.to_utf8(lines), self.source, self._wanted)
        if layout is None:
            return None
        found = Found(name, encoding, layout, None)
        if self.source.date_order is not None:
            return found
        probe = self.reader(found)
        probe.rows(lines)
        return Found(name, encoding, layout, probe.ambiguous)

    def why_not(self, name: str, head: bytes) -> SourceError:
        """Why a file's beginning gave nothing."""
        encoding = find_encoding(head, self.source.encoding)
        lines = encoding.to_utf8(self._whole_lines(encoding, head))
        return no_layout(name, lines, self.source, self._wanted)

    def reader(
        self,
        found: Found,
        order: DateOrder | None = None,
        layout: Layout | None = None,
    ) -> DelimitedReader:
        """A reader that stands at the file's beginning.

        Parameters
        ----------
        found : Found
        order : {'dmy', 'mdy', 'ymd'}, optional
            Of dates like 03.04.2026, where the station file does not give it.
        layout : Layout, optional
            As it was where reading goes on, in place of that of the beginning.
        """
        clock = self.source.clock or self._clock
        if self.source.clock is None and says_utc(found.layout.header[found.layout.time]):
            clock = "UTC"
        return DelimitedReader(
            found.name,
            layout or found.layout,
            self._wanted,
            read_clock(clock),
            self.source,
            found.encoding,
            self.source.date_order or order,
        )

    @staticmethod
    def _whole_lines(encoding: Encoding, head: bytes) -> bytes:
        """Up to the last line end, or all of it where there is none."""
        return head[: encoding.lines_end(head)] or head
