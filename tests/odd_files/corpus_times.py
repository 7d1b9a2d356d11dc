"""Stamps in every way they are written, where the order of day and month is plain."""

from collections.abc import Sequence

from odd_files.case import OddFile
from odd_files.making import (
    CO2,
    GASES,
    N2O,
    Moments,
    day_number,
    moments,
    plain,
    records,
    rows,
    text,
)

DAY3 = moments("2026-04-03 10:58:30", 15, 8)
"""Over a full hour and a full minute, in local time too."""
DAY17 = moments("2026-04-17 10:58:30", 15, 8)
"""A day over 12."""
NOON = moments("2026-04-17 10:30:00", 900, 6)
"""Over local noon by whole minutes."""
MIDNIGHT = moments("2026-04-17 22:15:00", 900, 8)
"""Over local midnight by whole minutes."""
FRACTIONS = moments("2026-04-03 10:59:59.25", 0.25, 8)
GAS_COLUMNS = {"n2o": N2O, "co2": CO2}


def stamped(
    name: str,
    form: str,
    times: Moments = DAY3,
    *,
    header: str = "time,n2o,co2",
    shift_h: float = 1.0,
    **more: object,
) -> OddFile:
    """A table whose stamps have one form; its delimiter is that of its header."""
    mark = next(m for m in (";", "\t", ",") if m in header)
    return OddFile(
        id=name,
        files={
            "log.csv": plain(
                header,
                rows(times, mark.join((form, "{n2o}", "{co2}")), shift_h=shift_h, **GAS_COLUMNS),
            )
        },
        channels=GASES,
        records=records(times, **GAS_COLUMNS),
        **more,  # type: ignore[arg-type]
    )


def numbered(name: str, stamps: Sequence[str], times: Moments, **more: object) -> OddFile:
    """A table whose stamps were written one by one."""
    lines = [f"{s},{a},{b}" for s, a, b in zip(stamps, N2O, CO2, strict=False)]
    return OddFile(
        id=name,
        files={"log.csv": plain("time,n2o,co2", lines)},
        channels=GASES,
        records=records(times[: len(lines)], **GAS_COLUMNS),
        **more,  # type: ignore[arg-type]
    )


HOURS_24 = [
    "17.04.2026 23:00", "17.04.2026 23:20", "17.04.2026 23:40", "17.04.2026 24:00",
    "18.04.2026 00:20", "18.04.2026 00:40",
]  # fmt: skip

SUMMER_END = moments("2026-10-24 23:40:00", 600, 12)
"""Local time of Lisbon goes from 01:59 back to 01:00 at 01:00 UTC of 25 October 2026
(European Union directive 2000/84/EC: last Sunday of October, 01:00 UTC)."""
SUMMER_END_LINES = [
    f"{(u.hour + (1 if u.hour in (23, 0) else 0)) % 24:02d}:{u.minute:02d}" for u in SUMMER_END
]

CASES = [
    stamped("iso-z", "{u:%Y-%m-%dT%H:%M:%SZ}"),
    stamped("iso-blank", "{l:%Y-%m-%d %H:%M:%S}"),
    stamped("iso-t-local", "{l:%Y-%m-%dT%H:%M:%S}"),
    stamped("iso-offset", "{l:%Y-%m-%dT%H:%M:%S}+05:30", shift_h=5.5),
    stamped("iso-offset-west", "{l:%Y-%m-%d %H:%M:%S}-0300", shift_h=-3),
    stamped("iso-fraction", "{l:%Y-%m-%d %H:%M:%S}.{frac}", FRACTIONS),
    stamped("iso-fraction-z", "{u:%Y-%m-%dT%H:%M:%S.%f}Z", FRACTIONS),
    stamped("iso-minutes", "{l:%Y-%m-%d %H:%M}", MIDNIGHT),
    stamped("slashes-year-first", "{l:%Y/%m/%d %H:%M:%S}"),
    stamped("slashes-year-first-plain", "{l.year}/{l.month}/{l.day} {l:%H:%M}", NOON),
    stamped("dots", "{l:%d.%m.%Y %H:%M:%S}", DAY17),
    stamped("dots-two-digit-year", "{l:%d.%m.}{y2} {l:%H:%M:%S}", DAY17),
    stamped("slashes-day-first", "{l.day}/{l.month}/{l.year} {l.hour}:{l:%M:%S}", DAY17),
    stamped("slashes-month-first", "{l.month}/{l.day}/{l.year} {l.hour}:{l:%M:%S}", DAY17),
    stamped("slashes-month-first-short", "{l.month}/{l.day}/{y2} {l:%H:%M}", MIDNIGHT),
    stamped("noon-in-halves", "{l.month}/{l.day}/{l.year} {h12}:{l:%M:%S} {half}", NOON),
    stamped("midnight-in-halves", "{l.month}/{l.day}/{l.year} {h12}:{l:%M} {half}", MIDNIGHT),
    stamped("halves-after-iso", "{l:%Y-%m-%d %I:%M:%S} {half}", NOON),
    stamped(
        "comma-before-fraction", "{l:%d.%m.%Y %H:%M:%S},{frac}",
        moments("2026-04-17 10:59:59.25", 0.25, 8), header="time;n2o;co2",
    ),
    stamped("comma-before-fraction-in-comma-file", "{l:%Y-%m-%d %H:%M:%S},{frac}", FRACTIONS),
    stamped("digits-14", "{l:%Y%m%d%H%M%S}"),
    stamped("digits-12", "{l:%Y%m%d%H%M}", MIDNIGHT),
    stamped("digits-8-and-6", "{l:%Y%m%d %H%M%S}"),
    stamped("month-by-name", "{l.day} {l:%b %Y %H:%M:%S}"),
    stamped("month-by-name-first", "{l:%b} {l.day}, {l:%Y %H:%M}", MIDNIGHT, header="time;n2o;co2"),
    stamped("month-by-name-quoted", '"{l:%b} {l.day}, {l:%Y %H:%M:%S}"'),
    stamped("epoch-seconds", "{s}"),
    stamped("epoch-seconds-fraction", "{s}.{frac}", FRACTIONS),
    stamped("epoch-milliseconds", "{ms}", FRACTIONS),
    stamped("epoch-microseconds", "{us}", moments("2026-04-03 10:59:59.25", 0.250001, 8)),
    stamped("source-clock", "{l:%Y-%m-%d %H:%M:%S}", shift_h=10, source='clock = "+10:00"'),
    numbered("hour-24", HOURS_24, moments("2026-04-17 22:00:00", 1200, 6)),
    numbered("spreadsheet-days", [day_number(t) for t in DAY3], DAY3),
    numbered(
        "spreadsheet-days-over-midnight",
        # Midnight itself is a whole number: 2026-04-18 is day 46130.
        [day_number(t).replace(".0000000000", "") for t in MIDNIGHT], MIDNIGHT,
    ),
    numbered(
        "spreadsheet-days-milliseconds",
        [day_number(t) for t in FRACTIONS], FRACTIONS,
    ),
    numbered(
        "days-since-by-key", [day_number(t, 0) for t in DAY3], DAY3,
        # Clock and UTC agree, since CF counts from UTC where no zone is named.
        clock="+00:00", source='time_format = "days since 1899-12-30"',
    ),
    stamped(
        "pattern-by-key", "{l:%Y %j %H%M}", MIDNIGHT, source='time_format = "%Y %j %H%M"',
    ),
    stamped(
        "pattern-of-two-digit-years", "{l:%y-%m-%d_%H.%M.%S}", DAY3,
        source='time_format = "%y-%m-%d_%H.%M.%S"',
    ),
    stamped("named-timestamp", "{l:%Y-%m-%d %H:%M:%S}", header="TimeStamp,n2o,co2"),
    stamped("named-datetime", "{l:%Y-%m-%d %H:%M:%S}", header="DATETIME,n2o,co2"),
    stamped("named-date-blank-time", "{l:%Y-%m-%d %H:%M:%S}", header="Date Time,n2o,co2"),
    stamped("named-date-slash-time", "{l:%Y-%m-%d %H:%M:%S}", header="date/time;n2o;co2"),
    stamped("named-local-time", "{l:%Y-%m-%d %H:%M:%S}", header="Local time,n2o,co2"),
    stamped("named-date", "{l:%Y-%m-%d %H:%M:%S}", header="Date,n2o,co2"),
    stamped("named-with-unit", "{s}", header="time [s],n2o,co2"),
    stamped("named-utc-marked-z", "{u:%Y-%m-%d %H:%M:%S}Z", header="time (UTC),n2o,co2"),
    # A column that says UTC is in UTC, whatever the clock of the station.
    stamped("named-utc", "{u:%Y-%m-%d %H:%M:%S}", header="time (UTC),n2o,co2"),
    stamped("date-and-time-apart", "{l:%Y-%m-%d},{l:%H:%M:%S}", header="Date,Time,n2o,co2"),
    stamped(
        "date-and-time-apart-dots", "{l:%d.%m.%Y};{l:%H:%M}", MIDNIGHT, header="date;time;n2o;co2"
    ),
    OddFile(
        id="time-before-date-by-key",
        files={
            "log.csv": plain(
                "at,n2o,co2,day of record",
                rows(MIDNIGHT, "{l:%H:%M},{n2o},{co2},{l:%Y-%m-%d}", **GAS_COLUMNS),
            )
        },
        channels=GASES,
        source='time_column = "at"\ndate_column = "day of record"',
        records=records(MIDNIGHT, **GAS_COLUMNS),
    ),
    OddFile(
        id="time-in-the-last-column",
        files={
            "log.csv": plain(
                "co2,n2o,time", rows(DAY3, "{co2},{n2o},{l:%Y-%m-%d %H:%M:%S}", **GAS_COLUMNS)
            )
        },
        channels=GASES,
        records=records(DAY3, **GAS_COLUMNS),
    ),
    OddFile(
        id="summer-time-ends",
        files={
            "log.csv": text(
                "time,n2o,co2",
                [
                    f"25.10.2026 {hm},{a},{b}"
                    for hm, a, b in zip(SUMMER_END_LINES, N2O, CO2, strict=True)
                ],
            ).encode()
        },
        clock="Europe/Lisbon",
        channels=GASES,
        records=records(SUMMER_END, **GAS_COLUMNS),
        # A piece that begins in the hour that is repeated cannot tell which run it is of.
        cut=False,
    ),
    OddFile(
        id="many-forms-in-one-file",
        files={
            "log.csv": plain(
                "time,n2o,co2",
                "2026-04-03 11:58:30,331.2,412.35",
                "2026-04-03T10:58:45Z,332.7,415.02",
                "2026/04/03 11:59:00,330.9,418.77",
                "1775213955,335.4,423.41",
                "2026-04-03 11:59:30.000,338.1,429.08",
                "3 Apr 2026 11:59:45,341.6,436.19",
                "20260403120000,344.3,444.55",
                "2026-04-03T12:00:15+01:00,347.9,453.96",
            )
        },
        channels=GASES,
        records=records(DAY3, **GAS_COLUMNS),
    ),
]  # fmt: skip
