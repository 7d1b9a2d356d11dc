"""Files of a folder that may not be one station's: other headers, or other values at one time."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

_FEW: Final = 10
"""Records of one time that files of one logger may share as they are rotated."""
_SHARE: Final = 0.1
_MOST_KINDS: Final = 6


@dataclass(frozen=True, slots=True)
class Records:
    """Records of one file.

    Attributes
    ----------
    path : Path
    header : tuple of str
    source : (Path, str)
        Folder and pattern of its source.
    series : dict of str to list of (times, values)
        Channel → part by part [µs, as the file writes them].
    """

    path: Path
    header: tuple[str, ...]
    source: tuple[Path, str]
    series: dict[str, list[tuple[NDArray[np.int64], NDArray[np.float64]]]] = field(
        default_factory=dict
    )

    def span(self) -> tuple[int, int] | None:
        """First and last time [µs]; None without records."""
        times = [t for parts in self.series.values() for t, _ in parts if len(t)]
        if not times:
            return None
        return min(int(t.min()) for t in times), max(int(t.max()) for t in times)

    def within(
        self, name: str, first: int, last: int
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Records of a channel between two times, in order, one per time; those without a
        value left out.
        """
        parts = self.series[name]
        times = np.concatenate([t for t, _ in parts])
        values = np.concatenate([v for _, v in parts])
        known = ~np.isnan(values) & (times >= first) & (times <= last)
        at, places = np.unique(times[known], return_index=True)
        return at, values[known][places]


def kinds(files: Sequence[Records]) -> Iterator[str]:
    """A line for each folder whose files have different headers."""
    folders: dict[Path, dict[tuple[str, ...], list[str]]] = {}
    for file in files:
        groups = folders.setdefault(file.path.parent, {})
        groups.setdefault(file.header, []).append(file.path.name)
    for folder, groups in folders.items():
        if len(groups) < 2:
            continue
        shown = [
            names[0] + (f" and {len(names) - 1} more" if len(names) > 1 else "")
            for names in list(groups.values())[:_MOST_KINDS]
        ]
        more = f"; {len(groups) - _MOST_KINDS} more kinds" if len(groups) > _MOST_KINDS else ""
        yield (
            f"{folder.name or folder}: files have different headers and are read as one station:"
            f" {'; '.join(shown)}{more}. Move files of other stations out of the folder, or set"
            " pattern of the source"
        )


def contradictions(files: Sequence[Records]) -> Iterator[tuple[Records, Records, str]]:
    """Pairs of files that hold other values of one channel for the same time."""
    spans = [(file, span) for file in files if (span := file.span()) is not None]
    for (a, (a0, a1)), (b, (b0, b1)) in combinations(spans, 2):
        first, last = max(a0, b0), min(a1, b1)
        if first > last:
            continue
        for name in a.series:
            if name in b.series and _differ(a, b, name, first, last):
                yield a, b, name
                break


def _differ(a: Records, b: Records, name: str, first: int, last: int) -> bool:
    at_a, of_a = a.within(name, first, last)
    at_b, of_b = b.within(name, first, last)
    all_of = min(sum(len(t) for t, _ in file.series[name]) for file in (a, b))
    if min(len(at_a), len(at_b)) < max(_FEW, _SHARE * all_of):
        return False
    _, i, j = np.intersect1d(at_a, at_b, assume_unique=True, return_indices=True)
    same = int((of_a[i] == of_b[j]).sum())
    # Readings of another sensor are the same by chance, those of a copy nearly always.
    return same * 2 < min(len(at_a), len(at_b)) and len(np.unique(of_a)) > 2
