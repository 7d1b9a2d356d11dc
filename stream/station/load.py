"""Reading a station file: TOML to models, every fault at once."""

import hashlib
import json
import os
import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from stream.errors import StationFileError
from stream.secret import DatabaseUrl, Secret
from stream.station.checks.plausible import implausible, refused_chambers, told
from stream.station.checks.setup import faults
from stream.station.checks.toml_faults import toml_faults
from stream.station.explain import explain
from stream.station.models import Station
from stream.station.notes import BadPeriod
from stream.station.shared import Document, in_defaults, open_questions, put_in
from stream.station.sources import MqttSource
from stream.station.telling import Mail

_VARIABLE = re.compile(r"\$\{([A-Za-z_][A-Za-z0-9_]*)\}")

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
    provenance: str = ""
    """The text that ``digest`` is of, as canonical JSON, without secrets."""
    archive: Path = Path("archive")
    """Folder of the archived days."""
    refused_chambers: frozenset[str] = frozenset()
    """Chambers whose fluxes rest on a number that cannot be right."""

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

    def beside(self, name: str) -> Path:
        """A path of the station file, relative to it."""
        return _beside(self.path, name)


def _beside(path: Path, name: str) -> Path:
    return (path.parent / name).resolve()


def url_beside(path: Path, url: str) -> str:
    """An SQLite URL with its relative path made absolute, from the folder of ``path``."""
    prefix = "sqlite:///"
    if not url.startswith(prefix) or url.startswith(prefix + "/") or url == prefix + ":memory:":
        return url
    return f"{prefix}{(path.resolve().parent / url.removeprefix(prefix)).resolve()}"


def load_station(path: Path, *, reading: bool = False) -> StationFile:
    """Read and validate a station file.

    Parameters
    ----------
    path : Path
    reading : bool
        Whether results are read and nothing else: passwords of brokers, mail and page need
        not be in the environment then.

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
        lines = toml_faults(content.decode("utf-8-sig"), str(error))
        raise StationFileError([f"{path}: {line}" for line in lines]) from None
    asked = list(open_questions(document))
    if asked:
        count = "1 question is" if len(asked) == 1 else f"{len(asked)} questions are"
        first = f"{path}: {count} still open; write each answer in place of its question"
        raise StationFileError([first, *(f"{path}: {line}" for line in asked)])
    try:
        station = Station.model_validate(put_in(document))
    except ValidationError as error:
        raise _wrong(path, document, explain(error)) from None
    wrong = [*faults(station), *_missing_variables(station, reading)]
    if wrong:
        raise _wrong(path, document, wrong)
    provenance = provenance_of(station)
    return StationFile(
        path, station, digest_of(provenance), (), _content(content), provenance,
        _beside(path, station.archive.path), refused_chambers(station),
    )  # fmt: skip


def _content(data: bytes) -> str:
    return hashlib.blake2b(data, digest_size=16).hexdigest()


def _wrong(path: Path, document: Document, faults: Iterable[str]) -> StationFileError:
    """Faults with their places, each told once where chambers share it."""
    lines = dict.fromkeys(in_defaults(document, fault) for fault in faults)
    return StationFileError([f"{path}: {line}" for line in lines])


def digest_of(provenance: str) -> str:
    """Digest of what bears on a flux [16 hex digits]."""
    return hashlib.blake2b(provenance.encode(), digest_size=8).hexdigest()


def provenance_of(station: Station, bad: tuple[BadPeriod, ...] = ()) -> str:
    """All of a station file that bears on a flux, as canonical JSON."""
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


def _missing_variables(station: Station, reading: bool) -> Iterator[str]:
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
    if reading:
        texts = [(path, text) for path, text in texts if path == "database.url"]
    for path, text in texts:
        for name in _VARIABLE.findall(text):
            if name not in os.environ:
                yield f"{path}: the environment has no variable {name}; set it"
