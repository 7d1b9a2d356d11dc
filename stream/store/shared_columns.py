"""Columns that many tables have: of keys, of versions, of numbers."""

from typing import Any, Final

from sqlalchemy import BigInteger, Column, Double, Integer, String, Text

# Byte order everywhere, so that rows come in the same order from every database.
NAME = String(128).with_variant(String(128, collation="C"), "postgresql")
PATH = Text().with_variant(Text(collation="C"), "postgresql")


def identity(*columns: str) -> list[Column[Any]]:
    """Columns that a row is known by, the station first."""
    return [key("station"), *(key(c) for c in columns)]


def key(name: str) -> Column[Any]:
    """One column of a primary key, of the kind that its name says."""
    kind = BigInteger() if name.endswith("_us") else Integer() if name in _NUMBERED else NAME
    return Column(name, kind, primary_key=True, autoincrement=False)


_NUMBERED: Final = {"revision", "visit", "port", "number"}

_VERSION: Final = ("station_digest", "software_version", "result_digest")


def versioned() -> list[Column[Any]]:
    """What a result has that may be revised."""
    return [
        Column("current", Integer, nullable=False),
        Column("withdrawn", Integer, nullable=False),
        *[Column(name, String(64), nullable=False) for name in _VERSION],
    ]


def numbers(*names: str) -> list[Column[Any]]:
    """Numbers that may be unknown."""
    return [Column(name, Double) for name in names]
