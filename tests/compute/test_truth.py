"""Simulated truth through the whole path: bias, coverage, and every injected fault.

The simulation (stream/demo) has its own physics and noise and shares no fit with what
it tests. Noise: white and red parts of a fast analyzer, memory 5 s, drift; heights
differ from the stated ones by their stated standard deviation, closure by closure.
"""

import csv
from collections import defaultdict
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from stream.compute.replay import replay
from stream.demo.scenario import Scenario, own_line, shared_analyzer
from stream.demo.write import write_station
from stream.science.quality.flags import BAD, FLAGS, MISSING, bits_of, quality
from stream.station import load_station
from stream.store import open_store
from stream.store.results.readers import Reader
from stream.times import SECOND, rfc3339

Key = tuple[str, str, str]


class Outcome:
    """A replayed simulation beside its truth."""

    def __init__(self, scenario: Scenario, folder: Path) -> None:
        path = write_station(scenario, folder)
        file = load_station(path)
        replay(file, [folder / "incoming"], file.database_url)
        with closing(open_store(file.database_url)) as store:
            reader = Reader(store, file.station.id)
            self.fluxes = list(reader.fluxes())
            self.gaps = list(reader.gaps())
            self.quarantine = list(reader.quarantine())
        self.gases = tuple(file.station.analyzers[0].gases)
        self.truth: dict[Key, float] = {}
        with (folder / "truth_fluxes.csv").open() as rows:
            for r in csv.DictReader(rows):
                self.truth[r["chamber"], r["gas"], r["closed_at"]] = float(r["flux_nmol_m2_s"])
        with (folder / "truth_faults.csv").open() as rows:
            self.injected = list(csv.DictReader(rows))

        self.pairs = list(self._pairs())

    def _pairs(self) -> Iterator[tuple[str, float, float, float]]:
        for r in self.fluxes:
            true = self.truth.get((r["chamber"], r["gas"], rfc3339(r["closed_us"])))
            if r["quality"] == 1 and true is not None:
                yield r["gas"], true, r["flux_nmol_m2_s"], r["flux_se_nmol_m2_s"]

    def good(self, gas: str | None = None) -> np.ndarray:
        """True flux, found flux and standard error of every flux of good quality."""
        return np.array([p[1:] for p in self.pairs if gas in (None, p[0])]).T

    def flags(self) -> tuple[dict[str, set[Key]], dict[str, set[Key]]]:
        """Flag → (chamber, gas, time) as injected, and as found."""
        expected: dict[str, set[Key]] = defaultdict(set)
        for r in self.injected:
            for gas in [r["gas"]] if r["gas"] else self.gases:
                expected[r["flag"]].add((r["chamber"], gas, r["at"]))
        found: dict[str, set[Key]] = defaultdict(set)
        for r in self.fluxes:
            for flag in r["flags"].split():
                found[flag].add((r["chamber"], r["gas"], rfc3339(r["closed_us"])))
        for r in self.gaps:
            for gas in self.gases:
                found[r["flags"]].add((r["chamber"], gas, rfc3339(r["due_us"])))
        return expected, found


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    return Outcome(own_line(), tmp_path_factory.mktemp("own"))


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    return Outcome(shared_analyzer(), tmp_path_factory.mktemp("shared"))


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    both = [
        Outcome(
            own_line(5, faults=False, height_error_m=0.003, seed=seed),
            tmp_path_factory.mktemp("plain"),
        )
        for seed in (5, 77)
    ]
    both[0].pairs = [pair for outcome in both for pair in outcome.pairs]
    return both[0]


def test_bias_and_coverage_of_own_line_closures(plain: Outcome) -> None:
    """Median bias below 1 %, and 95 % intervals that cover 93 to 97 %."""
    true, found, error = plain.good()
    assert len(true) > 2700
    assert abs(np.median((found - true) / np.abs(true))) < 0.01
    covered = np.mean(np.abs(found - true) < 1.96 * error)
    assert 0.93 <= covered <= 0.97


@pytest.mark.parametrize("gas", ["N2O", "CH4", "CO2"])
def test_bias_and_coverage_by_gas(plain: Outcome, gas: str) -> None:
    """Each gas by itself; 950 closures, so coverage is known to 0.7 %."""
    true, found, error = plain.good(gas)
    assert abs(np.median((found - true) / np.abs(true))) < 0.01
    assert 0.92 <= np.mean(np.abs(found - true) < 1.96 * error) <= 0.98


def test_shared_analyzer_against_truth(shared: Outcome) -> None:
    """Five visits a closure: median bias below 1 % over all gases, and honest intervals."""
    true, found, error = shared.good()
    assert abs(np.median((found - true) / np.abs(true))) < 0.01
    assert np.mean(np.abs(found - true) < 1.96 * error) > 0.93


@pytest.mark.parametrize("station", ["own", "shared"])
def test_every_injected_fault_is_found(station: str, request: pytest.FixtureRequest) -> None:
    """Recall is one: each injected fault raises its flag on its closure or gap."""
    outcome: Outcome = request.getfixturevalue(station)
    expected, found = outcome.flags()
    assert len(expected) >= 4
    for flag, keys in expected.items():
        assert {k for k in keys if not _near(k, found[flag])} == set(), flag


@pytest.mark.parametrize("station", ["own", "shared"])
def test_no_fault_is_invented(station: str, request: pytest.FixtureRequest) -> None:
    """Precision is one, but for what follows from another fault that is worse.

    Air of two chambers on one line, or of a leaking one, also scatters: ``poor_fit`` on
    a closure that another flag has called bad is not counted.
    """
    outcome: Outcome = request.getfixturevalue(station)
    expected, found = outcome.flags()
    bad = {
        (r["chamber"], r["gas"], rfc3339(r["closed_us"]))
        for r in outcome.fluxes
        if quality(bits_of(set(r["flags"].split()) - {"poor_fit"})) in {BAD, MISSING}
    }
    for flag, keys in found.items():
        if flag == "below_detection":
            continue
        invented = {k for k in keys if not _near(k, expected[flag])}
        if flag == "poor_fit":
            invented -= bad
        assert invented == set(), flag


def _near(key: Key, keys: set[Key]) -> bool:
    """The same chamber and gas within 20 min: a gap's due time is an expectation."""
    chamber, gas, at = key
    when = np.datetime64(at.rstrip("Z"))
    return any(
        k[:2] == (chamber, gas)
        and abs(np.datetime64(k[2].rstrip("Z")) - when) <= np.timedelta64(20, "m")
        for k in keys
    )


def test_below_detection_flags_only_what_is_small(own: Outcome) -> None:
    for r in own.fluxes:
        flagged = "below_detection" in r["flags"].split()
        if r["flux_nmol_m2_s"] is None:
            assert not flagged
        else:
            assert flagged == (abs(r["flux_nmol_m2_s"]) < r["detection_limit_nmol_m2_s"])


def test_a_leak_that_is_nothing_but_noise_is_near_its_detection_limit(own: Outcome) -> None:
    """Detection limits follow the scatter of the closure at hand, not a catalogue."""
    leak = next(r for r in own.injected if r["flag"] == "poor_fit")
    leaking, quiet = [], []
    for r in own.fluxes:
        if (r["chamber"], r["gas"]) == (leak["chamber"], "N2O") and r["points"] > 100:
            mine = rfc3339(r["closed_us"]) == leak["at"]
            (leaking if mine else quiet).append(r["detection_limit_nmol_m2_s"])
    assert leaking[0] > 10 * np.median(quiet)


def test_bad_lines_of_the_logger_are_in_quarantine(own: Outcome) -> None:
    """A broken line and a greeting; the repeated lines and the second header are neither."""
    reasons = sorted(r["reason"] for r in own.quarantine)
    assert len(reasons) == 2
    assert "power up" in reasons[0]
    assert reasons[0].endswith("is not a time")
    assert reasons[1] == "3 fields where the header has 18"


def test_every_flag_of_the_lid_and_the_points_is_exercised(own: Outcome, shared: Outcome) -> None:
    """The truth files cover the list of flags, but for those that other tests make."""
    injected = set(own.flags()[0]) | set(shared.flags()[0])
    elsewhere = {
        "no_open_edge",
        "no_co2_rise",
        "leak_suspected",
        "start_off_ambient",
        "start_implausible",
        "co2_falls_in_dark",
        "temperature_implausible",
        "pressure_implausible",
        "water_implausible",
        "height_implausible",
        "setup_implausible",
        "standards_exchanged",
        "standards_implausible",
        "toggling",
        "not_flushed",
        "pressure_step",
        "bias_corrected",
        "bias_not_corrected",
        "calibration_overdue",
        "calibration_poor",
        "no_calibration",
        "vials_waiting",
        "vials_missing",
        "vial_doubtful",
        "vial_underfilled",
        "times_swapped",
        "beyond_standards",
        "clock_unsteady",
        "clock_off",
        "marked_bad",
        "open_time_uncertain",
        "few_points",
        "no_water",
        "temperature_held",
        "no_height",
        "no_fit",
        "below_detection",
    }
    assert set(FLAGS) - injected == elsewhere


def test_times_are_exact(own: Outcome) -> None:
    for r in own.fluxes:
        assert r["closed_us"] % SECOND == 0
