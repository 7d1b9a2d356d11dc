"""Do treatments differ: each against the reference, replicates as they stand in blocks."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.weightstats import ttest_ind

from stream.field.totals import TreatmentTotal


@dataclass(frozen=True, slots=True)
class Contrast:
    """One treatment less the reference [kg ha⁻¹].

    Attributes
    ----------
    treatment, reference, gas : str
    difference, se : float
    low, high : float
        90 % interval.
    p : float
        That there is no difference.
    way : str
        ``blocks``: least squares with blocks and treatments; ``welch``: unequal variances.
    """

    treatment: str
    reference: str
    gas: str
    difference: float
    se: float
    low: float
    high: float
    p: float
    way: str


def contrast(treated: TreatmentTotal, reference: TreatmentTotal) -> Contrast | None:
    """Compare the plots of two treatments; None with fewer than two plots of either.

    Where each block has one plot of both, the blocks are allowed for; otherwise the
    variances of the two are not taken as equal (Welch).
    """
    if treated.missing or reference.missing:
        return None
    a = {p.block: p.total.value for p in treated.plots}
    b = {p.block: p.total.value for p in reference.plots}
    x = np.array([p.total.value for p in treated.plots])
    y = np.array([p.total.value for p in reference.plots])
    if len(x) < 2 or len(y) < 2:
        return None
    names = (treated.treatment, reference.treatment, treated.gas)
    complete = set(a) == set(b) and len(a) == len(x) == len(b) == len(y) and "" not in a
    if complete and np.ptp(x - y) > 0:
        return _by_blocks(names, a, b)
    if not (np.ptp(x) > 0 or np.ptp(y) > 0):
        return None
    _, p, dof = ttest_ind(x, y, usevar="unequal")
    difference = float(x.mean() - y.mean())
    se = float(np.sqrt(x.var(ddof=1) / len(x) + y.var(ddof=1) / len(y)))
    half = _quantile(float(dof)) * se
    return Contrast(*names, difference, se, difference - half, difference + half, float(p), "welch")


def _by_blocks(names: tuple[str, str, str], a: dict[str, float], b: dict[str, float]) -> Contrast:
    table = pd.DataFrame(
        [(block, kind, side[block]) for kind, side in ((1.0, a), (0.0, b)) for block in side],
        columns=["block", "treated", "total"],
    )
    fit = smf.ols("total ~ C(block) + treated", table).fit()
    low, high = fit.conf_int(alpha=0.10).loc["treated"]
    return Contrast(
        *names,
        difference=float(fit.params["treated"]),
        se=float(fit.bse["treated"]),
        low=float(low),
        high=float(high),
        p=float(fit.pvalues["treated"]),
        way="blocks",
    )


def _quantile(dof: float) -> float:
    return float(stats.t.ppf(0.95, dof))


def against(totals: Sequence[TreatmentTotal], reference: str | None) -> list[Contrast]:
    """Every treatment and gas against the reference, where there are plots enough."""
    found = []
    for t in totals:
        if reference is None or t.treatment == reference:
            continue
        base = [r for r in totals if r.treatment == reference and r.gas == t.gas]
        made = contrast(t, base[0]) if base else None
        if made is not None:
            found.append(made)
    return found
