"""Units drawn from a normal: held to what is exact where every surface is a parabola."""

import numpy as np
import pytest
from scipy import integrate, optimize
from scipy.stats import multivariate_normal

from outcomes.models.likelihood_surface import LikelihoodSurface
from outcomes.models.surfaces_together import UnitsFromNormal
from tests.models.test_likelihood_surface import parabola

TOPS = [(-1.0, 0.5), (-0.2, -0.4), (-0.9, 0.1), (-0.5, 0.9), (0.1, 0.0), (-1.3, -0.2)]
BEND = np.array([[9.0, 3.0], [3.0, 6.0]])


def exact(mean: np.ndarray, spread: np.ndarray) -> float:
    """Of normal estimates: their own law about the mean, less that at their tops."""
    own = np.linalg.inv(BEND)
    total = sum(multivariate_normal(mean, own + np.diag(spread**2)).logpdf(t) for t in TOPS)
    return total - len(TOPS) * multivariate_normal(np.zeros(2), own).logpdf(np.zeros(2))


@pytest.fixture(scope="module")
def units() -> UnitsFromNormal:
    return UnitsFromNormal([parabola(t, BEND) for t in TOPS])


@pytest.mark.parametrize("spread", [(0.0, 0.0), (0.4, 0.0), (0.3, 0.6), (2.0, 1.0)])
def test_the_integral_of_parabolas_is_exact(units, spread) -> None:
    mean = np.array([-0.5, 0.2])
    found = units.at(np.concatenate([mean, spread]))[0]
    # What the spline and the cut of the lattice cost.
    assert found == pytest.approx(exact(mean, np.array(spread)), abs=0.01)


def test_the_gradient_is_that_of_differences(units) -> None:
    at = np.array([-0.5, 0.2, 0.4, 0.5])
    gradient = units.at(at)[1]
    for k, step in enumerate(np.eye(4) * 1e-4):
        differences = (units.at(at + step)[0] - units.at(at - step)[0]) / 2e-4
        assert gradient[k] == pytest.approx(differences, abs=0.01)


@pytest.mark.slow
def test_the_best_is_that_of_normal_estimates(units) -> None:
    found = optimize.minimize(
        lambda v: -exact(v[:2], v[2:]), [-0.5, 0.2, 0.3, 0.3], method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 4000},
    )  # fmt: skip
    best = units.best
    assert best.mean == pytest.approx(found.x[:2], abs=5e-3)
    assert best.spread == pytest.approx(np.abs(found.x[2:]), abs=1e-2)
    low, high = units.limits_of_mean(0, 2.0)
    for limit in (low, high):
        there = optimize.minimize(
            lambda v, m=limit: -exact(np.array([m, v[0]]), v[1:]), [0.2, 0.4, 0.3],
            method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 4000},
        )  # fmt: skip
        assert 2.0 * (there.fun - found.fun) == pytest.approx(4.0, abs=0.03)


def test_a_surface_that_is_no_parabola_is_integrated_as_it_is() -> None:
    at = np.arange(-40, 41) * 0.125
    values = at - np.exp(at) + 1.0  # a count's log-likelihood: steep to one side
    surface = LikelihoodSurface([at], np.where(values < -20.0, np.nan, values))
    units = UnitsFromNormal([surface])
    mean, spread = -0.5, 0.8

    def integrand(b: float) -> float:
        return float(np.exp(b - np.exp(b) + 1.0 - 0.5 * ((b - mean) / spread) ** 2))

    whole = integrate.quad(integrand, -8, 6)[0] / (spread * np.sqrt(2 * np.pi))
    assert units.at(np.array([mean, spread]))[0] == pytest.approx(np.log(whole), abs=0.005)


def test_alike_units_have_no_spread() -> None:
    units = UnitsFromNormal([parabola((-0.6 + 0.01 * k, 0.2), BEND) for k in range(6)])
    assert units.best.spread == pytest.approx(np.zeros(2), abs=1e-3)
    assert units.limits_of_spread(0, 1.96)[0] == 0.0


def test_an_effect_that_may_not_differ_does_not(units) -> None:
    held = UnitsFromNormal([parabola(t, BEND) for t in TOPS], (True, False))
    assert held.best.spread[1] == 0.0
    assert held.best.log_likelihood < units.best.log_likelihood
