"""The shape of a change along an exposure: the simplest that will do."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from outcomes.analysis.decisions.curve import find_curve
from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.finds.shape import Shapes, compare_shapes
from outcomes.settings import DecisionSettings
from outcomes.wording.shape import describe_shape

PLANTED: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "flat": lambda cycles: np.full(len(cycles), 1.0),
    "straight": lambda cycles: 2.2 - 0.15 * cycles,
    "logarithmic": lambda cycles: 3.2 - 0.8 * np.log2(cycles + 1.0),
    "step": lambda cycles: np.where(cycles >= 1.0, 0.6, 2.6),
    "spline": lambda cycles: 2.0 - 0.035 * (cycles - 10.0) ** 2,
}


def _fit(made_trials, planted: str, n: int = 3000) -> FindFit:
    trials = made_trials(4, n=n, sources=30, dogs=6)
    rng = np.random.default_rng(12)
    eta = PLANTED[planted](trials["cycles"].to_numpy())
    found = rng.random(n) < 1.0 / (1.0 + np.exp(-eta))
    return fit_finds(trials.assign(result=np.where(found, "find", "miss")), DecisionSettings())


@pytest.fixture(scope="module")
def compared(made_trials) -> dict[str, Shapes]:
    return {planted: compare_shapes(_fit(made_trials, planted), "cycles") for planted in PLANTED}


@pytest.mark.parametrize("planted", PLANTED)
def test_the_planted_shape_is_chosen(compared: dict[str, Shapes], planted: str) -> None:
    assert compared[planted].chosen == planted


@pytest.mark.parametrize("planted", PLANTED)
def test_chosen_curve_is_near_the_planted_one(compared: dict[str, Shapes], planted: str) -> None:
    shapes = compared[planted]
    true = 1.0 / (1.0 + np.exp(-PLANTED[planted](shapes.at)))
    whole = shapes.at == np.round(shapes.at)
    found = shapes.candidate(planted).probability
    # 3,000 trials, 140 at each number of cycles: pointwise errors of up to 0.03, twice over.
    assert np.abs(found - true)[whole].max() < 0.06


def test_each_shape_is_told_in_its_own_words(compared: dict[str, Shapes]) -> None:
    words = {
        "flat": "No change with cycles is needed",
        "straight": "A straight line is enough",
        "logarithmic": "The first cycles count most",
        "step": "The change comes with the first thaw",
        "spline": "bends in a way that no simple shape follows",
    }
    for planted, start in words.items():
        assert start in describe_shape(compared[planted])
    assert compared["straight"].bend_p > 0.01
    assert compared["spline"].bend_p < 1e-6


@pytest.mark.parametrize("planted", PLANTED)
def test_differences_weights_and_nesting_hold(compared: dict[str, Shapes], planted: str) -> None:
    shapes = compared[planted]
    assert min(c.difference for c in shapes.candidates) == 0.0
    assert sum(c.weight for c in shapes.candidates) == pytest.approx(1.0)
    flat = shapes.candidate("flat")
    # Nothing is set, so the curve is the average find probability itself.
    assert np.ptp(flat.probability) == pytest.approx(0.0, abs=1e-12)
    for candidate in shapes.candidates:
        # 1e-3: both likelihoods stop at the optimizer's tolerance.
        assert candidate.log_likelihood >= flat.log_likelihood - 1e-3
        assert ((candidate.probability > 0.0) & (candidate.probability < 1.0)).all()
    straight = shapes.candidate("straight")
    assert shapes.candidate("spline").log_likelihood >= straight.log_likelihood - 1e-3


def test_straight_line_is_the_fits_own_curve(made_trials) -> None:
    fit = _fit(made_trials, "straight", n=1200)
    straight = compare_shapes(fit, "cycles").candidate("straight")
    # Shapes are held against each other by their likelihoods: each is the likeliest of its kind.
    curve = find_curve(replace(fit, reduced=fit.mixed), "cycles", 0.9, alone=False)
    shapes_at = np.linspace(curve.at[0], curve.at[-1], 61)
    expected = np.interp(shapes_at, curve.at, curve.probability)
    assert straight.probability == pytest.approx(expected, abs=1e-4)


def test_no_step_in_age_or_without_unthawed(made_trials) -> None:
    fit = _fit(made_trials, "straight", n=1200)
    by_age = compare_shapes(fit, "age_days")
    assert by_age.candidate("step") is None
    assert all(x.term != "step" for x in by_age.left_out)
    trials = made_trials(4, n=900, sources=20, cycle=-0.1)
    thawed = compare_shapes(
        fit_finds(trials.assign(cycles=trials["cycles"] + 1.0), DecisionSettings()), "cycles"
    )
    assert thawed.candidate("step") is None
    assert any(x.term == "step" and "never thawed" in x.reason for x in thawed.left_out)


def test_step_told_by_other_terms_is_left_out(made_trials) -> None:
    trials = made_trials(4, n=1500, sources=20, cycle=-0.05)
    trials = trials.assign(frozen_share=(trials["cycles"] >= 1.0).astype(float))
    frozen = trials["frozen_share"] == 0.0
    trials.loc[frozen, "cycles"] = 0.0
    trials.loc[trials.index[::3], ["cycles", "frozen_share"]] = 0.0
    shapes = compare_shapes(fit_finds(trials, DecisionSettings()), "cycles")
    reason = next(x.reason for x in shapes.left_out if x.term == "step")
    assert "says the same as the other terms" in reason


def test_without_a_model_no_shape_but_a_reason(made_trials) -> None:
    few = compare_shapes(fit_finds(made_trials(1, n=40), DecisionSettings()), "cycles")
    assert few.chosen is None
    assert describe_shape(few).startswith(
        "The shape of the change with cycles cannot be told: too few"
    )
