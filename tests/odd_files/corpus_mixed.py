"""Several oddities in one file, as they come in the field."""

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
    comma,
    day_number,
    moments,
    plain,
    records,
    rows,
    text,
    with_words,
    without,
)

T = moments("2026-04-17 22:57:30", 30, 12)
"""Over local midnight, with a day over 12."""
SPRING = moments("2026-04-03 22:57:30", 30, 12)
"""Over local midnight of 3 April, where only the midnight settles the order."""
PREAMBLE = ["station log 7", "position: ridge 2, clock UTC+1", ""]
REMARKS = ("", "", "seal wiped, lid free", *[""] * 6, "two people, one dog", "", "")
CELLS = {"n2o": comma(N2O, 1), "co2": comma(CO2), "air": comma(AIR)}
LID_WORDS = ["open", "closing", *["closed"] * 7, "opening", "open", "open"]
LID_STATES = [0, NEITHER, *[1] * 7, NEITHER, 0, 0]
AFTER = rows(T[6:], "{l:%Y-%m-%d %H:%M:%S},{co2},{n2o},{air}",
                                    co2=CO2[6:], n2o=N2O[6:], air=AIR[6:])  # fmt: skip

CASES = [
    OddFile(
        id="office-program",
        # UTF-16, semicolons, decimal comma, day first, a row of units.
        files={
            "log.csv": b"\xff\xfe"
            + text(
                "TIME;N2O [ppb];CO2 [ppm];AIR_TEMP [°C]", "dd.mm.yyyy hh:mm:ss;mean;mean;mean",
                rows(T, "{l:%d.%m.%Y %H:%M:%S};{n2o};{co2};{air}", **CELLS), end="\r\n",
            ).encode("utf-16-le")
        },
        channels=ALL,
        records=records(T, n2o=N2O, co2=CO2, air_temp=AIR),
        header_lines=2,
    ),
    OddFile(
        id="preamble-halves-of-a-day",
        # Preamble, date and time apart, month first, AM and PM, −9999.
        files={
            "log.txt": plain(
                PREAMBLE, "Date,Time,n2o,air_temp",
                rows(
                    T, "{l.month}/{l.day}/{l.year},{h12}:{l:%M:%S} {half},{n2o},{air}",
                    n2o=with_words(N2O, {1: "-9999", 6: "-9999.0"}), air=AIR,
                ),
            )
        },
        channels=ALL,
        records=records(T, n2o=without(N2O, 1, 6), air_temp=AIR),
        header_lines=4,
    ),
    OddFile(
        id="restart-with-columns-swapped",
        # The logger started again in mid-file: same preamble, columns swapped, one more.
        files={
            "log.csv": plain(
                PREAMBLE, "time,n2o,co2", "s,ppb,ppm",
                rows(T[:6], "{l:%Y-%m-%d %H:%M:%S},{n2o},{co2}", n2o=N2O, co2=CO2),
                PREAMBLE, "time,co2,n2o,air_temp", "s,ppm,ppb,degC", AFTER,
            )
        },
        channels=ALL,
        records=records(T, n2o=N2O, co2=CO2, air_temp=[*[None] * 6, *AIR[6:]]),
        refused=(("log.csv", 15),),
        columns_change=True,
        cut=False,  # the first header would stand above pieces of the second
    ),
    OddFile(
        id="restart-after-a-torn-row",
        # Power failed in mid-row; the logger wrote its header again, which is the same.
        files={
            "log.csv": plain(
                "time,n2o,co2",
                rows(T[:5], "{l:%Y-%m-%d %H:%M:%S},{n2o},{co2}", n2o=N2O, co2=CO2),
                "2026-04-18 00:00:0", "", "time,n2o,co2",
                rows(T[6:], "{l:%Y-%m-%d %H:%M:%S},{n2o},{co2}", n2o=N2O[6:], co2=CO2[6:]),
            )
        },
        channels=GASES,
        records=records(T, n2o=without(N2O, 5), co2=without(CO2, 5)),
        refused=(("log.csv", 7),),
        exit_code=1,
    ),
    OddFile(
        id="lid-words-and-remarks",
        # Lids in words, remarks with commas, Latin-1 letters, CRLF, a trailing delimiter.
        files={
            "log.csv": text(
                "Time,Lid_A1,Remark,Air_Temp (°C),",
                rows(
                    T, "{l:%Y-%m-%d %H:%M:%S},{w},{r},{air},", w=LID_WORDS, air=AIR,
                    r=[r.replace("free", "frei, gr\xfcn") for r in REMARKS],
                ), end="\r\n",
            ).encode("latin-1")
        },
        channels=AIR_TEMP + LID + chamber("lid_a1"),
        records=records(T, lid_a1=LID_STATES, air_temp=AIR),
    ),
    OddFile(
        id="spreadsheet-export",
        # sep=, day numbers, decimal comma, #N/A, trailing semicolons.
        files={
            "log.csv": plain(
                "sep=;", "DateTime;N2O (nmol/mol);CO2 (ppm);;",
                [
                    f"{day_number(t).replace('.', ',')};{a};{b};;"
                    for t, a, b in zip(
                        T, with_words(CELLS["n2o"], {0: "#N/A", 8: "#DIV/0!"}),
                        with_words(CELLS["co2"], {8: "#VALUE!"}), strict=True,
                    )
                ], end="\r\n",
            )
        },
        channels=GASES,
        records=records(T, n2o=without(N2O, 0, 8), co2=without(CO2, 8)),
        header_lines=2,
    ),
    OddFile(
        id="epoch-milliseconds-bars-and-words",
        files={
            "log.dat": plain(
                PREAMBLE, "timestamp [ms]|pump|n2o|lid_a1", "epoch|state|ppb|state",
                rows(T, "{ms}|{p}|{n2o}|{w}", n2o=N2O, w=LID_WORDS, p=["ON", "OFF"] * 6),
            )
        },
        channels=GASES + LID + chamber("lid_a1"),
        records=records(T, n2o=N2O, lid_a1=LID_STATES),
        header_lines=5,
    ),
    OddFile(
        id="quoted-commas-day-first-by-midnight",
        files={
            "log.csv": b"\xef\xbb\xbf"
            + plain(
                '"Date","Time","n2o","co2","remark"',
                rows(
                    SPRING, '"{l:%d/%m/%Y}","{l:%H:%M:%S}","{n2o}","{co2}","{r}"',
                    n2o=CELLS["n2o"], co2=CELLS["co2"], r=REMARKS,
                ), end="\r\n",
            )
        },
        channels=GASES,
        records=records(SPRING, n2o=N2O, co2=CO2),
    ),
    OddFile(
        id="blanks-preamble-day-first",
        files={
            "log.txt": plain(
                PREAMBLE, "  date        time         n2o     co2  air_temp",
                "  dd.mm.yyyy  hh:mm:ss     ppb     ppm      degC",
                rows(SPRING, "  {l:%d.%m.%Y}  {l:%H:%M:%S}  {n2o:>8}{co2:>9}  {air:>7}",
                     n2o=with_words(N2O, {3: "-999.9"}), co2=with_words(CO2, {9: "---"}), air=AIR),
            )
        },
        channels=ALL,
        records=records(SPRING, n2o=without(N2O, 3), co2=without(CO2, 9), air_temp=AIR),
        header_lines=5,
    ),
    OddFile(
        id="asked-with-all-else-odd",
        # Nothing settles the order; units, words and commas are found all the same.
        files={
            "log.csv": plain(
                PREAMBLE, "Timestamp;N2O [ppb];Lid_A1", "tt.mm.jjjj;;",
                rows(SPRING[:5], "{l:%d.%m.%Y %H:%M:%S};{n2o};{w};", n2o=CELLS["n2o"], w=LID_WORDS),
                end="\r\n",
            )
        },
        channels=GASES + LID + chamber("lid_a1"),
        records=records(SPRING[:5], n2o=N2O, lid_a1=LID_STATES),
        asks="date_order",
        answer='date_order = "dmy"',
        header_lines=5,
    ),
    OddFile(
        id="contradiction-in-a-unit-row-of-utf-16",
        files={
            "log.csv": b"\xfe\xff"
            + text(
                "sep=;", "time;n2o;air_temp", "Z;ppm;°C",
                rows(T, "{u:%Y-%m-%dT%H:%M:%SZ};{n2o};{air}", n2o=CELLS["n2o"], air=CELLS["air"]),
            ).encode("utf-16-be")
        },
        channels=ALL,
        records={},
        error=("n2o", "ppm", "nmol/mol"),
        bad_file="log.csv",
        exit_code=2,
        cut=False,  # each piece is refused like the whole
    ),
    OddFile(
        id="bad-cells-bad-rows-and-a-cut",
        # A tab file with decimal commas where much went wrong.
        files={
            "log.txt": plain(
                "time\tn2o\tco2\tlid_a1", "2026-04-03 11:00:00\t331,2\t412,35\topen",
                "2026-04-03 11:00:10\toverload\t415,02\tajar", "2026-04-03 11:00:20\t330,9",
                "2026-04-03 25:00:30\t335,4\t423,41\topen",
                "2026-04-03 11:00:40\t338,1\t1.429,08\tclosed", "time\tn2o\tco2\tlid_a1", "",
                "2026-04-03 11:00:50\t?\t436,19\tclosed\t\t", "2026-04-03 11:01:00\t344,3\t44",
            )[:-1]
        },
        channels=GASES + LID + chamber("lid_a1"),
        records=records(
            moments("2026-04-03 10:00:00", 10, 6), n2o=[331.2, None, None, None, 338.1, None],
            co2=[412.35, 415.02, None, None, 1429.08, 436.19], lid_a1=[0, None, None, None, 1, 1],
        ),
        refused=tuple(("log.txt", n) for n in (3, 3, 4, 5, 10)),
        exit_code=1,
        cut=False,  # a piece need not show which mark is the file's
    ),
    OddFile(
        id="header-twice-with-keys",
        # Keys name what nobody could find: columns, clock, format of times, words for nothing.
        files={
            "log.dat": plain(
                "station log 7", "when|first|second", "when|first|second",
                rows(T[:6], "{l:%j of %Y at %H.%M.%S}|{a}|{b}", shift_h=-7,
                     a=with_words(N2O, {2: "gone"}), b=CO2),
                "when|first|second",
                rows(T[6:], "{l:%j of %Y at %H.%M.%S}|{a}|{b}", shift_h=-7, a=N2O[6:], b=CO2[6:]),
            )
        },
        channels='[channels.n2o]\nunit = "nmol/mol"\ncolumn = "first"\n'
        '[channels.co2]\nunit = "umol/mol"\ncolumn = "second"\n',
        source='time_column = "when"\ntime_format = "%j of %Y at %H.%M.%S"\nclock = "-07:00"\n'
        'missing = ["gone"]',
        records=records(T, n2o=without(N2O, 2), co2=CO2),
        header_lines=2,
    ),
]  # fmt: skip
