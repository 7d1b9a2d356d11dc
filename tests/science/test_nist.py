"""The fits against certified values: NIST/ITL Statistical Reference Datasets (StRD).

Misra1a and BoxBOD are the .dat files as published; Norris, NoInt1 and Pontius are
transcribed from test suites of general libraries that quote the same certified values.
"""

import warnings
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import curve_fit

from stream.science.models import MODELS, FitStatus
from stream.science.models.fit import lay_end_to_end

DATA = Path(__file__).parent.parent / "data" / "nist"
KNOWN = 1e15
"""Weight of a point that is known exactly. The certified models have no constant term:
their curve starts at zero, which to our three-parameter curve is one more point at
(0, 0) of overwhelming weight. It takes one degree of freedom and gives one."""


def dat(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Columns x, y of a nonlinear set; data begin on line 61."""
    lines = (DATA / name).read_text().splitlines()[60:]
    table = np.array([[float(cell) for cell in line.split()] for line in lines if line.strip()])
    return table[:, 1], table[:, 0]


def csv(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Columns x, y of a linear set."""
    table = np.genfromtxt(DATA / name, delimiter=",", skip_header=2)
    return table[:, 1], table[:, 0]


def through_origin(x: np.ndarray, y: np.ndarray):
    """The same points with an exactly known start at (0, 0)."""
    weights = np.concatenate(([KNOWN], np.ones_like(x)))
    return lay_end_to_end([np.concatenate(([0.0], x))], [np.concatenate(([0.0], y))], [weights])


# name, b1, sd b1, b2, sd b2, residual sum of squares, residual standard deviation
CURVES = [
    (
        "Misra1a.dat",
        *(2.3894212918e02, 2.7070075241e00, 5.5015643181e-04, 7.2668688436e-06),
        *(1.2455138894e-01, 1.0187876330e-01),
    ),
    (
        "BoxBOD.dat",
        *(2.1380940889e02, 1.2354515176e01, 5.4723748542e-01, 1.0455993237e-01),
        *(1.1680088766e03, 1.7088072423e01),
    ),
]


@pytest.mark.parametrize(("name", "b1", "sd1", "b2", "sd2", "rss", "sd"), CURVES)
def test_saturating_curve(name, b1, sd1, b2, sd2, rss, sd) -> None:
    """y = b1 (1 − exp(−b2 x)): our slope is b1·b2 and our curvature b2."""
    fit = MODELS["saturating"].fit(through_origin(*dat(name)), correlated=False)
    slope, rate = fit.slope[0], fit.curvature[0]
    assert fit.status[0] == FitStatus.OK
    assert slope / rate == pytest.approx(b1, rel=1e-9)
    assert rate == pytest.approx(b2, rel=1e-9)
    assert fit.rss[0] == pytest.approx(rss, rel=1e-9)
    assert np.sqrt(fit.variance[0]) == pytest.approx(sd, rel=1e-9)
    assert fit.curvature_se[0] == pytest.approx(sd2, rel=1e-8)
    variance = (
        (fit.slope_se[0] / rate) ** 2
        + (slope / rate**2 * fit.curvature_se[0]) ** 2
        - 2 * slope / rate**3 * fit.covariance[0]
    )
    assert np.sqrt(variance) == pytest.approx(sd1, rel=1e-8)


@pytest.mark.parametrize(
    ("start", "lands"), [((1.0, 1.0), False), ((100.0, 0.75), True)], ids=["start 1", "start 2"]
)
def test_boxbod_needs_no_start(start: tuple[float, float], lands: bool) -> None:
    """Plain Levenberg–Marquardt lands from the second start only; ours has no start to lose."""
    x, y = dat("BoxBOD.dat")

    def curve(x: np.ndarray, b1: float, b2: float) -> np.ndarray:
        return b1 * -np.expm1(-b2 * x)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        plain, _ = curve_fit(curve, x, y, p0=start, method="lm")
    assert bool(abs(plain[0] / 213.80940889 - 1) < 1e-4) is lands
    ours = MODELS["saturating"].fit(through_origin(x, y), correlated=False)
    assert ours.slope[0] / ours.curvature[0] == pytest.approx(213.80940889, rel=1e-9)
    assert ours.rss[0] <= np.sum((curve(x, *plain) - y) ** 2) * (1 + 1e-12)


def test_boxbod_in_the_middle_of_a_batch() -> None:
    """The same bits alone and among others."""
    x, y = dat("BoxBOD.dat")
    alone = MODELS["saturating"].fit(lay_end_to_end([x], [y]), correlated=False)
    times = [x + 0.1 * i for i in range(200)] + [x] + [2 * x] * 99
    among = MODELS["saturating"].fit(lay_end_to_end(times, [y] * 300), correlated=False)
    assert among.slope[200] == alone.slope[0]
    assert among.slope_se[200] == alone.slope_se[0]


def test_norris() -> None:
    """Linear, lower difficulty."""
    fit = MODELS["linear"].fit(lay_end_to_end(*[[v] for v in csv("Norris.csv")]), correlated=False)
    assert fit.start[0] == pytest.approx(-0.262323073774029, rel=1e-10)
    assert fit.start_se[0] == pytest.approx(0.232818234301152, rel=1e-10)
    assert fit.slope[0] == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.slope_se[0] == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert fit.rss[0] == pytest.approx(26.6173985294224, rel=1e-10)
    # Residual standard deviation: from memory, and derived as sqrt(RSS/34).
    assert np.sqrt(fit.variance[0]) == pytest.approx(0.884796396144373, rel=1e-10)
    assert fit.r_squared[0] == pytest.approx(0.999993745883712, rel=1e-12)


def test_noint1() -> None:
    """No intercept, average difficulty."""
    fit = MODELS["linear"].fit(through_origin(*csv("NoInt1.csv")), correlated=False)
    assert fit.slope[0] == pytest.approx(2.07438016528926, rel=1e-12)
    assert fit.slope_se[0] == pytest.approx(0.165289256198347e-01, rel=1e-10)
    assert fit.rss[0] == pytest.approx(127.272727272727, rel=1e-10)
    assert np.sqrt(fit.variance[0]) == pytest.approx(3.56753034006338, rel=1e-10)


def test_pontius() -> None:
    """Quadratic, lower difficulty: x up to three million, curvature of a millionth of the slope."""
    fit = MODELS["quadratic"].fit(
        lay_end_to_end(*[[v] for v in _sorted(*csv("Pontius.csv"))]), correlated=False
    )
    assert fit.start[0] == pytest.approx(0.673565789473684e-03, rel=1e-9)
    assert fit.start_se[0] == pytest.approx(0.107938612033077e-03, rel=1e-9)
    assert fit.slope[0] == pytest.approx(0.732059160401003e-06, rel=1e-12)
    assert fit.slope_se[0] == pytest.approx(0.157817399981659e-09, rel=1e-9)
    assert fit.curvature[0] == pytest.approx(-0.316081871345029e-14, rel=1e-9)
    assert fit.curvature_se[0] == pytest.approx(0.486652849992036e-16, rel=1e-9)
    assert fit.rss[0] == pytest.approx(0.155761768796992e-05, rel=1e-9)
    # Residual standard deviation: from memory.
    assert np.sqrt(fit.variance[0]) == pytest.approx(0.205177424076185e-03, rel=1e-9)


def _sorted(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    order = np.argsort(x, kind="stable")
    return x[order], y[order]
