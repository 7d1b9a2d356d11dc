"""Drafts of loggers that write seldom."""

from pathlib import Path

import pytest
from draft.own_logs import draft, fluxes, hold_against_the_truth, log


@pytest.mark.parametrize("step", [20, 60])
def test_a_slow_logger_has_usable_fluxes(step: int, tmp_path: Path) -> None:
    log(tmp_path / "in" / "x.csv", step=step)
    path, found = draft(tmp_path)
    assert step <= found["closure"]["edge_tolerance_s"] <= 1.5 * step
    assert f"every {step} s" in path.read_text(encoding="utf-8")
    rows = fluxes(path)
    assert not any("close_time_uncertain" in row["flags"] for row in rows)
    if step == 20:
        hold_against_the_truth(rows)


def test_a_fast_logger_keeps_the_tolerance(tmp_path: Path) -> None:
    log(tmp_path / "in" / "x.csv", step=10)
    _, found = draft(tmp_path)
    assert "edge_tolerance_s" not in found["closure"]
