"""A function that makes season totals of records, judged by made seasons whose truth is known."""

import math
from collections.abc import Callable
from importlib import import_module
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from event_oracle import oracle_plots
from event_records import CASES, REFERENCE, SHARES, Record, interpolated_plots, record
from event_seasons import TREATMENTS
from scipy import stats

Row: TypeAlias = dict[str, Any]

LEVEL = 0.90
FRAMES = {
    "plots": ("gas", "plot", "total_kg_ha", "total_low_kg_ha", "total_high_kg_ha", "verdict"),
    "treatments": (
        *("gas", "treatment", "total_kg_ha", "total_low_kg_ha", "total_high_kg_ha"),
        *("these_plots_kg_ha", "these_plots_low_kg_ha", "these_plots_high_kg_ha"),
        *("less_reference_kg_ha", "less_reference_low_kg_ha", "less_reference_high_kg_ha"),
        "less_reference_p",
    ),
    "factors": ("gas", "treatment", "factor_percent", "factor_low_percent", "factor_high_percent"),
}
"""Columns that are judged."""

COLUMNS = {
    "plot": ("total_kg_ha", "total_low_kg_ha", "total_high_kg_ha"),
    "these": ("these_plots_kg_ha", "these_plots_low_kg_ha", "these_plots_high_kg_ha"),
    "treatment": ("total_kg_ha", "total_low_kg_ha", "total_high_kg_ha"),
    "contrast": ("less_reference_kg_ha", "less_reference_low_kg_ha", "less_reference_high_kg_ha"),
    "factor": ("factor_percent", "factor_low_percent", "factor_high_percent"),
}


class WrongFrames(Exception):
    """The frames of a function cannot be judged: what they lack, or have twice."""


def found_function(path: str) -> Callable[..., Any]:
    """``module:name``, imported when it is needed."""
    module, _, name = path.partition(":")
    return getattr(import_module(module), name)  # type: ignore[no-any-return]


def judged(function: Callable[..., Any], seed: int, case: str, soil: str) -> list[Row]:
    """One row for each number that the season should give, refused or not.

    A row has what, which, case, seed, true, total, low, high, p, verdict, the baseline and the
    oracle's limits (plots and these plots), those of a t interval over plots' true totals
    (treatments, contrast, factor), and the error if the function raised one.
    """
    made = record(seed, CASES[case], soil)
    error, frames = "", dict.fromkeys(FRAMES, pd.DataFrame())
    try:
        result = function(
            made.fluxes,
            made.weather,
            start=made.start,
            end=made.end,
            positions=dict(SHARES),
            nitrogen_kg_ha=made.nitrogen_kg_ha,
            reference=REFERENCE,
            events=made.events,
            yield_t_ha=None,
            timezone=None,
        )
    except Exception as e:
        error = f"{type(e).__name__}: {e}".splitlines()[0]
    else:
        frames = {name: _n2o(getattr(result, name), name) for name in FRAMES}
    rows = _plot_rows(made, frames) + _treatment_rows(made, frames)
    return [{"case": case, "seed": seed, "error": error, **row} for row in rows]


def _n2o(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    lacking = [column for column in FRAMES[name] if column not in frame]
    if lacking:
        raise WrongFrames(f"result.{name} has no {', '.join(lacking)}")
    return frame[frame["gas"] == "N2O"]


def _told(frame: pd.DataFrame, key: str, which: str, what: str) -> Row:
    """Total and limits that a frame tells of one plot or treatment; nan for what it does not."""
    rows = frame[frame[key].astype(str) == which] if key in frame else frame
    if len(rows) > 1:
        raise WrongFrames(f"{len(rows)} rows for {key} {which} where one is due")
    row = rows.iloc[0] if len(rows) else {}
    total, low, high = (_number(row.get(column)) for column in COLUMNS[what])
    return {
        "what": what,
        "which": which,
        "total": total,
        "low": low,
        "high": high,
        "p": _number(row.get("less_reference_p")) if what == "contrast" else math.nan,
        "verdict": row.get("verdict", "") if what == "plot" else "",
    }


def _number(value: Any) -> float:
    return math.nan if value is None or pd.isna(value) else float(value)


def _plot_rows(made: Record, frames: dict[str, pd.DataFrame]) -> list[Row]:
    """Plots, and each treatment's mean of these plots, beside the oracle and straight lines."""
    oracle = oracle_plots(made, np.random.default_rng([made.seed, 6]))
    plain = interpolated_plots(made)
    tails = (1 - LEVEL) / 2, (1 + LEVEL) / 2
    rows = []
    for k, (plot, true) in enumerate(made.truth["plots"].items()):
        told = _told(frames["plots"], "plot", plot, "plot")
        limits = _limits(np.quantile(oracle[:, k], tails))
        rows.append({**told, "true": true, "plain": plain[k], **limits})
    for k, name in enumerate(TREATMENTS):
        told = _told(frames["treatments"], "treatment", name, "these")
        limits = _limits(np.quantile(oracle[:, k::2].mean(axis=1), tails))
        true = made.truth["these_plots"][name]
        rows.append({**told, "true": true, "plain": plain[k::2].mean(), **limits})
    return rows


def _limits(pair: Any) -> Row:
    return {"best_low": float(pair[0]), "best_high": float(pair[1])}


def _treatment_rows(made: Record, frames: dict[str, pd.DataFrame]) -> list[Row]:
    """Treatments, contrast and factor, beside t intervals that know the plots' true totals."""
    plots = np.array(list(made.truth["plots"].values())).reshape(-1, 2)
    rows = []
    for k, name in enumerate(TREATMENTS):
        told = _told(frames["treatments"], "treatment", name, "treatment")
        true = made.truth["treatments"][name]
        rows.append({**told, "true": true, **_limits(_t_interval(plots[:, k]))})
    less = plots[:, 0] - plots[:, 1]
    t = _t_interval(less)
    p = float(stats.ttest_1samp(less, 0.0).pvalue)
    full, applied = TREATMENTS[0], made.nitrogen_kg_ha["full"] - made.nitrogen_kg_ha["none"]
    told = _told(frames["treatments"], "treatment", full, "contrast")
    rows.append({**told, "true": made.truth["difference"], **_limits(t), "best_p": p})
    told = _told(frames["factors"], "treatment", full, "factor")
    true = made.truth["factor_percent"]
    return [*rows, {**told, "true": true, **_limits(100 * t / applied)}]


def _t_interval(values: Any) -> Any:
    half = stats.t.ppf((1 + LEVEL) / 2, len(values) - 1) * stats.sem(values)
    return values.mean() + half * np.array([-1.0, 1.0])


def summary(rows: pd.DataFrame) -> dict[str, dict[str, float]]:
    """One case in numbers: {"plots" | "these plots" | "treatments" | "contrast": {…}}.

    Coverage is that of the intervals given; its error is one over seasons, whose plots go
    together. Widths are compared as sums, so that plots without gaps do not rule.
    """
    rows = rows.assign(
        given=np.isfinite(rows[["total", "low", "high"]]).all(axis=1),
        covers=rows["true"].between(rows["low"], rows["high"]),
        best_covers=rows["true"].between(rows["best_low"], rows["best_high"]),
        width=rows["high"] - rows["low"],
        best_width=rows["best_high"] - rows["best_low"],
    )
    of = dict(list(rows.groupby("what")))
    found = {}
    for name, what in (("plots", "plot"), ("these plots", "these")):
        some = of[what]
        found[name] = {
            **_common(some),
            "line_bias": some["plain"].sum() / some["true"].sum() - 1,
            "rel_width": (some["width"] / some["total"])[some["given"]].median(),
            "to_oracle": _ratio(some),
            "oracle": some["best_covers"].mean(),
        }
    found["plots"]["mostly_mod"] = (of["plot"]["verdict"] == "mostly modelled").mean()
    found["treatments"] = {
        **_common(of["treatment"]),
        "to_t": _ratio(of["treatment"]),
        "t": of["treatment"]["best_covers"].mean(),
    }
    found["contrast"] = _contrast(of["contrast"], of["factor"])
    return found


def _contrast(contrast: pd.DataFrame, factor: pd.DataFrame) -> dict[str, float]:
    tested = contrast[np.isfinite(contrast["p"])]
    common, factors = _common(contrast), _common(factor)
    return {
        "cover": common["cover"],
        "se": common["se"],
        "refused": common["refused"],
        "to_t": _ratio(contrast),
        "t": contrast["best_covers"].mean(),
        "p<0.05": (tested["p"] < 0.05).mean() if len(tested) else math.nan,
        "t_p<0.05": (contrast["best_p"] < 0.05).mean(),
        "no_p": 1 - len(tested) / len(contrast),
        "factor": factors["cover"],
        "factor_se": factors["se"],
        "no_factor": factors["refused"],
    }


def _common(some: pd.DataFrame) -> dict[str, float]:
    given = some[some["given"]]
    by_season = given.groupby("seed")["covers"].mean()
    total = np.isfinite(some["total"])
    true = some["true"][total].sum()
    return {
        "cover": given["covers"].mean() if len(given) else math.nan,
        "se": by_season.std() / math.sqrt(len(by_season)) if len(by_season) > 1 else math.nan,
        "bias": some["total"][total].sum() / true - 1 if true else math.nan,
        "refused": 1 - len(given) / len(some),
    }


def _ratio(some: pd.DataFrame) -> float:
    given = some[some["given"]]
    return float(given["width"].sum() / given["best_width"].sum()) if len(given) else math.nan
