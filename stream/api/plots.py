"""Pictures on axes that the caller gives; matplotlib is loaded here and nowhere before."""

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from stream.errors import MissingLibrary
from stream.science.flux.units import sign

if TYPE_CHECKING:
    from stream.api.fit_result import FitResult

_STEPS: Final = 200
_FEW: Final = 30
"""Data points that are drawn large, over the curves."""
_LINES: Final = ("-", "--", "-.", ":", (0, (1, 3)))


def axes(ax: Any = None) -> Any:
    """The axes that are given, or new ones.

    Raises
    ------
    MissingLibrary
        matplotlib is not installed.
    """
    try:
        import matplotlib.pyplot as plt
    except ImportError:
        raise MissingLibrary(
            "plots need matplotlib; run: python -m pip install matplotlib"
        ) from None
    return plt.subplots(layout="constrained")[1] if ax is None else ax


def draw_fit(fit: "FitResult", ax: Any = None) -> Any:
    """Points and curves of one closure; the chosen model's curve is the full line."""
    found = axes(ax)
    t, y = fit.left_out
    if len(t):
        found.plot(t, y, ".", color="0.75", markersize=3, label="other readings")
    few = fit.nobs <= _FEW
    found.plot(
        fit.seconds, fit.mole_fraction, "o" if few else ".", color="0.35",
        markersize=6 if few else 4, zorder=4 if few else 1, label="data points",
    )  # fmt: skip
    if fit.nobs:
        grid = np.linspace(0.0, float(fit.seconds[-1]), _STEPS)
        others = [m for name, m in fit.models.items() if name != fit.model and m.values]
        for style, m in zip(_LINES[1:], others, strict=False):
            found.plot(grid, m.predict(grid), linestyle=style, linewidth=1, label=m.model)
        if fit.values:
            label = f"{fit.model} ({fit.reason})"
            found.plot(grid, fit.predict(grid), "-", color="black", linewidth=1.5, label=label)
    found.axvline(0.0, color="0.6", linewidth=0.8)
    found.set_xlabel("time since the lid closed, s")
    found.set_ylabel(
        f"dry mole fraction{' of ' + fit.gas if fit.gas else ''}, {sign('nmol mol-1')}"
    )
    found.set_title(fit.title)
    found.legend()
    return found
