"""A unit's own answer, other units', and both: weighted, told apart, not used on a clash."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from outcomes.pool.prior import PooledSlopes, set_beside
from outcomes.wording.pool_beside import describe_with_pool
from tests.pool.shares import DEFINITION


def fit_of(cycles=-0.8, error=0.5, correlation=0.0):
    """A fit as far as it is asked: two slopes, per cycle and per 30 days."""
    step = np.array([10.0, 365.25 / 30.0])
    cov = np.array([[error**2, correlation * error * 0.4], [correlation * error * 0.4, 0.16]])
    model = SimpleNamespace(
        beta=np.array([2.0, *(np.array([cycles, 0.2]) / step)]),
        cov=np.block(
            [[np.eye(1), np.zeros((1, 2))], [np.zeros((2, 1)), cov / np.outer(step, step)]]
        ),
    )
    places = {"cycles": 1, "age_days": 2}
    design = SimpleNamespace(column_of=places.get, shapes={})
    return SimpleNamespace(
        design=design, reduced=model, mixed=model, freedom=np.full(3, np.inf), settings=None
    )


POOL = PooledSlopes(
    units={"cycles": 8, "age": 8},
    predictions={"cycles": (-1.0, -0.2), "age": (-0.5, 0.5)},
    means={"cycles": -0.6, "age": 0.0},
    told=("cycles",),
    of_units={"aaaa": {"cycles": -0.5, "age": 0.1}},
    definition=DEFINITION,
)
SD = 0.4 / 1.959964


def test_both_are_weighted_by_what_each_knows() -> None:
    found = set_beside(fit_of(), "no change detected", POOL)
    weight = np.array([1 / 0.5**2, 1 / SD**2])
    assert found.both.log_ratio == pytest.approx(weight @ [-0.8, -0.6] / weight.sum())
    assert found.both.std_error == pytest.approx(weight.sum() ** -0.5)
    assert found.used
    assert not found.clash
    assert found.own.high > 1.0 > found.both.high


def test_the_prediction_is_the_start_never_the_mean_interval() -> None:
    found = set_beside(fit_of(), "no change detected", POOL)
    assert (np.log(found.pooled.low), np.log(found.pooled.high)) == pytest.approx((-1.0, -0.2))


def test_tied_slopes_are_sharpened_together() -> None:
    loose = set_beside(fit_of(), "no change detected", POOL)
    tied = set_beside(fit_of(correlation=0.9), "no change detected", POOL)
    assert tied.both.std_error < loose.both.std_error


def test_a_clash_is_not_used_and_told() -> None:
    found = set_beside(fit_of(cycles=1.5), "no change detected", POOL)
    assert found.clash
    assert found.both is None
    assert not found.used
    assert "do not agree" in describe_with_pool(found)


def test_records_that_can_say_are_not_changed() -> None:
    found = set_beside(fit_of(error=0.2), "cycles", POOL)
    assert not found.used
    assert "change nothing in it" in describe_with_pool(found)


def test_the_unit_itself_is_not_its_own_start() -> None:
    own = replace(POOL, of_units={"aaaa": {"cycles": -0.81, "age": 0.21}})
    found = set_beside(fit_of(), "no change detected", own)
    assert found.in_pool == "aaaa"
    assert found.both is None
    assert "count twice" in describe_with_pool(found)


def test_without_a_model_the_prediction_stands_alone() -> None:
    fit = SimpleNamespace(**{**fit_of().__dict__, "reduced": None, "mixed": None})
    found = set_beside(fit, "too few trials", POOL)
    assert found.own is None
    assert found.both == found.pooled
    assert "own records not known" in describe_with_pool(found)


def test_too_few_units_predict_nothing() -> None:
    few = replace(POOL, predictions={}, units={"cycles": 2, "age": 2})
    found = set_beside(fit_of(), "no change detected", few)
    assert found.both is None
    assert found.pooled is None
    assert "too few to tell" in describe_with_pool(found)


def test_age_is_asked_where_the_pool_names_age_alone() -> None:
    assert (
        set_beside(fit_of(), "no change detected", replace(POOL, told=("age",))).exposure == "age"
    )


@pytest.mark.parametrize("verdict", ["no change detected", "cycles"])
def test_own_others_and_both_are_always_named(verdict) -> None:
    told = describe_with_pool(set_beside(fit_of(), verdict, POOL))
    for part in ("by this unit's own records", "by other units alone", "by both", "rest on this"):
        assert part in told
