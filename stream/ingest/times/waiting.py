"""Files of a watched folder that wait until the order of their dates is settled."""

from collections.abc import Callable, Collection, Mapping
from contextlib import AbstractContextManager
from os import stat_result

from stream.errors import SourceError
from stream.ingest.batches import DateOrderKept
from stream.ingest.delimited.cells import Readable
from stream.ingest.delimited.reading import Found, TextFiles
from stream.ingest.files.recordings import source_key
from stream.ingest.times.dates import (
    DateEvidence,
    agrees,
    as_order,
    contradiction,
    date_evidence,
    decide,
    question,
)

Content = Callable[[], AbstractContextManager[Readable]]


class WaitingDates:
    """Gathers what waiting files tell, until they settle the order together.

    Parameters
    ----------
    files : TextFiles
        Of the source.
    kept : mapping
        Source and shape → order, as settled and stored before.
    """

    def __init__(self, files: TextFiles, kept: Mapping[tuple[str, str], str]) -> None:
        self._files = files
        self._source = source_key(files.source)
        self._kept = {shape: order for (of, shape), order in kept.items() if of == self._source}
        self._told: dict[str, tuple[tuple[int, int], DateEvidence]] = {}

    def only(self, names: Collection[str]) -> None:
        """Forget files that are no longer there."""
        self._told = {name: told for name, told in self._told.items() if name in names}

    def settle(
        self, name: str, stat: stat_result, found: Found, content: Content
    ) -> DateOrderKept | None:
        """The order by which a file is read; None while nothing settles it.

        Raises
        ------
        SourceError
            Its dates do not fit the order that was settled before.
        """
        state = (stat.st_size, stat.st_mtime_ns)
        known = self._told.get(name)
        if known is not None and known[0] == state:
            evidence = known[1]
        else:
            evidence = date_evidence(self._files, found, content)
            self._told[name] = (state, evidence)
        shape = evidence.shape
        order = self._kept.get(shape) or decide(self._alike(shape)).order
        if order is None:
            return None
        if not agrees(evidence, as_order(order)):
            raise SourceError(contradiction(name, evidence, order))
        self._kept[shape] = order
        del self._told[name]
        return DateOrderKept(self._source, shape, order)

    def is_waiting(self, name: str) -> bool:
        """Whether a file waits for its dates."""
        return name in self._told

    def question(self, name: str) -> str:
        """What to ask of people about a file that waits."""
        evidence = self._told[name][1]
        return question(name, evidence, decide(self._alike(evidence.shape)))

    def _alike(self, shape: str) -> list[DateEvidence]:
        return [evidence for _, evidence in self._told.values() if evidence.shape == shape]
