"""Bytes and expected records of odd files, both from one small table.

Nothing here reads a file: lines are written by ``str.format`` and times are counted by
``datetime``, so that a mistake of the reader cannot hide in the corpus.
"""

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

Moments = list[datetime]
Cells = Sequence[float | str | None]

N2O: Final = (331.2, 332.7, 330.9, 335.4, 338.1, 341.6, 344.3, 347.9, 351.2, 355.8, 358.4, 362.5)
"""[nmol/mol] Never within the range of CO2, so that a swap shows."""
CO2: Final = (
    412.35, 415.02, 418.77, 423.41, 429.08, 436.19, 444.55, 453.96, 464.21, 475.83, 488.04, 501.62
)  # fmt: skip
"""[umol/mol]"""
AIR: Final = (1.4, 0.6, -0.3, -1.25, -2.0, -0.75, 0.05, 1.1, 2.35, 3.6, 4.85, 6.15)
"""[degC] With signs, so that one that is lost shows."""

UTC_ONLY: Final = 0

GASES: Final = """
[channels.n2o]
unit = "nmol/mol"
[channels.co2]
unit = "umol/mol"
"""
AIR_TEMP: Final = """
[channels.air_temp]
unit = "degC"
"""
ALL: Final = GASES + AIR_TEMP
LID: Final = """
[channels.lid_a1]
unit = "1"
"""


def chamber(lid: str, *, opened: float = 0.0, closed: float = 1.0) -> str:
    """A chamber whose lid is that channel."""
    return f"""
[[chambers]]
id = "{lid.upper()}"
analyzer = "spare"
lid_channel = "{lid}"
lid_open = {opened}
lid_closed = {closed}
area_m2 = 0.25
air_temperature_channel = "spare_temp"
heights = [{{ from = "2026-01-01T00:00:00Z", height_m = 0.15 }}]
"""


def moments(first: str, step_s: float, count: int) -> Moments:
    """Evenly spaced moments in UTC."""
    start = datetime.fromisoformat(first).replace(tzinfo=UTC)
    return [start + timedelta(seconds=step_s * i) for i in range(count)]


def z(moment: datetime) -> str:
    """A moment in UTC as RFC 3339, to the microsecond."""
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def records(times: Moments, **columns: Cells) -> dict[str, list[tuple[str, float]]]:
    """Expected records; None where there is none."""
    return {
        name: [(z(t), float(v)) for t, v in zip(times, column, strict=False) if v is not None]
        for name, column in columns.items()
    }


def rows(times: Moments, template: str, *, shift_h: float = 1.0, **columns: Cells) -> list[str]:
    """One line for each time: ``{u}`` is UTC, ``{l}`` local time, ``{name}`` a column's value.

    ``{l.day}`` is the day without a leading zero, ``{y2}`` the year in two digits, ``{h12}``
    the hour of a 12-hour clock without a leading zero, ``{frac}`` thousandths of the second;
    ``{s}``, ``{ms}``, ``{us}`` are whole seconds, milliseconds and microseconds since 1970.
    """
    found = []
    for i, u in enumerate(times):
        l = u + timedelta(hours=shift_h)
        us = (u - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
        cells = {name: column[i] for name, column in columns.items()}
        found.append(
            template.format(
                u=u, l=l, y2=f"{l.year % 100:02d}", h12=(l.hour + 11) % 12 + 1,
                half="AM" if l.hour < 12 else "PM", s=us // 10**6, ms=us // 1000, us=us,
                frac=f"{l.microsecond // 1000:03d}", **cells,
            )
        )  # fmt: skip
    return found


def comma(column: Sequence[float], places: int = 2) -> list[str]:
    """Values with a decimal comma."""
    return [f"{value:.{places}f}".replace(".", ",") for value in column]


def day_number(moment: datetime, shift_h: float = 1.0) -> str:
    """A spreadsheet's number of local days since 1899-12-30, with ten decimals."""
    since = moment + timedelta(hours=shift_h) - datetime(1899, 12, 30, tzinfo=UTC)
    ms = since // timedelta(milliseconds=1)
    days, rest = divmod(ms, 86_400_000)
    decimals = (rest * 10**10 + 43_200_000) // 86_400_000
    assert decimals < 10**10
    return f"{days}.{decimals:010d}"


def text(*parts: str | Sequence[str], end: str = "\n") -> str:
    """Lines, each with its end."""
    lines: list[str] = []
    for part in parts:
        lines += [part] if isinstance(part, str) else part
    return "".join(line + end for line in lines)


def plain(*parts: str | Sequence[str], end: str = "\n") -> bytes:
    """Lines as UTF-8."""
    return text(*parts, end=end).encode("utf-8")


def without(column: Cells, *places: int) -> list[float | str | None]:
    """A column without the values at these places."""
    return [None if i in places else v for i, v in enumerate(column)]


def with_words(column: Cells, words: dict[int, str]) -> list[float | str | None]:
    """A column with words in place of some values."""
    assert not any(isinstance(v, float) and math.isnan(v) for v in column)
    return [words.get(i, v) for i, v in enumerate(column)]
