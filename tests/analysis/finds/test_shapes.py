"""Shapes of a change, and where the records can carry them."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import patsy
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.analysis.finds.shapes import (
    LINE,
    Shape,
    WeightedShape,
    candidate_shapes,
    smooth_columns,
    step_range,
)
from outcomes.models.calibrated_test import Calibrated
from outcomes.wording.shape import describe_shape

KINDS = ("line", "log", "step", "levels off", "sets in")


@given(
    kind=st.sampled_from(KINDS),
    knot=st.floats(0.5, 40.0),
    at=st.lists(st.floats(0.0, 100.0), min_size=2, max_size=20),
)
def test_no_shape_turns_back(kind, knot, at):
    shape = Shape(kind, None if kind in ("line", "log") else knot)
    assert (np.diff(shape.values(np.sort(at))) >= 0.0).all()


@pytest.mark.parametrize(
    "ranges",
    [
        [(0, 10)] * 4 + [(0, 40)] * 4,  # four of eight went past 10 cycles
        [(30, 40)] * 5 + [(0, 40)] * 3,  # three of eight were met below 30
    ],
)
def test_a_knot_has_four_sources_a_side(ranges):
    sources = np.repeat(np.arange(8), 25)
    cycles = np.concatenate([np.linspace(*ends, 25) for ends in ranges])
    knots = {s.knot for s in candidate_shapes(cycles, sources) if s.knot is not None}
    assert knots
    for knot in knots:
        past = cycles > knot
        assert len(set(sources[past])) >= 4
        assert len(set(sources[~past])) >= 4
        assert 0.08 <= past.mean() <= 0.92


def test_knots_are_tenths_of_the_exposures():
    # Ten sources met 0.5, 1 … 10 once each: every tenth of these ends at a whole number.
    cycles = np.tile([0.0, 0.0, 0.0, *np.arange(0.5, 10.5, 0.5)], 10)
    sources = np.repeat(np.arange(10), 23)
    kinds = ("step", "levels off", "sets in")
    knotted = [Shape(kind, float(knot)) for knot in range(1, 10) for kind in kinds]
    assert candidate_shapes(cycles, sources) == (Shape("line"), Shape("log"), *knotted)


def test_without_spread_line_and_log_are_left():
    shapes = candidate_shapes(np.full(60, 3.0), np.repeat(np.arange(6), 10))
    assert [s.kind for s in shapes] == ["line", "log"]
    assert [s.kind for s in candidate_shapes(np.zeros(10), np.arange(10))] == ["line", "log"]


@pytest.mark.parametrize(
    ("shape", "values", "parameters"),
    [
        (Shape("line"), [0, 4, 10, 11], 1),
        (Shape("log"), np.log2([1, 5, 11, 12]), 1),
        (Shape("step", 10.0), [0, 0, 0, 1], 2),
        (Shape("levels off", 10.0), [0, 4, 10, 10], 2),
        (Shape("sets in", 10.0), [0, 0, 0, 1], 2),
    ],
)
def test_each_shape_is_its_formula(shape, values, parameters):
    np.testing.assert_allclose(shape.values([0, 4, 10, 11]), values)
    assert shape.parameters == parameters
    assert shape.bent == (shape.kind != "line")


def test_smooth_columns_are_the_usual_spline():
    # Beside the line they span what patsy has for the same knots (R's mgcv: bs = "cr").
    x = np.concatenate([np.zeros(10), np.random.default_rng(1).integers(0, 30, 200)]).astype(float)
    first, *inner, last = np.quantile(x[x > 0.0], [0.05, 0.35, 0.65, 0.95])
    spline = np.asarray(patsy.cr(x, knots=inner, lower_bound=first, upper_bound=last))
    ours = np.column_stack([x, smooth_columns(x)])
    left = ours - spline @ np.linalg.lstsq(spline, ours, rcond=None)[0]
    assert np.abs(left).max() < 1e-9
    assert np.linalg.matrix_rank(np.column_stack([np.ones(210), ours])) == 4
    few = np.repeat([0.0, 1.0, 2.0], 10)  # two knots carry no curve
    np.testing.assert_array_equal(smooth_columns(few), few[:, None])


def test_a_step_is_told_with_where_else_it_may_lie() -> None:
    weighed = [WeightedShape(Shape("step", k), w, 1.0) for k, w in ((9.0, 0.5), (11.0, 0.3))]
    weighed += [WeightedShape(Shape("step", 14.0), 0.05, 1.0), WeightedShape(LINE, 0.1, 2.0)]
    assert step_range(weighed) == (9.0, 11.0)
    assert step_range([WeightedShape(LINE, 1.0, 0.0)]) is None
    verdict: Any = SimpleNamespace(
        bend=Calibrated(0.01, 99), shapes={"cycles": tuple(weighed)}, contradicted=()
    )
    told = describe_shape(verdict, "cycles")
    assert "at about 9 freeze/thaw cycles (anything from 9 cycles to 11 cycles fits" in told
    sure = SimpleNamespace(
        bend=Calibrated(0.01, 99), shapes={"cycles": tuple(weighed[:1])}, contradicted=()
    )
    assert "anything" not in describe_shape(sure, "cycles")
