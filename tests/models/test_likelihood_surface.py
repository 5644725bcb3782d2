"""A surface between its points, its limits, and sums of several."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.models.likelihood_surface import LikelihoodSurface, SurfaceSum, continued

DROP = 1.9207294


def parabola(top, bend, step=(0.25, 0.25), cut=20.0, digits=None) -> LikelihoodSurface:
    """A normal likelihood as a share would have it."""
    top, bend = np.asarray(top, float), np.atleast_2d(np.asarray(bend, float))
    errors = np.sqrt(np.diag(np.linalg.inv(bend)))
    axes = [
        np.arange(np.floor((t - 6.5 * e) / h), np.ceil((t + 6.5 * e) / h) + 1) * h
        for t, e, h in zip(top, errors, step, strict=False)
    ]
    away = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1) - top
    values = -0.5 * np.einsum("...i,ij,...j", away, bend, away)
    values = values if digits is None else values.round(digits)
    return LikelihoodSurface(axes, np.where(values < -cut, np.nan, values))


BEND = np.array([[9.0, 4.0], [4.0, 6.0]])


def test_limits_of_a_parabola_are_those_of_the_normal() -> None:
    surface = parabola([-0.6, 0.3], BEND)
    errors = np.sqrt(np.diag(np.linalg.inv(BEND)))
    for effect, middle in enumerate((-0.6, 0.3)):
        found = SurfaceSum([surface]).limits(effect, DROP)
        assert found.estimate == pytest.approx(middle, abs=1e-3 * errors[effect])
        assert found.low == pytest.approx(middle - 1.959964 * errors[effect], abs=2e-3)
        assert found.high == pytest.approx(middle + 1.959964 * errors[effect], abs=2e-3)


def test_two_decimals_cost_little() -> None:
    errors = np.sqrt(np.diag(np.linalg.inv(BEND)))
    exact, rounded = (
        SurfaceSum([parabola([-0.6, 0.3], BEND, digits=d)]).limits(0, DROP) for d in (None, 2)
    )
    for name in ("estimate", "low", "high"):
        assert abs(getattr(exact, name) - getattr(rounded, name)) < 0.02 * errors[0]


def test_a_sum_of_parabolas_is_weighted_by_what_each_knows() -> None:
    one, two = np.array([-1.0, 0.5]), np.array([0.5, -0.5])
    other = np.array([[4.0, -1.0], [-1.0, 3.0]])
    together = SurfaceSum([parabola(one, BEND), parabola(two, other)])
    middle = np.linalg.solve(BEND + other, BEND @ one + other @ two)
    errors = np.sqrt(np.diag(np.linalg.inv(BEND + other)))
    assert together.top == pytest.approx(middle, abs=2e-3)
    for effect in (0, 1):
        found = together.limits(effect, DROP)
        assert found.low == pytest.approx(middle[effect] - 1.959964 * errors[effect], abs=3e-3)
        assert found.high == pytest.approx(middle[effect] + 1.959964 * errors[effect], abs=3e-3)


def test_a_surface_of_age_alone_adds_along_age() -> None:
    age = np.arange(-12, 13) * 0.25
    alone = LikelihoodSurface([age], -0.5 * 8.0 * (age - 0.4) ** 2)
    both = parabola([-0.6, 0.0], BEND)
    bend = BEND + np.diag([0.0, 8.0])
    middle = np.linalg.solve(bend, BEND @ [-0.6, 0.0] + np.array([0.0, 8.0 * 0.4]))
    assert SurfaceSum([alone, both]).top == pytest.approx(middle, abs=2e-3)


def test_units_far_apart_still_add_up() -> None:
    # Each lies far outside what the other knows; beyond its lattice a surface is a parabola.
    one, two = np.array([-4.0, 0.0]), np.array([4.0, 0.0])
    together = SurfaceSum([parabola(one, BEND), parabola(two, BEND)])
    assert together.top == pytest.approx(np.zeros(2), abs=0.02)


def test_apart_in_one_effect_common_in_the_other() -> None:
    one, two = np.array([-1.0, 0.5]), np.array([0.5, -0.5])
    together = SurfaceSum([parabola(one, BEND), parabola(two, BEND)])
    # With the first effect free, each unit is a parabola in the second with its marginal error.
    marginal = 1.0 / np.linalg.inv(BEND)[1, 1]
    expected = -0.5 * marginal * 2 * 0.5**2
    assert together.highest_apart(0) == pytest.approx(expected, abs=2e-3)


def test_a_limit_beyond_what_is_known_is_infinite() -> None:
    at = np.arange(-8, 1) * 0.25
    rising = LikelihoodSurface([at], at * 1.0)
    found = SurfaceSum([rising]).limits(0, 1.0)
    assert found.high == np.inf
    assert found.low == pytest.approx(-1.0, abs=0.01)


def test_a_hole_is_filled_from_its_neighbours() -> None:
    whole = parabola([-0.6, 0.3], BEND)
    values = whole.known.copy()
    middle = np.unravel_index(np.nanargmax(values), values.shape)
    values[middle] = np.nan
    filled = continued(values)
    assert filled[middle] == pytest.approx(whole.known[middle], abs=1e-9)


@settings(max_examples=5)
@given(st.integers(1, 6), st.floats(-1, 1), st.floats(-1, 1))
def test_order_tells_nothing(number, first, second) -> None:
    rng = np.random.default_rng(number)
    surfaces = [
        parabola(np.array([first, second]) + rng.normal(0.0, 0.3, 2), BEND * rng.uniform(0.5, 2))
        for _ in range(3)
    ]
    one, two = SurfaceSum(surfaces), SurfaceSum(surfaces[::-1])
    for effect in (0, 1):
        a, b = one.limits(effect, DROP), two.limits(effect, DROP)
        assert a.low == pytest.approx(b.low, abs=1e-4)
        assert a.high == pytest.approx(b.high, abs=1e-4)


def test_three_points_make_no_surface() -> None:
    with pytest.raises(ValueError, match="four points"):
        LikelihoodSurface([np.arange(3.0)], np.zeros(3))
