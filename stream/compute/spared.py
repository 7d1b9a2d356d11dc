"""Results that stay as they are, since the records that they were made of are lost."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from stream.store.results.changes import Changes, Scope

Span = tuple[int, int]


def spare(changes: Changes, lost: Sequence[Span], stored: frozenset[tuple[str, int]]) -> None:
    """Let a commit change nothing that is stored of times whose records are lost.

    Parameters
    ----------
    changes : Changes
        Is changed.
    lost : sequence of (first, last)
        Times [µs].
    stored : set of (chamber, closed)
        Closures that are stored of these times [µs]; others are new and may be added.
    """
    changes.results = [
        r
        for r in changes.results
        if not _within(r.identity[-1], lost)
        or (r.kind == "closures" and tuple(r.identity) not in stored)
    ]
    changes.scopes = list(_without(changes.scopes, lost))


def _within(at_us: int, spans: Iterable[Span]) -> bool:
    return any(first <= at_us <= last for first, last in spans)


def _without(stretches: Iterable[Scope], lost: Sequence[Span]) -> Iterator[Scope]:
    """What is left of stretches outside of some spans."""
    for stretch in stretches:
        parts = [(stretch.first_us, stretch.stop_us)]
        for first, last in lost:
            parts = [
                part
                for a, b in parts
                for part in ((a, min(b, first)), (max(a, last + 1), b))
                if part[0] < part[1]
            ]
        for a, b in parts:
            yield replace(stretch, first_us=a, stop_us=b)
