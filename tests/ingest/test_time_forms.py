"""Times in every form that is known, held against ``strftime`` of Python's datetime, which
writes them; and columns of them against cells.
"""

from datetime import datetime, timedelta

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.errors import RecordError
from stream.ingest.times.time_columns import numbers_to_micros, parse_column
from stream.ingest.times.timestamps import AmbiguousDate, kind_of, parse_time

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - local times are counted from here
MOMENTS = st.datetimes(datetime(2000, 1, 1), datetime(2099, 12, 31))  # noqa: DTZ001

FORMS = [
    ("%Y-%m-%d %H:%M:%S", None, 1),
    ("%Y-%m-%dT%H:%M", None, 60),
    ("%Y/%m/%d %H:%M:%S.%f", None, 0),
    ("%d.%m.%Y %H:%M:%S", "dmy", 1),
    ("%d.%m.%y %H:%M", "dmy", 60),
    ("%m/%d/%Y %I:%M:%S %p", "mdy", 1),
    ("%m/%d/%y %I:%M %p", "mdy", 60),
    ("%d/%m/%Y %H:%M:%S,%f", "dmy", 0),
    ("%y-%m-%d %H:%M:%S", "ymd", 1),
    ("%Y%m%d%H%M%S", None, 1),
    ("%Y%m%d%H%M", None, 60),
    ("%Y%m%d %H%M%S", None, 1),
    ("%Y%m%dT%H%M%SZ", None, 1),
    ("%d %b %Y %H:%M:%S", None, 1),
    ("%d-%B-%Y %H:%M", None, 60),
    ("%B %d, %Y %H:%M:%S", None, 1),
    ("%b %d %Y %I:%M:%S %p", None, 1),
    ("%Y-%m-%d %H:%M:%S UTC", None, 1),
]


def micros(moment: datetime) -> int:
    return (moment - EPOCH) // timedelta(microseconds=1)


def cut(moment: datetime, step_s: int) -> datetime:
    """To what a form writes: minutes, seconds or microseconds."""
    if step_s == 60:
        return moment.replace(second=0, microsecond=0)
    return moment.replace(microsecond=0) if step_s else moment


@pytest.mark.parametrize(("form", "order", "step_s"), FORMS, ids=[f for f, *_ in FORMS])
@settings(max_examples=40, deadline=None)
@given(moments=st.lists(MOMENTS, min_size=1, max_size=20))
def test_what_datetime_writes_is_read(moments: list[datetime], form: str, order, step_s: int):
    """Each cell, and all of them as a column."""
    cells = [m.strftime(form) for m in moments]
    true = [micros(cut(m, step_s)) for m in moments]
    local = not form.endswith(("Z", "UTC"))
    assert [parse_time(cell, order) for cell in cells] == [(t, local) for t in true]
    column = parse_column(pa.array(cells), order, None)
    assert column is not None
    assert column[0].tolist() == true
    assert column[1].tolist() == [local] * len(true)


@given(MOMENTS)
def test_a_form_that_is_given_is_read_by_datetime(moment: datetime) -> None:
    form = "%H:%M:%S on day %j of %Y"
    assert parse_time(moment.strftime(form), None, form) == (micros(cut(moment, 1)), True)
    with pytest.raises(RecordError, match="not a time of the form"):
        parse_time("2026-04-03 12:00:00", None, form)


@given(st.integers(946_684_800, 4_102_444_799), st.integers(0, 999_999))
def test_counts_since_1970(second: int, micro: int) -> None:
    """Seconds, milliseconds and microseconds, told apart by their size; all are UTC."""
    whole = second * 1_000_000 + micro
    assert parse_time(str(whole)) == (whole, False)
    assert parse_time(f"{whole // 1000}") == (whole // 1000 * 1000, False)
    assert parse_time(str(second)) == (second * 1_000_000, False)
    for counts, true in (([whole], whole), ([second], second * 1_000_000)):
        found = numbers_to_micros(np.array(counts, dtype=np.float64))
        assert found == (np.array([true]), False)


@pytest.mark.parametrize(
    ("cell", "moment"),
    [
        # A spreadsheet's serial numbers, 1899-12-30 being day 0 (ISO/IEC 29500-1, 18.17.4.1).
        ("36526", "2000-01-01T00:00:00"),
        ("46115.5", "2026-04-03T12:00:00"),
        ("46115,75", "2026-04-03T18:00:00"),
        ("46115.123456", "2026-04-03T02:57:46.598000"),
    ],
)
def test_days_of_a_spreadsheet(cell: str, moment: str) -> None:
    assert parse_time(cell) == (micros(datetime.fromisoformat(moment)), True)


@pytest.mark.parametrize("text", ["03.04.2026", "3/4/2026 12:00", "26-04-03"])
def test_an_order_that_is_needed_is_asked_for(text: str) -> None:
    with pytest.raises(AmbiguousDate):
        parse_time(text)
    assert parse_column(pa.array([text]), None, None) is None
    assert kind_of(text) == "stamp"


@pytest.mark.parametrize(
    "text",
    [
        "2026-02-30", "31.04.2026", "13/13/2026", "2026-04-03 24:00:01", "2026-04-03 12:60",
        "4/3/2026 13:00 PM", "4/3/2026 0:30 AM", "12:00:00", "Apr 2026", "3 Foo 2026",
        "2026-04-03 12:00:00 +25:00", "20261303", "1e9", "", "99999999999999999999",
        "2026-04.03", "03.04/2026", "٠٣.٠٤.٢٠٢٦",
    ],
)  # fmt: skip
def test_what_is_not_a_time(text: str) -> None:
    """Alone, and in a column of good ones."""
    with pytest.raises(RecordError):
        parse_time(text, "dmy")
    assert parse_column(pa.array(["03.04.2026 12:00", text]), "dmy", None) is None


def test_the_end_of_a_day_is_the_next_midnight() -> None:
    assert parse_time("2026-04-03 24:00") == (micros(datetime(2026, 4, 4)), True)  # noqa: DTZ001
