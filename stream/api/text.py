"""Results as text, for a terminal and for a notebook."""

from html import escape
from typing import TYPE_CHECKING

from stream.science.flux.units import sign

if TYPE_CHECKING:
    from stream.api.fit_result import FitResult


class Text(str):
    """Lines that a notebook shows as they are."""

    __slots__ = ()

    def __repr__(self) -> str:
        return str(self)

    def _repr_html_(self) -> str:
        return f"<pre>{escape(str(self))}</pre>"


def number(value: float, digits: int = 4) -> str:
    """So many digits; a dash for an unknown number."""
    return "–" if value != value else f"{value:.{digits}g}"


def summary_of(fit: "FitResult") -> Text:
    """A fit, its coefficients, and the other candidates."""
    first = [fit.title or "Fit", "preview, not stored" if fit.quality is not None else ""]
    lines = [" · ".join(filter(None, first))]
    if fit.settings:
        lines.append("settings    " + ", ".join(f"{k} = {v}" for k, v in fit.settings.items()))
    lines.append(f"model       {fit.model or 'none'} ({fit.reason})")
    if fit.flux == fit.flux:
        low, high = fit.flux_conf_int()
        lines.append(
            f"flux        {number(fit.flux)} ± {number(fit.flux_se)} {sign('nmol m-2 s-1')}"
            f"   (95 %: {number(low)} to {number(high)})"
        )
        lines.append(f"detection   {number(fit.detection_limit)} {sign('nmol m-2 s-1')}")
    window = f" from {fit.seconds[0]:.1f} to {fit.seconds[-1]:.1f} s" if fit.nobs else ""
    lines.append(f"points      {fit.nobs}{window}; df_resid {fit.df_resid}")
    if fit.quality is not None:
        lines.append(f"quality     {fit.quality}   {' '.join(fit.flags)}".rstrip())
    if fit.values:
        lines += ["", *_coefficients(fit)]
    if fit.models:
        lines += ["", *_candidates(fit)]
    return Text("\n".join(lines))


def _coefficients(fit: "FitResult") -> list[str]:
    params, errors, ends = fit.params, fit.bse, fit.conf_int()
    units = params.attrs["units"]
    head = f"{'':<26}{'coef':>12}{'std err':>12}{'2.5 %':>12}{'97.5 %':>12}"
    rows = [
        f"{f'{name} [{sign(units[name])}]':<26}{number(params[name], 6):>12}"
        f"{number(errors[name]):>12}"
        f"{number(ends.loc[name, 'lower'], 6):>12}{number(ends.loc[name, 'upper'], 6):>12}"
        for name in params.index
    ]
    return [head, *rows]


def _candidates(fit: "FitResult") -> list[str]:
    head = f"{'candidate':<26}{'flux':>12}{'std err':>12}{'AICc':>12}{'R²':>12}  "
    return [
        head.rstrip(),
        *(
            f"{name + (' *' if name == fit.model else ''):<26}{number(m.flux):>12}"
            f"{number(m.flux_se):>12}{number(m.aicc):>12}{number(m.rsquared):>12}"
            f"{'' if m.reason == 'ok' else '  ' + m.reason}"
            for name, m in fit.models.items()
        ),
    ]
