"""Fewer than five units are added up, five and more are taken to differ; what is told apart."""

from dataclasses import replace

import numpy as np
import pytest

from outcomes.errors import UsageError
from outcomes.pool.answer import pool_shares
from outcomes.pool.share import same_definition
from tests.pool.shares import BEND, DEFINITION, TOPS, share_of, shares_of


@pytest.mark.parametrize("number", [2, 4])
def test_few_units_are_added_up(number) -> None:
    answer = pool_shares(shares_of(number))
    tops = np.array(list(TOPS.values())[:number])
    errors = np.sqrt(np.diag(np.linalg.inv(number * BEND)))
    for effect, slope in enumerate(answer.slopes.values()):
        assert slope.method == "sum"
        assert slope.between_units is None
        assert slope.estimate == pytest.approx(tops[:, effect].mean(), abs=0.01)
        assert slope.std_error == pytest.approx(errors[effect], rel=0.02)
        assert (slope.prediction is None) == (number < 3)


def test_five_and_more_may_differ() -> None:
    answer = pool_shares(shares_of(6))
    slope = answer.slopes["cycles"]
    assert slope.method == "normal between units"
    assert slope.between_units is not None
    assert slope.low < slope.estimate < slope.high
    # Student's t with five degrees of freedom makes it wider than the sum.
    assert slope.high - slope.low > 2 * 2.5 * np.sqrt(np.linalg.inv(6 * BEND)[0, 0])
    assert slope.prediction.low <= slope.low + 0.05
    assert slope.changes == "falls"
    assert answer.slopes["age"].changes == "not told"


def test_order_tells_nothing() -> None:
    shares = shares_of(4)
    assert pool_shares(shares) == pool_shares(shares[::-1])


def test_a_bend_is_listed_and_never_added() -> None:
    without = pool_shares(shares_of(3))
    with_bend = pool_shares([*shares_of(3), share_of("zzzz", None)])
    assert with_bend.slopes == without.slopes
    assert [s.unit_code for s in with_bend.beside] == ["zzzz"]


def test_bends_alone_make_no_slope() -> None:
    answer = pool_shares([share_of("yyyy", None), share_of("zzzz", None)])
    assert answer.slopes == {}


def test_age_alone_counts_for_age() -> None:
    answer = pool_shares([*shares_of(2), share_of("zzzz", (0.1,))])
    assert [u.unit_code for u in answer.slopes["cycles"].units] == ["aaaa", "bbbb"]
    assert [u.unit_code for u in answer.slopes["age"].units] == ["aaaa", "bbbb", "zzzz"]
    two = pool_shares(shares_of(2))
    assert answer.slopes["age"].std_error < two.slopes["age"].std_error


def test_a_tied_unit_sharpens_both() -> None:
    tied = share_of("tttt", (-0.6, 0.1), bend=np.array([[16.0, 11.5], [11.5, 9.0]]), tied=True)
    two, three = pool_shares(shares_of(2)), pool_shares([*shares_of(2), tied])
    for name in ("cycles", "age"):
        assert three.slopes[name].std_error < two.slopes[name].std_error


def test_units_that_disagree_are_told() -> None:
    apart = share_of("zzzz", (1.4, 0.1))
    answer = pool_shares([*shares_of(2), apart])
    assert answer.slopes["cycles"].disagree
    assert not answer.slopes["age"].disagree
    assert "zzzz" in [u.unit_code for u in answer.slopes["cycles"].units if u.apart]
    assert not pool_shares(shares_of(3)).slopes["cycles"].disagree


@pytest.mark.parametrize(
    "change",
    [{"cycles_from": "counted"}, {"thaw_after_h": 2.0}, {"unlogged_thaws": "strict"}],
)
def test_unlike_definitions_are_named(change) -> None:
    (name,) = change
    assert same_definition(DEFINITION, replace(DEFINITION, **change)) == name


def test_other_terms_are_no_other_definition() -> None:
    assert same_definition(DEFINITION, replace(DEFINITION, terms=())) is None


def test_nothing_is_no_pool() -> None:
    with pytest.raises(UsageError, match="two share files"):
        pool_shares([])
