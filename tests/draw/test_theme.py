"""Room for words: wrapping and moving labels apart."""

import matplotlib
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from outcomes.draw.theme import FONT, spread_apart, text_width_in, theme, wrap_to_width

WORDS = st.lists(st.text("abcdefgiMW.,4", min_size=1, max_size=14), min_size=1, max_size=25)


@settings(max_examples=40, deadline=None)
@given(words=WORDS, width=st.floats(0.6, 8.0), even=st.booleans())
def test_wrapping_keeps_every_letter(words, width, even) -> None:
    lines = wrap_to_width(" ".join(words), width, 14, even=even)
    assert "".join("".join(lines).split()) == "".join(words)
    assert all(text_width_in(line, 14) <= width for line in lines)


@settings(max_examples=40, deadline=None)
@given(words=WORDS, width=st.floats(0.6, 8.0))
def test_even_lines_are_no_more_lines(words, width) -> None:
    text = " ".join(words)
    assert len(wrap_to_width(text, width, 14, even=True)) == len(wrap_to_width(text, width, 14))


def test_no_break_space_holds_its_words() -> None:
    lines = wrap_to_width("falls at about 14\u00a0cycles\u00a0(11–18)", 1.9, 14)
    assert lines[-1] == "14\u00a0cycles\u00a0(11–18)"


def test_no_text_takes_no_lines() -> None:
    assert wrap_to_width(" \n ", 3.0, 14) == ()


LABELS = st.lists(st.tuples(st.floats(0, 10), st.floats(0.1, 0.9)), min_size=1, max_size=9)


@given(labels=LABELS)
def test_moved_labels_stay_apart_and_inside(labels) -> None:
    wanted = np.sort([at for at, _ in labels])
    sizes = np.array([size for _, size in labels])
    centres = spread_apart(wanted, sizes, 0.0, 10.0)
    # The steps between labels are sums of floats of order 10.
    assert np.all(np.diff(centres) >= (sizes[:-1] + sizes[1:]) / 2 - 1e-9)
    assert centres[0] - sizes[0] / 2 >= -1e-9
    assert centres[-1] + sizes[-1] / 2 <= 10 + 1e-9


@given(wanted=st.lists(st.floats(0.0, 10.0), min_size=2, max_size=12))
def test_labels_move_as_scipys_isotonic_fit(wanted) -> None:
    centres = spread_apart(wanted, np.zeros(len(wanted)), -1.0, 11.0)
    np.testing.assert_allclose(centres, isotonic_regression(wanted).x, atol=1e-12)


def test_no_labels_need_no_room() -> None:
    assert spread_apart([], [], 0, 1).size == 0


def test_look_overrides_and_restores_the_readers() -> None:
    with matplotlib.rc_context({"font.family": ["serif"], "font.size": 31.0, "axes.grid": True}):
        with theme():
            assert matplotlib.rcParams["font.family"] == [FONT]
            assert matplotlib.rcParams["axes.grid"] is False
            assert matplotlib.rcParams["font.size"] != 31.0
        assert matplotlib.rcParams["font.family"] == ["serif"]
        assert matplotlib.rcParams["font.size"] == pytest.approx(31.0)
