"""Reading a station file: TOML to models, every fault at once."""

import difflib
import hashlib
import json
import os
import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from stream.errors import StationFileError
from stream.secret import DatabaseUrl, Secret
from stream.station.checks import faults
from stream.station.models import FolderSource, MqttSource, Station, TablesSource
from stream.station.notes import BadPeriod
from stream.station.plausible import implausible, told
from stream.station.shared import Document, in_defaults, open_questions, put_in
from stream.station.telling import Mail

_SECRET_KEYS = frozenset({"password", "token", "url"})
"""Keys whose values are not repeated in messages."""
_VARIABLE = re.compile(r"\$\{([A-Za-z_][A-Za-z0-9_]*)\}")

_SOURCES: dict[str, type[BaseModel]] = {
    "folder": FolderSource,
    "mqtt": MqttSource,
    "tables": TablesSource,
}

# Where records come from and go to does not change what a flux is.
_NOT_IN_DIGEST = {
    *("database", "sources", "summary", "archive", "service", "hand"),
    *("events", "weather", "sampling_calendar", "alerts", "mail", "webhook", "page"),
    "checks",
}


@dataclass(frozen=True, slots=True)
class StationFile:
    """A valid station file and where it lies."""

    path: Path
    station: Station
    digest: str
    """Of what bears on a flux: neither where records come from and go to, nor when and
    to whom something is told [16 hex digits]."""
    bad: tuple[BadPeriod, ...] = ()
    """Times that people marked as bad in the field log."""
    content: str = ""
    """Digest of the file's bytes as they were read."""

    @property
    def changed(self) -> str:
        """Whether the file is another now than the one that is used, and what to do; empty
        where it is the same.
        """
        try:
            if _content(self.path.read_bytes()) == self.content or not self.content:
                return ""
            load_station(self.path)
        except OSError as error:
            return f"{self.path}: cannot be read any more: {error.strerror}. Put it back."
        except StationFileError as error:
            more = f" and {len(error.faults) - 1} more" if len(error.faults) > 1 else ""
            return f"{error.faults[0]}{more}. The running service uses the file as it was before."
        return f"{self.path}: changed since it was read. Restart the service to use it."

    @property
    def refused(self) -> list[str]:
        """Numbers that cannot be right, a line each: fluxes that rest on them are marked."""
        return told([f for f in implausible(self.station) if f.refused])

    @property
    def questions(self) -> list[str]:
        """Numbers that are odd and may be right, a line each."""
        return told([f for f in implausible(self.station) if not f.refused])

    @property
    def provenance(self) -> str:
        """The text that ``digest`` is of, as canonical JSON, without secrets."""
        return _canonical(self.station, self.bad)

    @property
    def database_url(self) -> str:
        """URL of the database; a relative SQLite path starts at the station file."""
        database = self.station.database
        url = database.url if database else f"sqlite:///{self.station.id}.db"
        return DatabaseUrl(url_beside(self.path, _expand(url)))

    def password_of(self, server: MqttSource | Mail) -> Secret | None:
        """The password of a broker or a mail server, from the environment or from its file.

        Raises
        ------
        StationFileError
            The file cannot be read.
        """
        return self._secret(server.password, server.password_file, f"password of {server.host}")

    @property
    def page_token(self) -> Secret | None:
        """The word that lets a person write on the station page; None: nobody may.

        Raises
        ------
        StationFileError
            Its file cannot be read.
        """
        page = self.station.page
        return self._secret(page.token, page.token_file, "token of the page") or None

    @property
    def webhook_token(self) -> Secret | None:
        """What shows the receiver of alerts that they are ours."""
        hook = self.station.webhook
        return None if hook is None else self._secret(hook.token, None, "token of the webhook")

    @property
    def webhook_url(self) -> str:
        """Where alerts are posted; its path may be what lets us post."""
        hook = self.station.webhook
        return "" if hook is None else _expand(hook.url)

    def _secret(self, given: str | None, name: str | None, what: str) -> Secret | None:
        if given is not None:
            return Secret(_expand(given))
        if name is None:
            return None
        path = self.beside(name)
        try:
            return Secret(path.read_text(encoding="utf-8").rstrip("\r\n"))
        except (OSError, UnicodeDecodeError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
            raise StationFileError([f"{path}: the {what} cannot be read: {why}"]) from None

    @property
    def archive(self) -> Path:
        """Folder of the archived days."""
        return self.beside(self.station.archive.path)

    def beside(self, path: str) -> Path:
        """A path of the station file, relative to it."""
        return (self.path.parent / path).resolve()


def url_beside(path: Path, url: str) -> str:
    """An SQLite URL with its relative path made absolute, from the folder of ``path``."""
    prefix = "sqlite:///"
    if not url.startswith(prefix) or url.startswith(prefix + "/") or url == prefix + ":memory:":
        return url
    return f"{prefix}{(path.resolve().parent / url.removeprefix(prefix)).resolve()}"


def load_station(path: Path) -> StationFile:
    """Read and validate a station file.

    Raises
    ------
    StationFileError
        It cannot be read, is not TOML, or is not a valid station; one line for each fault.
    """
    try:
        content = path.read_bytes()
        document = tomllib.loads(content.decode("utf-8-sig"))
    except FileNotFoundError:
        raise StationFileError([f"{path}: no such file; give the path of a station file"]) from None
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise StationFileError([f"{path}: cannot be read: {reason}"]) from None
    except tomllib.TOMLDecodeError as error:
        raise StationFileError([f"{path}: not valid TOML: {error}"]) from None
    asked = list(open_questions(document))
    if asked:
        count = "1 question is" if len(asked) == 1 else f"{len(asked)} questions are"
        first = f"{path}: {count} still open; write each answer in place of its question"
        raise StationFileError([first, *(f"{path}: {line}" for line in asked)])
    try:
        station = Station.model_validate(put_in(document))
    except ValidationError as error:
        raise _wrong(path, document, _explain(error)) from None
    wrong = [*faults(station), *_missing_variables(station)]
    if wrong:
        raise _wrong(path, document, wrong)
    return StationFile(path, station, digest_of(station), content=_content(content))


def _content(data: bytes) -> str:
    return hashlib.blake2b(data, digest_size=16).hexdigest()


def _wrong(path: Path, document: Document, faults: Iterable[str]) -> StationFileError:
    """Faults with their places, each told once where chambers share it."""
    lines = dict.fromkeys(in_defaults(document, fault) for fault in faults)
    return StationFileError([f"{path}: {line}" for line in lines])


def digest_of(station: Station, bad: tuple[BadPeriod, ...] = ()) -> str:
    """Digest of what bears on a flux [16 hex digits]."""
    return hashlib.blake2b(_canonical(station, bad).encode(), digest_size=8).hexdigest()


def _canonical(station: Station, bad: tuple[BadPeriod, ...]) -> str:
    content = station.model_dump(mode="json", by_alias=True, exclude=_NOT_IN_DIGEST)
    for channel in content["channels"].values():
        # How a column is found and read does not change what a flux is.
        del channel["column"], channel["states"]
    for analyzer in content["analyzers"]:
        for standard in analyzer["standards"]:
            del standard["expires"]
    if bad:
        content["bad"] = [[b.first_us, b.stop_us, sorted(b.chambers)] for b in bad]
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _expand(text: str) -> str:
    return _VARIABLE.sub(lambda m: os.environ[m[1]], text)


def _missing_variables(station: Station) -> Iterator[str]:
    texts = [("database.url", station.database.url)] if station.database else []
    for i, source in enumerate(station.sources):
        if isinstance(source, MqttSource) and source.password is not None:
            texts.append((f"sources[{i}].password", source.password))
    others = [
        ("mail.password", station.mail.password if station.mail else None),
        ("webhook.token", station.webhook.token if station.webhook else None),
        ("webhook.url", station.webhook.url if station.webhook else None),
        ("page.token", station.page.token),
    ]
    texts += [(path, text) for path, text in others if text is not None]
    for path, text in texts:
        for name in _VARIABLE.findall(text):
            if name not in os.environ:
                yield f"{path}: the environment has no variable {name}; set it"


def _path(location: tuple[int | str, ...]) -> str:
    text = ""
    for step in location:
        if isinstance(step, int):
            text += f"[{step}]"
        elif step not in {*_SOURCES, "[key]"}:
            text += f".{step}" if text else step
    return text


_WANTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "tuple_type": "a list",
    "list_type": "a list",
    "date_type": "a date like 2026-05-04",
    "date_from_datetime_parsing": "a date like 2026-05-04",
    "date_parsing": "a date like 2026-05-04",
    "datetime_type": "a time like 2026-05-04T00:00:00+02:00",
    "datetime_parsing": "a time like 2026-05-04T00:00:00+02:00",
    "datetime_from_date_parsing": "a time like 2026-05-04T00:00:00+02:00",
    "timezone_aware": "a time with its offset, like 2026-05-04T00:00:00+02:00",
    "finite_number": "a finite number",
}


def _explain(error: ValidationError) -> Iterator[str]:
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
            yield f"{where}: {given!r} does not have the form {context['pattern']}"
        elif kind == "literal_error":
            yield f"{where}: {given!r} is not known; write {context['expected']}"
        elif kind in {"union_tag_invalid", "union_tag_not_found"}:
            yield f'{where}.kind: write kind = "folder", kind = "mqtt" or kind = "tables"'
        elif kind == "less_than_equal" and "positions" in item["loc"]:
            yield f"{where}: {_short(given)} is more than 1; write a share of the area, not %"
        elif kind in _WANTED:
            yield f"{where}: must be {_WANTED[kind]}, not {_short(given)}"
        else:
            yield f"{where}: {item['msg'][0].lower()}{item['msg'][1:]}, not {_short(given)}"


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
