"""Fluxes of samples taken by hand beside those of the automatic chambers on the same place."""

import csv
import io
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from stream.errors import CommandError
from stream.field.series import flux_cells
from stream.files import write_whole
from stream.report.pictures.style import BLUE, GREY, OCHRE, picture
from stream.science.field.agreement import Agreement, agreement, value_at
from stream.science.quality.flags import GOOD, NOT_EVALUATED
from stream.station import StationFile
from stream.store import open_existing
from stream.store.results.flux_columns import FluxColumns
from stream.store.results.readers import Period
from stream.times import DAY, rfc3339

Floats = NDArray[np.float64]
_USED: Final = {GOOD, NOT_EVALUATED}
UNIT: Final = "nmol m⁻² s⁻¹"


@dataclass(frozen=True, slots=True)
class Pair:
    """One flux by hand, and what the automatic chambers of its place had at that time."""

    chamber: str
    beside: tuple[str, ...]
    mid_us: int
    hand: float
    hand_se: float
    automatic: float
    automatic_se: float


@dataclass(frozen=True, slots=True)
class Compared:
    """One gas: its pairs, how far they agree, and where they are written."""

    gas: str
    pairs: tuple[Pair, ...]
    agreement: Agreement
    days: int
    table: Path
    picture: Path

    def sentence(self) -> str:
        """For people."""
        a = self.agreement
        verdict = "differ" if a.p_paired_t < 0.05 else "do not differ beyond chance"
        return (
            f"{self.gas}: {a.pairs} pairs on {self.days} days; hand less automatic"
            f" {a.difference:+.3g} ({a.low:+.3g} to {a.high:+.3g}) {UNIT}, ratio {a.ratio:.3f}:"
            f" they {verdict} (paired t p = {a.p_paired_t:.3f}, signed ranks"
            f" p = {a.p_signed_rank:.3f}); single pairs {a.limits[0]:+.3g} to {a.limits[1]:+.3g}"
        )


def compare(
    file: StationFile,
    url: str,
    out: Path,
    *,
    within_h: float,
    first: int | None = None,
    stop: int | None = None,
    gases: Sequence[str] = (),
) -> list[Compared]:
    """Pair fluxes by place and time, compare, and draw.

    A hand chamber's place is its plot and position; the automatic chambers there are
    averaged, each between its closures before and after. Only fluxes that no flag calls
    suspect or worse take part.

    Raises
    ------
    CommandError
        There is nothing to compare, and why.
    """
    station = file.station
    by_hand = {c.id for c in station.chambers if station.analyzer(c.analyzer).sampling == "vials"}
    if not by_hand:
        raise CommandError("no chamber of the station file is sampled by hand: nothing to compare")
    place = {c.id: (c.plot, c.position) for c in station.chambers}
    with closing(open_existing(url)) as store:
        stored = FluxColumns(store, station.id, file.archive)
        cells = flux_cells(stored, Period.between(first, stop), gases)
    rows = [
        r
        for table in cells.values()
        for r in table.sort_by([("gas", "ascending"), ("closed_us", "ascending")]).to_pylist()
        if r["quality"] in _USED and r["flux_nmol_m2_s"] is not None
    ]
    found = []
    for gas in sorted({r["gas"] for r in rows if r["chamber"] in by_hand}):
        series = _series([r for r in rows if r["gas"] == gas])
        pairs = _pairs(series, by_hand, place, within_h)
        if len(pairs) < 3:
            continue
        paired = _columns(pairs)
        out_table, picture = out / f"hand-automatic-{gas}.csv", out / f"hand-automatic-{gas}.png"
        result = Compared(
            gas=gas,
            pairs=tuple(pairs),
            agreement=agreement(
                paired["automatic"], paired["hand"], paired["automatic_se"], paired["hand_se"]
            ),
            days=len({p.mid_us // DAY for p in pairs}),
            table=out_table,
            picture=picture,
        )
        write_whole(out_table, _text(result))
        _draw(result, series, by_hand, picture)
        found.append(result)
    if not found:
        raise CommandError(
            f"fewer than three good fluxes by hand have an automatic chamber on the same plot and"
            f" position within {within_h:g} h: nothing to compare; see the flags of both"
        )
    return found


_Series = Mapping[str, tuple[Floats, Floats, Floats]]
"""Chamber → times [h], fluxes, standard errors, in order of time."""


def _series(rows: Sequence[Mapping[str, Any]]) -> _Series:
    found: dict[str, list[tuple[float, float, float]]] = {}
    for r in sorted(rows, key=lambda r: (r["chamber"], r["mid_us"])):
        row = (r["mid_us"] / 3600e6, r["flux_nmol_m2_s"], r["flux_se_nmol_m2_s"])
        found.setdefault(r["chamber"], []).append(row)
    return {c: tuple(np.array(v).T) for c, v in found.items()}


def _pairs(
    series: _Series, by_hand: set[str], place: Mapping[str, tuple[str, str]], within_h: float
) -> list[Pair]:
    pairs = []
    for chamber in sorted(by_hand & set(series)):
        beside = [c for c in series if c not in by_hand and place[c] == place[chamber]]
        for when, flux, error in zip(*series[chamber], strict=True):
            near = {c: value_at(float(when), *series[c], within_h) for c in beside}
            there = {c: v for c, v in near.items() if v is not None}
            if not there:
                continue
            values = np.array(list(there.values()))
            pairs.append(
                Pair(
                    chamber=chamber,
                    beside=tuple(there),
                    mid_us=round(float(when) * 3600e6),
                    hand=float(flux),
                    hand_se=float(error),
                    automatic=float(values[:, 0].mean()),
                    automatic_se=float(np.sqrt(np.sum(values[:, 1] ** 2)) / len(values)),
                )
            )
    return pairs


def _columns(pairs: Sequence[Pair]) -> dict[str, Floats]:
    names = ("hand", "hand_se", "automatic", "automatic_se")
    return {n: np.array([getattr(p, n) for p in pairs]) for n in names}


def _text(result: Compared) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        ("chamber", "beside", "mid_at", "hand_nmol_m2_s", "hand_se_nmol_m2_s",
         "automatic_nmol_m2_s", "automatic_se_nmol_m2_s")
    )  # fmt: skip
    for p in result.pairs:
        numbers = (p.hand, p.hand_se, p.automatic, p.automatic_se)
        writer.writerow(
            [p.chamber, " ".join(p.beside), rfc3339(p.mid_us), *(repr(n) for n in numbers)]
        )
    return out.getvalue()


def _draw(result: Compared, series: _Series, by_hand: set[str], path: Path) -> None:
    """Both over time; one against the other; the difference against the mean."""
    with picture(path, 3, 1, 6.4, 9.6) as (over_time, against, apart):
        shown = {c for p in result.pairs for c in (p.chamber, *p.beside)}
        for chamber in sorted(shown):
            hours, flux, error = series[chamber]
            when = np.rint(hours * 3600e6).astype("datetime64[us]")
            if chamber in by_hand:
                over_time.errorbar(
                    when, flux, 1.96 * error, fmt="o", ms=5, mfc="white", mec=OCHRE, ecolor=OCHRE,
                    lw=1, zorder=3,
                )  # fmt: skip
            else:
                over_time.plot(when, flux, "-", color=BLUE, lw=0.8, alpha=0.8)
        over_time.plot([], [], "-", color=BLUE, label="automatic, a line a chamber")
        over_time.plot([], [], "o", mfc="white", mec=OCHRE, label="by hand, 95 %")
        over_time.legend(loc="upper right")
        over_time.set_ylabel(f"{result.gas} flux, {UNIT}")
        over_time.set_title("Over time (UTC)")
        over_time.tick_params(axis="x", rotation=20)
        v = _columns(result.pairs)
        against.errorbar(
            v["automatic"], v["hand"], 1.96 * v["hand_se"], 1.96 * v["automatic_se"],
            fmt="o", ms=4, mfc="white", mec=OCHRE, ecolor=GREY, lw=0.8,
        )  # fmt: skip
        low = min(v["automatic"].min(), v["hand"].min(), 0.0)
        high = max(v["automatic"].max(), v["hand"].max())
        ends = np.array([low, high])
        a = result.agreement
        against.plot(ends, ends, "-", color="black", lw=1, label="the same")
        against.plot(
            ends, a.intercept + a.slope * ends, "--", color=BLUE, lw=1.2,
            label=f"errors in both: {a.intercept:+.2g} + {a.slope:.2f} × automatic",
        )  # fmt: skip
        against.set_xlabel(f"automatic, {UNIT}")
        against.set_ylabel(f"by hand, {UNIT}")
        against.set_title(f"{a.pairs} pairs on {result.days} days")
        against.legend(loc="upper left")
        mean = (v["hand"] + v["automatic"]) / 2
        apart.plot(mean, v["hand"] - v["automatic"], "o", ms=4, mfc="white", mec=OCHRE)
        apart.axhline(0.0, color="black", lw=1)
        apart.axhline(a.difference, color=BLUE, lw=1.4, label=f"mean {a.difference:+.2g}")
        apart.axhspan(a.low, a.high, color=BLUE, alpha=0.18, lw=0, label="its 95 % interval")
        for limit in a.limits:
            apart.axhline(limit, color=GREY, lw=1, ls="--")
        apart.plot([], [], "--", color=GREY, label="95 % of single pairs")
        apart.set_xlabel(f"mean of both, {UNIT}")
        apart.set_ylabel(f"hand less automatic, {UNIT}")
        apart.set_title(f"Paired t p = {a.p_paired_t:.3f}, signed ranks p = {a.p_signed_rank:.3f}")
        apart.legend(loc="best")
