"""What station files may hold stays valid: an upgrade must not stop a station that runs."""

from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import pytest
from pydantic import BaseModel

from stream.station.models import Station

KEPT = Path(__file__).parent.parent / "data" / "station_keys.txt"
"""A key a line, and behind it the words that it may hold."""


def keys_and_words() -> dict[str, set[str]]:
    """Every key of the station file, and the words that it may hold where they are listed."""
    found: dict[str, set[str]] = {}
    _walk(Station, "", found)
    return found


def _walk(annotation: Any, path: str, found: dict[str, set[str]]) -> None:
    if get_origin(annotation) is Literal:
        found[path] |= {repr(word) for word in get_args(annotation)}
    elif isinstance(annotation, type) and issubclass(annotation, BaseModel):
        for name, field in annotation.model_fields.items():
            key = f"{path}.{field.alias or name}".removeprefix(".")
            found.setdefault(key, set())
            _walk(field.annotation, key, found)
    else:
        for part in get_args(annotation):
            _walk(part, path, found)


@pytest.fixture(scope="module")
def kept() -> dict[str, set[str]]:
    lines = KEPT.read_text(encoding="utf-8").splitlines()
    return {line.split("\t")[0]: set(line.split("\t")[1:]) for line in lines}


def test_no_key_and_no_word_that_a_station_may_use_is_gone(kept: dict[str, set[str]]) -> None:
    """A key or word that is no longer wanted is still read, and keeps a meaning that
    ``configs/README.md`` states; it is never taken from this list.
    """
    now = keys_and_words()
    assert [key for key in kept if key not in now] == []
    assert {key: words - now[key] for key, words in kept.items() if words - now[key]} == {}


def test_keys_and_words_that_are_new_are_kept_from_now_on(kept: dict[str, set[str]]) -> None:
    assert keys_and_words() == kept
