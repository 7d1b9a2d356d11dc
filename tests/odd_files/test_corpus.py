"""The corpus itself, looked at without any reader."""

import math
import re
import tomllib
from collections import Counter
from datetime import datetime, timedelta
from itertools import pairwise

import pytest

from odd_files.case import OddFile
from odd_files.corpus import ODD_FILES
from odd_files.cutting import lines_of, pieces, steps
from odd_files.station import channel_names, station_text

by_case = pytest.mark.parametrize("case", ODD_FILES, ids=lambda c: c.id)

KEYS = {
    "encoding", "delimiter", "decimal", "header_line", "columns", "time_column", "date_column",
    "date_order", "time_format", "missing", "clock", "zone_column",
}  # fmt: skip

DRESSED = {
    "both-decimal-marks-in-a-number",
    "bad-cells-bad-rows-and-a-cut",
    "senml-document",
    "senml-beside-columns",
    "numbers-in-every-dress",
    "compressed",
}
"""Cases whose values are sums, or are not written plainly."""


def test_there_are_enough_and_no_two_are_alike() -> None:
    assert len(ODD_FILES) >= 45
    assert len({c.id for c in ODD_FILES}) == len(ODD_FILES)
    assert all(re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", c.id) for c in ODD_FILES)
    contents = Counter((tuple(c.files.values()), c.source, c.channels, c.clock) for c in ODD_FILES)
    assert [key for key, n in contents.items() if n > 1] == []


def test_every_key_is_used() -> None:
    """In some source, and those of a channel in some channel."""
    used = set()
    for case in ODD_FILES:
        used |= tomllib.loads(f"{case.source}\n{case.answer}").keys()
    assert used == KEYS
    channels = "\n".join(c.channels for c in ODD_FILES)
    assert "\ncolumn = " in channels
    assert "\nstates = " in channels


@by_case
def test_what_is_expected_makes_sense(case: OddFile) -> None:
    for records in (case.records, case.meanwhile or {}):
        assert records.keys() <= channel_names(case)
        for found in records.values():
            times = [datetime.fromisoformat(t) for t, _ in found]
            assert all(t.endswith("Z") for t, _ in found)
            assert all(a < b for a, b in pairwise(times))
            assert all(t.utcoffset() == timedelta(0) and t.year == 2026 for t in times)
            assert not any(math.isinf(v) for _, v in found)
    for answered in (False, True):
        assert tomllib.loads(station_text(case, answered=answered))["station"]["id"] == "odd"
    assert bool(case.asks) == bool(case.answer)
    if case.asks:
        assert tomllib.loads(case.answer).keys() == {case.asks}
    assert case.meanwhile is None or case.asks


@by_case
def test_exit_codes_follow_from_what_is_refused(case: OddFile) -> None:
    """2 where a file is refused, else 1 for over 1 % of its lines or for no records."""
    if case.bad_file:
        assert case.exit_code == 2
        assert case.bad_file in case.files
        return
    assert case.error == ()
    share = max(
        (n / len(lines_of(case.files[name])) for name, n in Counter(
            name for name, _ in set(case.refused)).items()), default=0.0,
    )  # fmt: skip
    nothing = not case.records or "header-alone" in case.id
    assert case.exit_code == int((share > 0.01 and not case.columns_change) or nothing)


@by_case
def test_refused_lines_are_there(case: OddFile) -> None:
    for name, number in case.refused:
        line = lines_of(case.files[name])[number - 1]
        assert line.strip()
        assert number > 1


@by_case
def test_files_can_be_looked_through(case: OddFile) -> None:
    for content in case.files.values():
        # One case needs many lines, so that what is refused is under 1 % of them.
        assert len(lines_of(content)) <= (241 if "240" in case.id else 60)
        assert b"".join(lines_of(content)) == b"".join(steps(case, content)) == content
    if case.cut:
        cut = pieces(case)
        assert len(cut) == 3 * len(case.files)
        for i, content in enumerate(case.files.values()):
            lines = lines_of(content)
            head = b"".join(lines[: case.header_lines])
            parts = list(cut.values())[3 * i : 3 * i + 3]
            assert all(p.startswith(head) for p in parts)
            assert head + b"".join(p[len(head) :] for p in parts) == content


@by_case
def test_every_value_is_written_in_its_file(case: OddFile) -> None:
    """Each number expected of delimited text, as someone would type it, is in some file."""
    if case.id in DRESSED:
        return
    whole = (
        b"\n".join(case.files.values()).replace(b"\0", b"").replace(b",", b".").decode("latin-1")
    )
    for channel, found in case.records.items():
        if channel.startswith("lid_") or channel == "pump":
            continue
        for _, value in found:
            digits = f"{abs(value):.6f}".rstrip("0").rstrip(".")
            assert digits in whole, (channel, value)
