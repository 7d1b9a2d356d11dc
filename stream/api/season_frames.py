"""What is read of the frames that a season is made of; what is wrong with them, in one line."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from stream.api.season_days import Span, frame_of, name_of, numbers
from stream.columns import PLACE, PLACED_FLUXES
from stream.errors import QueryError
from stream.field.measured_days import measured_days
from stream.field.modelled import GasDays
from stream.science.flux.constants import ELEMENT_MASS

Floats = NDArray[np.float64]

_FLUX: Final = "flux_nmol_m2_s"
_SE: Final = "flux_se_nmol_m2_s"
_NEEDED: Final = PLACED_FLUXES
_WORST_QUALITY: Final = 2
_OFFSET: Final = re.compile(r"(Z|[+-]\d{2}:?\d{2})$")
_MOST_FLUX: Final = 1e7
_NO_VALUE: Final = {-99999.0, -9999.0, -999.0}
"""Numbers that people write where there is none."""


@dataclass(frozen=True, slots=True)
class Chamber:
    """A chamber's place in the field."""

    id: str
    plot: str
    block: str
    treatment: str
    position: str


def usable_rows(fluxes: pd.DataFrame) -> pd.DataFrame:
    """Rows with a flux that is good enough, sampled automatically; times as UTC.

    Raises
    ------
    QueryError
        A column is missing, or holds what it cannot; or no row is left.
    """
    frame_of(fluxes, "fluxes")
    missing = [c for c in _NEEDED if c not in fluxes.columns]
    if missing:
        raise QueryError(f"fluxes: no column {', '.join(missing)}; needed are {', '.join(_NEEDED)}")
    rows = fluxes.copy()
    for name in (_FLUX, _SE):
        rows[name] = numbers(rows[name], f"fluxes: {name}")
    good = np.isfinite(rows[_FLUX].to_numpy(float))
    if "quality" in rows:
        good &= numbers(rows["quality"], "fluxes: quality").to_numpy(float) <= _WORST_QUALITY
    if "sampling" in rows:
        good &= (rows["sampling"].fillna("automatic") != "manual").to_numpy(bool)
    rows = pd.DataFrame(rows.loc[good])
    if not len(rows):
        raise QueryError(
            "fluxes: no usable row: each lacks a flux, is of quality 3 or worse, or was sampled by"
            " hand"
        )
    for name in ("chamber", "treatment", "gas"):
        empty = int(rows[name].isna().sum())
        if empty:
            raise QueryError(
                f"fluxes: {name} is missing in {empty} row{'s' * (empty > 1)} (pandas reads None as"
                " missing; keep_default_na=False keeps it)"
            )
    for name in ("chamber", *PLACE, "gas"):
        rows[name] = [name_of(value) for value in rows[name]]
    _check_numbers(rows)
    rows["mid_at"] = _moments(rows["mid_at"])
    return _without_repeats(rows.sort_values(["chamber", "gas", "mid_at"]))


def _check_numbers(rows: pd.DataFrame) -> None:
    flux = rows[_FLUX].to_numpy(float)
    marks = _NO_VALUE & set(flux.tolist())
    if marks:
        raise QueryError(f"fluxes: {_FLUX} is {min(marks):g}, a mark for no value; leave it empty")
    if (np.abs(flux) > _MOST_FLUX).any():
        raise QueryError(f"fluxes: {_FLUX} is {flux[np.abs(flux).argmax()]:g}, which no soil gives")
    se = rows[_SE].to_numpy(float)
    if (se < 0).any() or np.isinf(se).any():
        raise QueryError(f"fluxes: {_SE} is below zero or infinite; leave it empty if unknown")


def _without_repeats(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows that stand twice once.

    Raises
    ------
    QueryError
        Two of one chamber, gas and time have different fluxes.
    """
    rows = rows.drop_duplicates(["chamber", "gas", "mid_at", _FLUX])
    again = rows[rows.duplicated(["chamber", "gas", "mid_at"])]
    if len(again):
        r = again.iloc[0]
        raise QueryError(
            f"fluxes: two {r['gas']} fluxes of chamber {r['chamber']} at"
            f" {r['mid_at']:%Y-%m-%dT%H:%MZ}, and {len(again) - 1} more such pairs; keep one, such"
            " as the newest revision"
        )
    return rows


def _moments(column: pd.Series[Any]) -> pd.Series[Any]:
    zone = getattr(getattr(column, "dt", None), "tz", None)
    if zone is None:
        bare = [v for v in column if not (isinstance(v, str) and _OFFSET.search(v.strip()))]
        bare = [v for v in bare if getattr(v, "tzinfo", None) is None]
        if bare:
            raise QueryError(
                f"fluxes: mid_at {str(bare[0])!r} has no offset from UTC; write 2026-06-10T04:00Z,"
                " or localize the column"
            )
        text = isinstance(column.iloc[0], str)
        try:
            column = pd.to_datetime(column, utc=True, format="ISO8601" if text else None)
        except (ValueError, TypeError):
            raise QueryError(
                "fluxes: mid_at is not a time in every row; write 2026-06-10T04:00Z"
            ) from None
    found = pd.to_datetime(column, utc=True)
    if found.isna().any():
        raise QueryError(f"fluxes: mid_at is missing in {int(found.isna().sum())} rows")
    return found


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
    _check_plots(known)
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
    places = rows[list(PLACE)].drop_duplicates()
    if len(places) > 1:
        a, b = (", ".join(map(repr, row)) for row in places.iloc[:2].to_numpy().tolist())
        raise QueryError(
            f"fluxes: chamber {name} stands in {len(places)} places ({', '.join(PLACE)}): {a}; {b}"
        )
    return Chamber(name, *places.iloc[0].tolist())


def _check_plots(chambers: Mapping[Any, Chamber]) -> None:
    """A plot has one treatment and stands in one block."""
    known: dict[str, Chamber] = {}
    for c in chambers.values():
        other = known.setdefault(c.plot, c)
        if (c.block, c.treatment) != (other.block, other.treatment):
            raise QueryError(
                f"fluxes: plot {c.plot!r} has chambers in block {other.block!r}, treatment"
                f" {other.treatment!r} and in block {c.block!r}, treatment {c.treatment!r}; give"
                " each plot a name of its own"
            )


def _gas_days(gas: str, rows: pd.DataFrame, places: Mapping[Any, Chamber], days: int) -> GasDays:
    chambers, found, common = [], [], []
    for name, mine in rows.groupby("chamber", sort=False):
        flux = mine[_FLUX].to_numpy(float)
        error = mine[_SE].fillna(0.0).to_numpy(float)
        own = error
        if "fit_se_nmol_m2_s" in mine:
            own = mine["fit_se_nmol_m2_s"].fillna(0.0).to_numpy(float)
        shared = np.sqrt(np.maximum(error**2 - own**2, 0.0)).mean()
        size = np.abs(flux).mean()
        chambers.append(places[name])
        hours = mine["hours"].to_numpy(float)
        found.append(measured_days(hours, flux, own, days, longest_gap_h(hours)))
        common.append(shared / size if size > 0 else 0.0)
    flux, se, coverage = (np.array(part) for part in zip(*found, strict=True))
    return GasDays(gas, tuple(chambers), flux, se, coverage, np.array(common))


def longest_gap_h(hours: Floats) -> float:
    """Fluxes further apart are not joined: eight hours, or more than usual where a chamber closes
    once or twice a day [h].
    """
    usual = float(np.median(np.diff(hours))) if len(hours) > 1 else 0.0
    return min(max(8.0, 1.6 * usual), 40.0)
