"""Detection limits: ours beside the simpler forms, and how often each cries wolf."""

import numpy as np
import pytest
from test_noise_and_choice import many, red

from stream.science.detection import limit_by_root_of_samples, limit_of_two_points
from stream.science.flux import detection_limit, dry_air_per_area, line_slope_se
from stream.science.models import fit_model
from stream.science.units import flux_unit

SIGMA, CLOSURE, SAMPLES = 0.3, 600.0, 600
MOLES = dry_air_per_area(0.15, 1.0, 101_325.0, 293.15, 0.0)
PER_HOUR = flux_unit("ug N m-2 h-1").per_nmol("N2O")


def test_the_forms_side_by_side() -> None:
    """σ 0.3 nmol mol⁻¹, 600 s, 600 samples, height 0.15 m, 101325 Pa, 20 °C, in µg N m⁻² h⁻¹:
    derived from the forms as recalled (Christiansen et al. 2015, from memory) and from the
    exact standard error of a slope.
    """
    two = limit_of_two_points(SIGMA, CLOSURE, MOLES) * PER_HOUR
    root = limit_by_root_of_samples(SIGMA, CLOSURE, 1.0, MOLES) * PER_HOUR
    ours = detection_limit(line_slope_se(SIGMA, CLOSURE, SAMPLES), SAMPLES - 2, MOLES) * PER_HOUR
    assert two == pytest.approx(0.314435, rel=1e-5)
    assert root == pytest.approx(0.012837, rel=1e-4)
    assert ours == pytest.approx(0.087187, rel=1e-4)


@pytest.mark.parametrize(("rho", "root_cries"), [(0.0, 0.7), (0.8, 0.85)])
def test_how_often_nothing_is_taken_for_a_flux(rho: float, root_cries: float) -> None:
    """On noise alone ours is passed in one closure of twenty, as it says; the form with the
    root of the samples in most.
    """
    rng = np.random.default_rng(7)
    t = np.arange(float(SAMPLES))
    segments = many(t, 330.0 + SIGMA * red(rng, 1500, SAMPLES, rho))
    fit = fit_model("linear", segments)
    flux = np.abs(fit.slope) * MOLES
    ours = detection_limit(fit.slope_se, SAMPLES - 2, MOLES)
    assert np.mean(flux > ours) == pytest.approx(0.05, abs=0.02)
    assert np.mean(flux > limit_by_root_of_samples(SIGMA, CLOSURE, 1.0, MOLES)) > root_cries
    two = np.mean(flux > limit_of_two_points(SIGMA, CLOSURE, MOLES))
    assert two < 0.01 if rho == 0.0 else two < 0.05
