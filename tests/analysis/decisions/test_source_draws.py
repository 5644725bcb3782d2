"""Draws of what the model leaves open: held against exact integrals and plain counting."""

from dataclasses import replace

import numpy as np
import pytest

from outcomes.analysis.decisions import source_draws
from outcomes.analysis.decisions.curve import model_of
from outcomes.analysis.finds.model import at_each_spread, fit_finds
from outcomes.settings import DecisionSettings


@pytest.fixture(scope="module")
def fit(made_trials):
    return fit_finds(made_trials(1, n=500, cycle=-0.1, source_sd=0.6), DecisionSettings())


def test_every_spread_has_its_part_in_the_draws(fit):
    spreads = at_each_spread(fit)
    weights = np.array([weight for weight, _ in spreads])
    at = np.array([model.sd["source"] for _, model in spreads])
    assert weights.sum() == pytest.approx(1.0)
    assert at[0] < fit.mixed.sd["source"] < at[-1]
    # The spread told for single sources is the root of the mean square over the same posterior.
    assert np.sqrt(weights @ at**2) == pytest.approx(fit.each_source.sd["source"], rel=1e-9)
    drawn = source_draws.draw_sources(fit, 1_000)
    levels, effects = drawn.effects["source"]
    assert len(drawn.beta) == len(effects) == 1_000
    # Sources spread in the draws as the posterior of the spread says, not as its peak does.
    between = effects.std(axis=1)
    assert np.sqrt((between**2).mean()) == pytest.approx(fit.each_source.sd["source"], rel=0.2)
    assert len(levels) == fit.design.trials["source_id"].nunique()


def test_drawn_sources_are_as_the_model_has(fit):
    whole, rng = fit.mixed, np.random.default_rng(1)
    own = whole.effects["source"]
    beta, effects = source_draws.draw_effects(whole, ("source",), 1e6, 20_000, rng)
    first = whole.joint_names.index(("source", own.index[0]))
    joint = whole.joint_cov[np.ix_([0, first], [0, first])]
    # A correlation of 10,000 pairs is known to 0.01, a standard deviation to 0.7 %.
    told = joint[0, 1] / np.sqrt(joint[0, 0] * joint[1, 1])
    assert told < -0.2
    assert np.corrcoef(beta[:, 0], effects["source"][1][:, 0])[0, 1] == pytest.approx(
        told, abs=0.04
    )
    # A grouping too wide for the joint covariance is drawn level by level.
    kept = [k for k, (grouping, _) in enumerate(whole.joint_names) if grouping != "source"]
    wide = replace(
        whole,
        joint_names=tuple(whole.joint_names[k] for k in kept),
        joint_cov=whole.joint_cov[np.ix_(kept, kept)],
    )
    levels, drawn = source_draws.draw_effects(wide, ("source",), 1e6, 20_000, rng)[1]["source"]
    assert list(levels) == list(own.index)
    assert drawn.std(axis=0) == pytest.approx(own["std_error"].to_numpy(), rel=0.03)
    assert drawn.mean(axis=0) == pytest.approx(own["effect"].to_numpy(), abs=0.02)


@pytest.mark.parametrize(
    ("total", "weight"), [(10, [1.0]), (10, [0.55, 0.45]), (7, [0.2] * 5), (3, [0.01, 0.98, 0.01])]
)
def test_pairs_are_dealt_out_in_proportion(total, weight):
    dealt = source_draws._in_proportion(total, np.array(weight))
    assert dealt.sum() == total
    assert (np.abs(dealt - total * np.array(weight)) < 1.0).all()


@pytest.mark.slow
def test_no_two_answers_stand_on_different_slopes(fit):
    for exposure in ("cycles", "age_days"):
        column = fit.design.column_of(exposure)
        told = fit.term(exposure).log_ratio
        assert fit.mixed.beta[column] != told
        design, alone = model_of(fit, exposure, alone=True)
        sources = model_of(fit, exposure, alone=True, each_source=True)[1]
        own = design.column_of(exposure)
        assert sources.beta[own] == pytest.approx(alone.beta[own], rel=1e-12)
        for model in (fit.each_source, *(model for _, model in at_each_spread(fit))):
            assert model.beta[column] == pytest.approx(told, rel=1e-12)


def test_draws_foretell_the_finds_there_were(fit):
    drawn = source_draws.draw_over_spreads(fit, 1_000)
    rows = np.arange(len(fit.design.y))
    foretold = drawn.averaged(rows, slice(0, 1_000)).mean()
    assert foretold == pytest.approx(fit.design.y.mean(), abs=0.005)
