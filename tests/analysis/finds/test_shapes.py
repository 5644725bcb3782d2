"""Shapes of a change, and where the records can carry them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.analysis.finds.shapes import Shape, candidate_shapes

KINDS = ("line", "log", "step", "levels off", "sets in")


@given(
    kind=st.sampled_from(KINDS),
    knot=st.floats(0.5, 40.0),
    at=st.lists(st.floats(0.0, 100.0), min_size=2, max_size=20),
)
def test_no_shape_turns_back(kind, knot, at):
    shape = Shape(kind, None if kind in ("line", "log") else knot)
    assert (np.diff(shape.values(np.sort(at))) >= 0.0).all()


def test_a_knot_has_four_sources_on_either_side():
    # Eight sources: only half of them ever went past 10 cycles.
    sources = np.repeat(np.arange(8), 25)
    cycles = np.concatenate([np.linspace(0, 10, 25)] * 4 + [np.linspace(0, 40, 25)] * 4)
    knots = {s.knot for s in candidate_shapes(cycles, sources) if s.knot is not None}
    assert knots
    for knot in knots:
        past = cycles > knot
        assert len(set(sources[past])) >= 4
        assert len(set(sources[~past])) >= 4
        assert 0.08 <= past.mean() <= 0.92


def test_knots_are_tenths_of_the_exposures():
    # Ten sources met 1 to 20 cycles once each: every tenth of the trials ends at an even number.
    cycles, sources = np.tile(np.arange(1.0, 21.0), 10), np.repeat(np.arange(10), 20)
    kinds = ("step", "levels off", "sets in")
    knotted = [Shape(kind, float(knot)) for knot in range(2, 20, 2) for kind in kinds]
    assert candidate_shapes(cycles, sources) == (Shape("line"), Shape("log"), *knotted)


def test_without_spread_line_and_log_are_left():
    shapes = candidate_shapes(np.full(60, 3.0), np.repeat(np.arange(6), 10))
    assert [s.kind for s in shapes] == ["line", "log"]
    assert [s.kind for s in candidate_shapes(np.zeros(10), np.arange(10))] == ["line", "log"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_knot_counts_as_a_parameter(kind):
    knot = None if kind in ("line", "log") else 5.0
    assert Shape(kind, knot).parameters == (1 if knot is None else 2)
