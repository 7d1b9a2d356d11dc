"""Responses to standard gases, against general libraries and by hand."""

import numpy as np
import pytest
import statsmodels.api as sm

from stream.science.flux.calibration import NEEDS, between, response_of


def test_one_standard_by_hand() -> None:
    """Span gas of 1000 shown as 980: true = measured · 1000/980. Zero gas shown as 2: less 2."""
    factor = response_of("factor", np.array([980.0]), np.array([1000.0]), np.array([0.49]))
    assert factor.true(np.array([490.0]))[0] == pytest.approx(500.0, rel=1e-12)
    assert factor.gain_se == pytest.approx(0.49 / 980.0)
    assert factor.residual == 0.0
    offset = response_of("offset", np.array([2.0]), np.array([0.0]), np.array([0.1]))
    assert offset.true(np.array([332.0]))[0] == pytest.approx(330.0)
    assert (offset.gain, offset.gain_se) == (1.0, 0.0)


def test_two_standards_by_hand() -> None:
    """Two points make the line through them: 310 → 300 and 1030 → 1020, gain 1; and
    305 → 300 and 1045 → 1020, gain 720/740.
    """
    plain = response_of("linear", np.array([310.0, 1030.0]), np.array([300.0, 1020.0]), np.ones(2))
    assert plain.true(np.array([500.0]))[0] == pytest.approx(490.0)
    line = response_of("linear", np.array([305.0, 1045.0]), np.array([300.0, 1020.0]), np.ones(2))
    assert line.gain == pytest.approx(720.0 / 740.0)
    assert line.gain_se == pytest.approx(np.sqrt(2) / 740.0)
    assert line.residual == 0.0


@pytest.mark.parametrize(("kind", "degree"), [("linear", 1), ("quadratic", 2)])
def test_many_standards_against_statsmodels(kind: str, degree: int) -> None:
    """sm.WLS of known on measured, its errors at a scale of one."""
    rng = np.random.default_rng(degree)
    known = np.array([300.0, 500.0, 800.0, 1500.0, 3000.0])
    error = np.array([0.5, 0.4, 0.8, 2.0, 3.0])
    measured = known * 0.97 + 4.0 + 2e-6 * known**2 + error * rng.standard_normal(5)
    found = response_of(kind, measured, known, error)  # type: ignore[arg-type]
    design = np.vander(measured, degree + 1, increasing=True)
    oracle = sm.WLS(known, design, weights=error**-2.0).fit()
    got = np.concatenate([found.offset, found.gain, found.bend])[: degree + 1]
    np.testing.assert_allclose(got, oracle.params, rtol=1e-7)
    centre = np.sum(measured / error**2) / np.sum(error**-2.0)
    derivative = np.array([0.0, 1.0, 2.0 * centre])[: degree + 1]
    expected = np.sqrt(derivative @ oracle.normalized_cov_params @ derivative)
    assert found.gain_se == pytest.approx(expected, rel=1e-6)
    if degree == 1:
        at = np.array([250.0, 900.0, 5000.0])
        told = oracle.get_prediction(np.vander(at, 2, increasing=True)).se_mean
        np.testing.assert_allclose(found.se(at), told / np.sqrt(oracle.scale), rtol=1e-6)
    distance = np.abs(known - oracle.fittedvalues).max() / np.ptp(known)
    assert found.residual == pytest.approx(distance, rel=1e-5)


def test_a_bent_detector_is_straightened() -> None:
    """Electron-capture detectors bend: three standards give back a parabola exactly."""
    known = np.array([250.0, 600.0, 2000.0])
    measured = np.array([260.0, 600.0, 1700.0])
    bent = response_of("quadratic", measured, known, np.ones(3))
    np.testing.assert_allclose(bent.true(measured), known, rtol=1e-12)
    inner = np.polynomial.Polynomial.fit(measured, known, 2)(900.0)
    assert bent.true(np.array([900.0]))[0] == pytest.approx(inner, rel=1e-10)
    step = 1e-3
    slope = (bent.true(np.array([900.0 + step])) - bent.true(np.array([900.0 - step]))) / (2 * step)
    assert bent.slope(np.array([900.0])) == pytest.approx(slope[0], rel=1e-6)


@pytest.mark.parametrize("kind", list(NEEDS))
def test_many_moments_are_each_their_own(kind: str) -> None:
    """Row by row the same as all at once, to the bit."""
    rng = np.random.default_rng(3)
    known = np.array([300.0, 900.0, 2000.0, 3500.0])
    error = rng.uniform(0.2, 2.0, (7, 4))
    measured = 0.02 * known + rng.uniform(0.0, 1.0, (7, 4))
    at = rng.uniform(300.0, 3000.0, 7) * 0.02
    whole = response_of(kind, measured, known, error)  # type: ignore[arg-type]
    for i in range(7):
        one = response_of(kind, measured[i], known, error[i])  # type: ignore[arg-type]
        for name in ("offset", "gain", "bend", "gain_se", "residual", "level_se", "bend_se"):
            assert getattr(one, name)[0] == getattr(whole, name)[i], name
        assert one.se(at[i : i + 1])[0] == whole.se(at)[i]


def test_too_few_or_equal_standards() -> None:
    for kind, count in NEEDS.items():
        if count > 1:
            few = np.arange(1.0, count)
            with pytest.raises(ValueError, match=f"needs {count} standards"):
                response_of(kind, few, few, np.ones(count - 1))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="different"):
        response_of("linear", np.full(2, 300.0), np.full(2, 300.0), np.ones(2))
    with pytest.raises(ValueError, match="zero gas"):
        response_of("factor", np.zeros(1), np.zeros(1), np.ones(1))


def test_bracketing_is_linear_in_time_and_holds_beyond() -> None:
    """numpy.interp; errors by hand: half way between two visits 1/√2 of each."""
    when, value = np.array([0.0, 100.0, 400.0]), np.array([1000.0, 1010.0, 1004.0])
    at = np.array([-50.0, 0.0, 50.0, 100.0, 250.0, 400.0, 900.0])
    got, error = between(at, when, value, np.full(3, 0.2))
    np.testing.assert_allclose(got, np.interp(at, when, value))
    np.testing.assert_allclose(error[[0, 2, 4, 6]], [0.2, 0.2 / np.sqrt(2), 0.2 / np.sqrt(2), 0.2])
    one, _ = between(at, when[:1], value[:1], np.array([0.2]))
    assert set(one) == {1000.0}


def test_of_many_closures_each_has_its_own_visits() -> None:
    """To the bit what each gives by itself: one visit, some in the middle, all."""
    rng = np.random.default_rng(5)
    when, value, error = np.sort(rng.uniform(0.0, 1e4, 9)), rng.normal(1e3, 3.0, 9), np.ones(9)
    ranges = [(0, 1), (8, 9), (2, 5), (3, 4), (0, 9), (7, 9)]
    at = rng.uniform(-1e3, 11e3, (len(ranges), 40))
    first, stop = (np.repeat([r[i] for r in ranges], 40) for i in (0, 1))
    got = between(at.ravel(), when, value, error, (first, stop))
    for i, (a, b) in enumerate(ranges):
        alone = between(at[i], when[a:b], value[a:b], error[a:b])
        mine = slice(40 * i, 40 * i + 40)
        assert (got[0][mine].tolist(), got[1][mine].tolist()) == tuple(x.tolist() for x in alone)
