"""Twelve more files as people in the field save them; ``fieldwork/make.py`` wrote them.

Like those of the strangers they were made before their maker had seen the reader. What each
is stands in the docstring of its function there. One was made longer since, 17: a piece that
begins within the hour that repeats cannot tell which of the two it is in.
"""

from typing import Final

from odd_files.stranger import Lid, Stranger


def _file(
    number: str,
    clock: str,
    columns: dict[str, str | Lid],
    names: str,
    *,
    keys: str = "",
    asked: str = "",
    exit_code: int = 0,
    header_lines: int = 1,
    told: str = "",
    cut: bool = True,
) -> Stranger:
    return Stranger(
        number, clock, columns, keys=keys, asked=asked, exit_code=exit_code, told=told,
        header_lines=header_lines, names=tuple(names.split()), folder="fieldwork", cut=cut,
    )  # fmt: skip


FIELDWORK: Final = [
    _file(  # months as words, a row of units, a row of statistics for each kind at the foot
        "11", "+01:00",
        {"CO2": "umol/mol", "CH4": "nmol/mol", "Air": "degC", "Soil 5 cm": "degC"},
        "co2 ch4 air soil", exit_code=1, header_lines=4,
    ),
    _file(  # years of two digits, UTF-16, units in cells, a nameless column, "Note" twice
        "12", "+01:00", {"CO2 (ppm)": "umol/mol", "Air (°C)": "degC", "Water": "%"},
        "co2 air vwc",
    ),
    _file(  # day numbers, decimal commas, points between thousands, line ends of two kinds
        "13", "+02:00",
        {"CH4 [ppb]": "nmol/mol", "CO2 [ppm]": "umol/mol", "Druck [Pa]": "Pa",
         "Deckel": ("0", "1")},
        "ch4 co2 pressure lid", keys='decimal = ","', asked="set decimal",
    ),
    _file(  # remarks with commas in mid-file, the header again, rows twice, rows cut
        "14", "+02:00",
        {"CO2": "umol/mol", "CH4": "nmol/mol", "air": "degC", "soil": "degC"},
        "co2 ch4 air soil", exit_code=1,
    ),
    _file(  # nanoseconds since 1970, quotes without a partner
        "15", "+02:00", {"co2_ppm": "umol/mol", "ch4_ppb": "nmol/mol", "air_c": "degC"},
        "co2 ch4 air",
    ),
    _file(  # ISO week dates
        "16", "+01:00", {"CO2": "umol/mol", "soil": "degC"},
        "co2 soil", keys='time_format = "%G-W%V-%uT%H:%M:%S"', asked="set time_format",
    ),
    _file(  # the night that has an hour twice, midnight as 24:00:00, a mean without a time
        "17", "Europe/Copenhagen",
        {"CO2 [ppm]": "umol/mol", "Luft [°C]": "degC", "Boden [°C]": "degC"},
        "co2 air soil",
    ),
    _file(  # a row of kinds; cells like <0.3, 412.4* and 6.2.1
        "18", "+02:00",
        {"CH4": "nmol/mol", "CO2": "umol/mol", "AIR": "degC", "PRESSURE": "Pa"},
        "ch4 co2 air pressure", exit_code=1, header_lines=3,
    ),
    _file(  # two columns of one name; a.m. and p.m.; commas between thousands
        "19", "-06:00",
        {"CH4 ppb": "nmol/mol", "Temp": "degC", "soil": "degC", "Pressure Pa": "Pa"},
        "ch4 air soil pressure",
        keys='header_line = 1\ndecimal = "."\n'
        'columns = ["Date/Time", "CH4 ppb", "Temp", "soil", "Pressure Pa"]',
        asked="set header_line and columns",
    ),
    _file(  # a logger's file, and below it one that a spreadsheet has saved
        "20", "+02:00", {"co2": "umol/mol", "ch4": "nmol/mol", "air": "degC"},
        "co2 ch4 air", exit_code=1,
        cut=False,  # a piece of the second file begins with the header of the first
    ),
    _file(  # means with the beginning and the end of each
        "21", "+02:00", {"CO2 mean": "umol/mol", "Soil mean": "degC"},
        "co2 soil", keys='time_column = "To"', asked="set time_column",
    ),
    _file(  # a column for each part of the date
        "22", "+00:00", {"co2": "umol/mol", "ch4": "nmol/mol", "air": "degC"},
        "co2 ch4 air", told="its date stands in several columns (year, mo, dy", exit_code=2,
    ),
]  # fmt: skip
