"""Results as rows for the store: closures, fluxes, model fits, and their digest."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stream.pipeline.headspace import NOWHERE, Surroundings
from stream.pipeline.points import Points
from stream.records import SECOND
from stream.science.choice import REASON_WORDS, Choice, Reason
from stream.science.constants import ZERO_CELSIUS_K
from stream.science.flags import quality, words
from stream.science.flux import flux_se
from stream.science.lid import LidClosure
from stream.science.models import STATUS_WORDS, Fit, FitStatus
from stream.station import Chamber
from stream.store.changes import Result, Row

Floats = NDArray[np.float64]

_NO_FLUX = {"few_points", "no_samples", "no_water"}


@dataclass(frozen=True, slots=True)
class Event:
    """One closure of one chamber, as segmented."""

    chamber: Chamber
    lid: LidClosure
    flags: frozenset[str]


def unfinished(event: Event, gases: Sequence[str]) -> Result:
    """The provisional row of a closure that is not over."""
    flags = words(event.flags | {"unfinished"})
    level = quality(flags.split())
    row = _closure_row(event, NOWHERE, float("nan"), flags, level)
    fluxes = [
        {
            "gas": gas,
            "mid_us": (event.lid.closed_us + event.lid.opened_us) // 2,
            "model": "",
            "model_reason": "",
            "points": 0,
            "quality": level,
            "flags": flags,
        }
        for gas in gases
    ]
    return Result("closures", _identity(event), row, "unfinished", {"fluxes": fluxes})


@dataclass(frozen=True, slots=True)
class Outcome:
    """Fits of m closures and what follows from them, not yet in rows; arrays of shape (m,).

    Attributes
    ----------
    fits : dict of str to Fit
        The candidates.
    choice : Choice
        Between them.
    moles, relative : ndarray
        Dry air over a square metre [mol m⁻²], and the relative error of that.
    limit : ndarray
        Detection limit [nmol m⁻² s⁻¹].
    poor : ndarray of bool
        Whether the points scatter far more than the analyzer does.
    """

    fits: dict[str, Fit]
    choice: Choice
    moles: Floats
    relative: Floats
    limit: Floats
    poor: NDArray[np.bool_]

    def rows(
        self, j: int, gas: str, event: Event, points: Points, closure_flags: frozenset[str]
    ) -> tuple[Row, list[Row]]:
        """The flux row and the model rows of closure ``j``."""
        choice, moles, relative = self.choice, float(self.moles[j]), float(self.relative[j])
        flags = set(closure_flags) | points.flags
        at = int(choice.chosen[j])
        usable = not flags & _NO_FLUX
        fit = self.fits[choice.models[at]] if at >= 0 and usable else None
        if usable and fit is None:
            flags.add("no_fit")
        flux = float(choice.slope[j]) * moles if fit else float("nan")
        fit_error = float(choice.slope_se[j]) * moles if fit else float("nan")
        limit = float(self.limit[j]) if usable else float("nan")
        if fit and self.poor[j]:
            flags.add("poor_fit")
        if fit and abs(flux) < limit:
            flags.add("below_detection")
        reason = Reason(int(choice.reason[j])) if fit else Reason.NO_FIT
        row: dict[str, Any] = {
            "gas": gas,
            "mid_us": (event.lid.closed_us + points.stop_us) // 2,
            "flux_nmol_m2_s": flux,
            "flux_se_nmol_m2_s": float(flux_se(flux, fit_error, relative)),
            "fit_se_nmol_m2_s": fit_error,
            "detection_limit_nmol_m2_s": limit,
            "model": fit.model if fit else "",
            "model_reason": REASON_WORDS[reason],
            "points": len(points.t),
            "window_start_s": float(points.t[0]) if len(points.t) else float("nan"),
            "window_end_s": float(points.t[-1]) if len(points.t) else float("nan"),
            "start_mole_fraction": float(fit.start[j]) if fit else float("nan"),
            "r_squared": float(fit.r_squared[j]) if fit else float("nan"),
            "slope_nmol_mol_s": float(choice.slope[j]) if fit else float("nan"),
            "residual_sd_nmol_mol": _residual_sd(fit, j, points),
            "noise_ratio": _ratio(fit, j),
            "quality": quality(flags),
            "flags": words(flags),
        }
        models = [
            self._model_row(j, gas, name, one, moles, relative) for name, one in self.fits.items()
        ]
        return row, models

    def _model_row(
        self, j: int, gas: str, name: str, fit: Fit, moles: float, relative: float
    ) -> Row:
        flux = float(fit.slope[j]) * moles
        error = float(flux_se(flux, float(fit.slope_se[j]) * moles, relative))
        criterion = float(self.choice.criterion[j, self.choice.models.index(name)])
        return {
            "gas": gas,
            "model": name,
            "status": STATUS_WORDS[FitStatus(int(fit.status[j]))],
            "flux_nmol_m2_s": flux,
            "flux_se_nmol_m2_s": error,
            "start_mole_fraction": float(fit.start[j]),
            "start_se": float(fit.start_se[j]),
            "slope_nmol_mol_s": float(fit.slope[j]),
            "slope_se_nmol_mol_s": float(fit.slope_se[j]),
            "curvature": float(fit.curvature[j]),
            "curvature_se": float(fit.curvature_se[j]),
            "rss": float(fit.rss[j]),
            "r_squared": float(fit.r_squared[j]),
            "criterion": criterion if np.isfinite(criterion) else float("nan"),
            "noise_ratio": _ratio(fit, j),
        }


def _residual_sd(fit: Fit | None, j: int, points: Points) -> float:
    """Residual standard deviation [nmol mol⁻¹]; of visits, that of their weighted mean."""
    if fit is None:
        return float("nan")
    scale = float(np.mean(points.w)) if points.known_variance else 1.0
    return float(np.sqrt(fit.variance[j] / scale))


def _ratio(fit: Fit | None, j: int) -> float:
    """Long-run over plain residual variance; 1 where the variances are known."""
    if fit is None or not fit.variance[j] > 0:
        return float("nan")
    return float(fit.long_run[j] / fit.variance[j])


def _identity(event: Event) -> tuple[str, int]:
    return event.chamber.id, event.lid.closed_us


def _closure_row(
    event: Event, near: Surroundings, water: float, flags: str, level: int
) -> dict[str, Any]:
    chamber, lid = event.chamber, event.lid
    return {
        "opened_us": lid.opened_us,
        "analyzer": chamber.analyzer,
        "plot": chamber.plot,
        "block": chamber.block,
        "treatment": chamber.treatment,
        "position": chamber.position,
        "height_m": near.height_m,
        "volume_m3": chamber.area_m2 * near.height_m + chamber.extra_volume_m3,
        "area_m2": chamber.area_m2,
        "air_temperature_c": near.air_temperature_c,
        "pressure_pa": near.pressure_pa,
        "soil_temperature_c": near.soil_temperature_k - ZERO_CELSIUS_K,
        "soil_moisture_m3_m3": near.soil_moisture,
        "wfps": near.wfps,
        "water_mol_mol": water,
        "close_gap_s": lid.close_gap_us / SECOND,
        "open_gap_s": lid.open_gap_us / SECOND,
        "moving_s": lid.moving_us / SECOND,
        "bounces": lid.bounces,
        "quality": level,
        "flags": flags,
    }


def closure_result(
    event: Event, near: Surroundings, water: float, children: Sequence[list[Row]]
) -> Result:
    flags = event.flags | near.flags
    row = _closure_row(event, near, water, words(flags), quality(flags))
    tables = dict(zip(("fluxes", "model_fits", "visits"), children, strict=True))
    return Result("closures", _identity(event), row, digest_of(row, tables), tables)


def digest_of(row: Row, children: dict[str, list[Row]] | None = None) -> str:
    """Digest of a result's content: equal exactly when every stored number is."""
    content = repr((sorted(row.items()), sorted((children or {}).items())))
    return hashlib.blake2b(content.encode(), digest_size=16).hexdigest()
