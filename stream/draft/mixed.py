"""Files of several stations in one folder: the draft is of one, and asks about the others."""

from stream.draft.folders import Records, contradictions, kinds
from stream.draft.survey import Survey


def tell_apart(found: Survey) -> None:
    """Note files with different headers, and set aside those that contradict others before.

    The records of a file that is set aside would make nonsense of what lids do, so nothing is
    guessed by them; the source's pattern is asked about.
    """
    found.notes += kinds(found.files)
    aside: dict[int, tuple[Records, Records, str]] = {}
    for a, b, name in contradictions(found.files):
        if id(a) not in aside:
            aside.setdefault(id(b), (a, b, name))
    for count, (a, b, name) in enumerate(aside.values()):
        _leave_out(found, b)
        wrong = f"{a.path.name} and {b.path.name} hold different values of {name} for the same time"
        question = (
            f"? {wrong}. Is one of them another station's? Move its files out of the folder; then"
            " write the pattern of this station's files, as log*.csv"
        )
        found.sources[b.source].setdefault("pattern", question)
        if count == 0:
            more = f", nor {len(aside) - 1} more" if len(aside) > 1 else ""
            found.notes.append(
                f"{wrong}. Move files of another station out of the folder; {b.path.name} is not"
                f" used for this draft{more}"
            )


def _leave_out(found: Survey, file: Records) -> None:
    theirs = {id(times) for parts in file.series.values() for times, _ in parts}
    for column in found.columns.values():
        kept = [
            (t, v) for t, v in zip(column.times, column.values, strict=True) if id(t) not in theirs
        ]
        column.times, column.values = [t for t, _ in kept], [v for _, v in kept]
