"""Given spreads against lme4, and the plausible spread against units whose spread is known."""

from pathlib import Path

import mixed_cases
import numpy as np
import pandas as pd
import pytest

from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_variance import (
    Penalised,
    profile_of_spread,
    with_plausible_spread,
    with_restricted_spreads,
)

REFERENCE = Path(__file__).parents[1] / "reference"


@pytest.fixture(scope="module")
def small_unit():
    return mixed_cases.load_case("small_unit")


@pytest.fixture(scope="module")
def lme4():
    return pd.read_csv(REFERENCE / "given_spreads_lme4.csv", comment="#")


def made_up(spread, seed, sources=24, each=30):
    """Finds that differ between sources by a known spread, with dogs and cycles beside it."""
    rng = np.random.default_rng(seed)
    source = np.repeat(np.arange(sources), each)
    dog = rng.integers(0, 8, len(source))
    cycles = rng.uniform(-1.0, 1.0, sources)[source] + rng.normal(0.0, 0.3, len(source))
    eta = 1.2 - 0.3 * cycles + rng.normal(0.0, spread, sources)[source]
    eta += rng.normal(0.0, 0.3, 8)[dog]
    y = (rng.random(len(eta)) < 1.0 / (1.0 + np.exp(-eta))).astype(float)
    x = np.column_stack([np.ones(len(y)), cycles])
    return y, x, {"dog": dog.astype(str), "source": source.astype(str)}


# Tolerances: lme4's penalised steps stop at 1e-12, its log-determinant one step earlier.
def test_given_spreads_are_lme4s(small_unit, lme4):
    penalised = Penalised(small_unit.y, small_unit.x, small_unit.groups)
    columns = [c for c in lme4 if c.startswith("beta")]
    for row in lme4.to_dict("records"):
        mode = penalised.mode({"dog": row["dog"], "source": row["source"]}, np.zeros(6))
        assert mode.log_likelihood == pytest.approx(row["log_likelihood"], abs=1e-5)
        assert mode.restricted == pytest.approx(row["restricted"], abs=1e-5)
        np.testing.assert_allclose(mode.beta, [row[c] for c in columns], atol=1e-5)


def test_from_near_by_the_same_mode_is_found(small_unit):
    penalised = Penalised(small_unit.y, small_unit.x, small_unit.groups)
    sd = {"dog": 0.5, "source": 0.4}
    cold = penalised.mode(sd, np.zeros(6))
    near = penalised.mode(sd, np.zeros(6), penalised.mode(sd | {"source": 0.8}, np.zeros(6)))
    np.testing.assert_allclose(near.beta, cold.beta, atol=1e-5)
    np.testing.assert_allclose(near.u[1], cold.u[1], atol=1e-5)


def test_fitted_spreads_are_the_engines(small_unit):
    fit = fit_mixed(small_unit.y, small_unit.x, small_unit.names, small_unit.groups)
    penalised = Penalised(small_unit.y, small_unit.x, small_unit.groups)
    mode = penalised.mode(fit.sd, fit.beta)
    modes = fit.sd["source"] * mode.u[1]
    # The engine's fixed effects maximise the likelihood, these the penalised one.
    error = fit.effects["source"]["std_error"].to_numpy()
    assert np.abs(modes - fit.effects["source"]["effect"].to_numpy()).max() < 0.05 * error.min()


def test_likeliest_zero_is_not_taken_as_zero():
    y, x, groups = made_up(0.0, seed=3)
    fit = fit_mixed(y, x, ["(Intercept)", "cycles"], groups)
    assert fit.sd["source"] < 1e-3
    plausible = with_plausible_spread(y, x, groups, fit)
    assert 0.05 < plausible.sd["source"] < 0.5
    assert "source" in fit.singular
    assert "source" not in plausible.singular
    wider = plausible.effects["source"]["std_error"] > fit.effects["source"]["std_error"]
    assert wider.all()


def test_many_sources_leave_the_spread():
    y, x, groups = made_up(0.8, seed=5, sources=200)
    fit = fit_mixed(y, x, ["(Intercept)", "cycles"], groups)
    plausible = with_plausible_spread(y, x, groups, fit)
    assert plausible.sd["source"] == pytest.approx(fit.sd["source"], rel=0.05)
    np.testing.assert_allclose(plausible.beta, fit.beta, atol=0.05)


@pytest.mark.slow
def test_plausible_spread_is_near_the_planted():
    likeliest, plausible = [], []
    for seed in range(40):
        y, x, groups = made_up(0.5, seed=100 + seed, sources=10, each=60)
        fit = fit_mixed(y, x, ["(Intercept)", "cycles"], groups)
        likeliest.append(fit.sd["source"])
        plausible.append(with_plausible_spread(y, x, groups, fit).sd["source"])
    assert np.mean(likeliest) < 0.47
    assert 0.45 < np.mean(plausible) < 0.70


@pytest.mark.slow
def test_restricted_spread_is_near_the_planted():
    likeliest, restricted, held = [], [], 0
    for seed in range(40):
        y, x, groups = made_up(0.5, seed=100 + seed, sources=8, each=60)
        # As where kinds and storage are told apart: more that differs between sources alone.
        own = np.random.default_rng(seed).normal(size=(8, 2))[groups["source"].astype(int)]
        x, names = np.column_stack([x, own]), ["(Intercept)", "cycles", "a", "b"]
        fit = fit_mixed(y, x, names, groups)
        found = with_restricted_spreads(y, x, groups, fit)
        likeliest.append(fit.sd["source"])
        restricted.append(found.sd["source"])
        held += abs(found.beta[2]) < 2.78 * np.sqrt(found.cov[2, 2])  # t with 8 - 4 at 97.5 %
    assert np.mean(likeliest) < 0.37
    # The error of a mean of 40 spreads of 8 sources less 4 terms is 0.5 / sqrt(2 * 4 * 40).
    assert np.mean(restricted) == pytest.approx(0.5, abs=0.09)
    assert held >= 34


# Where lme4's restricted criterion peaks; the working response is that of the fit before.
def test_restricted_spread_is_where_lme4s_peaks(small_unit, lme4):
    fit = fit_mixed(small_unit.y, small_unit.x, small_unit.names, small_unit.groups)
    found = with_restricted_spreads(small_unit.y, small_unit.x, small_unit.groups, fit)
    near = lme4.sort_values("restricted").tail(3)
    bend, slope, _ = np.polyfit(near["source"], near["restricted"], 2)
    peak = -slope / (2.0 * bend)
    assert found.sd["source"] == pytest.approx(peak, abs=0.05)
    assert found.sd["source"] > fit.sd["source"]
    assert found.singular == ()


def test_profile_reaches_as_far_as_can_be():
    y, x, groups = made_up(2.0, seed=6)
    fit = fit_mixed(y, x, ["(Intercept)", "cycles"], groups)
    at, likelihood = profile_of_spread(Penalised(y, x, groups), fit, "source")
    assert likelihood[-1] < likelihood.max() - 4.0
    assert at[np.argmax(likelihood)] == pytest.approx(fit.sd["source"], rel=0.35)


def test_two_levels_tell_no_spread():
    y, x, groups = made_up(0.5, seed=7, sources=2, each=200)
    fit = fit_mixed(y, x, ["(Intercept)", "cycles"], groups)
    assert with_plausible_spread(y, x, groups, fit) is fit
