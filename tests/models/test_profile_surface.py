"""A surface holds each of its points against its neighbours."""

from dataclasses import dataclass

import numpy as np
import pytest

from outcomes.errors import FitError
from outcomes.models.profile_likelihood import ProfilePoint
from outcomes.models.profile_surface import CUT, largest_power_of_two, profile_surface

BEND = np.array([[4.0, 1.5], [1.5, 2.0]])
TOP = np.array([-0.61, 0.23])


@dataclass
class Parabola:
    """Stands for a profile: exact, but for places where the search goes wrong."""

    lies: dict[tuple[float, float], float]
    fails: frozenset[tuple[float, float]] = frozenset()
    stubborn: bool = False
    calls: int = 0

    def at(self, coefficients, near=None, *, roughly=False) -> ProfilePoint:
        self.calls += 1
        key = tuple(float(c) for c in coefficients)
        if key in self.fails:
            raise FitError("no maximum was found")
        away = coefficients - TOP
        value = -100.0 - 0.5 * float(away @ BEND @ away)
        # A lower maximum is found from far starts; from a neighbour's factors the right one.
        lie = self.lies.get(key, 0.0)
        if lie and (self.stubborn or near is None or near == "far"):
            return ProfilePoint(value - lie, -BEND @ away, ("here",))
        return ProfilePoint(value, -BEND @ away, ("here",))


def surface(profile: Parabola):
    covariance = np.linalg.inv(BEND)
    conditional = 1.0 / np.sqrt(np.diag(BEND))
    return profile_surface(profile, TOP, conditional, np.sqrt(np.diag(covariance)), -100.0)


def test_steps_are_powers_of_two_no_larger_than_an_error() -> None:
    found = surface(Parabola({}))
    for axis, most in zip(found.axes, 1.0 / np.sqrt(np.diag(BEND)), strict=True):
        step = axis[1] - axis[0]
        assert step <= most < 2.0 * step
        assert np.log2(step) == round(np.log2(step))
        # Through zero, so that all surfaces' points coincide.
        assert np.array_equal(axis, np.round(axis / step) * step)


def test_everything_within_the_cut_is_told() -> None:
    found = surface(Parabola({}))
    mesh = np.meshgrid(*found.axes, indexing="ij")
    away = np.stack(mesh, axis=-1) - TOP
    exact = -0.5 * np.einsum("...i,ij,...j", away, BEND, away)
    inside = exact >= -CUT
    # Six marginal errors to a side: the ellipse of the cut reaches 6.3.
    assert np.isfinite(found.log_likelihood)[exact >= -15.0].all()
    assert not np.isfinite(found.log_likelihood)[~inside].any()
    known = np.isfinite(found.log_likelihood)
    assert np.abs(found.log_likelihood - exact)[known].max() < 1e-9
    assert found.failed == 0


def test_a_false_point_is_mended() -> None:
    place = (-0.5, 0.5)
    honest, mended = surface(Parabola({})), surface(Parabola({place: 1.7}))
    assert np.array_equal(honest.log_likelihood, mended.log_likelihood, equal_nan=True)


def test_a_point_that_will_not_agree_is_left_out() -> None:
    place = (-0.5, 0.5)
    honest, left = surface(Parabola({})), surface(Parabola({place: 1.7}, stubborn=True))
    at = tuple(
        int(np.flatnonzero(axis == value)[0]) for axis, value in zip(left.axes, place, strict=True)
    )
    assert np.isnan(left.log_likelihood[at])
    assert left.failed == 1
    others = np.isfinite(left.log_likelihood)
    assert np.array_equal(others.sum(), np.isfinite(honest.log_likelihood).sum() - 1)
    assert np.array_equal(left.log_likelihood[others], honest.log_likelihood[others])


def test_a_point_that_fails_is_no_end() -> None:
    place = (-0.5, 0.5)
    left = surface(Parabola({}, fails=frozenset({place})))
    assert left.failed == 1
    assert left.points == surface(Parabola({})).points - 1


def test_records_that_cannot_part_two_effects_make_a_ridge_with_an_end() -> None:
    class Ridge(Parabola):
        def at(self, coefficients, near=None, *, roughly=False) -> ProfilePoint:
            along = float(coefficients.sum())
            return ProfilePoint(-100.0 - 2.0 * along**2, np.full(2, -4.0 * along), ("here",))

    found = profile_surface(Ridge({}), np.zeros(2), np.full(2, 0.5), np.full(2, np.inf), -100.0)
    assert found.log_likelihood.shape == (65, 65)
    assert np.isfinite(np.diag(found.log_likelihood[:, ::-1])).all()


@pytest.mark.parametrize("error", [0.0, np.nan, np.inf, -1.0])
def test_an_effect_without_an_error_is_refused(error) -> None:
    with pytest.raises(FitError, match="no size"):
        largest_power_of_two(error)
