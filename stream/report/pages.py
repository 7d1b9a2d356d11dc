"""What a report holds, whatever it is made into."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PageTable:
    """A table as it is read: a caption, heads, and rows of text."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class PageFigure:
    """A figure: its PNG, what it says, and what it shows to somebody who does not see it."""

    png: bytes
    caption: str
    alt: str


@dataclass(frozen=True, slots=True)
class Report:
    """What the pages hold, whatever they are made of."""

    title: str
    summary: str
    tables: tuple[PageTable, ...]
    figures: tuple[PageFigure, ...]
    methods: str
    digest: str
