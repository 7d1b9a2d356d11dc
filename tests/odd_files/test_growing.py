"""Every odd file as it grows under the service's eyes, by bytes and not by lines."""

from collections import Counter

import pytest

from odd_files.case import OddFile
from odd_files.corpus import ODD_FILES
from odd_files.trial import Grower, Trial, differences, expected, right


@pytest.mark.parametrize("restarted", [False, True], ids=["watched", "restarted"])
@pytest.mark.parametrize("case", [c for c in ODD_FILES if c.grows], ids=lambda c: c.id)
def test_growing(case: OddFile, trial: Trial, grower: Grower, restarted: bool) -> None:
    """The same records come of files that grow, by bytes and not by lines."""
    grower.grow(restarted=restarted)
    if case.asks:
        assert differences(expected(case.meanwhile), trial.stored()) == []
        trial.write_station(answered=True)
        grower.restart()
        grower.settle()
    right(trial)
    # A last line without its end may still be written to, so it is not refused yet.
    waiting = {
        (name, content.count(b"\n") + 1)
        for name, content in case.files.items()
        if not content.endswith((b"\n", b"\n\0"))
    }
    due = Counter(line for line in case.refused if line not in waiting)
    assert trial.refused_lines() == due, trial.refused()
