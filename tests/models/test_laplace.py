"""The Laplace likelihood against its definition, dense and without shortcuts."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, optimize, special, stats

from outcomes.models.laplace import Grouping, LaplaceLikelihood


def _model(
    seed: int, *, slope: bool, wide: int = 40, n: int = 240
) -> tuple[np.ndarray, np.ndarray, list[Grouping]]:
    """Rows crossed by two groupings, and by a third of many levels nested in one of them."""
    rng = np.random.default_rng(seed)
    many = rng.integers(0, wide, n)
    few, some = rng.integers(0, 5, n), many % 9
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    values = rng.normal(size=n) + 0.5 if slope else None
    y = rng.binomial(1, 0.7, n).astype(float)
    groupings = [
        Grouping("few", few, 5),
        Grouping("some", some, 9, values),
        Grouping("many", many, wide),
    ]
    return y, x, groupings


def _dense(
    y: np.ndarray, x: np.ndarray, groupings: list[Grouping], theta: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Random design in units of the spreads, and the number of each row's trials."""
    entries = iter(theta)
    columns = []
    for g in groupings:
        indicator = np.eye(g.levels)[g.codes]
        first = next(entries)
        if g.slope is None:
            columns.append(first * indicator)
        else:
            across, own = next(entries), next(entries)
            columns.append((first + across * g.slope)[:, None] * indicator)
            columns.append((own * g.slope)[:, None] * indicator)
    return np.column_stack(columns), np.ones(len(y))


def _by_definition(
    y: np.ndarray, x: np.ndarray, groupings: list[Grouping], beta: np.ndarray, theta: np.ndarray
) -> float:
    """Maximise over the effects with a general optimiser, then take the determinant."""
    z, _ = _dense(y, x, groupings, theta)
    fixed = x @ beta

    def lost(u: np.ndarray) -> tuple[float, np.ndarray]:
        eta = fixed + z @ u
        value = np.logaddexp(0.0, eta).sum() - y @ eta + 0.5 * u @ u
        return float(value), z.T @ (special.expit(eta) - y) + u

    found = optimize.minimize(lost, np.zeros(z.shape[1]), jac=True, method="BFGS", tol=1e-10)
    p = special.expit(fixed + z @ found.x)
    curvature = z.T @ (z * (p * (1 - p))[:, None]) + np.eye(z.shape[1])
    return -float(found.fun) - 0.5 * float(np.linalg.slogdet(curvature)[1])


@pytest.mark.parametrize("slope", [False, True])
def test_likelihood_is_that_of_the_definition(slope) -> None:
    y, x, groupings = _model(1, slope=slope)
    beta = np.array([0.8, 0.3, -0.2])
    theta = np.array([0.4, 0.6, 0.2, 0.3, 0.7] if slope else [0.4, 0.6, 0.7])
    ours = LaplaceLikelihood(y, x, groupings).at(beta, theta).log_likelihood
    # The general optimiser stops about 1e-9 below its minimum.
    assert ours == pytest.approx(_by_definition(y, x, groupings, beta, theta), abs=1e-7)


@given(
    seed=st.integers(0, 50),
    slope=st.booleans(),
    spreads=st.lists(st.sampled_from([0.0, 1e-3, 0.3, 1.0, 2.5]), min_size=5, max_size=5),
)
def test_gradient_is_the_slope_of_the_likelihood(seed, slope, spreads) -> None:
    y, x, groupings = _model(seed, slope=slope, n=90, wide=20)
    likelihood = LaplaceLikelihood(y, x, groupings)
    beta, theta = np.array([0.5, 0.2, -0.1]), np.array(spreads[: likelihood.t])
    at = np.concatenate([beta, theta])
    gradient = likelihood.at(beta, theta).gradient
    for k in range(len(at)):
        ends = []
        for step in (1e-4, -1e-4):
            moved = at.copy()
            moved[k] += step
            ends.append(likelihood.at(moved[:3], moved[3:]).log_likelihood)
        # Central differences over 2e-4: third derivatives and rounding leave about 1e-6.
        assert gradient[k] == pytest.approx((ends[0] - ends[1]) / 2e-4, abs=2e-5)


def test_one_level_is_near_its_integral() -> None:
    # With 400 trials a level the approximation is good to 0.001 of a log unit for each of four.
    rng = np.random.default_rng(3)
    codes = np.repeat(np.arange(4), 400)
    y = rng.binomial(1, 0.8, len(codes)).astype(float)
    likelihood = LaplaceLikelihood(y, np.ones((len(codes), 1)), [Grouping("g", codes, 4)])
    beta, sd = 1.3, 0.4
    exact = 0.0
    for level in range(4):
        ones = y[codes == level].sum()

        def density(u: float, ones: float = ones) -> float:
            eta = beta + sd * u
            log = ones * eta - 400 * np.logaddexp(0.0, eta) + 200.0
            return float(np.exp(log) * stats.norm.pdf(u))

        exact += np.log(integrate.quad(density, -8, 8, points=[0.0], limit=200)[0]) - 200.0
    ours = likelihood.at(np.array([beta]), np.array([sd])).log_likelihood
    assert ours == pytest.approx(exact, abs=4e-3)


def test_near_mode_changes_only_the_way() -> None:
    y, x, groupings = _model(6, slope=True)
    likelihood = LaplaceLikelihood(y, x, groupings)
    points = [(np.array([0.5, a, 0.1]), np.array([0.5, 0.4, a, 0.2, 0.6])) for a in (0.0, 0.3)]
    cold = [likelihood.at(*point) for point in points]
    step = np.concatenate(points[1]) - np.concatenate(points[0])
    warm = likelihood.at(*points[1], likelihood.follow(cold[0].mode, step))
    assert warm.log_likelihood == pytest.approx(cold[1].log_likelihood, abs=1e-10)
    np.testing.assert_allclose(warm.gradient, cold[1].gradient, atol=1e-9)


def test_a_poor_mode_to_start_from_does_no_harm() -> None:
    y, x, groupings = _model(7, slope=False)
    likelihood = LaplaceLikelihood(y, x, groupings)
    at = np.array([0.5, 0.0, 0.1]), np.array([0.5, 0.4, 0.6])
    cold = likelihood.at(*at)
    far = likelihood.follow(cold.mode, np.array([300.0, 0, 0, 0, 0, 0]))
    assert likelihood.at(*at, far).log_likelihood == pytest.approx(cold.log_likelihood, abs=1e-10)


def test_signs_of_spreads_do_not_matter() -> None:
    y, x, groupings = _model(8, slope=True)
    likelihood = LaplaceLikelihood(y, x, groupings)
    beta = np.array([0.5, 0.2, 0.1])
    values = [
        likelihood.at(beta, np.array(theta)).log_likelihood
        for theta in (
            [0.5, 0.4, 0.2, 0.3, 0.6],
            [-0.5, 0.4, 0.2, 0.3, -0.6],
            [0.5, -0.4, -0.2, 0.3, 0.6],
            [0.5, 0.4, 0.2, -0.3, 0.6],
        )
    ]
    assert all(abs(a - b) < 1e-9 for a, b in pairwise(values))


def test_information_follows_the_effects() -> None:
    y, x, groupings = _model(9, slope=True)
    likelihood = LaplaceLikelihood(y, x, groupings)
    theta = np.array([0.5, 0.4, 0.2, 0.3, 0.6])
    mode = likelihood.at(np.array([0.5, 0.2, 0.1]), theta).mode
    z, _ = _dense(y, x, groupings, theta)
    weighted = mode.weight[:, None]
    inner = z.T @ (z * weighted) + np.eye(z.shape[1])
    across = z.T @ (x * weighted)
    expected = x.T @ (x * weighted) - across.T @ np.linalg.solve(inner, across)
    np.testing.assert_allclose(likelihood.information(mode), expected, rtol=1e-9)
