"""Delimited text: the layouts of loggers, bad lines beside good ones, and two ways that agree."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.errors import SourceError
from stream.ingest.batches import Batch
from stream.ingest.delimited.header import ChannelColumn
from stream.ingest.delimited.layout import Layout, find_layout, header_layout
from stream.ingest.delimited.not_understood import no_layout
from stream.ingest.delimited.reading import DelimitedReader
from stream.station import FolderSource, read_clock
from stream.times import rfc3339

WANTED = {"n2o": ChannelColumn(None, "nmol/mol"), "lid": ChannelColumn(None, "1")}


def reader(text: bytes, clock: str = "+10:00", **settings: str) -> DelimitedReader:
    source = FolderSource(kind="folder", path=".", **settings)
    layout = find_layout("log.csv", text, source, WANTED)
    if layout is None:
        raise no_layout("log.csv", text, source, WANTED)
    return DelimitedReader("log.csv", layout, WANTED, read_clock(clock), source)


def read(text: bytes, block: int = 1 << 20, clock: str = "+10:00", **settings: str) -> list[Batch]:
    return list(reader(text, clock, **settings).batches(io.BytesIO(text), block))


def rows(batches: list[Batch]) -> list[tuple[str, float, float]]:
    """(time, n2o, lid), -1 for nothing."""
    found = []
    for b in batches:
        columns = [
            b.values[:, b.channels.index(c)] if c in b.channels else np.full(len(b), np.nan)
            for c in ("n2o", "lid")
        ]
        for t, *values in zip(b.times, *columns, strict=True):
            found.append((rfc3339(int(t)), *np.nan_to_num(values, nan=-1.0)))
    return found


def rejects(batches: list[Batch]) -> list[tuple[int, str]]:
    return [(r.line, r.reason) for b in batches for r in b.rejects]


EXPECTED = [("2026-02-08T14:00:00Z", 331.5, 0.0), ("2026-02-08T14:00:01Z", 332.25, 1.0)]


@pytest.mark.parametrize(
    "text",
    [
        b"time,n2o,lid\n2026-02-09T00:00:00+10:00,331.5,0\n2026-02-09T00:00:01+10:00,332.25,1\n",
        b"time,n2o,lid\n2026-02-09 00:00:00,331.5,0\n2026-02-09 00:00:01,332.25,1\n",
        b"time,n2o,lid\n1770559200,331.5,0\n1770559201,332.25,1\n",
        b"\xef\xbb\xbftime,n2o,lid\r\n2026-02-08T14:00:00Z,331.5,0\r\n2026-02-08T14:00:01Z,332.25,1\r\n",
        b"time;n2o;lid\n2026-02-09 00:00:00;331,5;0\n2026-02-09 00:00:01;332,25;1\n",
        b"time\tn2o\tlid\n2026-02-09 00:00:00\t331.5\t0\n2026-02-09 00:00:01\t332.25\t1\n",
        b'"time","n2o","lid"\n"2026-02-09 00:00:00",331.5,0\n"2026-02-09 00:00:01",332.25,1\n',
        b'lid,note,n2o,time\n0,ok,331.5,2026-02-09 00:00:00\n1,"a, b",332.25,2026-02-09 00:00:01\n',
        b"\n\ntime,n2o,lid\n\n2026-02-09 00:00:00,331.5,0\n\n\n2026-02-09 00:00:01,332.25,1\n",
        b"time,n2o,lid\n2026-02-09 00:00:00,331.5,0\ntime,n2o,lid\n2026-02-09 00:00:01,332.25,1\n",
        b"time, n2o, lid\n2026-02-09 00:00:00, 331.5, 0\n2026-02-09 00:00:01, 332.25, 1\n",
        b"time,n2o,lid\n2026-02-09 00:00:01,332.25,1\n2026-02-09 00:00:00,331.5,0\n",
        b"time,n2o,lid\n2026-02-09 00:00:00,331.5,0\n2026-02-08T14:00:01Z,332.25,1\n",
    ],
    ids=[
        "offset",
        "local",
        "epoch",
        "BOM and CRLF",
        "decimal comma",
        "tabs",
        "quotes",
        "other columns",
        "blank lines",
        "header again",
        "blanks",
        "disorder",
        "mixed times",
    ],
)
def test_layouts(text: bytes) -> None:
    batches = read(text)
    assert rows(batches) == EXPECTED
    assert rejects(batches) == []


def test_fractions_of_a_second() -> None:
    text = b"time,n2o\n2026-02-09T00:00:00.1Z,1\n2026-02-09T00:00:00.25Z,2\n"
    assert [t for t, *_ in rows(read(text))] == [
        "2026-02-09T00:00:00.1Z",
        "2026-02-09T00:00:00.25Z",
    ]


def test_semicolons_with_decimal_points() -> None:
    text = b"time;n2o;lid\n2026-02-09 00:00:00;331.5;0\n"
    assert rows(read(text)) == EXPECTED[:1]


def test_a_number_may_bear_the_unit_of_its_channel() -> None:
    text = b"time;n2o;lid\n2026-02-09 00:00:00;331,5 ppb;0\n2026-02-09 00:00:01;332,25ppb;1\n"
    assert rows(read(text)) == EXPECTED


@pytest.mark.parametrize("first", ["99.806;412,5", "412,5;99.806"])
def test_a_number_that_may_be_a_thousand_shows_no_decimal_mark(first: str) -> None:
    """Another number of its line does; it is then refused, and read once a person says so."""
    text = f"time;n2o;lid\n2026-02-09 00:00:00;{first}\n".encode()
    batches = read(text)
    values = rows(batches)[0][1:]
    assert sorted(values) == [-1.0, 412.5]
    assert ["99.806" in reason for _, reason in rejects(batches)] == [True]
    assert sorted(rows(read(text, decimal=","))[0][1:]) == [412.5, 99_806.0]
    alone = b"time;n2o;lid\n2026-02-09 00:00:00;99.806;0\n"
    assert rows(read(alone))[0][1] == 99.806


@pytest.mark.parametrize("many", [2, 5000])
def test_a_quote_that_nothing_closes_costs_no_number(many: int) -> None:
    """In a remark at the end of the line; a number behind it may be cut."""
    good = [
        f"2026-02-09 {i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d},{i},0,ok".encode()
        for i in range(many)
    ]
    good[many // 2] += b'", wet'
    good[many // 3] = good[many // 3].removesuffix(b"ok") + b'"wet, and cold'
    text = b"\n".join([b"time,n2o,lid,note", *good, b""])
    batches = read(text)
    assert rejects(batches) == []
    assert [n for _, n, _ in rows(batches)] == list(range(many))


def test_two_columns_of_times_are_asked_about() -> None:
    """A mean has a beginning and an end; a date alone is no second time."""
    text = b"from;to;n2o\n2026-02-09 00:00;2026-02-09 00:10;331,5\n"
    with pytest.raises(SourceError, match="'from' and 'to' both hold times; set time_column"):
        reader(text)
    assert len(rows(read(text, time_column="to"))) == 1
    dated = b"when;checked;n2o\n2026-02-09 00:00;2026-02-01;331,5\n"
    assert len(rows(read(dated))) == 1


def test_what_loggers_write_for_nothing() -> None:
    text = b"time,n2o,lid\n2026-02-09 00:00:00,NaN,0\n2026-02-09 00:00:01,,1\n1770559202,NA,\n"
    assert [(n, lid) for _, n, lid in rows(read(text))] == [(-1, 0), (-1, 1)]


BAD = [
    (b"2026-02-09 00:00:02,331.5", "2 fields where the header has 3"),
    (b"2026-02-09 00:00:02,331.5,0,7", "4 fields where the header has 3"),
    (b"noon,331.5,0", "'noon' is not a time"),
    (b'2026-02-09 00:00:02,"331.5,0', "its quotes do not close"),
    (b"1999-02-09 00:00:02,331.5,0", "time 1999-02-08T14:00:02Z is before 2000 or after 2100"),
    (b",331.5,0", "'' is not a time"),
    (b"2026-02-09 00:00:02,3\x0031.5,0", "holds a NUL byte"),
]
BAD_CELLS = [
    (b"2026-02-09 00:00:02,33l.5,0", "n2o: '33l.5' is not a number"),
    (b"2026-02-09 00:00:02,inf,0", "n2o: 'inf' is not a number"),
    (b"2026-02-09 00:00:02,1e999,0", "n2o: '1e999' is too large"),
    (b"2026-02-09 00:00:02,1_000,0", "n2o: '1_000' is not a number"),
    (b"2026-02-09 00:00:02,\xff\xfe,0", "n2o: 'ÿþ' is not a number"),
    (
        b'2026-02-09 00:00:02,"331,5",0',
        "n2o: '331,5' has a decimal comma, and other numbers of this file a point",
    ),
    (
        b"2026-02-09 00:00:02,0.33 ppm,0",
        "n2o: '0.33 ppm' is in another unit than its channel, 'nmol/mol'",
    ),
    (b"2026-02-09 00:00:02,331.5*,0", "n2o: '331.5*' is not a number"),
]


@pytest.mark.parametrize(("line", "reason"), BAD_CELLS, ids=[reason for _, reason in BAD_CELLS])
@pytest.mark.parametrize("many", [2, 5000])
def test_a_bad_cell_costs_that_cell(line: bytes, reason: str, many: int) -> None:
    """Its neighbours on the line are records, as all other lines are."""
    good = [f"2026-02-09 01:00:00.{i:04d},{300 + i / 10},0".encode() for i in range(1, 1 + many)]
    text = b"\n".join([b"time,n2o,lid", *good[: many // 2], line, *good[many // 2 :], b""])
    batches = read(text)
    assert rejects(batches) == [(many // 2 + 2, reason)]
    found = rows(batches)
    assert ("2026-02-08T14:00:02Z", -1.0, 0.0) in found
    assert len(found) == many + 1


@pytest.mark.parametrize(("line", "reason"), BAD, ids=[reason for _, reason in BAD])
@pytest.mark.parametrize("many", [2, 5000])
def test_a_bad_line_costs_its_neighbours_nothing(line: bytes, reason: str, many: int) -> None:
    """It is named with line and reason; all other lines are records."""
    good = [
        f"2026-02-09 {i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d},{300 + i / 10},0".encode()
        for i in range(10, 10 + many)
    ]
    text = b"\n".join([b"time,n2o,lid", *good[: many // 2], line, *good[many // 2 :], b""])
    batches = read(text)
    assert rejects(batches) == [(many // 2 + 2, reason)]
    assert len(rows(batches)) == many
    (refused,) = [r for b in batches for r in b.rejects]
    assert refused.source == "log.csv"
    assert refused.text


def test_a_cut_off_last_line_is_not_trusted() -> None:
    """331.25 cut to 331.2 would look like a number."""
    text = b"time,lid,n2o\n2026-02-09 00:00:00,0,331.5\n2026-02-09 00:00:01,1,332.2"
    batches = read(text)
    assert rows(batches) == EXPECTED[:1]
    assert rejects(batches) == [(3, "cut off: the last line has no line end")]


def test_the_same_line_twice_is_one_record_and_another_value_is_refused() -> None:
    text = (
        b"time,n2o,lid\n2026-02-09 00:00:00,331.5,0\n2026-02-09 00:00:00,331.5,0\n"
        b"2026-02-09 00:00:00,999,\n2026-02-09 00:00:01,332.25,1\n"
    )
    batches = read(text)
    assert rows(batches) == EXPECTED
    assert rejects(batches) == [
        (4, "n2o at 2026-02-08T14:00:00Z is already recorded as 331.5; the first stands")
    ]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"", "the file is empty"),
        (b"\n \n", "the file is empty"),
        (b"\x89PNG\r\n\x1a\n\x00\x00,", "neither delimited text nor SenML"),
        (b"just some prose\nand more\n", "is no header of delimited columns"),
        (b"wann,n2o\n1,2\n", "no column of times in its header"),
        (b"time,n2o,n2o\n1,2,3\n", "set header_line and columns of its source"),
        (b"time,N2O [ppb],N2O (ppb)\n1,2,3\n", r"set column of \[channels.n2o\]"),
        (b"year month day n2o\n2026 2 9 331.5\n", r"in several columns \(year, month, day\)"),
        (b"wann,n2o\n1,2\n", "set time_column of its source"),
    ],
)
def test_files_that_are_no_logs(text: bytes, message: str) -> None:
    with pytest.raises(SourceError, match=message):
        reader(text)


CELL = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False, width=32).map(repr),
    st.integers(-9999, 99999).map(str),
    st.sampled_from(
        [
            "",
            "NaN",
            "nan",
            "NA",
            "abc",
            "1,5",
            "+3.25",
            " 7 ",
            "1e5",
            "-.5",
            "5.",
            "inf",
            "-nan",
            "Nan",
            "-infinity",
            '"8.5"',
            "0x10",
            "1e400",
            "١٢",
            "--",
            "1 2",
        ]
    ),
)
TIME = st.one_of(
    st.integers(0, 86399).map(
        lambda s: f"2026-02-09 {s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}"
    ),
    st.integers(1_770_000_000, 1_770_000_500).map(str),
    st.sampled_from(
        [
            "",
            "2026-02-09T00:00:00Z",
            "2026-02-09T00:00:00.5+10:00",
            "never",
            "1.77e9",
            "1770000000.5",
            "-1",
            "2026-02-30",
            "2026-02-09",
            "2026-02-09T24:00:00Z",
            " 2026-02-09 00:00:07 ",
        ]
    ),
)


@settings(max_examples=150, deadline=None)
@given(
    table=st.lists(st.tuples(TIME, CELL, CELL), min_size=1, max_size=40),
    block=st.integers(20, 600),
    end=st.sampled_from(["\n", "\r\n"]),
)
def test_fast_and_careful_reading_agree(table, block: int, end: str) -> None:
    """Whatever the blocks are, records and refusals are those of line-by-line reading."""
    text = end.join(["time,n2o,lid", *(",".join(row) for row in table), ""]).encode()
    ours = read(text, block)
    careful = reader(text)
    careful._fast = lambda block, first, count: None  # type: ignore[method-assign]
    theirs = list(careful.batches(io.BytesIO(text), block))
    assert len(ours) == len(theirs)
    for a, b in zip(ours, theirs, strict=True):
        assert np.array_equal(a.times, b.times)
        assert np.array_equal(a.values, b.values, equal_nan=True)
        assert np.array_equal(a.lines, b.lines)
        assert a.rejects == b.rejects


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_end_in_records_or_refusals(noise: bytes) -> None:
    """No line of a file raises, whatever is in it."""
    text = b"time,n2o,lid\n" + noise + b"\n2026-02-09 00:00:01,332.25,1\n"
    found = rows(read(text))
    assert any(t == "2026-02-08T14:00:01Z" for t, *_ in found) or noise.count(b'"') % 2


def test_utc_is_what_it_stores() -> None:
    text = b"time,n2o\n2026-02-09 00:00:00,1\n"
    assert rows(read(text, clock="UTC"))[0][0] == "2026-02-09T00:00:00Z"


def test_a_time_of_day_beside_a_whole_stamp() -> None:
    """The column of whole stamps is taken, whatever its name."""
    text = b"stamp,time,n2o\n2026-02-09 00:00:00,00:00:00,331.5\n2026-02-09 00:00:01,00:00:01,332\n"
    assert [(t, n) for t, n, _ in rows(read(text))] == [
        ("2026-02-08T14:00:00Z", 331.5),
        ("2026-02-08T14:00:01Z", 332.0),
    ]


def test_a_date_alone_is_no_time() -> None:
    """It would put a day's records at one midnight; a true midnight is none."""
    text = b"date;hour;n2o\n2026-02-09;12;331.5\n2026-02-09;13;332\n"
    batches = read(text)
    assert rows(batches) == []
    assert [line for line, reason in rejects(batches) if "no time of day" in reason] == [2, 3]
    assert len(rows(read(text, time_column="date"))) == 1
    many = [f"2026-02-{1 + i // 24:02d} {i % 24:02d}:00:00,{i},0" for i in range(600)]
    many[300] = "2026-02-13,300,0"
    batches = read("\n".join(["time,n2o,lid", *many, ""]).encode())
    assert [line for line, _ in rejects(batches)] == [302]
    assert len(rows(batches)) == 599


def test_comments_and_empty_rows_are_passed_over() -> None:
    text = b"# north field\ntime,n2o,lid\n# start\n2026-02-09 00:00:00,331.5,0\n,,\n#N/A,5,0\n"
    batches = read(text)
    assert rows(batches) == EXPECTED[:1]
    assert rejects(batches) == [(6, "'#N/A' is not a time")]


@pytest.mark.parametrize("first", [b"2026-02-09,,0:00", b"0:00,,2026-02-09"])
def test_a_first_record_with_more_cells_than_columns_costs_itself(first: bytes) -> None:
    """Its time or its date stands where the header has no column."""
    batches = read(b"time,n2o\n" + first + b"\n2026-02-09 00:00:00,331.5\n")
    assert [len(b) for b in batches if len(b)] == [1]
    assert [line for line, _ in rejects(batches)] == [2]


def test_units_behind_a_line_or_a_slash() -> None:
    """Known ones only, and held against the station file like those in brackets."""
    text = b"time,n2o_ppb,lid/x\n2026-02-09 00:00:00,331.5,0\n"
    assert rows(read(text)) == [("2026-02-08T14:00:00Z", 331.5, -1.0)]
    with pytest.raises(SourceError, match="'ppm' as the unit of n2o"):
        read(text.replace(b"ppb", b"ppm"))


@pytest.mark.parametrize("units", ["UTC,ppb,1", ",nmol/mol,1", "yyyy-mm-dd,ppb,1"])
def test_a_row_of_units_has_a_1_for_a_lid(units: str) -> None:
    """``1`` is what the station file writes for it, and no reading."""
    batches = read(f"time,n2o,lid\n{units}\n2026-02-02T02:40:00Z,331.0,1\n".encode())
    assert rows(batches) == [("2026-02-02T02:40:00Z", 331.0, 1.0)]
    assert [r for b in batches for r in b.rejects] == []


def test_a_record_without_a_time_is_no_row_of_units() -> None:
    batches = read(b"time,n2o,lid\n,NAN,1\n2026-02-02T02:40:00Z,331.0,1\n")
    assert len([r for b in batches for r in b.rejects]) == 1


def test_records_are_not_looked_at_as_headers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Under the wrong order of day and month each line of a file fails, and none is a header."""
    looks = []

    def counted(*arguments: object) -> Layout | None:
        looks.append(arguments)
        return header_layout(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr("stream.ingest.delimited.lines.header_layout", counted)
    lines = [f"15.06.2026 {i // 60:02d}:{i % 60:02d}:00;331,5;open" for i in range(600)]
    text = "\n".join(["Time;n2o;lid", *lines, "Time;lid;n2o", ""]).encode()
    assert len(rejects(read(text, date_order="mdy"))) == 601
    assert len(looks) == 1, "the new header alone"
