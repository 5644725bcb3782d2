"""Holm's adjustment: held to another program, and to what it promises."""

from unittest import mock

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from outcomes.models.holm import holm

P = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20).map(np.array)


@given(P)
def test_holm_agrees_with_statsmodels(p: np.ndarray) -> None:
    # It collects all garbage at each call: a minute and a half beside what other tests hold.
    with mock.patch("gc.collect"):
        theirs = multipletests(p, method="holm")[1]
    # To the last digits: the same products, taken in the same order.
    np.testing.assert_allclose(holm(p), theirs, rtol=1e-12)


@given(P)
def test_holm_never_helps_and_keeps_the_order(p: np.ndarray) -> None:
    adjusted = holm(p)
    assert (adjusted >= p).all()
    assert (adjusted <= 1.0).all()
    assert (np.diff(adjusted[np.argsort(p)]) >= 0.0).all()


def test_one_of_twenty_nulls_is_seldom_called() -> None:
    # At 5 %, of 2,000 families of true nulls more than 134 come with probability 0.0005.
    p = np.random.default_rng(3).random((2000, 20))
    assert 60 <= sum((holm(family) < 0.05).any() for family in p) <= 134


def test_no_test_is_no_adjustment() -> None:
    assert holm(np.array([])).shape == (0,)
