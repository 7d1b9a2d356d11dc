"""The verb ``draft``: a station's files in, its station file out."""

import re
from collections.abc import Sequence
from pathlib import Path

from stream.draft.mixed import tell_apart
from stream.draft.roles import roles_of
from stream.draft.survey import survey
from stream.draft.text import draft_text
from stream.errors import CommandError


def draft(paths: Sequence[Path], out: Path | None, name: str | None) -> tuple[str, Sequence[str]]:
    """Draft a station file.

    Parameters
    ----------
    paths : sequence of Path
        Some of the station's files, or folders of them.
    out : Path or None
        Where it will lie; its sources are relative to there.
    name : str or None
        The station's id; the folder's name where it is not given.

    Returns
    -------
    tuple
        Its text, and what a person should know of the files, one line each.

    Raises
    ------
    CommandError
        ``out`` exists already.
    SourceError
        No file can be understood.
    """
    if out is not None and out.exists():
        raise CommandError(f"{out}: is there already; name another, or remove it first")
    folder = Path.cwd() if out is None else out.resolve().parent
    found = survey(paths)
    tell_apart(found)
    plain = re.sub(r"[^A-Za-z0-9._-]+", "-", name or folder.name).strip("-") or "station"
    told = [*(f"left out: {line}" for line in found.not_read), *found.notes]
    return draft_text(found, roles_of(found), folder, plain), told
