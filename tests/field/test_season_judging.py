"""What judges season totals: made answers of known quality, and an oracle that covers 90 %."""

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from event_oracle import oracle_plots
from event_records import CASES, Record, record
from season_judging import COLUMNS, WrongFrames, judged, summary

SEEDS = (31, 32, 33)


def answering(times: float, half: float, p: float = 0.5) -> Callable[..., Any]:
    """A function that knows the truth, tells ``times`` it, and limits of ± ``half`` of it."""
    records = [record(seed, CASES["wet_20"]) for seed in SEEDS]
    made = {m.fluxes["flux_nmol_m2_s"].sum(): m for m in records}

    def told(what: str, true: float) -> dict[str, float]:
        values = times * true, times * true - half * abs(true), times * true + half * abs(true)
        return dict(zip(COLUMNS[what], values, strict=True))

    def function(fluxes: pd.DataFrame, weather: pd.DataFrame, **_: Any) -> SimpleNamespace:
        truth = made[fluxes["flux_nmol_m2_s"].sum()].truth
        verdict = "season" if half < 1 else "mostly modelled"
        plots = [
            {"gas": "N2O", "plot": plot, "verdict": verdict, **told("plot", true)}
            for plot, true in truth["plots"].items()
        ]
        treatments = [
            {
                "gas": "N2O",
                "treatment": name,
                **told("treatment", truth["treatments"][name]),
                **told("these", truth["these_plots"][name]),
                **told("contrast", truth["difference"] if name == "full" else math.nan),
                "less_reference_p": p,
            }
            for name in truth["treatments"]
        ]
        factor = told("factor", truth["factor_percent"])
        factors = [{"gas": "N2O", "treatment": "full", **factor}]
        frames = map(pd.DataFrame, (plots, treatments, factors))
        return SimpleNamespace(**dict(zip(("plots", "treatments", "factors"), frames, strict=True)))

    return function


def verdict_on(function: Callable[..., Any]) -> tuple[pd.DataFrame, dict[str, dict[str, float]]]:
    rows = pd.DataFrame([r for seed in SEEDS for r in judged(function, seed, "wet_20", "arable")])
    return rows, summary(rows)


def test_a_perfect_answer() -> None:
    rows, found = verdict_on(answering(1.0, 0.1))
    assert len(rows) == len(SEEDS) * (8 + 2 + 2 + 1 + 1)
    for part in found.values():
        assert part["cover"] == 1
        assert part["refused"] == 0
    assert found["plots"]["bias"] == pytest.approx(0)
    assert found["plots"]["rel_width"] == pytest.approx(0.2)
    assert found["contrast"]["factor"] == 1
    assert found["contrast"]["p<0.05"] == 0
    assert -0.2 < found["plots"]["line_bias"] < 0.2
    assert set(rows["error"]) == {""}


def test_an_answer_that_is_too_high() -> None:
    _, found = verdict_on(answering(1.3, 0.1, p=0.01))
    for part in found.values():
        assert part["cover"] == 0
    assert found["plots"]["bias"] == pytest.approx(0.3)
    assert found["contrast"]["factor"] == 0
    assert found["contrast"]["p<0.05"] == 1


def test_widths_are_held_against_the_oracle() -> None:
    rows, narrow = verdict_on(answering(1.0, 0.1))
    _, wide = verdict_on(answering(1.0, 2.0))
    assert wide["plots"]["to_oracle"] == pytest.approx(20 * narrow["plots"]["to_oracle"])
    plots = rows[rows["what"] == "plot"]
    oracle = (plots["best_high"] - plots["best_low"]).sum()
    assert narrow["plots"]["to_oracle"] == pytest.approx(0.2 * plots["true"].sum() / oracle)
    assert wide["plots"]["mostly_mod"] == 1


def test_totals_refused_and_errors_are_counted() -> None:
    rows, refused = verdict_on(answering(math.nan, 0.1))
    assert all(part["refused"] == 1 for part in refused.values())
    assert all(math.isnan(part["cover"]) for part in refused.values())

    def failing(*_: Any, **__: Any) -> None:
        raise ValueError("no plots\nof any kind")

    rows, refused = verdict_on(failing)
    assert set(rows["error"]) == {"ValueError: no plots"}
    assert refused["plots"]["refused"] == 1


def test_frames_that_lack_what_is_judged_end_the_run() -> None:
    right = answering(1.0, 0.1)

    def without(*args: Any, **named: Any) -> Any:
        result = right(*args, **named)
        result.plots = result.plots.drop(columns="total_low_kg_ha")
        return result

    with pytest.raises(WrongFrames, match="plots has no total_low_kg_ha"):
        judged(without, SEEDS[0], "wet_20", "arable")


@pytest.mark.parametrize(("case", "soil"), [("month", "arable"), ("wet_40", "pasture")])
def test_the_oracle_covers_what_it_says(case: str, soil: str) -> None:
    """90 % of some 200 plots that go together: 0.80 to 0.97."""

    def covered(made: Record) -> float:
        totals = oracle_plots(made, np.random.default_rng([made.seed, 6]), 200)
        low, high = np.quantile(totals, [0.05, 0.95], axis=0)
        true = made.field.plot_totals()
        return float(((low <= true) & (true <= high)).mean())

    shares = [covered(record(seed, CASES[case], soil)) for seed in range(101, 126)]
    assert 0.80 < np.mean(shares) < 0.97
