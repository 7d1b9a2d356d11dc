"""Delimiters, preambles, headers, names of columns and units."""

from odd_files.case import OddFile
from odd_files.making import (
    AIR,
    AIR_TEMP,
    ALL,
    CO2,
    GASES,
    N2O,
    comma,
    moments,
    plain,
    records,
    rows,
)

T = moments("2026-04-03 10:00:00", 10, 12)
LOCAL = "{l:%Y-%m-%d %H:%M:%S}"
SAME = records(T, n2o=N2O, co2=CO2, air_temp=AIR)
POINTS = {"n2o": N2O, "co2": CO2, "air": AIR}
COMMAS = {"n2o": comma(N2O, 1), "co2": comma(CO2), "air": comma(AIR)}
PREAMBLE = ["station log 7", "opened by A. Person, hut 2", "interval 10 s, clock checked", ""]


def delimited(name: str, mark: str, cells: dict, **more) -> OddFile:
    """The same table with another delimiter and decimal mark."""
    return OddFile(
        id=name,
        files={
            "log.txt": plain(
                mark.join(("time", "n2o", "co2", "air_temp")),
                rows(T, mark.join((LOCAL, "{n2o}", "{co2}", "{air}")), **cells),
            )
        },
        channels=ALL,
        records=SAME,
        **more,
    )


def headed(name: str, header: list[str], *, channels: str = ALL, **more) -> OddFile:
    """The same comma-delimited table below other first lines."""
    return OddFile(
        id=name,
        files={
            "log.csv": plain(header, rows(T, LOCAL + ",{n2o},{co2},{air}", **POINTS)),
        },
        channels=channels,
        **{"records": SAME, "header_lines": len(header), **more},
    )


BLANKS = rows(T, "{l:%Y-%m-%dT%H:%M:%S} {n2o:>9}   {co2:>8}{air:>9}", **POINTS)

CASES = [
    delimited("semicolons", ";", POINTS),
    delimited("tabs", "\t", POINTS),
    delimited("bars", "|", POINTS),
    delimited("semicolons-decimal-comma", ";", COMMAS),
    delimited("tabs-decimal-comma", "\t", COMMAS),
    delimited("bars-decimal-comma", "|", COMMAS),
    delimited("delimiter-by-key", "|", POINTS, source='delimiter = "|"'),
    delimited("decimal-by-key", ";", COMMAS, source='decimal = ","'),
    OddFile(
        id="blanks",
        files={"log.txt": plain("time                      n2o        co2 air_temp", BLANKS)},
        channels=ALL,
        records=SAME,
    ),
    OddFile(
        id="blanks-in-front-decimal-comma",
        files={
            "log.txt": plain(
                "   time                n2o  co2   air_temp",
                rows(T, "   {l:%Y-%m-%dT%H:%M:%S}  {n2o}  {co2}  {air}", **COMMAS),
            )
        },
        channels=ALL,
        records=SAME,
    ),
    OddFile(
        id="blanks-date-and-time",
        files={
            "log.txt": plain(
                "date       time      n2o    co2     air_temp",
                rows(T, "{l:%Y-%m-%d} {l:%H:%M:%S}  {n2o}  {co2}  {air}", **POINTS),
            )
        },
        channels=ALL,
        records=SAME,
    ),
    OddFile(
        id="blanks-by-key",
        files={
            "log.txt": plain(
                "time n2o co2 air_temp", rows(T, "{s} {n2o} {co2} {air}", **POINTS)
            )
        },
        channels=ALL,
        source='delimiter = " "',
        records=SAME,
    ),
    headed("preamble", [*PREAMBLE, "time,n2o,co2,air_temp"]),
    headed("preamble-with-time-in-it", ["station log 7", "time of start, 10 h 55", "n2o, co2 and"
           " air_temp every 10 s", "time,n2o,co2,air_temp"]),
    headed("header-line-by-key", ["station log 7", "time,n2o", "time,co2", "time,n2o,co2,air_temp"],
           source="header_line = 4"),
    headed("units-row", ["time,n2o,co2,air_temp", ",ppb,ppm,degC"]),
    headed("units-types-and-makes", ["time,n2o,co2,air_temp", "yyyy-mm-dd hh:mm:ss,nmol/mol,ppm,°C",
           "text,float,float,float", "instant,mean,mean,mean"]),
    headed("header-in-capitals", ["TIME,N2O,CO2,AIR_TEMP"]),
    headed("units-in-brackets", ["time,n2o [ppb],co2 [ppm],air_temp [°C]"]),
    headed("units-in-parentheses", ["Time (local),N2O (nmol/mol),CO2 (umol/mol),Air_Temp (degC)"]),
    headed("unknown-unit-words", ["time,n2o [raw],co2 (smoothed),air_temp [ch 3]"]),
    headed("micro-sign-in-unit", ["time,n2o [ppb],co2 [µmol/mol],air_temp [° C]"]),
    headed("blanks-around-names", ["time , n2o,  co2 , air_temp"]),
    headed("column-by-key", ["time,Gas A [ppb],Gas B [ppm],T 2 m"], channels="""
[channels.n2o]
unit = "nmol/mol"
column = "Gas A [ppb]"
[channels.co2]
unit = "umol/mol"
column = "Gas B [ppm]"
[channels.air_temp]
unit = "degC"
column = "T 2 m"
"""),
    headed("quoted-name-with-comma", ['time,"N2O, dry [ppb]","CO2, dry [ppm]",air_temp'],
           channels="""
[channels.n2o]
unit = "nmol/mol"
column = "N2O, dry [ppb]"
[channels.co2]
unit = "umol/mol"
column = "CO2, dry [ppm]"
[channels.air_temp]
unit = "degC"
"""),
    headed("columns-nobody-wants", ["time,n2o,valve,air_temp"],
           records=records(T, n2o=N2O, air_temp=AIR)),
    headed("no-header", [], source='header_line = 0\ncolumns = ["time", "n2o", "co2", "air_temp"]'),
    headed("columns-instead-of-header", ["when,a,b,c"],
           source='header_line = 1\ncolumns = ["time", "n2o", "co2", "air_temp"]'),
    headed("time-column-by-key", ["stamp of record,n2o,co2,air_temp"],
           source='time_column = "stamp of record"'),
    OddFile(
        id="pressure-and-moisture-agree",
        files={
            "log.csv": plain(
                "time,p_air [mbar],moisture [m3/m3],battery [V]",
                rows(T, LOCAL + ",{p},{m},{b}", p=[1003.5 + i / 8 for i in range(12)],
                     m=[0.25 + i / 64 for i in range(12)], b=[12.5 - i / 4 for i in range(12)]),
            )
        },
        channels="""
[channels.p_air]
unit = "hPa"
[channels.moisture]
unit = "m3/m3"
[channels.battery]
unit = "V"
""",
        records=records(T, p_air=[1003.5 + i / 8 for i in range(12)],
                        moisture=[0.25 + i / 64 for i in range(12)],
                        battery=[12.5 - i / 4 for i in range(12)]),
    ),
    OddFile(
        id="blank-lines",
        files={
            "log.csv": plain(
                "", "", "time,air_temp", "",
                [f"{row}\n" + ("   \n" if i % 4 == 1 else "") for i, row in
                 enumerate(rows(T, LOCAL + ",{air}", air=AIR))],
            )
        },
        channels=AIR_TEMP,
        records=records(T, air_temp=AIR),
        header_lines=4,
    ),
    OddFile(
        id="repeated-header",
        files={
            "log.csv": plain(
                "time,n2o,co2", rows(T[:5], LOCAL + ",{n2o},{co2}", n2o=N2O, co2=CO2),
                "time,n2o,co2", rows(T[5:9], LOCAL + ",{n2o},{co2}", n2o=N2O[5:], co2=CO2[5:]),
                "time,n2o,co2", "time,n2o,co2",
                rows(T[9:], LOCAL + ",{n2o},{co2}", n2o=N2O[9:], co2=CO2[9:]),
            )
        },
        channels=GASES,
        records=records(T, n2o=N2O, co2=CO2),
    ),
    OddFile(
        id="repeated-preamble",
        files={
            "log.csv": plain(
                PREAMBLE, "time,n2o,co2", "s,ppb,ppm",
                rows(T[:7], LOCAL + ",{n2o},{co2}", n2o=N2O, co2=CO2),
                PREAMBLE, "time,n2o,co2", "s,ppb,ppm",
                rows(T[7:], LOCAL + ",{n2o},{co2}", n2o=N2O[7:], co2=CO2[7:]),
            )
        },
        channels=GASES,
        records=records(T, n2o=N2O, co2=CO2),
        header_lines=6,
    ),
]  # fmt: skip
