"""Daily fluxes over what may drive them."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from stream.columns import COLUMNS, DRIVERS
from stream.field.days import ChamberDays
from stream.field.drivers import drivers_of
from stream.field.series import Calendar
from stream.report.pictures.season import LOOKS
from stream.report.pictures.style import picture
from stream.station import Station

_LEFT_OUT: Final = {"wfps", "rain_mm"}
"""Drivers without a panel: others beside them say as much."""


def draw_drivers(
    path: Path,
    station: Station,
    chambers: Sequence[ChamberDays],
    days: Calendar,
    rain: Mapping[int, float],
) -> bool:
    """A panel a gas and driver; each dot a chamber and day, over the chamber's mean.

    Drivers that nobody recorded have no panel; returns whether there was any.

    Raises
    ------
    LidstreamError
        The path cannot be written.
    """
    gases = list(dict.fromkeys(c.series.gas for c in chambers))
    treatments = list(dict.fromkeys(c.series.chamber.treatment for c in chambers))
    beside = [drivers_of(station, c.series, days, rain) for c in chambers]
    shown = [
        n for n in DRIVERS if n not in _LEFT_OUT and any(not np.isnan(b[n]).all() for b in beside)
    ]
    if not shown:
        return False
    with picture(path, len(gases), len(shown), 7.2, 1.9 * len(gases) + 0.3) as axes:
        for i, axis in enumerate(axes):
            gas, name = gases[i // len(shown)], shown[i % len(shown)]
            for (colour, _, mark), treatment in zip(LOOKS, treatments, strict=False):
                x, y = [], []
                for c, found in zip(chambers, beside, strict=True):
                    if (c.series.gas, c.series.chamber.treatment) != (gas, treatment):
                        continue
                    values = found[name]
                    use = ~np.isnan(values) & ~np.isnan(c.days.flux)
                    if use.any():
                        mean = abs(float(np.mean(c.days.flux[use]))) or 1.0
                        x.append(values[use])
                        y.append(c.days.flux[use] / mean)
                if x:
                    axis.plot(
                        np.concatenate(x), np.concatenate(y), mark, color=colour, ms=2, mfc="none",
                        mew=0.6, alpha=0.7, label=treatment,
                    )  # fmt: skip
            if i % len(shown) == 0:
                axis.set_ylabel(f"{gas} over its mean")
            if i // len(shown) == len(gases) - 1:
                axis.set_xlabel(COLUMNS[name].heading)
            axis.tick_params(labelsize=7)
        if axes[0].get_legend_handles_labels()[0]:
            axes[0].legend(fontsize=6)
    return True
