"""Mistakes that people and loggers make, as changes of a station file and of its records."""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np

Columns = dict[str, tuple[np.ndarray, np.ndarray]]
"""Channel → times [s since 1970] and values, NaN where there is none."""

OWN: Final = frozenset({"own"})
SHARED: Final = frozenset({"shared"})
BOTH: Final = OWN | SHARED


@dataclass(frozen=True)
class Mistake:
    """One mistake.

    Attributes
    ----------
    name : str
    file : callable
        Changes the text of the station file.
    records : callable
        Changes the columns in place.
    refused : str
        Words of the line with which `lidstream check` refuses it; '' where it does not.
    asked : str
        Words of the question that `lidstream check` has; '' where it has none.
    flag : str
        Flag of the closures that it touches; '' where it is not seen closure by closure.
    gases : frozenset of str
        Whose rows must bear it.
    task : str
        Words of a task of a summary; a regular expression.
    kinds : frozenset of str
        Kinds of station on which it can be made.
    listed : str
        Words of the handbook's list of what no record can tell.
    """

    name: str
    file: Callable[[str], str] = lambda text: text
    records: Callable[[Columns], None] = lambda columns: None
    refused: str = ""
    asked: str = ""
    flag: str = ""
    gases: frozenset[str] = frozenset({"N2O", "CH4", "CO2"})
    task: str = ""
    kinds: frozenset[str] = field(default=BOTH)
    listed: str = ""
    share: float = 0.95
    """Of the rows that it touches, how many must bear the flag."""


def put(pattern: str, new: str, count: int = 0) -> Callable[[str], str]:
    """Replace in the station file; the pattern must be there."""

    def change(text: str) -> str:
        found, n = re.subn(pattern, new, text, count=count)
        assert n, pattern
        return found

    return change


def scaled(pattern: str, factor: float) -> Callable[[str], str]:
    """Multiply the numbers behind a key."""

    def change(text: str) -> str:
        found, n = re.subn(
            rf"({pattern} = )([0-9.]+)", lambda m: f"{m[1]}{round(float(m[2]) * factor, 6)!r}", text
        )
        assert n, pattern
        return found

    return change


def one_for_all(text: str) -> str:
    """A sensor for each chamber, and an analyzer of the first alone."""
    channel = '[channels.n2o_a{}]\nunit = "nmol/mol"\n'
    several = "".join(channel.format(i) for i in (1, 2, 3))
    text = put(r"\[channels\.n2o\]\n.+\n.+\n", several)(text)
    return put('N2O = "n2o"', 'N2O = "n2o_a1"')(text)


def times(factor: float, *names: str, shift: float = 0.0) -> Callable[[Columns], None]:
    """Multiply channels whose names begin so, and add."""

    def change(columns: Columns) -> None:
        hit = [n for n in columns if any(re.fullmatch(name, n) for name in names)]
        assert hit
        for name in hit:
            t, v = columns[name]
            columns[name] = (t, v * factor + shift)

    return change


def swapped(a: str, b: str) -> Callable[[Columns], None]:
    """Two columns exchanged."""

    def change(columns: Columns) -> None:
        columns[a], columns[b] = columns[b], columns[a]

    return change


def air_and_soil_exchanged(columns: Columns) -> None:
    """The columns of both thermometers of each chamber exchanged."""
    names = [n for n in columns if re.fullmatch(T, n) and f"ts{n[1:]}" in columns]
    assert names
    for name in names:
        swapped(name, f"ts{name[1:]}")(columns)


def shifted(hours: float) -> Callable[[Columns], None]:
    """All clocks off."""

    def change(columns: Columns) -> None:
        for name, (t, v) in columns.items():
            columns[name] = (t + round(3600 * hours), v)

    return change


def toggling(columns: Columns) -> None:
    """A loose plug."""
    t, v = columns["n2o"]
    columns["n2o"] = (t, np.where(np.arange(len(v)) % 2 == 0, 331.0, 349.0))


def day_again(columns: Columns) -> None:
    """The gases of the last day are those of the day before."""
    for name in ("n2o", "ch4", "co2"):
        t, v = columns[name]
        cut, before = np.searchsorted(t, (t[-1] + 1 - 86_400, t[-1] + 1 - 2 * 86_400))
        v = v.copy()
        v[cut:] = v[before : before + len(v) - cut]
        columns[name] = (t, v)


def still(name: str) -> Callable[[Columns], None]:
    """A sensor that stands still."""

    def change(columns: Columns) -> None:
        t, v = columns[name]
        columns[name] = (t, np.where(np.isnan(v), np.nan, v[~np.isnan(v)][0]))

    return change


N2O, CH4, CO2 = (frozenset({g}) for g in ("N2O", "CH4", "CO2"))
T = r"t_[a-z0-9]+"

MISTAKES: Final = [
    # The station file
    Mistake("height in mm", scaled("height_m", 1000.0), refused="In mm that would be 0."),
    Mistake("height in cm", scaled("height_m", 100.0), refused="In cm that would be 0."),
    Mistake("area in cm2", scaled("area_m2", 1e4), refused="In cm2 that would be 0."),
    Mistake("extra volume in litres", scaled("extra_volume_m3", 1e3),
            asked="In litres that would be 0.0004 m3"),
    Mistake("shares in per cent", put(r"positions = \{ (\w+) = 0\.(\d\d)",
            r"positions = { \1 = \2.0"), refused="write a share of the area, not %"),
    Mistake("precision a thousand times too large", put(r"N2O = 0\.3", "N2O = 300.0"),
            refused="89 % of outdoor air"),
    Mistake("precision a thousand times too small", put(r"N2O = 0\.3", "N2O = 0.0003"),
            refused="In umol/mol that would be 0.3 nmol/mol"),
    Mistake("precision of CO2 in nmol/mol", put(r"CO2 = 0\.2", "CO2 = 200.0"),
            asked="47 % of outdoor air"),
    Mistake("range in another unit", put(r"range = \[0\.0, 20000\.0\]", "range = [0.0, 20.0]"),
            refused="excludes outdoor air"),
    Mistake("range of pressure in another unit", put(r"range = \[800\.0, 1100\.0\]",
            "range = [80.0, 110.0]"), refused="excludes the usual pressure"),
    Mistake("range of temperature in K", put(r"range = \[-30\.0, 70\.0\]",
            "range = [243.0, 343.0]"), refused="excludes 15 degC"),
    Mistake("error of height in mm", put(r"\n\[models\]",
            "\n[uncertainty]\nheight_m = 3.0\n\n[models]"), refused="is not an error of a height"),
    Mistake("bulk density in kg m-3", scaled("bulk_density_g_cm3", 1000.0),
            refused="bulk_density_g_cm3"),
    Mistake("longest closure in minutes", put(r"max_duration_s = 5400\.0",
            "max_duration_s = 90.0"), refused="must be more than min_duration_s"),
    Mistake("nitrogen in g ha-1", put(r"(split_rate|three_dressings) = (160|300)\.0, ",
            r"\1 = \g<2>000.0, "), asked="is unusual"),
    Mistake("yield in kg ha-1", put(r"yield_t_ha = \{ (\w+) = [\d.]+",
            r"yield_t_ha = { \1 = 46000.0"), asked="In kg/ha that would be 46 t/ha"),
    Mistake("standard gas in another unit", put(r"value = 1000\.0|value = 1020\.0|value = 900\.0",
            "value = 1.02", 1), refused="Check its unit", kinds=SHARED),
    Mistake("one sensor for chambers that each have one", one_for_all,
            asked="n2o_a2, n2o_a3 are recorded and no analyzer uses them", kinds=OWN),
    Mistake("longitude with the wrong sign", put(r"longitude = -", "longitude = "),
            asked="the sign is wrong", kinds=SHARED),
    # Gases
    # With standards their values are in the same wrong unit or column, and tell it too.
    Mistake("CO2 in ppb", records=times(1e3, "co2"),
            flag="start_implausible|out_of_range|standards_implausible", gases=CO2,
            task="CO2 begins at|port of the standard"),
    Mistake("N2O in ppm", records=times(1e-3, "n2o"),
            flag="start_implausible|standards_implausible", gases=N2O,
            task="1/1,000 of outdoor air|port of the standard"),
    Mistake("CH4 in ppm", put(r"\[500\.0, 20000\.0\]", "[0.0, 20000.0]"),
            records=times(1e-3, "ch4"), flag="start_implausible|standards_implausible", gases=CH4,
            task="1/1,000 of outdoor air|port of the standard"),
    Mistake("N2O and CH4 exchanged", put(r"\[500\.0, 20000\.0\]", "[0.0, 20000.0]"),
            records=swapped("n2o", "ch4"),
            flag="start_implausible|standards_implausible", gases=N2O | CH4,
            task="columns may be exchanged|port of the standard"),
    Mistake("CH4 and CO2 exchanged", put(r"\[500\.0, 20000\.0\]", "[0.0, 20000.0]"),
            records=swapped("ch4", "co2"), flag="start_implausible|standards_implausible",
            gases=CH4 | CO2, task="columns may be exchanged|port of the standard"),
    Mistake("N2O and CH4 exchanged, out of range", records=swapped("n2o", "ch4"),
            flag="start_implausible|standards_implausible", gases=N2O | CH4,
            task="columns may be exchanged|port of the standard"),
    Mistake("CH4 and CO2 exchanged, out of range", records=swapped("ch4", "co2"),
            flag="start_implausible|standards_implausible", gases=CH4 | CO2,
            task="columns may be exchanged|port of the standard"),
    Mistake("N2O and CO2 exchanged", records=swapped("n2o", "co2"),
            task="columns may be exchanged|port of the standard"),
    Mistake("N2O toggles", records=toggling, flag="toggling", gases=N2O,
            task="signal cable"),
    Mistake("N2O 12 % low", records=times(0.88, "n2o"), task="below outdoor air", kinds=OWN),
    Mistake("moist air declared dry", put(r'basis = "wet"', 'basis = "dry"'),
            task='basis = "wet"'),
    Mistake("the day before once more", records=day_again,
            task="identical to those of the day before"),
    # Air
    Mistake("pressure in Pa", put(r"range = \[800\.0, 1100\.0\]\n", ""),
            records=times(100.0, "p_air"), flag="pressure_implausible",
            task="in Pa, that is"),
    Mistake("pressure in kPa", put(r"range = \[800\.0, 1100\.0\]\n", ""),
            records=times(0.1, "p_air"), flag="pressure_implausible", task="in kPa, that is"),
    Mistake("pressure zero", put(r"range = \[800\.0, 1100\.0\]\n", ""),
            records=times(0.0, "p_air"), flag="pressure_implausible", task="pressure channel"),
    Mistake("pressure out of its range", records=times(100.0, "p_air"),
            flag="pressure_assumed", task="in Pa, that is"),
    Mistake("pressure reduced to sea level", records=times(1.11, "p_air"),
            flag="pressure_implausible", task="sea level", kinds=SHARED),
    Mistake("elevation in feet", put(r"elevation_m = 880\.0", "elevation_m = 2887.0"),
            flag="pressure_implausible", task="elevation_m", kinds=SHARED),
    Mistake("degC declared K", put(r'(\[channels\.t_\w+\]\nunit = )"degC"\nrange = .*\n',
            r'\1"K"\n'), flag="temperature_implausible", task="in degC, that is"),
    Mistake("K declared degC", put(r'(\[channels\.t_\w+\]\nunit = "degC")\nrange = .*\n', r"\1\n"),
            records=times(1.0, T, shift=273.15), flag="temperature_implausible",
            task="in K, that is"),
    Mistake("K declared degC, out of range", records=times(1.0, T, shift=273.15),
            flag="no_temperature", task="in K, that is"),
    Mistake("degF declared degC", records=times(1.8, T, shift=32.0),
            flag="temperature_implausible|no_temperature", share=0.85, task="temperature"),
    Mistake("air at -40 degC", put(r'(\[channels\.t_\w+\]\nunit = "degC")\nrange = .*\n', r"\1\n"),
            records=times(0.0, T, shift=-40.0), flag="temperature_implausible",
            task="temperature"),
    Mistake("air at 850 degC", put(r'(\[channels\.t_\w+\]\nunit = "degC")\nrange = .*\n', r"\1\n"),
            records=times(0.0, T, shift=850.0), flag="temperature_implausible",
            task="temperature"),
    Mistake("one thermometer 12 K off", records=times(1.0, "t_a2", shift=12.0),
            task="compared with the other chambers"),
    Mistake("one thermometer stands still", records=still("t_a2"), task="the same value for"),
    Mistake("air and soil temperature exchanged", records=air_and_soil_exchanged,
            task="columns of air and soil temperature"),
    Mistake("water in % as mmol/mol", records=times(0.1, "h2o"), task="water channel"),
    Mistake("water in mmol/mol as %", put(r'(\[channels\.h2o\]\nunit = )"mmol/mol"\nrange = .*\n',
            r'\1"%"\n'), flag="water_implausible", task="water channel"),
    Mistake("water in mmol/mol as %, out of range", put(
            r'(\[channels\.h2o\]\nunit = )"mmol/mol"\nrange = .*\n',
            r'\1"%"\nrange = [0.0, 6.0]\n'),
            flag="no_water", task="h2o reads"),
    # Lids, lines, clocks
    Mistake("lids the wrong way round", put(r"(lid_channel = .*\n)",
            r"\1lid_closed = 0\nlid_open = 1\n"), task="wrong way round",
            flag="too_long|line_shared|no_close_edge|visits_missing|no_samples|co2_falls_in_dark"),
    Mistake("lag of 70 s for 8", put(r"lag_s = [\d.]+", "lag_s = 70.0"), task="lags by"),
    Mistake("clock six hours off", records=shifted(6.0), task="solar time"),
    Mistake("clock six hours off, the other way", records=shifted(-6.0), task="solar time"),
    # What no record can tell
    Mistake("two alike lids or lines exchanged", records=swapped("lid_a1", "lid_a4"),
            listed="Two chambers exchanged"),
    Mistake("area 5 % off", scaled("area_m2", 1.05), listed="An area or a height a little off"),
    Mistake("height 5 % off", scaled("height_m", 1.05),
            listed="An area or a height a little off"),
    Mistake("two thermometers exchanged", records=swapped("t_a1", "t_a4"),
            listed="Two thermometers exchanged"),
    Mistake("two plots of a treatment exchanged", listed="A plot or a position under another name"),
    Mistake("span drifts by 3 % in a month, without standards", kinds=OWN,
            listed="A span that drifts"),
]  # fmt: skip

BY_HAND: Final = {
    "height in cm on the sheet": "`height_implausible`, and told when it is brought",
    "height in mm on the sheet": "`height_implausible`, and told when it is brought",
    "pressure in Pa on the sheet": "`pressure_implausible`, and told when it is brought",
    "pressure in kPa on the sheet": "`pressure_implausible`, and told when it is brought",
    "temperature in K on the sheet": "`temperature_implausible`, and told when it is brought",
    "low and high standard exchanged in a run": "`standards_exchanged`",
    "two sample times or vials exchanged": "`times_swapped`",
    "two chambers exchanged on the sheet": "no record tells: handbook",
}
"""Mistakes on sheets of samples, which test_physics.py and test_sampling_by_hand.py make."""
