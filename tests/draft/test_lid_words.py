"""Drafts of logs whose lids are in words."""

from pathlib import Path

import pytest
from draft.own_logs import draft, fluxes, hold_against_the_truth, log


@pytest.mark.parametrize(
    "words", [("open", "shut", "moving"), ("opened", "closed", "lowering")], ids=["shut", "one"]
)
def test_words_for_lids_that_are_known_can_be_replayed(
    words: tuple[str, str, str], tmp_path: Path
) -> None:
    log(tmp_path / "in" / "x.csv", words=words)
    path, found = draft(tmp_path)
    lid = found["channels"]["lid_{id}"]
    known = words[2] == "moving"
    assert set(lid) == ({"unit"} if known else {"unit", "states"})
    hold_against_the_truth(fluxes(path, lowering="2"))


@pytest.mark.parametrize(
    ("words", "unknown"),
    [
        (("raised", "shut", "lowering"), {"raised": 0, "lowering": 2}),
        (("up", "down", "on the way"), {"up": 0, "down": 1, "on the way": 2}),
    ],
    ids=["shut", "none"],
)
def test_words_for_lids_that_nobody_knows_are_asked_about(
    words: tuple[str, str, str], unknown: dict[str, int], tmp_path: Path
) -> None:
    """The guess stands in the question, and holds."""
    log(tmp_path / "in" / "x.csv", words=words)
    path, found = draft(tmp_path)
    defaults = found["chamber_defaults"]
    assert (defaults["lid_closed"], defaults["lid_open"]) == (1, 0)
    states = found["channels"]["lid_{id}"]["states"]
    assert set(states) == set(unknown)
    for word, number in unknown.items():
        assert states[word].startswith(f"? {number}, ")
        assert f"1 where {word} means closed, 0 open, 2 moving" in states[word]
    hold_against_the_truth(fluxes(path, **{w: str(n) for w, n in unknown.items()}))


@pytest.mark.parametrize("header", ["Lid", "Chamber closed"])
def test_names_of_chambers_in_one_column_are_no_words_of_a_lid(header: str, tmp_path: Path) -> None:
    """Which of them is closed is asked; the names are not taken for open and closed."""
    lines = [f"Date;Time;CO2 [ppm];Temp [degC];{header}"]
    for s in range(0, 6 * 3600, 10):
        name = ("west", "idle", "east", "idle")[s // 300 % 4]
        lines.append(
            f"2026-06-15;{s // 3600:02}:{s // 60 % 60:02}:{s % 60:02};4{s % 97};18.5;{name}"
        )
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "x.csv").write_text("\n".join(lines) + "\n")
    path, found = draft(tmp_path)
    assert found["chambers"].startswith("? Which chambers are there?")
    assert f"# Left out: {header}" in path.read_text(encoding="utf-8")
