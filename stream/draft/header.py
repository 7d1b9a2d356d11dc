"""What the header of a file and the lines behind it show, before any station file names it."""

from collections.abc import Sequence
from typing import Final

from stream.ingest.delimited.cells import MISSING, split_line, without_empty_end
from stream.ingest.delimited.header import find_time, find_zone
from stream.ingest.delimited.layout import DELIMITERS
from stream.ingest.times.timestamps import is_date, is_stamp, is_time_of_day

_TRIED: Final = 50
"""Records behind a header that tell how its columns are parted."""


def header_of(lines: Sequence[str]) -> tuple[list[str], list[list[str]]]:
    """The header's cells, and those of the lines behind it."""
    first: tuple[list[str], list[list[str]]] | None = None
    for i, line in enumerate(lines[:200]):
        if not any(c.isalpha() for c in line):
            continue
        ways = []
        for delimiter in DELIMITERS:
            cells = without_empty_end(split_line(line, delimiter))
            if find_time(cells, None) is not None and len(cells) > 1:
                behind = [split_line(x, delimiter) for x in lines[i + 1 :] if x.strip()]
                # Names may hold blanks, so these come last; records tell which way is meant.
                fits = _fits(len(cells) + (delimiter == " "), behind[:_TRIED])
                ways.append((fits, delimiter != " ", len(cells), cells, behind))
        if ways:
            fits, _, _, cells, behind = max(ways, key=lambda way: way[:3])
            if fits:
                return cells, behind
            first = first or (cells, behind)
    if first is not None:
        return first
    return _header_by_content(lines)


def _fits(most: int, rows: Sequence[Sequence[str]]) -> bool:
    """Whether most records have as many cells as the header, or fewer."""
    counts = [len(without_empty_end(row)) for row in rows]
    return sum(1 < count <= most for count in counts) * 2 > len(counts)


def _header_by_content(lines: Sequence[str]) -> tuple[list[str], list[list[str]]]:
    """The line of names before the first date."""
    for at, line in enumerate(lines[:200]):
        for delimiter in DELIMITERS[:-1]:
            cells = split_line(line, delimiter)
            if len(cells) < 2 or not any(is_stamp(cell) for cell in cells):
                continue
            for above in range(at - 1, -1, -1):
                names = split_line(lines[above], delimiter)
                if len(names) == len(cells):
                    return names, [split_line(x, delimiter) for x in lines[at:] if x.strip()]
    return [], []


def zone_of(header: Sequence[str], behind: Sequence[Sequence[str]]) -> tuple[int | None, set[str]]:
    """Place of a column of time zones, and the words in it."""
    named = find_time(header, None)
    for cells in behind[:5]:
        times = [i for i, c in enumerate(cells) if i == named or holds_times([c])]
        zone = find_zone(header, cells, times, []) if times else None
        if zone is not None:
            return zone, {c[zone] for c in behind if zone < len(c)} - set(MISSING)
    return None, set()


def times_of(header: list[str], behind: Sequence[Sequence[str]]) -> list[str]:
    """Columns of times where there are several, as the begin and the end of a mean."""
    if not behind or find_time(header, None) is not None:
        return []
    pairs = zip(header, behind[-1], strict=False)
    found = [name for name, cell in pairs if is_stamp(cell) and not is_date(cell)]
    return found if len(found) > 1 else []


def holds_times(cells: Sequence[str]) -> bool:
    """Whether a column holds dates, times of day or both, by its last cell."""
    last = cells[-1] if cells else ""
    return bool(last) and (is_date(last) or is_stamp(last) or is_time_of_day(last))
