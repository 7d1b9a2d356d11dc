"""The detection limit: as worked by hand, and how often it cries wolf."""

import numpy as np
import pytest
from test_noise_and_choice import many, red

from stream.science.flux.flux import detection_limit, dry_air_per_area, line_slope_se
from stream.science.flux.units import flux_unit
from stream.science.models import MODELS

SIGMA, CLOSURE, SAMPLES = 0.3, 600.0, 600
MOLES = dry_air_per_area(0.15, 1.0, 101_325.0, 293.15, 0.0)
PER_HOUR = flux_unit("ug N m-2 h-1").per_nmol("N2O")


def test_a_limit_worked_by_hand() -> None:
    """σ 0.3 nmol mol⁻¹, 600 s, 600 samples, height 0.15 m, 101325 Pa, 20 °C, in µg N m⁻² h⁻¹:
    derived from the exact standard error of a slope.
    """
    limit = detection_limit(line_slope_se(SIGMA, CLOSURE, SAMPLES), SAMPLES - 2, MOLES) * PER_HOUR
    assert limit == pytest.approx(0.087187, rel=1e-4)


@pytest.mark.parametrize("rho", [0.0, 0.8])
def test_how_often_nothing_is_taken_for_a_flux(rho: float) -> None:
    """On noise alone it is passed in one closure of twenty, as it says."""
    rng = np.random.default_rng(7)
    t = np.arange(float(SAMPLES))
    segments = many(t, 330.0 + SIGMA * red(rng, 1500, SAMPLES, rho))
    fit = MODELS["linear"].fit(segments)
    flux = np.abs(fit.slope) * MOLES
    limit = detection_limit(fit.slope_se, SAMPLES - 2, MOLES)
    assert np.mean(flux > limit) == pytest.approx(0.05, abs=0.02)
