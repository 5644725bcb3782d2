"""The natural spline is scipy's, and knots are where values can carry them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline

from outcomes.models.splines import natural_spline, spline_knots


@given(
    st.lists(st.integers(0, 60), min_size=4, max_size=6, unique=True),
    st.lists(st.floats(-3.0, 3.0), min_size=6, max_size=6),
)
@settings(deadline=None, max_examples=40)
def test_spline_is_scipys_and_straight_outside(knots: list[int], heights: list[float]) -> None:
    t = np.sort(np.array(knots, dtype=float))
    reference = CubicSpline(t, np.array(heights[: len(t)]), bc_type="natural")
    at_knots = np.column_stack([np.ones(len(t)), t, natural_spline(t, t)])
    weights = np.linalg.solve(at_knots, reference(t))
    inside = np.linspace(t[0], t[-1], 30)
    ours = np.column_stack([np.ones(30), inside, natural_spline(inside, t)]) @ weights
    assert ours == pytest.approx(reference(inside), abs=1e-6)
    for end in (t[0] - np.arange(1.0, 4.0), t[-1] + np.arange(1.0, 4.0)):
        beyond = np.column_stack([np.ones(3), end, natural_spline(end, t)]) @ weights
        assert np.diff(beyond, 2) == pytest.approx([0.0], abs=1e-6)


def test_knots_are_fewer_where_values_are() -> None:
    assert len(spline_knots(np.arange(100.0))) == 4
    assert len(spline_knots(np.repeat([0.0, 1.0, 2.0], 25))) == 3
    assert spline_knots(np.repeat([0.0, 1.0], 50)) == ()
