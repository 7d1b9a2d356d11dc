"""The time zone in a column of its own."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from odd_files.case import OddFile
from odd_files.making import CO2, GASES, N2O, Moments, moments, plain, records, rows

DAY = moments("2026-06-15 21:59:30", 15, 8)
JULY = moments("2026-07-01 08:00:00", 15, 8)
GAS_COLUMNS = {"n2o": N2O[:8], "co2": CO2[:8]}
AUTUMN = [datetime(2026, 10, 24, 23, 30, tzinfo=UTC) + timedelta(minutes=15 * i) for i in range(12)]
"""Over the end of summer time in Europe, which is at 01:00 UTC (Directive 2000/84/EC)."""


def zoned(
    name: str,
    zones: str | Sequence[str],
    shift_h: float | None = None,
    *,
    times: Moments = DAY,
    header: str = "time,tz,n2o,co2",
    clock: str = "+01:00",
    **more: object,
) -> OddFile:
    """A table with a word for the zone beside each time."""
    words = [zones] * len(times) if isinstance(zones, str) else zones
    gases = {"n2o": N2O[: len(times)], "co2": CO2[: len(times)]}
    line = "{l:%Y-%m-%d %H:%M:%S},{zone},{n2o},{co2}"
    body = [
        row
        for i, t in enumerate(times)
        for row in rows(
            [t],
            line,
            shift_h=(2.0 if words[i] in ("CEST", "MESZ") else 1.0) if shift_h is None else shift_h,
            zone=[words[i]],
            **{k: [v[i]] for k, v in gases.items()},
        )
    ]
    made = {"files": {"log.csv": plain(header, body)}, "records": records(times, **gases)}
    return OddFile(id=name, channels=GASES, clock=clock, **made | more)  # type: ignore[arg-type]


WORDS = ["CEST" if t < datetime(2026, 10, 25, 1, tzinfo=UTC) else "CET" for t in AUTUMN]

CASES = [
    zoned("zone-column-utc", "UTC", 0),
    zoned("zone-column-offset", "+02:00", 2),
    zoned("zone-column-offset-in-another-place", "+05:45", 5.75, header="time,note,n2o,co2"),
    zoned("zone-column-offset-of-hours", "-3", -3, header="time,UTC offset,n2o,co2"),
    zoned("zone-column-utc-and-an-offset", "UTC+2", 2, header="time,offset,n2o,co2"),
    zoned(
        "zone-column-that-changes",
        ["+02:00", "+02:00", "+02:00", "+02:00", "UTC", "UTC", "UTC", "UTC"],
        files={
            "log.csv": plain(
                "time,tz,n2o,co2",
                rows(DAY[:4], "{l:%Y-%m-%d %H:%M:%S},+02:00,{n2o},{co2}", shift_h=2, **GAS_COLUMNS),
                rows(
                    DAY[4:], "{l:%Y-%m-%d %H:%M:%S},UTC,{n2o},{co2}", shift_h=0,
                    n2o=N2O[4:8], co2=CO2[4:8],
                ),
            )
        },
    ),
    zoned("zone-column-empty-is-the-clock", "", 1),
    zoned(
        "zone-column-names-and-a-clock-that-has-them", WORDS, times=AUTUMN, clock="Europe/Lisbon",
        source='clock = "Europe/Copenhagen"',
    ),
    zoned(
        "zone-column-names-in-german", ["MESZ" if w == "CEST" else "MEZ" for w in WORDS],
        times=AUTUMN, clock="Europe/Berlin", header="time,Zone,n2o,co2",
    ),
    zoned(
        "zone-column-names-are-asked-about", "CEST", 2, asks="clock",
        answer='clock = "Europe/Copenhagen"', meanwhile={},
    ),
    zoned(
        # A name that this zone does not have.
        "zone-column-against-the-clock", "EST", -5, clock="Europe/Copenhagen", records={},
        error=("time zone 'est' is not that of the clock", "set clock"), bad_file="log.csv",
        exit_code=2, cut=False, grows=False,
    ),
    zoned("zone-column-that-is-none", "local", 1, source='zone_column = ""'),
    zoned(
        "zone-column-by-key", "+02:00", 2, header="time,where,n2o,co2",
        source='zone_column = "where"',
    ),
    OddFile(
        id="zone-column-behind-date-and-time",
        files={
            "log.csv": plain(
                "Date;Time;Zone;n2o;co2",
                rows(DAY, "{l:%d.%m.%Y};{l:%H:%M:%S};GMT;{n2o};{co2}", shift_h=0, **GAS_COLUMNS),
            )
        },
        channels=GASES,
        records=records(DAY, **GAS_COLUMNS),
    ),
    OddFile(
        # In January there is no summer time: the day is first, though nothing else tells.
        id="zone-column-settles-the-order-of-dates",
        files={
            "log.csv": plain(
                "time;tz;n2o;co2",
                rows(JULY, "{l:%d.%m.%Y %H:%M:%S};CEST;{n2o};{co2}", shift_h=2, **GAS_COLUMNS),
            )
        },
        channels=GASES,
        clock="Europe/Copenhagen",
        records=records(JULY, **GAS_COLUMNS),
    ),
    OddFile(
        id="stamps-with-an-offset-beside-a-zone-column",
        # What the stamp itself bears holds.
        files={
            "log.csv": plain(
                "time,tz,n2o,co2",
                rows(DAY, "{l:%Y-%m-%dT%H:%M:%S}+02:00,UTC,{n2o},{co2}", shift_h=2, **GAS_COLUMNS),
            )
        },
        channels=GASES,
        records=records(DAY, **GAS_COLUMNS),
    ),
]  # fmt: skip
