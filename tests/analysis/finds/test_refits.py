"""p-values by refits."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import integrate, special, stats

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.refits import Fitted, Refitter, draw_outcomes
from outcomes.errors import FitError
from outcomes.models.calibrated_test import calibrate
from outcomes.models.laplace import Grouping
from outcomes.models.mixed_model import GroupEffects


def test_without_an_effect_p_is_uniform():
    # By construction: the observed value is one more draw (Davison and Hinkley 1997, 4.2.5).
    rng = np.random.default_rng(1)
    found = [
        calibrate(rng.normal(size=1), lambda: rng.normal(size=1), level=0.05, most=99, first=99).p
        for _ in range(400)
    ]
    assert np.mean(np.array(found) <= 0.05) == pytest.approx(0.05, abs=0.035)
    assert np.mean(found) == pytest.approx(0.5, abs=0.06)


def test_refits_stop_where_the_answer_is_clear():
    rng = np.random.default_rng(2)
    nothing = calibrate(np.array([0.0]), lambda: rng.normal(size=1), level=0.05, most=99)
    plain = calibrate(np.array([9.0]), lambda: rng.normal(size=1), level=0.05, most=99)
    assert (nothing.refits, nothing.p > 0.15) == (30, True)
    assert (plain.refits, plain.p) == (39, pytest.approx(1 / 40))


def test_a_stricter_level_draws_more():
    # p cannot come below 1 / (draws + 1).
    rng = np.random.default_rng(5)
    few = calibrate(np.array([99.0]), lambda: rng.normal(size=1), level=0.05, most=0)
    strict = calibrate(np.array([99.0]), lambda: rng.normal(size=1), level=0.01, most=19)
    assert (few.refits, few.p) == (20, pytest.approx(1 / 21))
    assert (strict.refits, strict.p) == (100, pytest.approx(1 / 101))


@pytest.mark.parametrize(
    ("observed", "lead", "p"),
    [
        ((0.5, 14.0), None, 1 / 37),  # 2 deviations of the second: beyond every draw
        ((1.0, 8.0), None, 28 / 37),  # a tie counts against an effect
        ((0.5, 14.0), (0.0, 2.0), 1 / 37),
        ((0.5, 10.5), (2.0, 0.0), 19 / 37),  # 2.5 ahead of half of the draws, 3 and 1 ahead
    ],
)
def test_statistics_are_told_by_their_own_spread(observed, lead, p):
    # In turn one deviation above or below: 0 by 1 for the first, 10 by 2 for the second.
    draws = itertools.cycle(np.array([[1, 12], [1, 8], [-1, 12], [-1, 8]], dtype=float))
    found = calibrate(
        np.array(observed), lambda: next(draws), level=0.05, most=36, first=36,
        lead=None if lead is None else np.array(lead),
    )  # fmt: skip
    assert (found.p, found.refits) == (pytest.approx(p), 36)


@pytest.mark.parametrize(("observed", "refits"), [(3.0, 39), (2.0, 60)])
def test_far_beyond_all_draws_ends_them(observed, refits):
    draws, told = itertools.cycle([np.ones(1), -np.ones(1)]), []
    found = calibrate(
        np.array([observed]), lambda: next(draws), level=0.05, most=60,
        progress=lambda *step: told.append(step),
    )  # fmt: skip
    assert found.refits == refits
    assert told == [*((n, 60) for n in range(1, refits + 1)), (60, 60)]


def test_draws_not_fitted_are_made_again():
    rng, calls = np.random.default_rng(3), iter(range(1_000))

    def draw():
        if next(calls) % 2:
            raise FitError("separated")
        return rng.normal(size=1)

    assert calibrate(np.array([1.7]), draw, level=0.05, most=60, first=60).refits == 60


def test_no_draw_fitted_means_nothing_found():
    def draw():
        raise FitError("separated")

    assert calibrate(np.array([99.0]), draw, level=0.05, most=19).p == 1.0


def test_draws_hold_as_many_finds_on_average(made_trials):
    design = plan_design(made_trials(3, n=600, dogs=2))
    work = Refitter(design)
    fitted = work.fit(design.x)
    assert [g.name for g in fitted.groupings] == ["dog", "source"]
    # Finds taken for misses turn every sign; this fit is one of those that stop early.
    turned = work.fit(design.x, 1.0 - design.y)
    np.testing.assert_allclose(turned.model.beta, -fitted.model.beta, atol=0.02)
    apart = work.fit(design.x, slope=design.x[:, 1])
    assert [g.factor.shape for g in apart.model.groups] == [(1, 1), (2, 2)]
    rng = np.random.default_rng(4)
    drawn = [draw_outcomes(fitted, rng, 1.0).mean() for _ in range(200)]
    # Spreads between dogs and sources move the share of a draw by some hundredths.
    assert np.mean(drawn) == pytest.approx(design.y.mean(), abs=0.02)


def test_draws_spread_as_the_model_says():
    # Two trials a source: how often they agree is an integral over log-odds of this spread.
    slope, codes = np.ones(20_000), np.repeat(np.arange(10_000), 2)
    source, dog = Grouping("source", codes, 10_000, slope), Grouping("dog", codes, 10_000)
    model = SimpleNamespace(
        beta=np.array([0.4]),
        groups=[
            GroupEffects("source", np.array([[1.0, 0.0], [0.3, 0.8]]), np.zeros((0, 2))),
            GroupEffects("dog", np.array([[0.9]]), np.zeros((0, 1))),
        ],
    )
    fitted = Fitted(np.ones((20_000, 1)), (source, dog), model)
    one, other = draw_outcomes(fitted, np.random.default_rng(6), 1.5).reshape(-1, 2).T
    sd = np.sqrt(1.5**2 * (1.3**2 + 0.8**2) + 0.9**2)

    def agree(z):
        p = special.expit(0.4 + sd * z)
        return (p**2 + (1.0 - p) ** 2) * stats.norm.pdf(z)

    # Three standard errors of 10,000 pairs.
    assert (one == other).mean() == pytest.approx(integrate.quad(agree, -8, 8)[0], abs=0.014)
