"""Cells: no value, words, numbers in every dress, and what is refused."""

from odd_files.case import NEITHER, OddFile
from odd_files.making import (
    AIR,
    AIR_TEMP,
    ALL,
    CO2,
    GASES,
    LID,
    N2O,
    chamber,
    moments,
    plain,
    records,
    rows,
    with_words,
    without,
)

T = moments("2026-04-03 10:00:00", 10, 12)
STAMP = "{l:%Y-%m-%d %H:%M:%S}"
GAS_LINE = STAMP + ",{n2o},{co2}"
GAS_LINES = rows(T, GAS_LINE, n2o=N2O, co2=CO2)
GAS = records(T, n2o=N2O, co2=CO2)

MISSING = (
    "", "NaN", "nan", "NAN", "NA", "N/A", "#N/A", "#NA", "null", "None", "-", "--", "---", "?", "*",
    "#VALUE!", "#REF!", "#DIV/0!", "#NUM!", "#NAME?", "-999", "-9999", "-99999", "-999.0",
    "-9999.0", "-99999.0", "-999.9", "-9999.9", '"NA"', '""', " ",
)  # fmt: skip
MANY = moments("2026-04-03 10:00:00", 10, len(MISSING))
MANY_CO2 = [400.5 + 2 * i for i in range(len(MISSING))]

LID_WORDS = (
    "open", "open", "closing", "closed", "closed", "closed", "closed", "opening", "moving", "open",
    "open", "open",
)  # fmt: skip
LID_1 = [0, 0, NEITHER, 1, 1, 1, 1, NEITHER, NEITHER, 0, 0, 0]
LID_7 = [5, 5, NEITHER, 7, 7, 7, 7, NEITHER, NEITHER, 5, 5, 5]


def lines(*parts: str | list[str]) -> dict[str, bytes]:
    """One file."""
    return {"log.csv": plain(*parts)}


def pump(name: str, on: str, off: str) -> OddFile:
    """A channel that is on or off, in words."""
    words = [on, off, off, on, on, off, on, off, off, off, on, on]
    return OddFile(
        id=name,
        files=lines("time,pump,n2o", rows(T, STAMP + ",{p},{n2o}", p=words, n2o=N2O)),
        channels='[channels.pump]\nunit = "1"\n[channels.n2o]\nunit = "nmol/mol"\n',
        records=records(T, pump=[float(w == on) for w in words], n2o=N2O),
    )


def refusing(
    name: str, words: dict[int, str], cells: tuple[int, ...], channels: str = GASES
) -> OddFile:
    """A table where some cells of n2o are words; those in ``cells`` are refused."""
    return OddFile(
        id=name,
        files=lines("time,n2o,co2", rows(T, GAS_LINE, n2o=with_words(N2O, words), co2=CO2)),
        channels=channels,
        records=records(T, n2o=without(N2O, *words), co2=CO2),
        refused=tuple(("log.csv", i + 2) for i in cells),
        exit_code=1,
    )


LONG = moments("2026-04-03 10:00:00", 10, 240)
LONG_N2O = [300.5 + i for i in range(240)]

CASES = [
    OddFile(
        id="every-word-for-no-value",
        files=lines("time,n2o,co2", rows(MANY, GAS_LINE, n2o=MISSING, co2=MANY_CO2)),
        channels=GASES,
        records=records(MANY, co2=MANY_CO2, n2o=[None] * len(MANY)),
    ),
    OddFile(
        id="own-words-for-no-value",
        # The list replaces the usual one: −999 is a number here, and NaN is a mistake.
        files=lines(
            "time,n2o,co2",
            rows(
                T, GAS_LINE, n2o=with_words(N2O, {2: "off", 5: "88.88", 7: "NaN"}),
                co2=with_words(CO2, {3: "-999"}),
            ),
        ),
        channels=GASES,
        source='missing = ["off", "88.88"]',
        records=records(
            T, n2o=without(N2O, 2, 5, 7), co2=[-999.0 if i == 3 else v for i, v in enumerate(CO2)]
        ),
        refused=(("log.csv", 9),),
        exit_code=1,
    ),
    OddFile(
        id="lid-in-words",
        files=lines("time,lid_a1,n2o", rows(T, STAMP + ",{w},{n2o}", w=LID_WORDS, n2o=N2O)),
        channels=GASES + LID + chamber("lid_a1"),
        records=records(T, lid_a1=LID_1, n2o=N2O),
    ),
    OddFile(
        id="lid-in-words-of-other-numbers",
        files=lines("time,lid_a1,n2o", rows(T, STAMP + ",{w},{n2o}", w=LID_WORDS, n2o=N2O)),
        channels=GASES + LID + chamber("lid_a1", opened=5.0, closed=7.0),
        records=records(T, lid_a1=LID_7, n2o=N2O),
    ),
    OddFile(
        id="lid-in-capitals",
        files=lines(
            "time,lid_a1,n2o",
            rows(T, STAMP + ",{w},{n2o}", w=[w.upper() for w in LID_WORDS], n2o=N2O),
        ),
        channels=GASES + LID + chamber("lid_a1"),
        records=records(T, lid_a1=LID_1, n2o=N2O),
    ),
    OddFile(
        id="lid-in-own-words",
        files=lines(
            "time,lid_a1,n2o",
            rows(
                T, STAMP + ",{w},{n2o}", n2o=N2O,
                w=[{"open": "up", "closed": "down"}.get(w, "between") for w in LID_WORDS],
            ),
        ),
        channels=GASES + LID + "states = { up = 0, down = 1, between = 2 }\n" + chamber("lid_a1"),
        records=records(T, lid_a1=LID_1, n2o=N2O),
    ),
    OddFile(
        id="lid-with-a-word-nobody-knows",
        files=lines(
            "time,lid_a1,n2o",
            rows(T, STAMP + ",{w},{n2o}", w=["ajar", *LID_WORDS[1:]], n2o=N2O),
        ),
        channels=GASES + LID + chamber("lid_a1"),
        records=records(T, lid_a1=[None, *LID_1[1:]], n2o=N2O),
        refused=(("log.csv", 2),),
        exit_code=1,
    ),
    pump("true-and-false", "true", "false"),
    pump("on-and-off", "on", "off"),
    pump("yes-and-no", "yes", "no"),
    OddFile(
        id="numbers-in-every-dress",
        files=lines(
            "time,air_temp,n2o",
            "2026-04-03 11:00:00,+1.5,3.312E+02",
            "2026-04-03 11:00:10,-.5,332",
            "2026-04-03 11:00:20, 2.25 ,  333.5",
            "2026-04-03 11:00:30,0004.0,3345e-1",
            "2026-04-03 11:00:40,-0.125,335.",
            '2026-04-03 11:00:50,"-3.75","336.25"',
        ),
        channels=AIR_TEMP + '[channels.n2o]\nunit = "nmol/mol"\n',
        records=records(
            T[:6], air_temp=[1.5, -0.5, 2.25, 4.0, -0.125, -3.75],
            n2o=[331.2, 332.0, 333.5, 334.5, 335.0, 336.25],
        ),
    ),
    refusing("a-word-costs-its-cell", {4: "overload"}, (4,)),
    refusing("two-words-in-a-column", {4: "overload", 9: "33o.5"}, (4, 9)),
    refusing("infinity-is-no-number", {3: "inf"}, (3,)),
    OddFile(
        id="two-bad-cells-in-a-row",
        files=lines(
            "time,n2o,co2,air_temp", "2026-04-03 11:00:00,331.2,412.35,1.4",
            "2026-04-03 11:00:10,overload,low,0.6", "2026-04-03 11:00:20,330.9,418.77,-0.3",
            "2026-04-03 11:00:30,335.4,423.41,12:5", "2026-04-03 11:00:40,338.1,429.08,-2.0",
            "2026-04-03 11:00:50,x1,x2,x3",
        ),
        channels=ALL,
        records=records(
            T[:6], n2o=[331.2, None, 330.9, 335.4, 338.1, None],
            co2=[412.35, None, 418.77, 423.41, 429.08, None],
            air_temp=[1.4, 0.6, -0.3, None, -2.0, None],
        ),
        refused=tuple(("log.csv", n) for n in (3, 3, 5, 7, 7, 7)),
        exit_code=1,
    ),
    OddFile(
        id="a-word-where-nobody-looks",
        files=lines("time,n2o,valve,co2", rows(T, STAMP + ",{n2o},{w},{co2}", n2o=N2O, co2=CO2,
                    w=["idle", "7", "", "?!", "#", *["idle"] * 7])),
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="bad-times-cost-their-rows",
        files=lines(
            "time,n2o,co2", GAS_LINES[:2], "2026-04-31 11:00:20,330.9,418.77", GAS_LINES[3],
            ",338.1,429.08", "2026-04-03 11:61:50,341.6,436.19", "noon,344.3,444.55", GAS_LINES[7:],
        ),
        channels=GASES,
        records=records(T, n2o=without(N2O, 2, 4, 5, 6), co2=without(CO2, 2, 4, 5, 6)),
        refused=tuple(("log.csv", n) for n in (4, 6, 7, 8)),
        exit_code=1,
    ),
    OddFile(
        id="both-decimal-marks-in-a-number",
        files=lines(
            "time;n2o;co2", "2026-04-03 11:00:00;331,2;412,35",
            "2026-04-03 11:00:10;332,7;1.415,02",
            "2026-04-03 11:00:20;1,330.9;418,77", "2026-04-03 11:00:30;335,4;423,41",
        ),
        channels=GASES,
        records=records(
            T[:4], n2o=[331.2, 332.7, None, 335.4], co2=[412.35, 1415.02, 418.77, 423.41]
        ),
        refused=(("log.csv", 4),),
        exit_code=1,
        cut=False,  # a piece need not show which mark is the file's
    ),
    OddFile(
        id="a-point-in-a-file-of-commas",
        files=lines(
            "time;n2o;co2", "2026-04-03 11:00:00;331,2;412,35", "2026-04-03 11:00:10;332,7;415,02",
            "2026-04-03 11:00:20;330.9;418,77", "2026-04-03 11:00:30;335,4;423",
        ),
        channels=GASES,
        records=records(T[:4], n2o=[331.2, 332.7, None, 335.4], co2=[412.35, 415.02, 418.77, 423]),
        refused=(("log.csv", 4),),
        exit_code=1,
        cut=False,  # a piece need not show which mark is the file's
    ),
    OddFile(
        id="a-comma-in-a-file-of-points",
        files=lines(
            "time;n2o;co2", "2026-04-03 11:00:00;331.2;412.35", "2026-04-03 11:00:10;332.7;415.02",
            "2026-04-03 11:00:20;330,9;418.77", "2026-04-03 11:00:30;335.4;423",
        ),
        channels=GASES,
        records=records(T[:4], n2o=[331.2, 332.7, None, 335.4], co2=[412.35, 415.02, 418.77, 423]),
        refused=(("log.csv", 4),),
        exit_code=1,
        cut=False,  # a piece need not show which mark is the file's
    ),
    OddFile(
        id="one-bad-cell-in-240-lines",
        # Longer than the others: what is refused is under 1 % of the lines.
        files=lines(
            "time,n2o",
            rows(LONG, STAMP + ",{n2o}", n2o=with_words(LONG_N2O, {120: "overload"})),
        ),
        channels='[channels.n2o]\nunit = "nmol/mol"\n',
        records=records(LONG, n2o=without(LONG_N2O, 120)),
        refused=(("log.csv", 122),),
    ),
    OddFile(
        id="a-record-written-twice",
        files=lines("time,n2o,co2", GAS_LINES[:4], GAS_LINES[2:7], GAS_LINES[6:]),
        channels=GASES,
        records=GAS,
    ),
    OddFile(
        id="nothing-but-missing-values",
        files=lines("time,n2o,air_temp", rows(T, STAMP + ",NaN,-9999")),
        channels=ALL,
        records={},
        exit_code=1,
    ),
    OddFile(
        id="zero-is-a-value",
        files=lines("time,air_temp", rows(T, STAMP + ",{a}", a=[*AIR[:5], 0, "-0.0", *AIR[7:]])),
        channels=AIR_TEMP,
        records=records(T, air_temp=[*AIR[:5], 0.0, 0.0, *AIR[7:]]),
    ),
]  # fmt: skip
