"""Words for time zones, held against the time zone database of the standard library."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.ingest.delimited.header import find_zone
from stream.ingest.times.zones import UnknownZone, offset_us, zone_to_utc
from stream.station import read_clock

HOUR = 3_600_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("word", "hours"),
    [("UTC", 0), ("GMT", 0), ("Z", 0), ("+02:00", 2), ("-03:30", -3.5), ("+0545", 5.75),
     ("UTC+1", 1), ("GMT -5", -5), ("2", 2), ("-9", -9), ("0", 0), ("14", 14)],
)  # fmt: skip
def test_offsets(word: str, hours: float) -> None:
    assert offset_us(word) == hours * HOUR


@pytest.mark.parametrize(
    "word", ["60", "7200", "+15:00", "+01:07", "120", "CET", "local", "", "1.5"]
)
def test_words_that_are_no_offset(word: str) -> None:
    """Minutes and seconds may be meant by a bare number: it is asked about."""
    assert offset_us(word) is None


@given(
    st.datetimes(datetime(2001, 1, 1), datetime(2037, 1, 1)),  # noqa: DTZ001
    st.sampled_from(["Europe/Copenhagen", "America/New_York", "Australia/Lord_Howe", "Asia/Tokyo"]),
)
def test_names_say_which_run_of_an_hour(utc: datetime, zone: str) -> None:
    """Back from local time and name, in every hour: IANA time zone database by zoneinfo."""
    moment = utc.replace(microsecond=0, tzinfo=UTC).astimezone(ZoneInfo(zone))
    local = (moment.replace(tzinfo=UTC) - EPOCH) // timedelta(microseconds=1)
    found = zone_to_utc(str(moment.tzname()), read_clock(zone), np.array([local]))
    assert found is not None
    assert found[0] == (moment - EPOCH) // timedelta(microseconds=1)


def test_names_of_another_zone_are_asked_about() -> None:
    june = np.array([1_781_000_000_000_000])
    with pytest.raises(UnknownZone, match="Set clock"):
        zone_to_utc("CEST", read_clock("+01:00"), june)
    with pytest.raises(UnknownZone, match="not that of the clock"):
        zone_to_utc("CET", read_clock("Europe/Copenhagen"), june)
    assert zone_to_utc("Europe/Copenhagen", read_clock("Europe/Copenhagen"), june) is None


@pytest.mark.parametrize(
    ("word", "clock"),
    # IANA time zone database: Europe/Berlin, America/New_York, Asia/Kolkata, Europe/Dublin.
    [("CET", "+01:00"), ("CEST", "+02:00"), ("MEZ", "+01:00"), ("EST", "-05:00"),
     ("IST", "+05:30"), ("IST", "+01:00")],
)  # fmt: skip
def test_a_name_that_agrees_with_a_fixed_clock(word: str, clock: str) -> None:
    """A logger that stays on one time all year, and writes its name."""
    june = np.array([1_781_000_000_000_000])
    assert zone_to_utc(word, read_clock(clock), june) is None


@pytest.mark.parametrize(
    ("word", "clock", "offset"),
    [("CET", "+02:00", '"+01:00"'), ("CET", "Europe/Berlin", '"+01:00"'),
     ("CEST", "+01:00", '"+02:00"'), ("MEZ", "Europe/Berlin", '"+01:00"'),
     ("IST", "+03:00", '"+01:00" or "+02:00" or "+05:30"'), ("local", "+01:00", '"+01:00"'),
     ("CET", "CET", '"+01:00"'), ("CET", "MET", '"+01:00"'), ("EET", "EET", '"+02:00"')],
)  # fmt: skip
def test_both_ways_out_are_named(word: str, clock: str, offset: str) -> None:
    """Neither message leads to the other: each names what to set with summer time and without."""
    june = np.array([1_781_000_000_000_000])
    with pytest.raises(UnknownZone) as told:
        zone_to_utc(word, read_clock(clock), june)
    assert f"{offset} where" in str(told.value).replace(",", "")
    assert "stays on one time all year" in str(told.value)
    assert '"Europe/' in str(told.value)
    assert "where it follows summer time" in str(told.value)


@pytest.mark.parametrize("clock", ["CET", "MET"])
def test_names_of_zones_in_their_winter(clock: str) -> None:
    """Beside CEST in summer they are what the zone database makes of them."""
    january = np.array([1_768_000_000_000_000])
    found = zone_to_utc("CET", read_clock(clock), january)
    assert found is not None
    assert found[0] == january[0] - HOUR


@pytest.mark.parametrize(
    ("header", "cells", "place"),
    [
        ("time,tz,n2o", "t,CEST,1", 1),
        ("time,n2o,Time zone", "t,1,whatever", 2),
        ("time,n2o,clock", "t,1,UTC", 2),
        ("time,n2o,clock", "t,1,+01:00", 2),
        ("time,n2o,Zone", "t,1,PST", 2),
        # EST may stand for an estimate, and a zone may be one of irrigation.
        ("time,n2o,quality", "t,1,EST", None),
        ("time,n2o,Zone", "t,1,B", None),
        ("time,n2o,gain", "t,1,+0200", None),
        ("time,n2o", "t,UTC", None),
    ],
)
def test_which_column_it_is(header: str, cells: str, place: int | None) -> None:
    names = header.split(",")
    assert find_zone(names, cells.split(","), [0], [names.index("n2o")]) == place
