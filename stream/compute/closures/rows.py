"""Results as rows for the store: closures, fluxes, model fits, and their digest."""

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import repeat
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.headspace import NOWHERE, HeadspaceConditions
from stream.compute.closures.points import Points
from stream.science.closures.lid import LidClosure
from stream.science.flux.constants import ZERO_CELSIUS_K
from stream.science.flux.flux import flux_se
from stream.science.flux.soil_storage import CORRECTION_SE
from stream.science.models import STATUS_WORDS, Fit, FitStatus
from stream.science.models.choice import Choice
from stream.science.models.fit import REASON_WORDS, Reason
from stream.science.quality.flags import BIT, bits_of, quality, words
from stream.station import Chamber
from stream.store.results.changes import Result, Row, Rows
from stream.store.schema import FIT_COLUMNS
from stream.times import SECOND

Floats = NDArray[np.float64]

_encode = msgspec.msgpack.Encoder(order="deterministic").encode
_STATUS: Final = [STATUS_WORDS[s] for s in FitStatus]
_NO_FLUX: Final = bits_of(
    ("few_points", "no_samples", "no_water", "no_calibration", "vials_waiting")
)


@dataclass(frozen=True, slots=True)
class Event:
    """One closure of one chamber, as segmented.

    ``flags`` are bits. ``before`` is the chamber's closure before it: (closed, opened) [µs];
    None where there was none within a day.
    """

    chamber: Chamber
    lid: LidClosure
    flags: int
    before: tuple[int, int] | None = None


def unfinished(event: Event, gases: Sequence[str]) -> Result:
    """The provisional row of a closure that is not over."""
    borne = event.flags | BIT["unfinished"]
    flags, level = words(borne), quality(borne)
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
    return Result("closures", _identity(event), row, "unfinished", {"fluxes": as_rows(fluxes)})


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

    def flux_rows(
        self,
        gas: str,
        events: Sequence[Event],
        points: Sequence[Points],
        closure_flags: Sequence[int],
    ) -> list[dict[str, Any]]:
        """The flux row of each closure: flags as bits, and no quality yet."""
        choice = self.choice
        numbers, limit = self._flux_numbers(points)
        with np.errstate(invalid="ignore"):
            below = (np.abs(numbers["flux_nmol_m2_s"]) < limit).tolist()
        names, nothing = tuple(numbers), (math.nan,) * len(numbers)
        corrected = self.bias is not None
        rows: list[dict[str, Any]] = []
        for event, p, bears, k, hidden, poor, least, reason, cells in zip(
            events, points, closure_flags, choice.chosen.tolist(), below, self.poor.tolist(),
            limit.tolist(), choice.reason.tolist(),
            zip(*(c.tolist() for c in numbers.values()), strict=True), strict=True,
        ):  # fmt: skip
            flags = bears | p.flags
            usable = not flags & _NO_FLUX
            found = usable and k >= 0
            if found:
                if poor:
                    flags |= BIT["poor_fit"]
                if hidden:
                    flags |= BIT["below_detection"]
                if corrected:
                    known = not math.isnan(cells[-1])
                    flags |= BIT["bias_corrected" if known else "bias_not_corrected"]
            elif usable:
                flags |= BIT["no_fit"]
            n = len(p.t)
            rows.append(
                {
                    "gas": gas,
                    "mid_us": (event.lid.closed_us + p.stop_us) // 2,
                    "detection_limit_nmol_m2_s": least if usable else math.nan,
                    "model": choice.models[k] if found else "",
                    "model_reason": REASON_WORDS[Reason(reason) if found else Reason.NO_FIT],
                    "points": n,
                    "window_start_s": float(p.t[0]) if n else math.nan,
                    "window_end_s": float(p.t[-1]) if n else math.nan,
                    **dict(zip(names, cells if found else nothing, strict=True)),
                    "calibration_gain": p.gain,
                    "quality": 0,
                    "flags": flags,
                }
            )
        return rows

    def _flux_numbers(self, points: Sequence[Points]) -> tuple[dict[str, Floats], Floats]:
        """Columns of the fluxes as their chosen models have them, ``chamber_bias_factor`` the
        last; and the detection limit, which that factor bears on too.
        """
        choice, fits = self.choice, list(self.fits.values())
        m = len(self.moles)
        at = np.maximum(choice.chosen, 0), np.arange(m)

        def chosen(name: str) -> Floats:
            return np.stack([getattr(f, name) for f in fits])[at]

        variance = chosen("variance")
        weight = [float(np.mean(p.w)) if p.known_variance and len(p.w) else 1.0 for p in points]
        factor = np.full(m, np.nan) if self.bias is None else self.bias
        times = np.where(np.isnan(factor), 1.0, factor)
        flux = choice.slope * self.moles * times
        fit_error = choice.slope_se * self.moles * times
        relative = np.hypot(self.relative, CORRECTION_SE * (times - 1.0) / times)
        return {
            "flux_nmol_m2_s": flux,
            "flux_se_nmol_m2_s": np.hypot(fit_error, flux * relative),
            "fit_se_nmol_m2_s": fit_error,
            "start_mole_fraction": chosen("start"),
            "r_squared": chosen("r_squared"),
            "slope_nmol_mol_s": choice.slope,
            "residual_sd_nmol_mol": np.sqrt(variance / np.array(weight)),
            "noise_ratio": noise_ratios(variance, chosen("long_run")),
            "chamber_bias_factor": factor,
        }, self.limit * times

    def model_rows(self, gas: str) -> list[list[tuple[Any, ...]]]:
        """For each closure the rows of all candidates, in the order of :data:`FIT_COLUMNS`."""
        rows: list[list[tuple[Any, ...]]] = [[] for _ in self.moles]
        for at, (name, fit) in enumerate(self.fits.items()):
            flux = fit.slope * self.moles
            criterion = self.choice.criterion[:, at]
            numbers = (
                flux,
                flux_se(flux, fit.slope_se * self.moles, self.relative),
                fit.start,
                fit.start_se,
                fit.slope,
                fit.slope_se,
                fit.curvature,
                fit.curvature_se,
                fit.rss,
                fit.r_squared,
                np.where(np.isfinite(criterion), criterion, np.nan),
                noise_ratios(fit.variance, fit.long_run),
            )
            status = [_STATUS[s] for s in fit.status.tolist()]
            same = repeat(gas), repeat(name)
            columns = [column.tolist() for column in numbers]
            for mine, cells in zip(rows, zip(*same, status, *columns, strict=False), strict=True):
                mine.append(cells)
        return rows


def as_rows(rows: Sequence[Row]) -> Rows:
    """Rows that have the same columns in the same order."""
    return Rows(tuple(rows[0]) if rows else (), [tuple(row.values()) for row in rows])


def noise_ratios(variance: Floats, long_run: Floats) -> Floats:
    """Long-run over plain residual variance; NaN where nothing is left."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(variance > 0, long_run / variance, np.nan)


def _identity(event: Event) -> tuple[str, int]:
    return event.chamber.id, event.lid.closed_us


def _closure_row(
    event: Event, near: HeadspaceConditions, water: float, flags: str, level: int
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
    near: HeadspaceConditions,
    water: float,
    fluxes: Sequence[dict[str, Any]],
    fits: Sequence[tuple[Any, ...]],
    visits: Sequence[Row],
    seal: int,
) -> Result:
    """The result of one closure, from its rows of fluxes, fits and visits, and from what
    its gases say together of the seal; only here do flags become words.
    """
    for flux in fluxes:
        borne = flux["flags"] | seal
        flux["quality"], flux["flags"] = quality(borne), words(borne)
    flags = event.flags | near.flags | seal
    row = _closure_row(event, near, water, words(flags), quality(flags))
    children = {"fluxes": as_rows(fluxes), "model_fits": Rows(FIT_COLUMNS, fits)}
    if visits:
        children["visits"] = as_rows(visits)
    return Result("closures", _identity(event), row, digest_of(row, children), children)


def closure_results(
    events: Sequence[Event],
    around: Sequence[HeadspaceConditions],
    waters: Sequence[float],
    fluxes: Sequence[Sequence[dict[str, Any]]],
    fits: Sequence[Sequence[tuple[Any, ...]]],
    visits: Sequence[Sequence[Row]],
    seal: Sequence[int],
) -> list[Result]:
    """:func:`closure_result` of each closure."""
    parts = zip(events, around, waters, fluxes, fits, visits, seal, strict=True)
    return [closure_result(*each) for each in parts]


def digest_of(row: Row, children: Mapping[str, Rows] | None = None) -> str:
    """Digest of a result's content: equal exactly when every stored number is."""
    content = _encode((row, children or {}))
    return hashlib.blake2b(content, digest_size=16).hexdigest()
