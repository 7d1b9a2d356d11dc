"""Evaluations as fit results."""

from collections.abc import Mapping
from typing import Any

from stream.api.fit_result import FitResult
from stream.compute.closures.evaluate import Evaluation


def result_of(found: Evaluation, gas: str, **about: Any) -> FitResult:
    """The fit of one gas of an evaluation of one closure.

    Parameters
    ----------
    found : Evaluation
        Of one closure.
    gas : str
    **about
        What else :class:`FitResult` says: title, settings, what was left out.
    """
    points = found.points[gas][0]
    (result,) = found.results
    (flux,) = [r for r in _rows(result.children["fluxes"]) if r["gas"] == gas]
    data: dict[str, Any] = {
        "seconds": points.t,
        "mole_fraction": points.y,
        "weights": points.w,
        "known_variance": points.known_variance,
        "gas": gas,
    }
    models = {
        r["model"]: _of_model(r, data | {"title": about.get("title", "")})
        for r in _rows(result.children["model_fits"])
        if r["gas"] == gas
    }
    chosen = models.get(flux["model"])
    same = () if chosen is None else ("values", "errors", "aicc", "rsquared", "ssr")
    return FitResult(
        model=flux["model"],
        reason=flux["model_reason"],
        flux=flux["flux_nmol_m2_s"],
        flux_se=flux["flux_se_nmol_m2_s"],
        detection_limit=flux["detection_limit_nmol_m2_s"],
        quality=flux["quality"],
        flags=tuple(flux["flags"].split()),
        models=models,
        **data,
        **{name: getattr(chosen, name) for name in same},
        **about,
    )


def _rows(rows: Any) -> list[dict[str, Any]]:
    return [dict(zip(rows.columns, row, strict=True)) for row in rows.values]


def _of_model(row: Mapping[str, Any], data: Mapping[str, Any]) -> FitResult:
    fitted = row["slope_nmol_mol_s"] == row["slope_nmol_mol_s"]
    values = (row["start_mole_fraction"], row["slope_nmol_mol_s"], row["curvature"])
    errors = (row["start_se"], row["slope_se_nmol_mol_s"], row["curvature_se"])
    return FitResult(
        model=row["model"],
        reason=row["status"],
        values=values if fitted else (),
        errors=errors if fitted else (),
        flux=row["flux_nmol_m2_s"],
        flux_se=row["flux_se_nmol_m2_s"],
        aicc=row["criterion"],
        rsquared=row["r_squared"],
        ssr=row["rss"],
        **data,
    )
