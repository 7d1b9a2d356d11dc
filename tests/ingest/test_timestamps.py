"""Times: RFC 3339 (section 5.6 ABNF), local times, epoch seconds."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.errors import RecordError
from stream.ingest.times.time_columns import epoch_to_micros
from stream.ingest.times.timestamps import LoggerClock, kind_of, parse_time
from stream.station import read_clock
from stream.times import rfc3339, to_micros


@pytest.mark.parametrize(
    ("text", "expected", "local"),
    [
        ("2026-02-09T06:30:00Z", "2026-02-09T06:30:00Z", False),
        ("2026-02-09T06:30:00+10:00", "2026-02-08T20:30:00Z", False),
        ("2026-02-09 06:30:00-0330", "2026-02-09T10:00:00Z", False),
        ("2026-02-09T06:30:00.25Z", "2026-02-09T06:30:00.25Z", False),
        ("2026-02-09T06:30:00.123456789Z", "2026-02-09T06:30:00.123456Z", False),
        ("2026-02-09 06:30", "2026-02-09T06:30:00Z", True),
        ("1770618600", "2026-02-09T06:30:00Z", False),
        ("1770618600.5", "2026-02-09T06:30:00.5Z", False),
        # RFC 3339, section 5.8: the examples that are not leap seconds.
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.52Z", False),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z", False),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.87Z", False),
    ],
)
def test_times(text: str, expected: str, local: bool) -> None:
    found, is_local = parse_time(text)
    assert rfc3339(found) == expected
    assert is_local is local


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yesterday",
        "2026-13-01T00:00:00Z",
        "2026-02-30 00:00:00",
        "2026-02-09T25:00:00Z",
        "2026-02-09T06:30:60Z",
        "06:30:00",
        "2026-02-09T06:30:00+25:00",
        "12e5",
        "0x1F",
        "nan",
    ],
)
def test_what_is_no_time(text: str) -> None:
    with pytest.raises(RecordError, match="is not a time"):
        parse_time(text)


def test_kinds() -> None:
    assert kind_of("2026-02-09T06:30:00Z") == "offset"
    assert kind_of("2026-02-09 06:30:00") == "local"
    assert kind_of("1770618600.5") == "epoch"
    assert kind_of("noon") == ""


@given(st.datetimes(datetime(1970, 1, 2), datetime(2100, 1, 1)))  # noqa: DTZ001
def test_round_trip(moment: datetime) -> None:
    aware = moment.replace(tzinfo=UTC)
    micros = to_micros(aware)
    assert parse_time(rfc3339(micros)) == (micros, False)
    assert datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=micros) == aware


def test_epoch_fractions_are_rounded_to_the_microsecond() -> None:
    assert list(epoch_to_micros(np.array([1770618600.000001]))) == [1770618600000001]


def test_a_fixed_clock() -> None:
    clock = LoggerClock(read_clock("+10:00"))
    local, _ = parse_time("2026-02-09 06:30:00")
    assert rfc3339(int(clock.to_utc(np.array([local]))[0])) == "2026-02-08T20:30:00Z"


def test_a_clock_with_summer_time_runs_through_the_repeated_hour_once_each() -> None:
    """Zone Australia/Sydney left summer time on 2026-04-05 at 03:00 (IANA tz database)."""
    texts = ["01:30", "02:00", "02:30", "02:59", "02:00", "02:30", "03:00"]
    local = np.array([parse_time(f"2026-04-05 {t}:00")[0] for t in texts])
    for cuts in ([], [3], [4], [1, 5]):
        clock = LoggerClock(read_clock("Australia/Sydney"))
        utc = np.concatenate([clock.to_utc(part) for part in np.split(local, cuts)])
        assert [rfc3339(int(t))[11:16] for t in utc] == [
            "14:30",
            "15:00",
            "15:30",
            "15:59",
            "16:00",
            "16:30",
            "17:00",
        ]


def test_summer_time_begins() -> None:
    """2025-10-05 at 02:00 clocks went to 03:00 in Australia/Sydney (IANA tz database)."""
    clock = LoggerClock(read_clock("Australia/Sydney"))
    local = np.array([parse_time(f"2025-10-05 {t}:00")[0] for t in ("01:59", "03:00")])
    assert [rfc3339(int(t))[11:16] for t in clock.to_utc(local)] == ["15:59", "16:00"]
