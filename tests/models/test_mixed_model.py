"""Maxima of the logistic mixed model: closed forms, invariants, and what is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize

from outcomes.errors import FitError
from outcomes.models.laplace import Grouping, LaplaceLikelihood
from outcomes.models.mixed_model import SeparatedError, fit_mixed_model
from outcomes.models.mixed_search import SpreadError


def _drawn(
    seed: int, n: int = 300, sd: float = 0.8, slope_sd: float = 0.0
) -> tuple[np.ndarray, np.ndarray, list[Grouping]]:
    rng = np.random.default_rng(seed)
    group, other = rng.integers(0, 20, n), rng.integers(0, 6, n)
    x = np.column_stack([np.ones(n), rng.normal(size=n), rng.integers(0, 2, n)])
    eta = 1.0 + 0.4 * x[:, 1] + (sd * rng.normal(size=20))[group]
    eta += slope_sd * rng.normal(size=20)[group] * x[:, 1]
    y = (rng.random(n) < 1.0 / (1.0 + np.exp(-eta))).astype(float)
    slope = x[:, 1] if slope_sd else None
    return y, x, [Grouping("group", group, 20, slope), Grouping("other", other, 6)]


def test_without_groupings_it_is_closed_form() -> None:
    y = np.repeat([1.0, 0.0], [60, 20])
    found = fit_mixed_model(y, np.ones((80, 1)), [])
    assert found.beta[0] == pytest.approx(np.log(3.0), abs=1e-10)
    assert found.covariance[0, 0] == pytest.approx(1 / 60 + 1 / 20, rel=1e-6)
    assert found.log_likelihood == pytest.approx(60 * np.log(0.75) + 20 * np.log(0.25), abs=1e-10)


def test_two_by_two_table_has_its_closed_form() -> None:
    # Log odds ratio and Woolf's error: 1/a + 1/b + 1/c + 1/d.
    y = np.repeat([1.0, 0.0, 1.0, 0.0], [30, 10, 12, 18])
    x = np.column_stack([np.ones(70), np.repeat([0.0, 1.0], [40, 30])])
    found = fit_mixed_model(y, x, [])
    assert found.beta[1] == pytest.approx(np.log((12 * 10) / (18 * 30)), abs=1e-10)
    woolf = 1 / 30 + 1 / 10 + 1 / 12 + 1 / 18
    assert found.covariance[1, 1] == pytest.approx(woolf, rel=1e-6)


@pytest.mark.parametrize("slope_sd", [0.0, 0.5])
def test_a_general_optimiser_finds_nothing_higher(slope_sd: float) -> None:
    y, x, groupings = _drawn(1, slope_sd=slope_sd)
    found = fit_mixed_model(y, x, groupings)
    likelihood = LaplaceLikelihood(y, x, groupings)
    theta = np.concatenate([g.factor[np.tril_indices(len(g.factor))] for g in found.groups])

    def lost(at: np.ndarray) -> tuple[float, np.ndarray]:
        point = likelihood.at(at[:3], at[3:])
        return -point.log_likelihood, -point.gradient

    rng = np.random.default_rng(2)
    for _ in range(3):
        start = np.concatenate([found.beta, theta]) + rng.normal(0, 0.2, 3 + len(theta))
        other = optimize.minimize(lost, start, jac=True, method="BFGS", options={"gtol": 1e-7})
        assert -other.fun <= found.log_likelihood + 1e-7
        np.testing.assert_allclose(other.x[:3], found.beta, atol=1e-4)


def test_the_gradient_at_the_maximum_is_nothing() -> None:
    y, x, groupings = _drawn(3)
    found = fit_mixed_model(y, x, groupings)
    theta = np.array([g.factor[0, 0] for g in found.groups])
    gradient = LaplaceLikelihood(y, x, groupings).at(found.beta, theta).gradient
    errors = np.sqrt(np.diag(found.covariance))
    assert np.abs(gradient[:3] * errors).max() < 1e-6


def test_a_variance_of_zero_comes_out_as_zero() -> None:
    # Every level has the same share of ones: less than chance apart.
    group = np.repeat(np.arange(10), 20)
    y = np.tile(np.repeat([1.0, 0.0], [15, 5]), 10)
    found = fit_mixed_model(y, np.ones((200, 1)), [Grouping("group", group, 10)])
    assert found.groups[0].factor[0, 0] == 0.0
    assert not found.groups[0].modes.any()
    assert found.beta[0] == pytest.approx(np.log(3.0), abs=1e-9)
    assert found.covariance[0, 0] == pytest.approx(1 / 150 + 1 / 50, rel=1e-6)


@pytest.mark.slow
@given(seed=st.integers(0, 200))
def test_row_order_and_units_change_nothing(seed: int) -> None:
    y, x, groupings = _drawn(seed, n=150)
    plain = fit_mixed_model(y, x, groupings, curvature=False)
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(y))
    scale = np.array([1.0, 7.0, 0.3])
    names = rng.permutation(20)
    moved = [
        Grouping(g.name, (names[g.codes] if g.levels == 20 else g.codes)[order], g.levels)
        for g in groupings
    ]
    other = fit_mixed_model(y[order], x[order] * scale, moved, curvature=False)
    assert other.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-8)
    np.testing.assert_allclose(other.beta * scale, plain.beta, atol=1e-6)
    for one, two in zip(plain.groups, other.groups, strict=True):
        np.testing.assert_allclose(two.factor, one.factor, atol=1e-6)


def test_offset_moves_only_its_coefficient() -> None:
    y, x, groupings = _drawn(4)
    plain = fit_mixed_model(y, x, groupings)
    moved = fit_mixed_model(y, x, groupings, offset=0.25 * x[:, 1])
    np.testing.assert_allclose(moved.beta + np.array([0.0, 0.25, 0.0]), plain.beta, atol=1e-8)
    assert moved.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-9)


def test_one_result_throughout_is_refused() -> None:
    with pytest.raises(FitError, match="every outcome is the same"):
        fit_mixed_model(np.ones(20), np.ones((20, 1)), [])


@pytest.mark.parametrize("grouped", [False, True])
def test_separated_outcomes_are_refused(grouped: bool) -> None:
    value = np.linspace(-1.0, 1.0, 60)
    x = np.column_stack([np.ones(60), value])
    groupings = [Grouping("g", np.arange(60) % 6, 6)] if grouped else []
    with pytest.raises(SeparatedError, match="separated too cleanly"):
        fit_mixed_model((value > 0.1).astype(float), x, groupings)


def test_columns_that_say_the_same_are_refused() -> None:
    y, x, groupings = _drawn(6)
    with pytest.raises(FitError, match="the same information"):
        fit_mixed_model(y, np.column_stack([x, 2.0 * x[:, 1] + 1.0]), groupings)


def test_unmixed_levels_have_no_finite_spread() -> None:
    # Half of the levels all ones, half all zeros: the farther apart, the likelier.
    codes = np.repeat(np.arange(40), 30)
    y = (codes % 2).astype(float)
    y[:1] = 1.0 - y[:1]
    with pytest.raises(SpreadError) as refused:
        fit_mixed_model(y, np.ones((len(y), 1)), [Grouping("level", codes, 40)])
    assert refused.value.grouping == "level"


def test_errors_at_given_spreads_are_smaller() -> None:
    y, x, groupings = _drawn(7)
    whole = fit_mixed_model(y, x, groupings)
    quick = fit_mixed_model(y, x, groupings, curvature=False)
    np.testing.assert_allclose(quick.beta, whole.beta, atol=1e-9)
    ratio = np.sqrt(np.diag(quick.covariance) / np.diag(whole.covariance))
    assert (ratio < 1.0 + 1e-6).all()
    assert (ratio > 0.9).all()


def test_lone_slope_goes_on_to_the_maximum() -> None:
    # Levels that differ in slope, hardly in intercept: the maximum has a spread of 0.046 there.
    rng = np.random.default_rng(3587)
    n = 800
    z, level = rng.normal(size=n), rng.integers(0, 6, n)
    x = np.column_stack([np.ones(n), z])
    sign = 0.5 * rng.choice([-1, 1])
    effects = rng.normal(size=(6, 2)) @ np.array([[0.12, 0.0], [sign, 0.0]]).T
    eta = x @ [1.0, 0.3] + effects[level, 0] + effects[level, 1] * z
    y = rng.binomial(1, 1.0 / (1.0 + np.exp(-eta))).astype(float)
    groupings = [Grouping("level", level, 6, z)]
    found = fit_mixed_model(y, x, groupings)
    likelihood = LaplaceLikelihood(y, x, groupings)
    for spreads in ([0.04, 0.717, 0.0], [0.046, 0.73, 0.0], [0.0, 0.0, 0.717]):
        there = likelihood.at(found.beta, np.array(spreads)).log_likelihood
        assert found.log_likelihood >= there - 1e-9
    assert 0.02 < found.groups[0].factor[0, 0] < 0.08


@pytest.mark.parametrize("offset", [-1000.0, 60.0, 1000.0])
def test_offset_in_the_columns_is_carried_by_them(offset: float) -> None:
    y, x, groupings = _drawn(8)
    plain = fit_mixed_model(y, x, groupings)
    moved = fit_mixed_model(y, x, groupings, offset=np.full(len(y), offset))
    assert moved.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-8)
    assert moved.beta[0] + offset == pytest.approx(plain.beta[0], abs=1e-7)


def test_two_groupings_that_are_one_are_refused() -> None:
    y, x, (group, _) = _drawn(9)
    twin = Grouping("twin", 19 - group.codes, 20)
    with pytest.raises(FitError, match="twin tell the same rows apart"):
        fit_mixed_model(y, x, [group, twin])


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_value_that_is_no_number_is_refused(value: float) -> None:
    y, x, groupings = _drawn(10)
    x[3, 1] = value
    with pytest.raises(FitError, match="missing or not a number"):
        fit_mixed_model(y, x, groupings)


def test_a_large_mean_is_no_separation() -> None:
    y, x, groupings = _drawn(11)
    plain = fit_mixed_model(y, x, groupings)
    moved = fit_mixed_model(y, x + np.array([0.0, 20_000.0, 0.0]), groupings)
    assert moved.beta[1] == pytest.approx(plain.beta[1], rel=1e-6)


def test_a_rough_fit_is_near_the_certified_one():
    rng = np.random.default_rng(8)
    herd = Grouping("herd", np.repeat(np.arange(20), 15), 20)
    x = np.column_stack([np.ones(300), rng.normal(size=300)])
    eta = 0.5 + 0.7 * x[:, 1] + rng.normal(0.0, 0.8, 20)[herd.codes]
    y = (rng.random(300) < 1.0 / (1.0 + np.exp(-eta))).astype(float)
    sure = fit_mixed_model(y, x, [herd])
    start = [np.array([[0.3]])]
    for near in (None, start):
        rough = fit_mixed_model(y, x, [herd], near=near, roughly=True)
        assert 0.0 <= sure.log_likelihood - rough.log_likelihood < 0.005
        again = fit_mixed_model(y, x, [herd], near=near)
        assert again.log_likelihood == pytest.approx(sure.log_likelihood, abs=1e-9)
