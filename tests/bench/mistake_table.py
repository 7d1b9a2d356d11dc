"""What becomes of each mistake that the tests make; run by hand: ``python
tests/bench/mistake_table.py``. Prints the table of the README, which a test compares.
"""

import sys
from collections.abc import Iterator
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "support")]

from mistakes import BY_HAND, MISTAKES, Mistake  # noqa: E402


def outcome_of(m: Mistake) -> str:
    """In a few words; `tests/compute` holds the code to it."""
    if m.refused:
        return "refused"
    if m.asked:
        return "asked about"
    if m.listed:
        return "no record tells: handbook"
    words = [f"`{w}`" for w in m.flag.split("|") if w]
    found = " or ".join(words)
    if m.task:
        found += " and a task" if found else "a task"
    return found


def rows() -> Iterator[tuple[str, str, str]]:
    """(mistake, station, what becomes of it)"""
    for m in MISTAKES:
        kind = {1: "own line" if "own" in m.kinds else "shared analyzer", 2: "both"}[len(m.kinds)]
        yield m.name, kind, outcome_of(m)
    for name, outcome in BY_HAND.items():
        yield name, "sampled by hand", outcome


def table() -> str:
    """As Markdown."""
    lines = ["| mistake | station | what becomes of it |", "| --- | --- | --- |"]
    return "\n".join([*lines, *(f"| {' | '.join(row)} |" for row in rows())])


def counts() -> str:
    """How many of each."""
    found = [outcome for _, _, outcome in rows()]
    told = {
        "refused": sum(f == "refused" for f in found),
        "asked about": sum(f == "asked about" for f in found),
        "flagged": sum("`" in f for f in found),
        "told by a task alone": sum(f == "a task" for f in found),
        "on the handbook's list": sum("handbook" in f for f in found),
    }
    return f"{len(found)} mistakes: " + ", ".join(f"{n} {word}" for word, n in told.items()) + "."


if __name__ == "__main__":
    print(counts())
    print()
    print(table())
