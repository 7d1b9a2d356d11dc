"""Results as rows for the store: closures, fluxes, model fits, and their digest."""

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
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
from stream.science.soil_storage import DOUBT
from stream.station import Chamber
from stream.store.changes import Result, Row

Floats = NDArray[np.float64]

_encode = msgspec.msgpack.Encoder(order="deterministic").encode
_NO_FLUX = {"few_points", "no_samples", "no_water", "no_calibration", "vials_waiting"}


@dataclass(frozen=True, slots=True)
class Event:
    """One closure of one chamber, as segmented.

    ``before`` is the chamber's closure before it: (closed, opened) [µs]; None where there
    was none within a day.
    """

    chamber: Chamber
    lid: LidClosure
    flags: frozenset[str]
    before: tuple[int, int] | None = None


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
    bias : ndarray or None
        Factor for gas stored in the soil, NaN where the soil is not known; None where no
        correction is asked for.
    """

    fits: dict[str, Fit]
    choice: Choice
    moles: Floats
    relative: Floats
    limit: Floats
    poor: NDArray[np.bool_]
    bias: Floats | None = None

    def flux_row(
        self, j: int, gas: str, event: Event, points: Points, closure_flags: frozenset[str]
    ) -> Row:
        """The flux row of closure ``j``."""
        choice, moles, relative = self.choice, float(self.moles[j]), float(self.relative[j])
        flags = set(closure_flags) | points.flags
        at = int(choice.chosen[j])
        usable = not flags & _NO_FLUX
        fit = self.fits[choice.models[at]] if at >= 0 and usable else None
        if usable and fit is None:
            flags.add("no_fit")
        factor = self._factor(j, flags) if fit else float("nan")
        times = 1.0 if math.isnan(factor) else factor
        relative = math.hypot(relative, DOUBT * (times - 1.0) / times)
        flux = float(choice.slope[j]) * moles * times if fit else float("nan")
        fit_error = float(choice.slope_se[j]) * moles * times if fit else float("nan")
        limit = float(self.limit[j]) * times if usable else float("nan")
        if fit and self.poor[j]:
            flags.add("poor_fit")
        if fit and abs(flux) < limit:
            flags.add("below_detection")
        reason = Reason(int(choice.reason[j])) if fit else Reason.NO_FIT
        return {
            "gas": gas,
            "mid_us": (event.lid.closed_us + points.stop_us) // 2,
            "flux_nmol_m2_s": flux,
            "flux_se_nmol_m2_s": math.hypot(fit_error, flux * relative),
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
            "noise_ratio": noise_ratio(fit, j) if fit else float("nan"),
            "calibration_gain": points.gain,
            "chamber_bias_factor": factor,
            "quality": quality(flags),
            "flags": words(flags),
        }

    def _factor(self, j: int, flags: set[str]) -> float:
        """The correction of closure ``j``, NaN for none; ``flags`` gains a word about it."""
        if self.bias is None:
            return float("nan")
        factor = float(self.bias[j])
        flags.add("bias_not_corrected" if math.isnan(factor) else "bias_corrected")
        return factor

    def model_rows(self, gas: str) -> list[list[Row]]:
        """For each closure the rows of all candidates."""
        rows: list[list[Row]] = [[] for _ in self.moles]
        for at, (name, fit) in enumerate(self.fits.items()):
            flux = fit.slope * self.moles
            criterion = self.choice.criterion[:, at]
            columns: dict[str, list[Any]] = {
                "status": [STATUS_WORDS[FitStatus(s)] for s in fit.status.tolist()],
                "flux_nmol_m2_s": flux.tolist(),
                "flux_se_nmol_m2_s": flux_se(
                    flux, fit.slope_se * self.moles, self.relative
                ).tolist(),
                "start_mole_fraction": fit.start.tolist(),
                "start_se": fit.start_se.tolist(),
                "slope_nmol_mol_s": fit.slope.tolist(),
                "slope_se_nmol_mol_s": fit.slope_se.tolist(),
                "curvature": fit.curvature.tolist(),
                "curvature_se": fit.curvature_se.tolist(),
                "rss": fit.rss.tolist(),
                "r_squared": fit.r_squared.tolist(),
                "criterion": np.where(np.isfinite(criterion), criterion, np.nan).tolist(),
                "noise_ratio": [noise_ratio(fit, j) for j in range(len(flux))],
            }
            for mine, cells in zip(rows, zip(*columns.values(), strict=True), strict=True):
                mine.append({"gas": gas, "model": name, **dict(zip(columns, cells, strict=True))})
        return rows


def _residual_sd(fit: Fit | None, j: int, points: Points) -> float:
    """Residual standard deviation [nmol mol⁻¹]; of visits, that of their weighted mean."""
    if fit is None:
        return float("nan")
    scale = float(np.mean(points.w)) if points.known_variance else 1.0
    return float(np.sqrt(fit.variance[j] / scale))


def noise_ratio(fit: Fit, j: int) -> float:
    """Long-run over plain residual variance of closure ``j``; NaN where nothing is left."""
    plain = float(fit.variance[j])
    return float(fit.long_run[j]) / plain if plain > 0 else float("nan")


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
    event: Event,
    near: Surroundings,
    water: float,
    children: Sequence[list[Row]],
    seal: set[str],
) -> Result:
    """The result of one closure, from its rows of fluxes, fits and visits, and from what
    its gases say together of the seal.
    """
    flags = event.flags | near.flags | seal
    row = _closure_row(event, near, water, words(flags), quality(flags))
    tables = dict(zip(("fluxes", "model_fits", "visits"), children, strict=True))
    return Result("closures", _identity(event), row, digest_of(row, tables), tables)


def digest_of(row: Row, children: dict[str, list[Row]] | None = None) -> str:
    """Digest of a result's content: equal exactly when every stored number is."""
    content = _encode((row, children or {}))
    return hashlib.blake2b(content, digest_size=16).hexdigest()
