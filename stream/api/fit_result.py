"""A fit that can say what it is: parameters, residuals, intervals, a flux, a text, a picture."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stream.api.asking import per_nmol
from stream.api.text import Text, summary_of
from stream.errors import QueryError
from stream.science.models import MODELS

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]

PARAMETERS: Final = ("start", "slope", "curvature")
UNITS: Final = {
    "linear": ("nmol mol-1", "nmol mol-1 s-1"),
    "theil_sen": ("nmol mol-1", "nmol mol-1 s-1"),
    "quadratic": ("nmol mol-1", "nmol mol-1 s-1", "nmol mol-1 s-2"),
}
"""Units of the parameters of a model; of other curves the curvature is a rate [s-1]."""
_OF_CURVES: Final = ("nmol mol-1", "nmol mol-1 s-1", "s-1")


class Flux(NamedTuple):
    """A flux with its standard error and its detection limit, all in ``unit``."""

    flux: float
    flux_se: float
    detection_limit: float
    unit: str


@dataclass(frozen=True, repr=False, eq=False)
class FitResult:
    """One closure fitted by one model; made by :func:`stream.fit` and ``Closure.fit``.

    Attributes
    ----------
    model : str
        The model; of a choice the one that was chosen, '' where none could be fitted.
    reason : str
        Why that model, as ``model_reason`` of the flux table; of one of :attr:`models` what
        became of its fit, ``ok`` or why it has none.
    seconds, mole_fraction, weights : ndarray, shape (n,)
        The data points: time since the lid closed [s], dry mole fraction [nmol mol⁻¹], and
        weight (1/variance where ``known_variance``).
    known_variance : bool
        Whether the variance of each point is known, as of port visits and vials.
    flux, flux_se, detection_limit : float
        Positive from soil to air [nmol m⁻² s⁻¹]; NaN without a headspace. The standard error
        is that of the fit, of the choice between models and of the headspace.
    quality : int or None
        1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing [IOC 54:V3].
    flags : tuple of str
    aicc : float
        Akaike's criterion, corrected for few points and for points that go together; AIC
        where variances are known. Only differences between models mean something.
    rsquared, ssr : float
        Share of the variance that the model explains; weighted residual sum of squares.
    models : dict of str to FitResult
        Every candidate's fit; empty in those themselves.
    settings : dict
        What was set for this fit and is not the station's.
    title : str
        What was fitted.
    left_out : tuple of ndarray
        Times and mole fractions that were recorded and are not fitted.

    Notes
    -----
    Equations and sources: ``stream/science/METHODS.md`` (Eq. 7 to 18).
    """

    model: str
    reason: str
    seconds: Floats
    mole_fraction: Floats
    weights: Floats
    known_variance: bool
    values: tuple[float, ...] = field(default=())
    errors: tuple[float, ...] = field(default=())
    flux: float = float("nan")
    flux_se: float = float("nan")
    detection_limit: float = float("nan")
    quality: int | None = None
    flags: tuple[str, ...] = ()
    aicc: float = float("nan")
    rsquared: float = float("nan")
    ssr: float = float("nan")
    models: Mapping[str, "FitResult"] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)
    title: str = ""
    gas: str = ""
    left_out: tuple[Floats, Floats] = field(default=(np.empty(0), np.empty(0)))

    @property
    def stored(self) -> bool:
        """Always False: a fit is a preview, and changes no result."""
        return False

    @property
    def params(self) -> "pd.Series[float]":
        """Coefficients: ``start`` [nmol mol⁻¹] and ``slope`` [nmol mol⁻¹ s⁻¹] at the moment the
        lid closed, ``curvature`` of a curve; units in ``attrs``.
        """
        return self._series(self.values)

    @property
    def bse(self) -> "pd.Series[float]":
        """Standard errors of :attr:`params`, allowing for noise that goes together in time."""
        return self._series(self.errors)

    def _series(self, values: tuple[float, ...]) -> "pd.Series[float]":
        import pandas as pd

        units = self._units()
        index = list(PARAMETERS[: len(units)])
        found = pd.Series(list(values[: len(units)]), index=index, dtype=float, name=self.model)
        found.attrs["units"] = dict(zip(index, units, strict=True))
        return found

    def _units(self) -> tuple[str, ...]:
        return UNITS.get(self.model, _OF_CURVES) if self.values else ()

    @property
    def nobs(self) -> int:
        """Data points that were fitted."""
        return len(self.seconds)

    @property
    def df_model(self) -> int:
        """Coefficients of the model besides the start."""
        return max(0, len(self._units()) - 1)

    @property
    def df_resid(self) -> int:
        """Data points less coefficients."""
        return self.nobs - len(self._units())

    def predict(self, seconds: ArrayLike | None = None) -> Floats:
        """Mole fraction by the model.

        Parameters
        ----------
        seconds : array_like, shape (m,), optional
            Times since the lid closed, none before it [s]; those of the points where left out.

        Returns
        -------
        ndarray, shape (m,)
            [nmol mol⁻¹]; NaN where there is no fit.
        """
        t = self.seconds if seconds is None else np.asarray(seconds, dtype=float)
        if not self.values:
            return np.full(np.shape(t), np.nan)
        start, slope, curvature = self.values
        return MODELS[self.model].curve(start, slope, curvature, t)

    @property
    def fittedvalues(self) -> Floats:
        """Mole fraction by the model at each point, shape (n,) [nmol mol⁻¹]."""
        return self.predict()

    @property
    def resid(self) -> Floats:
        """Mole fraction less the model's, shape (n,) [nmol mol⁻¹]."""
        return self.mole_fraction - self.fittedvalues

    def _quantile(self, alpha: float) -> float:
        from scipy import special

        if not 0 < alpha < 1:
            raise QueryError(f"alpha={alpha}: must lie between 0 and 1; 0.05 gives 95 %")
        if self.known_variance:
            return float(special.ndtri(1 - alpha / 2))
        return float(special.stdtrit(max(self.df_resid, 1), 1 - alpha / 2))

    def conf_int(self, alpha: float = 0.05) -> "pd.DataFrame":
        """Intervals of the coefficients.

        Parameters
        ----------
        alpha : float
            0.05 for 95 %.

        Returns
        -------
        DataFrame
            ``lower`` and ``upper`` of each of :attr:`params`, by Student's t with
            :attr:`df_resid`; normal where variances are known.
        """
        import pandas as pd

        half = self._quantile(alpha) * self.bse
        return pd.DataFrame({"lower": self.params - half, "upper": self.params + half})

    def flux_conf_int(self, alpha: float = 0.05) -> tuple[float, float]:
        """Interval of the flux [nmol m⁻² s⁻¹], as :meth:`conf_int`."""
        half = self._quantile(alpha) * self.flux_se
        return self.flux - half, self.flux + half

    def flux_in(self, unit: str) -> Flux:
        """The flux in another unit.

        Parameters
        ----------
        unit : str
            ``g N ha-1 d-1``, ``ug N m-2 h-1``, ``umol m-2 s-1`` …

        Raises
        ------
        QueryError
            The unit is not one, or does not apply to the gas.
        """
        k = per_nmol(unit, self.gas)
        return Flux(self.flux * k, self.flux_se * k, self.detection_limit * k, unit)

    def compare(self) -> "pd.DataFrame":
        """Every candidate beside the others: one row a model; units in ``attrs``."""
        import pandas as pd

        rows = [
            {
                "model": name,
                "status": fit.reason,
                "flux_nmol_m2_s": fit.flux,
                "flux_se_nmol_m2_s": fit.flux_se,
                **dict(zip(PARAMETERS, fit.values or (np.nan,) * 3, strict=True)),
                "aicc": fit.aicc,
                "rsquared": fit.rsquared,
                "chosen": name == self.model,
            }
            for name, fit in self.models.items()
        ]
        found = pd.DataFrame(rows).set_index("model") if rows else pd.DataFrame()
        found.attrs["units"] = {
            "flux_nmol_m2_s": "nmol m-2 s-1",
            "flux_se_nmol_m2_s": "nmol m-2 s-1",
            "start": "nmol mol-1",
            "slope": "nmol mol-1 s-1",
        }
        return found

    def summary(self) -> Text:
        """What was fitted and what came of it, as text for people."""
        return summary_of(self)

    def __repr__(self) -> str:
        flux = f", flux={self.flux:.4g} ± {self.flux_se:.2g} nmol m-2 s-1"
        shown = flux if self.flux == self.flux else ""
        return f"<FitResult {self.title}: {self.model or 'no fit'} ({self.reason}){shown}>"

    def _repr_html_(self) -> str:
        return self.summary()._repr_html_()

    def plot(self, ax: Any = None) -> Any:
        """Draw the points, those left out, and every model's curve.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where; a figure of its own where left out.

        Returns
        -------
        matplotlib.axes.Axes

        Raises
        ------
        MissingLibrary
            matplotlib is not installed.
        """
        from stream.api.plots import draw_fit

        return draw_fit(self, ax)
