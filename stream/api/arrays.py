"""Arrays in, arrays out: a closure fitted, and a slope turned into a flux, without a station."""

from __future__ import annotations  # else help() spells ArrayLike out

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stream.api.asking import per_nmol
from stream.api.fit_result import FitResult
from stream.compute.closures.fits import fit_and_choose
from stream.compute.closures.points import Points
from stream.errors import QueryError
from stream.science.flux.constants import ZERO_CELSIUS_K
from stream.science.flux.flux import detection_limit, dry_air_per_area, slope_to_flux
from stream.science.models import MODELS, STATUS_WORDS, Fit, FitStatus
from stream.science.models.choice import Choice
from stream.science.models.fit import REASON_WORDS, Reason
from stream.science.quality.air import AIR_C, AIR_PA

Floats = NDArray[np.float64]

CANDIDATES: Final = ("linear", "quadratic", "saturating")


def flux(
    slope: ArrayLike,
    volume_m3: ArrayLike,
    area_m2: ArrayLike,
    temperature_c: ArrayLike,
    pressure_pa: ArrayLike,
    *,
    water_mol_mol: ArrayLike = 0.0,
    gas: str | None = None,
    unit: str = "nmol m-2 s-1",
) -> Any:
    """Turn a rate of change in a closed headspace into a flux through the soil.

    Parameters
    ----------
    slope : array_like, shape (n,)
        Rate of change of the dry mole fraction when the lid closed [nmol mol⁻¹ s⁻¹]; or its
        standard error, for that of the flux.
    volume_m3, area_m2 : array_like
        Volume of the headspace, tubing included [m³], and area of soil under it [m²].
    temperature_c, pressure_pa : array_like
        Of the air in the headspace [°C], [Pa].
    water_mol_mol : array_like
        Water vapour in the headspace [mol mol⁻¹].
    gas : str, optional
        ``N2O``, ``CH4``, ``CO2`` …; needed where the unit is a mass.
    unit : str
        ``nmol m-2 s-1``, ``ug N m-2 h-1``, ``g N ha-1 d-1`` …

    Returns
    -------
    ndarray, shape (n,)
        Flux, positive from soil to air, in ``unit``; a number where all is given as numbers.

    Raises
    ------
    QueryError
        A number is not positive, or cannot be in the unit that its name says; or the unit of
        the flux does not apply.

    Notes
    -----
    Ideal gas, moles of dry air (Eq. 10 and 11 of METHODS.md); departs from
    [ParkinVenterea2010]_ in that.

    Examples
    --------
    A chamber of 0.25 m² and 0.15 m height at 20 °C in which N2O rises by 0.1 nmol/mol a second:

    >>> import stream
    >>> round(float(stream.flux(0.1, 0.0375, 0.25, 20.0, 101_325.0)), 4)
    0.6236
    >>> slopes = [0.1, 0.2]
    >>> stream.flux(slopes, 0.0375, 0.25, 20.0, 101_325.0, gas="N2O", unit="g N ha-1 d-1").round(2)
    array([15.09, 30.19])
    """
    k = per_nmol(unit, gas or "")
    _check_air(temperature_c, pressure_pa)
    try:
        found = slope_to_flux(
            np.asarray(slope, dtype=float),
            np.asarray(volume_m3, dtype=float),
            np.asarray(area_m2, dtype=float),
            np.asarray(pressure_pa, dtype=float),
            np.asarray(temperature_c, dtype=float) + ZERO_CELSIUS_K,
            np.asarray(water_mol_mol, dtype=float),
        )
    except ValueError as error:
        raise QueryError(f"flux: {error}") from None
    return (found * k)[()]


def fit(
    seconds: ArrayLike,
    mole_fraction: ArrayLike,
    *,
    se: ArrayLike | None = None,
    model: str = "auto",
    candidates: str | Sequence[str] = CANDIDATES,
    dead_band_s: float = 0.0,
    max_duration_s: float = np.inf,
    volume_m3: float | None = None,
    area_m2: float | None = None,
    temperature_c: float | None = None,
    pressure_pa: float | None = None,
    water_mol_mol: float = 0.0,
    gas: str = "",
) -> FitResult:
    """Fit one closure, and choose between models as a station does.

    Parameters
    ----------
    seconds : array_like, shape (n,)
        Time since the lid closed, at the inlet [s], in any order; what is before 0 is left out.
    mole_fraction : array_like, shape (n,)
        Dry mole fraction [nmol mol⁻¹]; what is NaN, infinite or masked is left out.
    se : array_like, shape (n,), or float, optional
        Standard error of each point where it is known, as of vials [nmol mol⁻¹]; read from the
        residuals where left out.
    model : str
        ``auto``, or the model to take: ``linear``, ``quadratic``, ``saturating``, ``diffusive``,
        ``theil_sen``. Where a curve cannot be told from a line, the line is taken.
    candidates : sequence of str
        Models to choose between; one name for that one alone.
    dead_band_s, max_duration_s : float
        Points from the one on and before the other are fitted [s].
    volume_m3, area_m2, temperature_c, pressure_pa : float, optional
        Headspace, for the flux [m³], [m²], [°C], [Pa]: all four, or none.
    water_mol_mol : float
        Water vapour in the headspace [mol mol⁻¹].
    gas : str
        For titles and units.

    Returns
    -------
    FitResult
        Its ``flux_se`` is that of the fit and of the choice between models alone.

    Raises
    ------
    QueryError
        Arrays do not pair up or hold no numbers, a model is unknown, or the headspace is told
        in part.

    Notes
    -----
    Eq. 7 to 18 of METHODS.md.

    Examples
    --------
    >>> import numpy as np
    >>> import stream
    >>> seconds = np.arange(0.0, 600.0, 10.0)
    >>> noise = 0.2 * np.random.default_rng(1).standard_normal(60)
    >>> fit = stream.fit(seconds, 330.0 + 0.1 * seconds + noise, model="linear")
    >>> fit.model, fit.nobs, fit.df_resid
    ('linear', 60, 58)
    >>> fit.params.round(2).to_dict()
    {'start': 330.02, 'slope': 0.1}
    """
    points = _points(seconds, mole_fraction, se, dead_band_s, max_duration_s)
    used, left_out = points
    given = (candidates,) if isinstance(candidates, str) else tuple(candidates)
    wanted = tuple(dict.fromkeys([*given, *([] if model == "auto" else [model])]))
    if not wanted:
        raise QueryError(f"candidates: an empty list; name some of {', '.join(MODELS)}")
    for name in wanted:
        if name not in MODELS:
            raise QueryError(f"model {name!r}: unknown; use one of auto, {', '.join(MODELS)}")
    _, fits, choice = fit_and_choose([used], wanted, model, known=used.known_variance)
    moles = _moles(volume_m3, area_m2, temperature_c, pressure_pa, water_mol_mol)
    data: dict[str, Any] = {
        "seconds": used.t,
        "mole_fraction": used.y,
        "weights": used.w,
        "known_variance": used.known_variance,
        "gas": gas.strip(),
        "title": f"Fit of {gas}" if gas else "Fit",
    }
    models = {
        name: _one(name, f, choice.criterion[0, i], moles, data)
        for i, (name, f) in enumerate(fits.items())
    }
    return _chosen(choice, models, moles, data, left_out)


def _points(
    seconds: ArrayLike,
    mole_fraction: ArrayLike,
    se: ArrayLike | None,
    dead_band_s: float,
    max_duration_s: float,
) -> tuple[Points, tuple[Floats, Floats]]:
    """The points to be fitted, and what is left out."""
    if np.asarray(seconds).dtype.kind in "mM":
        raise QueryError("seconds: are times; give seconds since the lid closed, as numbers")
    t, y = _numbers(seconds, "seconds"), _numbers(mole_fraction, "mole_fraction")
    if not dead_band_s >= 0:
        raise QueryError(f"dead_band_s: {dead_band_s}: must be 0 or more")
    if t.ndim != 1 or t.shape != y.shape:
        raise QueryError(
            f"seconds and mole_fraction must be as long as each other, not {t.shape} and {y.shape}"
        )
    w = np.ones_like(t)
    if se is not None:
        error = _numbers(se, "se")
        if error.shape not in {(), t.shape}:
            raise QueryError(f"se must be one number or as long as the points, not {error.shape}")
        error = np.broadcast_to(error, t.shape)
        if not (error > 0).all():
            raise QueryError("se: standard errors must be positive")
        w = 1.0 / error**2
    order = np.argsort(t, kind="stable")
    t, y, w = t[order], y[order], w[order]
    there = np.isfinite(t) & np.isfinite(y)
    used = there & (t >= max(0.0, dead_band_s)) & (t < max_duration_s)
    nan = float("nan")
    points = Points(t[used], y[used], w[used], se is not None, nan, 0, nan)
    return points, (t[there & ~used], y[there & ~used])


def _numbers(given: ArrayLike, name: str) -> Floats:
    """Numbers of any kind of array; a masked one is unknown."""
    try:
        found = np.ma.filled(np.ma.asarray(given).astype(float), np.nan)
    except (TypeError, ValueError):
        raise QueryError(f"{name}: holds something that is no number") from None
    return np.asarray(found, dtype=float)


def _check_air(temperature_c: ArrayLike, pressure_pa: ArrayLike) -> None:
    """Whether numbers can be in the units that their names say.

    Raises
    ------
    QueryError
        One cannot, for the air of a chamber anywhere on Earth.
    """
    for name, given, (low, high), hint in (
        ("temperature_c", temperature_c, AIR_C, "is it in kelvin?"),
        ("pressure_pa", pressure_pa, AIR_PA, "is it in hPa or kPa?"),
    ):
        values = np.ravel(_numbers(given, name))
        odd = values[(values < low) | (values > high)]
        if len(odd):
            raise QueryError(f"{name}: {odd[0]:g}: outside {low:g} to {high:g}; {hint}")


def _moles(
    volume_m3: float | None,
    area_m2: float | None,
    temperature_c: float | None,
    pressure_pa: float | None,
    water_mol_mol: float,
) -> float:
    """Dry air over a square metre [mol m⁻²]; NaN where no headspace is told."""
    given = {
        "volume_m3": volume_m3,
        "area_m2": area_m2,
        "temperature_c": temperature_c,
        "pressure_pa": pressure_pa,
    }
    missing = [name for name, value in given.items() if value is None]
    if len(missing) == len(given):
        return float("nan")
    if volume_m3 is None or area_m2 is None or temperature_c is None or pressure_pa is None:
        raise QueryError(f"{', '.join(missing)}: missing; a flux needs the whole headspace")
    _check_air(temperature_c, pressure_pa)
    try:
        kelvin = temperature_c + ZERO_CELSIUS_K
        return float(dry_air_per_area(volume_m3, area_m2, pressure_pa, kelvin, water_mol_mol))
    except ValueError as error:
        raise QueryError(f"headspace: {error}") from None


def _one(name: str, f: Fit, criterion: float, moles: float, data: dict[str, Any]) -> FitResult:
    fitted = not np.isnan(f.slope[0])
    slope, slope_se = float(f.slope[0]), float(f.slope_se[0])
    return FitResult(
        model=name,
        reason=STATUS_WORDS[FitStatus(int(f.status[0]))],
        values=(float(f.start[0]), slope, float(f.curvature[0])) if fitted else (),
        errors=(float(f.start_se[0]), slope_se, float(f.curvature_se[0])) if fitted else (),
        flux=slope * moles,
        flux_se=slope_se * moles,
        aicc=float(criterion) if np.isfinite(criterion) else float("nan"),
        rsquared=float(f.r_squared[0]),
        ssr=float(f.rss[0]),
        **data,
    )


def _chosen(
    choice: Choice,
    models: dict[str, FitResult],
    moles: float,
    data: dict[str, Any],
    left_out: tuple[Floats, Floats],
) -> FitResult:
    at = int(choice.chosen[0])
    name = choice.models[at] if at >= 0 else ""
    same = ("values", "errors", "aicc", "rsquared", "ssr") if name else ()
    return FitResult(
        model=name,
        reason=REASON_WORDS[Reason(int(choice.reason[0]))],
        flux=float(choice.slope[0]) * moles,
        flux_se=float(choice.slope_se[0]) * moles,
        detection_limit=float(detection_limit(choice.noise_se, choice.dof, moles)[0]),
        models=models,
        left_out=left_out,
        **data,
        **{key: getattr(models[name], key) for key in same},
    )
