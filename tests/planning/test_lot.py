"""Draws by name: the same everywhere, fair, and none moved by another."""

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from outcomes.planning.lot import Lot


# Python's hashlib, so that anybody can draw the lot again.
def test_number_is_sha256_of_seed_and_name():
    digest = hashlib.sha256(b"7|arm|3").hexdigest()
    assert Lot(7).number("arm", 3) == int(digest[:16], 16)


@given(st.integers(0, 2**31), st.lists(st.integers(), max_size=12))
def test_order_keeps_every_item(seed, items):
    assert sorted(Lot(seed).order(items, "any")) == sorted(items)


def test_coin_is_fair():
    heads = sum(Lot(seed).coin("arm", pair) for seed in range(100) for pair in range(20))
    assert stats.binomtest(heads, 2000).pvalue > 0.001


def test_coins_of_pairs_do_not_go_together():
    alike = sum(Lot(seed).coin("arm", 0) == Lot(seed).coin("arm", 1) for seed in range(2000))
    assert stats.binomtest(alike, 2000).pvalue > 0.001


def test_every_order_is_as_likely():
    firsts = [tuple(Lot(seed).order([0, 1, 2], "x")) for seed in range(1200)]
    counts = [firsts.count(one) for one in sorted(set(firsts))]
    assert len(counts) == 6
    assert stats.chisquare(counts).pvalue > 0.001


@pytest.mark.parametrize("count", [0, 1, 2000])
def test_ids_are_different_and_no_numbers(count):
    ids = Lot(1).ids(count, "plan_id")
    assert len(set(ids)) == count
    assert all(one.isalpha() and len(one) == 5 for one in ids)
