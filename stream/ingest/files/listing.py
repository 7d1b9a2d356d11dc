"""What a folder holds: its files, and the entries among them that cannot be taken."""

import os
import stat as kinds
from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatch
from os import stat_result
from pathlib import Path
from typing import Final

from stream.errors import SourceLost
from stream.ingest.batches import plain_text

PACKED_TOO: Final = ("", ".gz", ".zst")
"""Endings with which a file matches a pattern, too."""


@dataclass(frozen=True, slots=True)
class Listed:
    """A file of a folder as it was when it was looked at.

    Attributes
    ----------
    path : Path
    name : str
        Its name as text: see :func:`plain_name`.
    stat : stat_result
    """

    path: Path
    name: str
    stat: stat_result


@dataclass(frozen=True, slots=True)
class Listing:
    """Files that match, and (name, reason) of entries that match and cannot be taken."""

    files: list[Listed]
    refused: list[tuple[str, str]]


def plain_name(path: Path) -> str:
    """A file's name as text that every database and screen takes.

    The bytes of a name need not be UTF-8; those that are not are written as ``\\xe9``.
    """
    return plain_text(os.fsencode(path.name))


def list_folder(folder: Path, patterns: Sequence[str]) -> Listing:
    """The regular files of a folder whose name matches one of the patterns.

    Links are followed within the folder only: a name must not bring in what its folder
    does not hold.

    Raises
    ------
    SourceLost
        The folder cannot be read now.
    """
    listing = Listing([], [])
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if any(fnmatch(entry.name, pattern) for pattern in patterns):
                    _look_at(folder, entry, listing)
    except OSError as error:
        raise SourceLost(f"{folder}: the folder cannot be read: {error.strerror}") from None
    return listing


def _look_at(folder: Path, entry: "os.DirEntry[str]", listing: Listing) -> None:
    path = folder / entry.name
    name = plain_name(path)
    try:
        if entry.is_symlink() and (why := _why_not_followed(folder, path)):
            listing.refused.append((name, why))
            return
        stat = entry.stat()
    except FileNotFoundError:
        return  # renamed or removed a moment ago
    except OSError as error:
        listing.refused.append((name, f"it cannot be looked at: {error.strerror}"))
        return
    if kinds.S_ISREG(stat.st_mode):
        listing.files.append(Listed(path, name, stat))


def _why_not_followed(folder: Path, link: Path) -> str:
    try:
        target = link.resolve(strict=True)
    except FileNotFoundError:
        return "a link to nothing; remove it"
    except (OSError, RuntimeError):  # Python before 3.13 has no OSError for a circle
        return "a link that leads in a circle; remove it"
    if not target.is_relative_to(folder.resolve()):
        return "a link to outside its folder, which is not followed; copy the file here"
    return ""
