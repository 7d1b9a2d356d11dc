"""Days of a season, and what they were like, from frames of the weather and of events."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Any, Final

import numpy as np
import pandas as pd

from stream.errors import QueryError
from stream.field.modelled import FieldDays
from stream.field.series import standard_offset
from stream.note_kinds import EVENTS
from stream.station import read_clock

_WEATHER: Final = ("rain_mm", "air_temperature_c")
_LONGEST_DAYS: Final = 1100
_ISO: Final = re.compile(r"\d{4}-\d{2}-\d{2}($|[T ])")
_AIR_C: Final = (-60.0, 60.0)
_MOST_RAIN_MM: Final = 2000.0
_KINDS: Final = {*(kind.name for kind in EVENTS), "other"}


@dataclass(frozen=True, slots=True)
class Span:
    """Days of a season, by the standard time of a zone."""

    first: date
    days: int
    begin: datetime

    def day(self, index: int) -> date:
        """Of an index."""
        return self.first + timedelta(days=index)

    def index(self, day: object, what: str) -> int:
        """Of a day, which may lie outside."""
        return (day_of(day, what) - self.first).days


def day_of(given: object, what: str) -> date:
    """A day.

    Raises
    ------
    QueryError
        It is none, or is written so that day and month may be exchanged.
    """
    found = given
    if isinstance(given, str) and _ISO.match(given.strip()):
        try:
            found = date.fromisoformat(given.strip()[:10])
        except ValueError:
            found = None
    elif isinstance(given, np.datetime64):
        found = pd.Timestamp(given)
    if not isinstance(found, date) or found != found:
        raise QueryError(f"{what}: {given!r} is not a day; write 2026-06-01, or give a date")
    return found.date() if isinstance(found, datetime) else found


def frame_of(given: object, what: str) -> pd.DataFrame:
    """What is given, where it is a frame.

    Raises
    ------
    QueryError
        It is something else.
    """
    if not isinstance(given, pd.DataFrame):
        raise QueryError(f"{what}: a {type(given).__name__}; give a DataFrame")
    return given


def span_of(start: object, end: object, zone: tzinfo) -> Span:
    """From one day to another, both included.

    Raises
    ------
    QueryError
        One is no day, or they are the wrong way round.
    """
    first, last = day_of(start, "start"), day_of(end, "end")
    if last < first:
        raise QueryError(f"end: {last} is before start, {first}")
    if (last - first).days >= _LONGEST_DAYS:
        raise QueryError(f"end: {last} is {(last - first).days} days after start, {first}")
    offset = standard_offset(zone, first.year)
    midnight = datetime.combine(first, datetime.min.time())
    return Span(first, (last - first).days + 1, midnight - offset)


def zone_of(fluxes: pd.DataFrame, timezone: str | None) -> tzinfo:
    """Where days begin: as asked for, else as ``mid_at`` has it, else UTC.

    Raises
    ------
    QueryError
        There is no such zone.
    """
    if timezone is None:
        found = getattr(getattr(fluxes["mid_at"], "dt", None), "tz", None)
        return found if isinstance(found, tzinfo) else read_clock("UTC")
    try:
        return read_clock(timezone)
    except (ValueError, KeyError, OSError):
        raise QueryError(
            f"timezone: {timezone!r} is unknown; write Etc/GMT-1, Europe/Paris or +01:00"
        ) from None


def numbers(column: pd.Series[Any], what: str) -> pd.Series[Any]:
    """A column as numbers; text that is none is told."""
    try:
        return pd.to_numeric(column)
    except (ValueError, TypeError) as error:
        raise QueryError(f"{what}: not a number: {error}") from None


def name_of(value: object) -> str:
    """As text, so that 1, 1.0 and "1 " are one name, and empty is empty."""
    if value is None or value != value or value is pd.NA:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def field_of(
    weather: pd.DataFrame, events: pd.DataFrame | None, treatments: list[str], span: Span
) -> FieldDays:
    """Rain, irrigation, warmth and fertilizer of each treatment.

    Raises
    ------
    QueryError
        A column is missing, or a day is none.
    """
    frame_of(weather, "weather")
    missing = [c for c in _WEATHER if c not in weather.columns]
    if missing:
        raise QueryError(f"weather: no column {', '.join(missing)}; its index is days")
    index = [day_of(day, "weather: index") for day in weather.index]
    again = [day for day, count in Counter(index).items() if count > 1]
    if again:
        raise QueryError(f"weather: {again[0]} stands twice in the index; one row a day")
    if not set(index) & {span.day(d) for d in range(span.days)}:
        raise QueryError(f"weather: no day from {span.first} to {span.day(span.days - 1)}")
    first = min([*index, span.first])
    before = (span.first - first).days
    wanted = [first + timedelta(days=d) for d in range(before + span.days)]
    table = weather[list(_WEATHER)].set_axis(pd.Index(index)).reindex(wanted)
    rain = numbers(table["rain_mm"], "weather: rain_mm").to_numpy(float)
    air = numbers(table["air_temperature_c"], "weather: air_temperature_c").to_numpy(float)
    for name, values, low, high in (
        ("rain_mm", rain, 0.0, _MOST_RAIN_MM),
        ("air_temperature_c", air, *_AIR_C),
    ):
        odd = np.flatnonzero((values < low) | (values > high))
        if len(odd):
            raise QueryError(f"weather: {name} is {values[odd[0]]:g} on {wanted[int(odd[0])]}")
    water = {t: rain.copy() for t in treatments}
    doses: dict[str, list[tuple[int, float]]] = {t: [] for t in treatments}
    for kind, day, amount, mine in _events(events, treatments, span):
        for treatment in mine:
            if kind == "fertilizer":
                doses[treatment].append((day, amount))
            elif 0 <= before + day < len(rain):
                # Of rain that a gauge tells of too, the larger counts.
                at = before + day
                known = float(np.nan_to_num(water[treatment][at]))
                more = known + amount if kind == "irrigation" else max(known, amount)
                water[treatment][at] = more
    return FieldDays(water, air, {t: relative_doses(d) for t, d in doses.items()})


def _events(
    events: pd.DataFrame | None, treatments: list[str], span: Span
) -> Iterator[tuple[str, int, float, list[str]]]:
    """Kind, day of the season, amount or NaN, and treatments of fertilizer and water."""
    if events is None:
        return
    frame_of(events, "events")
    missing = [c for c in ("day", "kind", "treatment") if c not in events.columns]
    if missing:
        raise QueryError(f"events: no column {', '.join(missing)}")
    for row in events.to_dict("records"):
        kind, whom = name_of(row["kind"]), name_of(row["treatment"])
        if kind not in _KINDS:
            raise QueryError(
                f"events: kind {kind!r} is unknown; one of {', '.join(sorted(_KINDS))}"
            )
        if whom and whom not in treatments:
            listed = ", ".join(map(repr, treatments))
            raise QueryError(f"events: no treatment {whom!r}; fluxes have {listed}")
        if kind not in {"fertilizer", "rain", "irrigation"}:
            continue
        day = span.index(row["day"], "events: day")
        amount = row.get("amount")
        size = float("nan") if amount is None or pd.isna(amount) else _amount(amount)
        if kind != "fertilizer" and size != size:
            raise QueryError(f"events: {kind} of {span.day(day)} has no amount; give it in mm")
        if day < span.days:
            yield kind, day, size, [whom] if whom else treatments


def _amount(given: object) -> float:
    try:
        found = float(given)  # type: ignore[arg-type]
    except (ValueError, TypeError):
        found = -1.0
    if not 0 <= found < float("inf"):
        raise QueryError(f"events: amount {given!r} is not an amount")
    return found


def relative_doses(doses: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """Doses over their mean; all alike where one is not known. A dose of nothing is none."""
    doses = [(day, size) for day, size in doses if size != 0.0]
    sizes = np.array([size for _, size in doses])
    if not len(sizes) or np.isnan(sizes).any():
        return [(day, 1.0) for day, _ in doses]
    return [(day, float(size / sizes.mean())) for day, size in doses]
