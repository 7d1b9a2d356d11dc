"""Gas stored in the soil: constants, the time constant by hand, and the factor against
closed forms and simulated truth.
"""

import numpy as np
import pytest

from stream.science.flux.soil_storage import (
    DIFFUSIVITY_M2_S,
    air_filled,
    bias_factors,
    soil_diffusivity,
    storage,
    time_constant_s,
)
from stream.science.models import MODELS as EVERY
from stream.science.models.fit import Segments, lay_end_to_end

MODELS = ("linear", "quadratic", "saturating", "diffusive")


def test_solubility_as_commonly_known() -> None:
    """A litre of water at 25 °C holds about 0.83 of what a litre of air holds of CO2, 0.6 of
    N2O, 0.034 of CH4 (from memory); more in the cold.
    """
    for gas, share in (("CO2", 0.83), ("N2O", 0.60), ("CH4", 0.034)):
        assert storage(gas, 0.0, 1.0, 298.15) == pytest.approx(share, rel=0.03)
        assert storage(gas, 0.0, 1.0, 278.15) > 1.25 * storage(gas, 0.0, 1.0, 298.15)
    assert storage("N2O", 0.3, 0.0, 298.15) == 0.3


def test_diffusivity_by_hand() -> None:
    """N2O in air at 20 °C: 0.1436 (293.15/273.15)^1.81 = 0.16319 cm² s⁻¹; in soil of porosity
    0.5 with 0.3 of air times 0.3^(10/3)/0.25 = 0.072298. Derived.
    """
    assert soil_diffusivity("N2O", 1.0, 1.0, 293.15, 101325.0) == pytest.approx(
        0.16319e-4, rel=1e-4
    )
    inside = soil_diffusivity("N2O", 0.3, 0.5, 293.15, 101325.0)
    assert inside == pytest.approx(0.16319e-4 * 0.072298, rel=1e-4)
    assert soil_diffusivity("N2O", 0.3, 0.5, 293.15, 50662.5) == pytest.approx(2 * inside)
    assert set(DIFFUSIVITY_M2_S) == {"N2O", "CH4", "CO2"}


def test_the_time_constant_by_hand() -> None:
    """0.15²/(0.35 · 1e-6) = 64 286 s; water that fills the pores leaves a hundredth of air."""
    assert time_constant_s(0.15, 0.35, 1e-6) == pytest.approx(64285.7, rel=1e-5)
    free, porosity = air_filled(np.array([0.2, 0.9]), 1.325)
    np.testing.assert_allclose(porosity, 0.5)
    np.testing.assert_allclose(free, [0.3, 0.01])


def test_two_points_by_the_closed_form() -> None:
    """Livingston et al. 2006 with C0 = 0.33, f0/h = 1e-4 s⁻¹, τ = 3600 s (derived values):
    0.4455748120 after 1800 s, so that a line through both falls short by that.
    """
    closures = lay_end_to_end(
        [np.array([0.0, 1800.0])], [np.zeros(2)], [np.ones(2)], known_variance=True
    )
    factor = bias_factors(closures, np.array([3600.0]), np.array([0]), ("linear",))
    assert factor[0] == pytest.approx(1800.0 * 1e-4 / (0.4455748120 - 0.33), rel=1e-8)


def closures(m: int, tau: float, noise: float, seed: int = 3) -> Segments:
    """Five hundred points of 600 s on a soil of this time constant, at a slope of 0.5."""
    from scipy.special import erfcx

    t = np.linspace(20.0, 600.0, 300)
    z = np.sqrt(t / tau)
    shape = tau * (2 * z / np.sqrt(np.pi) + erfcx(z) - 1)
    rng = np.random.default_rng(seed)
    y = 330.0 + 0.5 * shape + noise * rng.standard_normal((m, len(t)))
    return Segments(np.tile(t, m), y.ravel(), np.ones(m * len(t)), np.arange(m + 1) * len(t), False)


@pytest.mark.parametrize("tau", [1e3, 1e4, 1e5])
def test_corrected_slopes_are_those_of_the_truth(tau: float) -> None:
    """Each model falls short by its own share, and comes out right with its own factor."""
    segments = closures(40, tau, 0.05)
    for at, name in enumerate(MODELS):
        slope = EVERY[name].fit(segments).slope
        factor = bias_factors(segments, np.full(40, tau), np.full(40, at, dtype=np.int64), MODELS)
        assert np.median(slope * factor) == pytest.approx(0.5, rel=0.02), name
        if name == "diffusive":
            np.testing.assert_array_equal(factor, 1.0)
        else:
            assert (factor > 1.0).all()
    line = bias_factors(segments, np.full(40, tau), np.zeros(40, dtype=np.int64), MODELS)
    curve = bias_factors(segments, np.full(40, tau), np.full(40, 2, dtype=np.int64), MODELS)
    assert (line > curve).all(), "a line falls shorter than a curve"


def test_an_unknown_soil_has_no_factor() -> None:
    segments = closures(3, 1e4, 0.1)
    tau = np.array([1e4, np.nan, 1e4])
    factor = bias_factors(segments, tau, np.array([0, 0, -1]), MODELS)
    assert factor[0] > 1.0
    assert np.isnan(factor[1:]).all()
    assert set(MODELS) < set(EVERY)
