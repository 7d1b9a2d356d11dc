"""The fast way and the careful way give the same, in every dialect: records, refusals, layout."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.errors import SourceWaits
from stream.ingest.delimited.header import ChannelColumn
from stream.ingest.delimited.reading import TextFiles
from stream.station import FolderSource

WANTED = {
    "n2o": ChannelColumn(None, "nmol/mol"),
    "co2": ChannelColumn("CO2 (ppm)", "umol/mol"),
    "lid": ChannelColumn(None, "1", {"open": 0.0, "closed": 1.0, "moving": 2.0}),
    "one": ChannelColumn("no", "1", {"": 0.0, "open": 0.0}, frozenset({""}), (1.0, 0.0)),
    "two": ChannelColumn("no", "1", {"open": 0.0, "west": 0.0}, frozenset(), (2.0, 0.0)),
}
CLOCK = "{0:02d}:{1:02d}:{2:02d}"


def clock(s: int) -> str:
    return CLOCK.format(s // 3600, s // 60 % 60, s % 60)


PLAIN = ChannelColumn(None, "umol/mol")
FORMS = {
    "iso": ("Time", lambda d, s: f"2026-04-{d:02d} {clock(s)}"),
    "dots": ("Time", lambda d, s: f"{d:02d}.04.2026 {clock(s)}"),
    "comma": ("Time", lambda d, s: f"2026-04-{d:02d} {clock(s)},{s % 10}00"),
    "ms": ("Time", lambda d, s: str((1_775_000_000 + 86_400 * d + s) * 1000)),
    "sheet": ("Time", lambda d, s: f"{46_112 + d + s / 86_400:.6f}"),
    "compact": ("Time", lambda d, s: f"202604{d:02d}{clock(s).replace(':', '')}"),
}
NUMBER = st.one_of(
    st.floats(-5, 900, allow_nan=False).map(lambda x: f"{x:.2f}"),
    st.integers(-5, 999).map(str),
    st.sampled_from(["", "-9999", "#N/A", "NaN", "abc", "1e3", "0x1F", "1.5.2", "-999.9", "1,5"]),
)
LID = st.sampled_from(["open", "closed", "moving", "OPEN", "0", "1", "", "ajar", "---"])
NUMBERED = st.sampled_from(["0", "1", "2", "3", "2.0", "", "---", "open", "West", "shut"])
ZONE = st.sampled_from(["UTC", "+02:00", "-0330", "UTC+5:45", "", "CET", "?!"])
NOTE = st.sampled_from(["", "ok", "wet, cold", "12", "a b", '"q, r"', "3.5 mm, rain"])
ROW = st.tuples(
    st.integers(1, 28), st.integers(0, 86_399), NUMBER, NUMBER, LID, NUMBERED, ZONE, NOTE
)


@settings(max_examples=120, deadline=None)
@given(
    form=st.sampled_from(sorted(FORMS)),
    rows=st.lists(ROW, min_size=1, max_size=30),
    delimiter=st.sampled_from([",", ";", "\t", "|", " "]),
    comma=st.booleans(),
    trailing=st.booleans(),
    note=st.booleans(),
    zone=st.booleans(),
    again=st.integers(0, 30),
    block=st.integers(30, 900),
)
def test_the_fast_way_gives_what_the_careful_way_gives(
    form, rows, delimiter, comma, trailing, note, zone, again, block
) -> None:
    name, write = FORMS[form]
    header = [
        name,
        "n2o",
        "CO2 (ppm)",
        "lid",
        "no",
        *(["tz"] if zone else []),
        *(["note"] if note else []),
    ]
    if delimiter == " ":
        header = [h.replace(" ", "") for h in header]
    lines = [delimiter.join(header)]
    for i, (d, s, n2o, co2, lid, closed, where, remark) in enumerate(rows):
        numbers = [x.replace(".", ",") if comma and delimiter != "," else x for x in (n2o, co2)]
        cells = [
            write(d, s),
            *numbers,
            lid,
            closed,
            *([where] if zone else []),
            *([remark] if note else []),
        ]
        lines.append(delimiter.join(cells) + (delimiter if trailing else ""))
        if i == again:
            lines.append(delimiter.join(header[::-1]))
    text = ("\n".join(lines) + "\n").encode()
    source = FolderSource(kind="folder", path=".", date_order="dmy")
    files = TextFiles(source, WANTED, "Europe/Copenhagen")
    try:
        found = files.find("log", text)
    except SourceWaits:
        return
    if found is None:
        return
    fast, careful = files.reader(found), files.reader(found)
    careful._fast = lambda block, first, count: None  # type: ignore[method-assign]
    ours = list(fast.batches(io.BytesIO(text), block))
    theirs = list(careful.batches(io.BytesIO(text), block))
    assert len(ours) == len(theirs)
    for a, b in zip(ours, theirs, strict=True):
        assert a.times.tolist() == b.times.tolist()
        for channel in {*a.channels, *b.channels}:
            mine = a.values[:, a.channels.index(channel)] if channel in a.channels else np.nan
            other = b.values[:, b.channels.index(channel)] if channel in b.channels else np.nan
            np.testing.assert_array_equal(mine, other)
        assert a.lines.tolist() == b.lines.tolist()
        assert a.rejects == b.rejects
    assert fast.layout == careful.layout


@pytest.mark.parametrize("size", [1, 7, 64, 4096])
def test_seconds_cut_by_a_comma(size: int) -> None:
    """In a file of points, whatever the blocks; a remark beside them does no harm."""
    lines = ["time,n2o,note"]
    lines += [
        f"2026-04-03 12:00:{i:02d},250,{330 + i}.5,{'dry' if i % 2 else 'a b'}" for i in range(60)
    ]
    text = ("\n".join(lines) + "\n").encode()
    files = TextFiles(FolderSource(kind="folder", path="."), WANTED, "UTC")
    found = files.find("log", text)
    assert found is not None
    batches = list(files.reader(found).batches(io.BytesIO(text), size))
    assert [r for b in batches for r in b.rejects] == []
    times = [int(t) for b in batches for t in b.times]
    values = [float(v) for b in batches for v in b.values[:, b.channels.index("n2o")]]
    start = 1_775_217_600_000_000  # 2026-04-03T12:00:00Z
    assert times == [start + i * 1_000_000 + 250_000 for i in range(60)]
    assert values == [330.5 + i for i in range(60)]


def test_a_comma_at_the_end_is_not_taken_for_one_in_the_seconds() -> None:
    """Once a file has shown which it writes; before, the line is refused."""

    def values(*lines: str) -> list[tuple[int, float]]:
        text = "\n".join(["time,n2o,co2", *lines, ""]).encode()
        files = TextFiles(FolderSource(kind="folder", path="."), {**WANTED, "co2": PLAIN}, "UTC")
        found = files.find("log", text)
        assert found is not None
        batches = list(files.reader(found).batches(io.BytesIO(text)))
        assert all("fields where the header" in r.reason for b in batches for r in b.rejects)
        return [
            (int(t) % 1_000_000, float(v))
            for b in batches
            for t, v in zip(b.times, b.values[:, b.channels.index("n2o")], strict=True)
        ]

    cut, end = "2026-04-03 12:00:01,500,0.25,415.5", "2026-04-03 12:00:02,331.5,415.5,"
    unsure = "2026-04-03 12:00:03,500,0.25,"
    assert values(unsure) == []
    assert values(cut, unsure) == [(500_000, 0.25), (500_000, 0.25)]
    assert values(end, unsure) == [(0, 331.5), (0, 500.0)]
