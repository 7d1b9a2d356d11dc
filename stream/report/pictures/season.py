"""The figures of a season report."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from numpy.typing import NDArray

from stream.field.days import TreatmentDays
from stream.field.season import GasSeason, SeasonTotals
from stream.field.series import Calendar, FluxSeries
from stream.note_kinds import EVENTS
from stream.report.pictures.style import BLUE, GREY, OCHRE, picture
from stream.science.field.daily import diel_course
from stream.station import Station
from stream.times import DAY

Floats = NDArray[np.float64]

LOOKS: Final = (
    (BLUE, "-", "o"),
    (OCHRE, "--", "s"),
    ("black", ":", "^"),
    ("#5f3a8c", "-.", "D"),
    (GREY, "-", "v"),
)
"""Colour, dash and mark: told apart without colour too."""
_MARKS: Final = {kind.name: kind.mark for kind in EVENTS}


def _dates(days: Calendar) -> NDArray[np.datetime64]:
    return np.datetime64(days.first) + np.arange(days.days)


def _plain_dates(axis: Axes) -> None:
    """As many dates as fit, written short."""
    where = AutoDateLocator(minticks=3, maxticks=8)  # type: ignore[no-untyped-call]
    axis.xaxis.set_major_locator(where)
    axis.xaxis.set_major_formatter(ConciseDateFormatter(where))  # type: ignore[no-untyped-call]


def _events(axis: Axes, station: Station, days: Calendar) -> None:
    """A line and a letter a day with events."""
    by_day: dict[int, set[str]] = {}
    for event in station.events:
        d = days.index(event.day)
        if 0 <= d < days.days:
            by_day.setdefault(d, set()).add(_MARKS.get(event.kind, "·"))
    for d, letters in by_day.items():
        axis.axvline(_dates(days)[d], color=GREY, lw=0.6, ls=":")
        axis.annotate(
            "".join(sorted(letters)), (_dates(days)[d], 1.0), xycoords=("data", "axes fraction"),
            ha="center", va="bottom", fontsize=7, color="black",
        )  # fmt: skip


def draw_series(
    path: Path, station: Station, days: Calendar, treatments: Sequence[TreatmentDays]
) -> None:
    """Daily means by treatment with the standard error of the replicates, a panel a gas."""
    gases = list(dict.fromkeys(t.gas for t in treatments))
    with picture(path, len(gases), 1, 7.2, 2.3 * len(gases)) as axes:
        for axis, gas in zip(axes, gases, strict=True):
            for (colour, dash, _), t in zip(LOOKS, _of(treatments, gas), strict=False):
                axis.plot(_dates(days), t.flux, dash, color=colour, lw=1.2, label=t.treatment)
                axis.fill_between(
                    _dates(days), t.flux - t.se, t.flux + t.se, color=colour, alpha=0.2, lw=0
                )
            axis.axhline(0.0, color="black", lw=0.5)
            axis.set_ylabel(f"{gas}\nnmol m⁻² s⁻¹")
            _plain_dates(axis)
            _events(axis, station, days)
        axes[0].legend(fontsize=8)


def _of(treatments: Sequence[TreatmentDays], gas: str) -> list[TreatmentDays]:
    return [t for t in treatments if t.gas == gas]


def draw_cumulative(path: Path, station: Station, totals: SeasonTotals) -> None:
    """Cumulative emission of treatments; bands are the range of their plots."""
    with picture(path, len(totals.gases), 1, 7.2, 2.3 * len(totals.gases)) as axes:
        for axis, g in zip(axes, totals.gases, strict=True):
            for (colour, dash, _), t in zip(LOOKS, g.treatments, strict=False):
                if t.missing:
                    continue
                table = np.array([p.cumulative for p in t.plots])
                mean = t.cumulative
                low, high = table.min(axis=0), table.max(axis=0)
                axis.plot(_dates(totals.days), mean, dash, color=colour, lw=1.4, label=t.treatment)
                axis.fill_between(_dates(totals.days), low, high, color=colour, alpha=0.18, lw=0)
                below, above = t.total.value - t.total.low, t.total.high - t.total.value
                axis.errorbar(
                    _dates(totals.days)[-1:], [t.total.value],
                    [[max(0.0, below)], [max(0.0, above)]], color=colour, capsize=3, lw=1.2,
                )  # fmt: skip
            axis.set_ylabel(f"{g.gas}\nkg ha⁻¹ as the element")
            _plain_dates(axis)
            _events(axis, station, totals.days)
        axes[0].legend(fontsize=8)


def draw_diel(path: Path, station: Station, totals: SeasonTotals) -> None:
    """Course over the hours of the day, over the daily mean; a panel a gas."""
    gases = [g.gas for g in totals.gases]
    with picture(path, 1, len(gases), 7.2, 2.4) as axes:
        for axis, gas in zip(axes, gases, strict=True):
            names = list(dict.fromkeys(s.chamber.treatment for s in totals.series))
            for (colour, dash, mark), name in zip(LOOKS, names, strict=False):
                courses = [
                    c
                    for s in totals.series
                    if s.gas == gas and s.chamber.treatment == name
                    and (c := diel_course(s.t_h, s.flux, max_gap_h=station.field.max_gap_h))
                    is not None
                ]  # fmt: skip
                if courses:
                    axis.plot(
                        np.arange(24) + 0.5, np.median(courses, axis=0), dash, color=colour,
                        marker=mark, ms=2.5, lw=1.1, label=name,
                    )  # fmt: skip
            axis.axhline(1.0, color="black", lw=0.5)
            axis.set_xticks([0, 6, 12, 18, 24])
            axis.set_xlabel("hour at the station")
            axis.set_title(gas)
        axes[0].set_ylabel("over the daily mean")
        fullest = max(axes, key=lambda a: len(a.get_legend_handles_labels()[0]))
        if fullest.get_legend_handles_labels()[0]:
            fullest.legend(fontsize=7)


def draw_coverage(path: Path, gas: GasSeason, days: Calendar) -> None:
    """What was measured, a row a chamber; white is a gap."""
    rows = len(gas.filled.slots)
    table = np.array([~np.isnan(s.flux) for s in gas.filled.slots], dtype=float)
    with picture(path, 1, 1, 7.2, 0.9 + 0.18 * rows) as (axis,):
        axis.imshow(
            table, aspect="auto", interpolation="nearest", cmap="Greys", vmin=0.0, vmax=1.6,
            extent=(0, days.days, rows, 0),
        )  # fmt: skip
        axis.set_yticks(np.arange(rows) + 0.5, [s.series.chamber.id for s in gas.filled.slots])
        axis.tick_params(axis="y", labelsize=7)
        axis.set_xlabel(f"days from {days.first}")
        axis.set_title(f"{gas.gas}: measured (dark) and filled (white)")


def draw_flags(path: Path, counts: Mapping[str, Floats], days: Calendar) -> None:
    """How many fluxes bore each flag, day by day; the ten most frequent."""
    most = sorted(counts, key=lambda f: -float(counts[f].sum()))[:10]
    rows = max(1, len(most))
    with picture(path, 1, 1, 7.2, 0.9 + 0.24 * rows) as (axis,):
        for i, name in enumerate(most):
            seen = np.flatnonzero(counts[name])
            size = 4.0 + 24.0 * counts[name][seen] / max(1.0, float(counts[name].max()))
            axis.scatter(seen + 0.5, np.full(len(seen), i), s=size, color=BLUE, marker="s", lw=0)
        axis.set_yticks(range(len(most)), [f"{f} ({int(counts[f].sum())})" for f in most])
        axis.tick_params(axis="y", labelsize=7)
        axis.set_xlim(0, days.days)
        axis.set_ylim(rows - 0.4, -0.6)
        axis.set_xlabel(f"days from {days.first}")


def flag_counts(rows: Sequence[tuple[int, str]], days: Calendar) -> dict[str, Floats]:
    """Flag → fluxes a day, from (middle [µs], words)."""
    found: dict[str, Floats] = {}
    for at, words in rows:
        day = (at - days.start_us) // DAY
        if 0 <= day < days.days:
            for word in words.split():
                found.setdefault(word, np.zeros(days.days))[day] += 1
    return found


def measured(series: Sequence[FluxSeries]) -> int:
    """How many fluxes a season rests on."""
    return sum(len(s.t_h) for s in series)
