"""Whether 03.04. is in March or in April: what the records of a source tell.

Only records speak: a day over 12, and midnights over which records go on. File times and
the computer's clock do not, so that files copied, cut or sent late are read the same.
"""

from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from itertools import permutations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.errors import SourceWaits
from stream.ingest.delimited.cells import Readable, WholeLines
from stream.ingest.delimited.lines import MAX_LINE
from stream.ingest.delimited.reading import BLOCK_BYTES, Found, TextFiles
from stream.ingest.times.timestamps import DateOrder, date_shape, orders_of
from stream.times import SECOND

_LONGEST_STEP_US: Final = 3600 * SECOND
Ends = tuple[int, int]


@dataclass(frozen=True, slots=True)
class DateEvidence:
    """What one file tells of the order of day and month.

    Attributes
    ----------
    shape : str
        How its dates are written; files of other shapes are other loggers' work.
    sample : str
        One of them, to show.
    possible : frozenset of order
        In which all dates are dates.
    steps : frozenset of order
        That alone make the step over some midnight a short one.
    ends : mapping of order to (int, int)
        First and last time [local µs] under each possible order.
    """

    shape: str
    sample: str
    possible: frozenset[DateOrder]
    steps: frozenset[DateOrder]
    ends: dict[DateOrder, Ends]


@dataclass(frozen=True, slots=True)
class Decision:
    """The order that evidence settles.

    ``order`` is None where it does not; ``contradictory`` says that it points both ways.
    """

    order: DateOrder | None
    contradictory: bool = False


def date_evidence(
    files: TextFiles, found: Found, content: Callable[[], AbstractContextManager[Readable]]
) -> DateEvidence:
    """Read a file's times under every order that its dates leave open.

    Parameters
    ----------
    files : TextFiles
    found : Found
        Of the file; its date is ambiguous.
    content : callable
        Opens the file anew.

    Raises
    ------
    SourceWaits
        Under no order is its time zone understood.
    """
    sample = found.ambiguous or ""
    orders = orders_of(sample)
    read, unclear = {}, []
    for order in orders:
        try:
            read[order] = _times(files, found, content, order)
        except SourceWaits as error:
            # CEST is no name for a time in January: the order is not this one.
            unclear.append(error)
            read[order] = np.empty(0, np.int64), np.empty(0, np.int64)
    if len(unclear) == len(orders):
        raise unclear[0]
    lines = [set(at.tolist()) for at, _ in read.values()]
    every = set().union(*lines)
    possible = frozenset(o for o, at in zip(orders, lines, strict=True) if at == every)
    times = {o: read[o][1] for o in orders if o in possible}
    ends = {o: (int(t[0]), int(t[-1])) for o, t in times.items() if len(t)}
    steps = {o: np.diff(t) for o, t in times.items()}
    return DateEvidence(date_shape(sample), sample, possible, _only_short(steps), ends)


def _times(
    files: TextFiles,
    found: Found,
    content: Callable[[], AbstractContextManager[Readable]],
    order: DateOrder,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Lines and their times [local µs], in the order of the file."""
    reader = files.reader(found, order)
    lines, times = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    with content() as stream:
        for block, _ in WholeLines(stream, found.encoding, BLOCK_BYTES, MAX_LINE):
            for rows in reader.rows(block):
                lines.append(rows.lines)
                times.append(rows.times)
    return np.concatenate(lines), np.concatenate(times)


def _only_short(steps: dict[DateOrder, NDArray[np.int64]]) -> frozenset[DateOrder]:
    """Orders that alone make some step longer than none and no longer than an hour."""
    if not steps or not len(next(iter(steps.values()))):
        return frozenset()
    short = np.array([(s > 0) & (s <= _LONGEST_STEP_US) for s in steps.values()])
    alone = short & (short.sum(axis=0) == 1)
    return frozenset(o for o, found in zip(steps, alone.any(axis=1), strict=True) if found)


def decide(evidence: Iterable[DateEvidence]) -> Decision:
    """What files of one source and one shape tell together, in whatever order they come."""
    files = list(evidence)
    possible = frozenset.intersection(*(f.possible for f in files))
    steps = frozenset.union(*(f.steps for f in files))
    for one, other in permutations(files, 2):
        gaps = {
            order: np.array([other.ends[order][0] - one.ends[order][1]])
            for order in possible
            if order in one.ends and order in other.ends
        }
        steps |= _only_short(gaps)
    if not possible or len(steps) > 1 or not steps <= possible:
        return Decision(None, contradictory=True)
    if len(possible) == 1:
        return Decision(next(iter(possible)))
    return Decision(next(iter(steps)) if steps else None)


def agrees(evidence: DateEvidence, order: DateOrder) -> bool:
    """Whether a file can be read in an order that was settled before it."""
    return order in evidence.possible and not evidence.steps - {order}


def question(name: str, evidence: DateEvidence, decision: Decision) -> str:
    """What to ask of people."""
    choices = " or ".join(f'"{order}"' for order in orders_of(evidence.sample))
    why = "records show both" if decision.contradictory else "its records do not show which"
    return (
        f"{name}: a date such as {evidence.sample.split()[0]!r} may have its day or month first,"
        f" and {why}. Nothing of this file was stored. Set date_order = {choices} for its source in"
        " the station file"
    )


def as_order(text: str) -> DateOrder:
    """An order of day, month and year as it was stored."""
    return "mdy" if text == "mdy" else "ymd" if text == "ymd" else "dmy"


def contradiction(name: str, evidence: DateEvidence, order: str) -> str:
    """Why a file waits whose dates do not fit the order of the files before it."""
    return (
        f"{name}: its dates, such as {evidence.sample.split()[0]!r}, do not fit the order {order}"
        " of earlier files of the source. Nothing of this file was stored. Set date_order for the"
        " source in the station file, or give this file a source of its own"
    )
