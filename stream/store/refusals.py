"""What it means when a database refuses, in words for people."""

import sqlite3
from collections.abc import Sequence
from typing import Final

import psycopg

from stream.errors import StoreBusy, StoreDamaged, StoreError, StoreRefused
from stream.secret import HIDDEN

_OF_VALUES: Final = (psycopg.DataError, sqlite3.DataError)


def refusal_in_words(error: BaseException, shown: str, hidden: Sequence[str]) -> StoreError:
    """The error to raise for one of the database's, without the values to be hidden."""
    text = (str(error).strip() or type(error).__name__).splitlines()[0]
    for value in filter(None, hidden):
        text = text.replace(value, HIDDEN)
    if isinstance(error, _OF_VALUES):
        return StoreRefused(f"{shown}: the database cannot hold these values: {text}")
    low = text.lower()
    if "locked" in low or "busy" in low or "lock timeout" in low or "user request" in low:
        return StoreBusy(f"{shown}: the database is in use by another process; stop it, or wait")
    if "malformed" in low or "not a database" in low or "could not decode" in low:
        return StoreDamaged(
            f"{shown}: not an intact database ({text}); restore a copy, or name another file"
        )
    if "unable to open" in low:
        return StoreError(
            f"{shown}: the database cannot be opened; create its folder, or allow writing there"
        )
    if "readonly" in low or "read-only" in low or "permission denied" in low:
        return StoreError(f"{shown}: the database cannot be written; allow writing there")
    if "disk i/o error" in low:
        return StoreError(f"{shown}: the disk does not read or write as it should; check it")
    if "full" in low or "no space" in low:
        return StoreError(f"{shown}: the disk is full; make room, then run the same again")
    return StoreError(f"{shown}: the database refuses: {text}")
