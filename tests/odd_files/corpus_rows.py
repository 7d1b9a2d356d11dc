"""Rows with too many or too few fields, and headers that change on the way."""

from odd_files.case import OddFile
from odd_files.making import (
    AIR,
    ALL,
    CO2,
    GASES,
    N2O,
    comma,
    moments,
    plain,
    records,
    rows,
    without,
)

T = moments("2026-04-03 10:00:00", 10, 12)
STAMP = "{l:%Y-%m-%d %H:%M:%S}"
GAS_LINES = rows(T, STAMP + ",{n2o},{co2}", n2o=N2O, co2=CO2)
ALL_LINES = rows(T, STAMP + ",{n2o},{co2},{air}", n2o=N2O, co2=CO2, air=AIR)
GAS = records(T, n2o=N2O, co2=CO2)
REMARKS = (
    "", "calm", "lid checked, seal wiped", "", "rain, then sun, then rain", "", "", "", "ok",
    "filter changed, 2 of 3", "", "",
)  # fmt: skip


def one(name: str, *parts: str | list[str], channels: str = GASES, **more: object) -> OddFile:
    """One file of lines."""
    return OddFile(
        id=name,
        files={"log.csv": plain(*parts)},
        channels=channels,
        **{"records": GAS, **more},  # type: ignore[arg-type]
    )


CASES = [
    one("trailing-delimiter", "time,n2o,co2,", [line + "," for line in GAS_LINES]),
    one("trailing-delimiter-in-rows-only", "time,n2o,co2", [line + "," for line in GAS_LINES]),
    one("trailing-delimiter-in-header-only", "time,n2o,co2,", GAS_LINES),
    one(
        "trailing-semicolons-decimal-comma", "time;n2o;co2;",
        rows(T, STAMP + ";{n2o};{co2};", n2o=comma(N2O), co2=comma(CO2)),
    ),
    one(
        "surplus-empty-fields", "time,n2o,co2",
        [line + "," * (i % 4) for i, line in enumerate(GAS_LINES)],
    ),
    one(
        "too-few-fields", "time,n2o,co2", GAS_LINES[:3], "2026-04-03 11:00:30,335.4",
        GAS_LINES[4:8], "2026-04-03 11:01:20", GAS_LINES[9:],
        records=records(T, n2o=without(N2O, 3, 8), co2=without(CO2, 3, 8)),
        refused=(("log.csv", 5), ("log.csv", 10)), exit_code=1,
    ),
    one(
        "two-rows-run-together", "time,n2o,co2", GAS_LINES[:3],
        # The first row lost its end, so nobody can tell which value is whose.
        "2026-04-03 11:00:30,335.2026-04-03 11:00:40,338.1,429.08", GAS_LINES[5:],
        records=records(T, n2o=without(N2O, 3, 4), co2=without(CO2, 3, 4)),
        refused=(("log.csv", 5),), exit_code=1,
    ),
    OddFile(
        id="zeros-after-a-power-failure",
        # The end of one row and the beginning of the next became zero bytes.
        files={
            "log.csv": plain("time,n2o,co2", GAS_LINES[:6])
            + b"2026-04-03 11:01:00,34" + bytes(40) + b"7.9,453.96\n" + plain(GAS_LINES[8:])
        },
        channels=GASES,
        records=records(T, n2o=without(N2O, 6, 7), co2=without(CO2, 6, 7)),
        refused=(("log.csv", 8),),
        exit_code=1,
    ),
    one(
        "remark-with-commas-at-the-end", "time,n2o,co2,remark",
        rows(T, STAMP + ",{n2o},{co2},{r}", n2o=N2O, co2=CO2, r=REMARKS),
    ),
    one(
        "remark-with-commas-in-the-middle", "time,n2o,remark,co2",
        # Told apart by n2o before and co2 behind, since no part of a remark is a number.
        rows(T, STAMP + ",{n2o},{r},{co2}", n2o=N2O, co2=CO2, r=REMARKS),
    ),
    OddFile(
        id="cut-off-last-line",
        files={"log.csv": plain("time,n2o,co2", GAS_LINES[:-1]) + GAS_LINES[-1][:-1].encode()},
        channels=GASES,
        records=records(T[:11], n2o=N2O, co2=CO2),
        refused=(("log.csv", 13),),
        exit_code=1,
    ),
    one(
        "columns-swap", "time,n2o,co2", GAS_LINES[:6], "time,co2,n2o",
        rows(T[6:], STAMP + ",{co2},{n2o}", n2o=N2O[6:], co2=CO2[6:]),
        refused=(("log.csv", 8),), columns_change=True,
        cut=False,  # the first header would stand above pieces of the second
    ),
    one(
        "one-more-column", "time,n2o,co2", GAS_LINES[:6], "time,n2o,co2,air_temp", ALL_LINES[6:],
        channels=ALL,
        records=records(T, n2o=N2O, co2=CO2, air_temp=[*[None] * 6, *AIR[6:]]),
        refused=(("log.csv", 8),), columns_change=True,
        cut=False,  # as above
    ),
    one(
        "one-column-less", "time,n2o,co2,air_temp", ALL_LINES[:6], "time,n2o,air_temp",
        rows(T[6:], STAMP + ",{n2o},{air}", n2o=N2O[6:], air=AIR[6:]),
        channels=ALL,
        records=records(T, n2o=N2O, co2=without(CO2, *range(6, 12)), air_temp=AIR),
        refused=(("log.csv", 8),), columns_change=True,
        cut=False,  # as above
    ),
    one(
        "columns-swap-and-swap-back", "time,n2o,co2", GAS_LINES[:4], "time,co2,n2o",
        rows(T[4:8], STAMP + ",{co2},{n2o}", n2o=N2O[4:], co2=CO2[4:]),
        "time,n2o,co2", GAS_LINES[8:],
        refused=(("log.csv", 6), ("log.csv", 11)), columns_change=True,
        cut=False,  # as above
    ),
    one(
        "column-beside-them-moves", "time,valve,n2o,co2",
        rows(T[:6], STAMP + ",410,{n2o},{co2}", n2o=N2O, co2=CO2), "time,n2o,co2,valve",
        rows(T[6:], STAMP + ",{n2o},{co2},410", n2o=N2O[6:], co2=CO2[6:]),
        refused=(("log.csv", 8),), columns_change=True,
        cut=False,  # as above
    ),
]  # fmt: skip
