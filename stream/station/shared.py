"""What the chambers of a station file share, written once and put into each.

``[chamber_defaults]`` holds keys of every chamber; ``[channels."lid_{id}"]`` is a channel of
each, and one of ``[[analyzers]]`` whose id has the mark stands for an analyzer of each. ``{id}``
stands for the chamber's id in lower case, ``{ID}`` for the id as it stands.
"""

import re
from collections.abc import Iterator
from typing import Any, Final

Document = dict[str, Any]

_MARK: Final = re.compile(r"\{(id|ID)\}")
QUESTION: Final = "? "
"""A text that begins so is a blank to be filled in, with the question that it answers."""


def put_in(document: Document) -> Document:
    """The document as it would be with all tables written out.

    Parameters
    ----------
    document : dict
        As read from TOML; it is left as it is.
    """
    chambers = document.get("chambers")
    defaults = document.get("chamber_defaults")
    if not isinstance(chambers, list) or not all(isinstance(c, dict) for c in chambers):
        return document
    if defaults is not None and not isinstance(defaults, dict):
        return document
    full = {k: v for k, v in document.items() if k != "chamber_defaults"}
    full["chambers"] = [_chamber(defaults or {}, chamber) for chamber in chambers]
    sharing = _sharing(chambers)
    channels = document.get("channels")
    if isinstance(channels, dict):
        full["channels"] = dict(_channels(channels, sharing))
    if isinstance(document.get("analyzers"), list):
        full["analyzers"] = [analyzer for _, analyzer in _analyzers(document["analyzers"], sharing)]
    return full


def _sharing(chambers: list[Document]) -> list[str]:
    return [c["id"] for c in chambers if isinstance(c.get("id"), str) and _shares(c)]


def _shares(chamber: Document) -> bool:
    return chamber.get("defaults", True) is not False


def _chamber(defaults: Document, chamber: Document) -> Document:
    own = {k: v for k, v in chamber.items() if k != "defaults" or v not in (True, False)}
    name = chamber.get("id")
    if not _shares(chamber) or not isinstance(name, str):
        return own
    return {**_filled(defaults, name), **own}


def _channels(channels: Document, sharing: list[str]) -> Iterator[tuple[str, Any]]:
    for name, channel in channels.items():
        if not _MARK.search(name):
            yield name, channel
            continue
        for chamber in sharing:
            own = _filled(name, chamber)
            if own not in channels:
                yield own, _filled(channel, chamber)


def _analyzers(analyzers: list[Any], sharing: list[str]) -> Iterator[tuple[int, Any]]:
    """Analyzers written out, each with its place in the file."""
    names = [a.get("id") if isinstance(a, dict) else None for a in analyzers]
    for place, (name, analyzer) in enumerate(zip(names, analyzers, strict=True)):
        if not isinstance(name, str) or not _MARK.search(name):
            yield place, analyzer
            continue
        for chamber in sharing:
            if _filled(name, chamber) not in names:
                yield place, _filled(analyzer, chamber)


def _filled(value: Any, chamber: str) -> Any:
    """A value with the chamber's id where the marks stand."""
    if isinstance(value, str):
        return _MARK.sub(lambda m: chamber.lower() if m[1] == "id" else chamber, value)
    if isinstance(value, list):
        return [_filled(item, chamber) for item in value]
    if isinstance(value, dict):
        return {_filled(k, chamber): _filled(v, chamber) for k, v in value.items()}
    return value


def in_defaults(document: Document, fault: str) -> str:
    """A fault told where it stands: of what chambers share, once."""
    match = re.match(r"analyzers\[(\d+)\]", fault)
    if match is not None:
        chambers = document.get("chambers")
        given = isinstance(chambers, list) and all(isinstance(c, dict) for c in chambers)
        sharing = _sharing(chambers) if isinstance(chambers, list) and given else []
        places = [place for place, _ in _analyzers(document["analyzers"], sharing)]
        at = int(match[1])
        return (
            f"analyzers[{places[at] if given and at < len(places) else at}]{fault[match.end() :]}"
        )
    match = re.match(r"chambers\[(\d+)\]\.([A-Za-z_0-9]+)", fault)
    defaults = document.get("chamber_defaults")
    if match is None or not isinstance(defaults, dict) or match[2] not in defaults:
        return fault
    chamber = document["chambers"][int(match[1])]
    if match[2] in chamber or not _shares(chamber):
        return fault
    return fault.replace(f"chambers[{match[1]}]", "chamber_defaults", 1)


def open_questions(value: Any, path: str = "") -> Iterator[str]:
    """Blanks that are still to be filled in, each with its place and its question."""
    if isinstance(value, str):
        if value.startswith(QUESTION):
            yield f"{path}: {value.removeprefix(QUESTION)}"
    elif isinstance(value, list):
        for i, item in enumerate(value):
            yield from open_questions(item, f"{path}[{i}]")
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from open_questions(item, f"{path}.{key}" if path else key)
