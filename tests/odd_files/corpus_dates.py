"""The order of day and month: what settles it, and what does not."""

from odd_files.case import OddFile
from odd_files.making import CO2, GASES, N2O, Moments, moments, plain, records, rows, text

GAS_COLUMNS = {"n2o": N2O, "co2": CO2}
DOTS = "{l:%d.%m.%Y %H:%M:%S},{n2o},{co2}"
DAY_FIRST = "{l.day}/{l.month}/{l.year} {l:%H:%M},{n2o},{co2}"
MONTH_FIRST = "{l.month}/{l.day}/{l.year} {l:%H:%M},{n2o},{co2}"
ONE_DAY = moments("2026-04-03 10:00:00", 600, 8)
OVER_MIDNIGHT = moments("2026-04-03 22:00:00", 600, 12)
HEADER = "time,n2o,co2"


def asked(name: str, times: Moments, form: str, order: str = "dmy", **more: object) -> OddFile:
    """A file of which only a person knows the order."""
    return OddFile(
        id=name,
        files={"log.csv": plain(HEADER, rows(times, form, **GAS_COLUMNS))},
        channels=GASES,
        records=records(times, **GAS_COLUMNS),
        asks="date_order",
        answer=f'date_order = "{order}"',
        **more,  # type: ignore[arg-type]
    )


def settled(name: str, form: str, *parts: Moments, **more: object) -> OddFile:
    """Files that settle the order between them, one for each part."""
    times = [t for part in parts for t in part]
    columns = {
        "n2o": [331.5 + i for i in range(len(times))],
        "co2": [412.25 + 3 * i for i in range(len(times))],
    }
    files, done = {}, 0
    for i, part in enumerate(parts, 1):
        cells = {n: c[done : done + len(part)] for n, c in columns.items()}
        files[f"log-{i}.csv"] = plain(HEADER, rows(part, form, **cells))
        done += len(part)
    return OddFile(
        id=name,
        files=files,
        channels=GASES,
        records=records(times, **columns),
        **more,  # type: ignore[arg-type]
    )


AGAINST = text(
    HEADER,
    "13.04.2026 11:00:00,331.2,412.35",
    "13.04.2026 11:10:00,332.7,415.02",
    "04.14.2026 11:20:00,330.9,418.77",
    "04.14.2026 11:30:00,335.4,423.41",
    "13.04.2026 11:40:00,338.1,429.08",
)

CASES = [
    settled("day-over-12", DOTS, moments("2026-04-12 22:50:00", 60, 14)),
    settled("month-first-over-12", MONTH_FIRST, moments("2026-04-12 22:50:00", 60, 14)),
    settled("day-first-by-midnight", DAY_FIRST, OVER_MIDNIGHT),
    settled("month-first-by-midnight", MONTH_FIRST, OVER_MIDNIGHT),
    settled("midnight-by-a-step-of-one-hour", DAY_FIRST, moments("2026-04-03 20:00:00", 3600, 6)),
    settled(
        # 30 April is followed by 1 May; read the other way the month would be the 30th.
        "end-of-month", DOTS, moments("2026-04-30 22:30:00", 600, 6),
    ),
    settled(
        "two-digit-years-by-midnight",
        "{l:%d/%m/}{y2} {l:%H:%M},{n2o},{co2}", OVER_MIDNIGHT,
    ),
    settled(
        # Each file is one local day; only 23:55 of one and 00:00 of the next settle it.
        "daily-files-end-to-start", DOTS,
        moments("2026-04-03 21:30:00", 300, 18), moments("2026-04-03 23:00:00", 300, 18),
    ),
    settled(
        "daily-files-month-first", MONTH_FIRST,
        moments("2026-04-03 21:30:00", 300, 18), moments("2026-04-03 23:00:00", 300, 18),
    ),
    settled(
        "another-file-settles-it", DOTS,
        moments("2026-04-03 10:00:00", 60, 8), moments("2026-04-17 10:00:00", 60, 8),
    ),
    settled(
        "another-file-settled-it-before", DOTS,
        moments("2026-04-17 10:00:00", 60, 8), moments("2026-05-03 10:00:00", 60, 8),
    ),
    settled(
        "order-by-key", DOTS, moments("2026-04-03 10:00:00", 60, 8), source='date_order = "dmy"'
    ),
    settled(
        "month-first-by-key", MONTH_FIRST, moments("2026-04-03 10:00:00", 60, 8),
        source='date_order = "mdy"',
    ),
    settled(
        # As day, month and year it would be the 26th of April 2003.
        "year-first-two-digits-by-key", "{y2}-{l:%m-%d %H:%M:%S},{n2o},{co2}",
        moments("2026-04-03 10:00:00", 60, 8), source='date_order = "ymd"',
    ),
    asked("one-day-only", ONE_DAY, DOTS),
    asked("one-day-only-month-first", ONE_DAY, MONTH_FIRST, "mdy"),
    # The step over midnight is longer than an hour, so it settles nothing.
    asked("midnight-by-a-step-of-two-hours", moments("2026-04-03 19:00:00", 7200, 6), DAY_FIRST),
    OddFile(
        id="days-in-the-preamble-settle-nothing",
        files={
            "log.csv": plain(
                "station log 7", "printed 25.12.2026 08:00:00", HEADER,
                rows(ONE_DAY, DOTS, **GAS_COLUMNS),
            )
        },
        channels=GASES,
        records=records(ONE_DAY, **GAS_COLUMNS),
        asks="date_order",
        answer='date_order = "dmy"',
        header_lines=3,
    ),
    OddFile(
        id="asked-while-another-file-is-read",
        files={
            "a.csv": plain(HEADER, rows(ONE_DAY[:4], DOTS, **GAS_COLUMNS)),
            "b.csv": plain(
                HEADER,
                rows(ONE_DAY[4:], "{u:%Y-%m-%dT%H:%M:%SZ},{n2o},{co2}", n2o=N2O[4:], co2=CO2[4:]),
            ),
        },
        channels=GASES,
        records=records(ONE_DAY, **GAS_COLUMNS),
        meanwhile=records(ONE_DAY[4:], n2o=N2O[4:8], co2=CO2[4:8]),
        asks="date_order",
        answer='date_order = "dmy"',
    ),
    OddFile(
        id="evidence-both-ways",
        files={"log.csv": AGAINST.encode()},
        channels=GASES,
        # Read day first, two lines have a month 14.
        records=records(
            moments("2026-04-13 10:00:00", 600, 5),
            n2o=[331.2, 332.7, None, None, 338.1],
            co2=[412.35, 415.02, None, None, 429.08],
        ),
        refused=(("log.csv", 4), ("log.csv", 5)),
        asks="date_order",
        answer='date_order = "dmy"',
        exit_code=1,
        grows=False,  # its first lines alone are plainly day first
    ),
]  # fmt: skip
