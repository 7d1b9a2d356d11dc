"""What is read of the frames that a season is made of; what is wrong with them, in one line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stream.columns import PLACE, PLACED_FLUXES
from stream.errors import QueryError
from stream.field.measured_days import measured_days
from stream.field.modelled import FieldDays, GasDays
from stream.field.series import standard_offset
from stream.science.flux.constants import ELEMENT_MASS
from stream.station import read_clock

Floats = NDArray[np.float64]

_FLUX: Final = "flux_nmol_m2_s"
_SE: Final = "flux_se_nmol_m2_s"
_NEEDED: Final = PLACED_FLUXES
_WORST_QUALITY: Final = 2
_WATER: Final = ("rain", "irrigation")


@dataclass(frozen=True, slots=True)
class Chamber:
    """A chamber's place in the field."""

    id: str
    plot: str
    block: str
    treatment: str
    position: str


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
        It is none.
    """
    try:
        found = pd.Timestamp(given).date()  # type: ignore[arg-type]
    except (ValueError, TypeError, AttributeError):
        found = None
    if found is None or found != found:
        raise QueryError(f"{what}: {given!r} is not a day; write 2026-06-01, or give a date")
    return found


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
    offset = standard_offset(zone, first.year)
    midnight = datetime.combine(first, datetime.min.time())
    return Span(first, (last - first).days + 1, midnight - offset)


def usable_rows(fluxes: pd.DataFrame) -> pd.DataFrame:
    """Rows with a flux that is good enough, sampled automatically; times as UTC.

    Raises
    ------
    QueryError
        A column is missing, or holds what it cannot; or no row is left.
    """
    missing = [c for c in _NEEDED if c not in fluxes.columns]
    if missing:
        raise QueryError(f"fluxes: no column {', '.join(missing)}; needed are {', '.join(_NEEDED)}")
    rows = fluxes.copy()
    for name in (_FLUX, _SE):
        rows[name] = _numbers(rows[name], f"fluxes: {name}")
    good = np.isfinite(rows[_FLUX].to_numpy(float))
    if "quality" in rows:
        good &= _numbers(rows["quality"], "fluxes: quality").to_numpy(float) <= _WORST_QUALITY
    if "sampling" in rows:
        good &= (rows["sampling"].fillna("automatic") != "manual").to_numpy(bool)
    rows = pd.DataFrame(rows.loc[good])
    if not len(rows):
        raise QueryError(
            "fluxes: no usable row: each lacks a flux, is of quality 3 or worse, or was sampled by"
            " hand"
        )
    for name in ("chamber", "treatment", "gas"):
        if rows[name].isna().any():
            raise QueryError(f"fluxes: {name} is missing in {int(rows[name].isna().sum())} rows")
    rows["mid_at"] = _moments(rows["mid_at"])
    return rows


def _numbers(column: pd.Series[Any], what: str) -> pd.Series[Any]:
    try:
        return pd.to_numeric(column)
    except (ValueError, TypeError) as error:
        raise QueryError(f"{what}: not a number: {error}") from None


def _moments(column: pd.Series[Any]) -> pd.Series[Any]:
    try:
        aware = getattr(pd.to_datetime(column.iloc[:1]).dt, "tz", None) is not None
        found = pd.to_datetime(column, utc=True)
    except (ValueError, TypeError) as error:
        first = str(error).splitlines()[0]
        raise QueryError(f"fluxes: mid_at is not a time: {first}") from None
    if not aware:
        raise QueryError(
            "fluxes: mid_at has no offset from UTC; write 2026-06-10T04:00Z, or localize it"
        )
    if found.isna().any():
        raise QueryError(f"fluxes: mid_at is missing in {int(found.isna().sum())} rows")
    return found


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


def gases_of(rows: pd.DataFrame, span: Span, positions: Mapping[str, float]) -> Iterator[GasDays]:
    """Daily fluxes of each gas.

    Raises
    ------
    QueryError
        A gas is not known, or a chamber stands in two places.
    """
    begin = pd.Timestamp(span.begin, tz="UTC")
    hours = (rows["mid_at"] - begin).dt.total_seconds().to_numpy() / 3600.0
    rows = rows.assign(hours=hours)
    known = {name: _place(str(name), mine) for name, mine in rows.groupby("chamber", sort=False)}
    astray = sorted({c.position for c in known.values()} - set(positions)) if positions else []
    if astray:
        raise QueryError(
            f"positions: no share of the area for {', '.join(map(repr, astray))}; give one, 0 if"
            " it stands for none"
        )
    for gas, mine in rows.groupby("gas", sort=False):
        if gas not in ELEMENT_MASS:
            raise QueryError(f"fluxes: gas {gas!r} is not known; one of {', '.join(ELEMENT_MASS)}")
        yield _gas_days(str(gas), mine, known, span.days)


def _place(name: str, rows: pd.DataFrame) -> Chamber:
    places = rows[list(PLACE)].fillna("").astype(str).drop_duplicates()
    if len(places) > 1:
        raise QueryError(
            f"fluxes: chamber {name} stands in {len(places)} places; one row's plot, block,"
            " treatment or position is unlike another's"
        )
    return Chamber(name, *places.iloc[0].tolist())


def _gas_days(gas: str, rows: pd.DataFrame, places: Mapping[Any, Chamber], days: int) -> GasDays:
    chambers, found, common = [], [], []
    for name, mine in rows.groupby("chamber", sort=False):
        mine = mine.sort_values("hours").drop_duplicates("hours")
        flux = mine[_FLUX].to_numpy(float)
        error = mine[_SE].fillna(0.0).to_numpy(float)
        own = error
        if "fit_se_nmol_m2_s" in mine:
            own = mine["fit_se_nmol_m2_s"].fillna(0.0).to_numpy(float)
        shared = np.sqrt(np.maximum(error**2 - own**2, 0.0)).mean()
        size = np.abs(flux).mean()
        chambers.append(places[name])
        found.append(measured_days(mine["hours"].to_numpy(float), flux, own, days))
        common.append(shared / size if size > 0 else 0.0)
    flux, se, coverage = (np.array(part) for part in zip(*found, strict=True))
    return GasDays(gas, tuple(chambers), flux, se, coverage, np.array(common))


def field_of(
    weather: pd.DataFrame, events: pd.DataFrame | None, treatments: list[str], span: Span
) -> FieldDays:
    """Rain, irrigation, warmth and fertilizer of each treatment.

    Raises
    ------
    QueryError
        A column is missing, or a day is none.
    """
    for name in ("rain_mm", "air_temperature_c"):
        if name not in weather.columns:
            raise QueryError(f"weather: no column {name}")
    index = [day_of(day, "weather: index") for day in weather.index]
    if len(set(index)) < len(index):
        raise QueryError("weather: a day stands twice in the index")
    first = min([*index, span.first])
    before = (span.first - first).days
    wanted = [first + timedelta(days=d) for d in range(before + span.days)]
    table = weather[["rain_mm", "air_temperature_c"]].set_axis(pd.Index(index)).reindex(wanted)
    rain = _numbers(table["rain_mm"], "weather: rain_mm").to_numpy(float)
    if (rain < 0).any():
        raise QueryError("weather: rain_mm is below zero")
    air = _numbers(table["air_temperature_c"], "weather: air_temperature_c").to_numpy(float)
    water = {t: np.nan_to_num(rain) for t in treatments}
    doses: dict[str, list[tuple[int, float]]] = {t: [] for t in treatments}
    for kind, day, amount, mine in _events(events, treatments, span):
        for treatment in mine:
            if kind == "fertilizer":
                doses[treatment].append((day, amount))
            elif amount == amount and 0 <= before + day < len(rain):
                # Of a day that a gauge tells of too, the larger counts.
                at, both = before + day, kind == "irrigation"
                known = water[treatment][at]
                water[treatment][at] = known + amount if both else max(known, amount)
    return FieldDays(water, air, {t: relative_doses(d) for t, d in doses.items()})


def _events(
    events: pd.DataFrame | None, treatments: list[str], span: Span
) -> Iterator[tuple[str, int, float, list[str]]]:
    """Kind, day of the season, amount or NaN, and treatments of fertilizer and water."""
    if events is None:
        return
    missing = [c for c in ("day", "kind", "treatment") if c not in events.columns]
    if missing:
        raise QueryError(f"events: no column {', '.join(missing)}")
    for row in events.to_dict("records"):
        if row["kind"] not in {"fertilizer", *_WATER}:
            continue
        whom = row["treatment"]
        everywhere = whom is None or whom != whom or whom == ""
        if not everywhere and str(whom) not in treatments:
            continue
        amount = row.get("amount")
        size = float("nan") if amount is None or amount != amount else float(amount)
        day = span.index(row["day"], "events: day")
        if day < span.days:
            yield str(row["kind"]), day, size, treatments if everywhere else [str(whom)]


def relative_doses(doses: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """Doses over their mean; all alike where one is not known."""
    sizes = np.array([size for _, size in doses])
    if not len(sizes) or np.isnan(sizes).any() or not sizes.mean() > 0:
        return [(day, 1.0) for day, _ in doses]
    return [(day, float(size / sizes.mean())) for day, size in doses]
