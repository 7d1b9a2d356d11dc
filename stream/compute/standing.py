"""Whose values stand where a file has others for the same times."""

from collections import Counter
from collections.abc import Mapping, Sequence

import numpy as np

from stream.ingest.batches import Reject
from stream.store.journal.journal import Journal

ORDER = (
    "The file that is read first stands, and files of a folder are read in the order of their"
    " names. Move the file that is not of this station away, and replay the others into a new"
    " database (--database)"
)


def standing(journal: Journal, own: str, clashes: Sequence[Reject]) -> Counter[str]:
    """Files and topics whose values stand against those of a file, and how many do.

    Parameters
    ----------
    journal : Journal
        Blocks know their sources; archived days do not, and are passed over.
    own : str
        The file's name: where it disagrees with itself, nobody else is to blame.
    clashes : sequence of Reject
        Records that differ from those of the journal.
    """
    times: dict[str, list[int]] = {}
    for reject in clashes:
        if reject.at_us is not None:
            times.setdefault(reject.text.partition("=")[0], []).append(reject.at_us)
    found: Counter[str] = Counter()
    for channel, mine in times.items():
        for source, count in journal.sources_of(channel, np.unique(mine)).items():
            if source != own:
                found[source] += count
    return found


def told(path: object, others: Mapping[str, int]) -> str:
    """For people: a file and those whose values stand."""
    count = sum(others.values())
    values = "1 value differs" if count == 1 else f"{count} values differ"
    return f"{path}: {values} from those of {names(others)} for the same times. {ORDER}"


def names(others: Mapping[str, int]) -> str:
    """The files, those with the most values first."""
    ordered = sorted(others, key=lambda name: (-others[name], name))
    more = f" and {len(ordered) - 3} more files" if len(ordered) > 3 else ""
    return ", ".join(ordered[:3]) + more
