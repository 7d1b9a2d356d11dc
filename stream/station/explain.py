"""What is wrong with a station file that is TOML but no station, in words."""

import difflib
import re
from collections.abc import Iterator
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from stream.secret import Secret
from stream.station.base import ChannelName, ClockTime, Identifier
from stream.station.models import Station
from stream.station.sources import AnySource
from stream.station.telling import Topic

_SECRET_KEYS = frozenset({"password", "token", "url"})
"""Keys whose values are not repeated in messages."""
_SOURCES: dict[str, type[BaseModel]] = {
    get_args(model.model_fields["kind"].annotation)[0]: model for model in get_args(AnySource)
}


def _path(location: tuple[int | str, ...]) -> str:
    text = ""
    for step in location:
        if isinstance(step, int):
            text += f"[{step}]"
        elif step not in {*_SOURCES, "[key]"}:
            text += f".{step}" if text else step
    return text


def _pattern(kind: Any) -> str:
    return str(get_args(kind)[1].pattern)


_WANTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "tuple_type": "a list in [ ]",
    "list_type": "a list in [ ]",
    "date_type": "a date like 2026-05-04",
    "date_from_datetime_parsing": "a date like 2026-05-04",
    "date_parsing": "a date like 2026-05-04",
    "datetime_type": "a time like 2026-05-04T00:00:00+02:00",
    "datetime_parsing": "a time like 2026-05-04T00:00:00+02:00",
    "datetime_from_date_parsing": "a time like 2026-05-04T00:00:00+02:00",
    "timezone_aware": "a time with its offset, like 2026-05-04T00:00:00+02:00",
    "finite_number": "a finite number",
}
_ID, _NAME = (_pattern(kind) for kind in (Identifier, ChannelName))
_FORMS = {
    _ID: "letters A to Z, digits and . _ -",
    _NAME: "letters A to Z, digits and : . / _ -, with a letter or digit first",
    _pattern(ClockTime): 'a time of day with two digits each, like "06:30"',
    _pattern(Topic): "a topic without # or +",
}
"""Pattern → what it allows, in words."""


def explain(error: ValidationError) -> Iterator[str]:
    """One line for each fault that the models found."""
    items = error.errors(include_url=False)
    for item in items:
        if item["type"] == "too_short" and any(_within(i["loc"], item["loc"]) for i in items):
            continue  # its entries are there; what is wrong with them is said
        where = _path(item["loc"]) or "(top)"
        kind, given, context = item["type"], item.get("input"), item.get("ctx", {})
        if _SECRET_KEYS & {str(step) for step in item["loc"]}:
            given = Secret("")
        if kind == "missing":
            yield f"{where}: missing; it must be given"
        elif kind == "extra_forbidden":
            yield f"{where}: unknown key{_did_you_mean(item['loc'])}"
        elif kind == "string_pattern_mismatch":
            yield f"{where}: {_allowed(given, context['pattern'], item['loc'])}"
        elif kind == "literal_error":
            yield f"{where}: {given!r} is not known; write {context['expected']}"
        elif kind in {"union_tag_invalid", "union_tag_not_found"}:
            tag = context.get("tag")
            told = "missing" if tag is None else f"{_short(tag)} is not known"
            yield f'{where}.kind: {told}; write kind = "folder", kind = "mqtt" or kind = "tables"'
        elif kind == "less_than_equal" and "positions" in item["loc"]:
            yield f"{where}: {_short(given)} is more than 1; write a share of the area, not %"
        elif kind in _WANTED:
            number = kind in ("float_type", "int_type") and isinstance(given, str)
            more = ". Write it without quotes" if number and given[:1].isdigit() else ""
            yield f"{where}: must be {_WANTED[kind]}, not {_short(given)}{more}"
        else:
            told = item["msg"].removeprefix("Input should ").removeprefix("Value should ")
            told = f"must {told}" if told != item["msg"] else f"{told[0].lower()}{told[1:]}"
            yield f"{where}: {told}, not {_short(given)}"


def _allowed(given: object, pattern: str, location: tuple[int | str, ...]) -> str:
    """Which characters may stand there, and a text that may."""
    words = _FORMS.get(pattern)
    if words is None:
        return f"{_short(given)} does not have the form {pattern}"
    if pattern not in (_ID, _NAME) or not isinstance(given, str):
        return f"{_short(given)} is not {words}"
    plain = re.sub(r"[^A-Za-z0-9:./_-]" if pattern == _NAME else r"[^A-Za-z0-9._-]", "_", given)
    plain = re.sub(r"_{2,}", "_", plain).strip("_")
    found = f"{_short(given)} may hold only {words}"
    if not plain:
        return f"{found}. Choose another name"
    named = f"{found}. Write {plain[:64]}"
    if "[key]" in location and location[0] == "channels":
        header = given.replace("\\", "\\\\").replace('"', '\\"')
        return f'{named}, and column = "{header}" in it where files write it so'
    return named


def _within(location: tuple[int | str, ...], outer: tuple[int | str, ...]) -> bool:
    return len(location) > len(outer) and location[: len(outer)] == outer


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _did_you_mean(location: tuple[int | str, ...]) -> str:
    keys = _keys_at(location[:-1])
    close = difflib.get_close_matches(str(location[-1]), keys, n=1)
    if close:
        return f"; did you mean {close[0]!r}?"
    return f"; remove it, or write one of {', '.join(sorted(keys))}" if keys else "; remove it"


def _keys_at(location: tuple[int | str, ...]) -> list[str]:
    """Names of the keys that the model at a place of the file has."""
    model: type[BaseModel] | None = Station
    for step in location:
        if isinstance(step, int) or model is None:
            continue
        if step in _SOURCES:
            model = _SOURCES[step]
            continue
        field = model.model_fields.get(step)
        if field is None:
            continue
        model = next(iter(_models_in(field.annotation)), None)
    if model is None:
        return []
    return [field.alias or name for name, field in model.model_fields.items()]


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)
