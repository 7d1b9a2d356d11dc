"""How a table that somebody brings is told from a logger's file: by its header."""

from typing import Final, Literal

Kind = Literal["vials", "run"]

MAX_BYTES: Final = 16 * 1024 * 1024
"""Largest table that is taken: nobody fills so many vials."""


def kind_of_table(head: bytes) -> Kind | None:
    """What kind of table a file is by its header; None for a logger's file."""
    header = head.removeprefix(b"\xef\xbb\xbf").split(b"\n", 1)[0].decode("utf-8", "replace")
    for delimiter in (",", ";", "\t"):
        columns = {cell.strip().strip('"') for cell in header.split(delimiter)}
        if {"vial", "sampled_at"} <= columns:
            return "vials"
        if {"vial", "sequence"} <= columns:
            return "run"
    return None
