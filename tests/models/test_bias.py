"""What maximum likelihood overstates, against R and against truths that are known."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

from outcomes.models import mixed_bias as bias
from outcomes.models.joint_covariance import Block, joint_covariance
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_bias import first_order_bias, reduce_bias
from outcomes.models.mixed_result import MixedFit

REFERENCE = Path(__file__).parents[1] / "reference"


def test_without_groups_it_is_a_librarys(outside) -> None:
    check = outside(
        "First-order bias of logistic regression taken off (Spector data)",
        "R's brglm2, brglm_fit with type = correction; tests/reference/bias.R.",
        "computed",
    )
    data = pd.read_csv(REFERENCE / "bias_trials.csv")
    theirs = pd.read_csv(REFERENCE / "bias_fits.csv").set_index("term")
    names = ["(Intercept)", "GPA", "TUCE", "PSI"]
    x = np.column_stack([np.ones(len(data)), data[names[1:]].to_numpy(dtype=float)])
    fit = fit_mixed(data["GRADE"].to_numpy(dtype=float), x, names, {})
    np.testing.assert_allclose(fit.beta, theirs.loc[names, "likeliest"], rtol=1e-5)
    found = reduce_bias(x, {}, fit, range(4)).beta
    for name, value in zip(names, found, strict=True):
        check(name, f"{theirs.loc[name, 'corrected']:.5f}", value, 2e-4 * abs(value))


def exact_bias(intercept: float, sd: float, trials: int, sources: int) -> float:
    """Cox and Snell's bias of an intercept, every outcome and random effect counted out.

    Cox DR, Snell EJ (1968), JRSS B 30, 248-275: (E[c] / 2 + E[a b]) / (N E[a a]^2) for N sources,
    where a, b, c are the derivatives of the log-likelihood of one, its effect integrated out.
    """
    node, weight = np.polynomial.hermite_e.hermegauss(101)
    finds = np.arange(trials + 1)

    def log_probability(at: float) -> np.ndarray:
        each = stats.binom.logpmf(finds[:, None], trials, special.expit(at + sd * node))
        return special.logsumexp(each + np.log(weight / weight.sum()), axis=1)

    h = 1e-3
    low2, low, here, high, high2 = (log_probability(intercept + k * h) for k in (-2, -1, 0, 1, 2))
    first, second = (high - low) / (2 * h), (high - 2 * here + low) / h**2
    third = (high2 - 2 * high + 2 * low - low2) / (2 * h**3)
    p = np.exp(here)
    return float((p @ third / 2 + p @ (first * second)) / (sources * (p @ first**2) ** 2))


@pytest.mark.parametrize(
    # The formula is of Laplace's approximation, which is nearer the smaller the spread.
    ("intercept", "sd", "trials", "sources", "apart"),
    [(2.0, 0.3, 20, 100, 0.01), (1.5, 0.5, 40, 200, 0.04), (1.5, 1.0, 40, 200, 0.10)],
)
def test_random_sources_give_the_marginal_bias(intercept, sd, trials, sources, apart) -> None:
    drawn_at = sd * stats.norm.ppf((np.arange(sources) + 0.5) / sources)
    code = np.repeat(np.arange(sources), trials)
    levels = tuple(f"S{k:03d}" for k in range(sources))
    found = special.expit(intercept + drawn_at[code])
    x = np.ones((len(code), 1))
    block = Block("source", code, levels, np.array([[sd**2]]), drawn_at[:, None])
    weight = found * (1.0 - found)
    joint = joint_covariance(x, ["(Intercept)"], weight, [block])
    effects = pd.DataFrame(
        {"effect": drawn_at, "std_error": joint.errors["source"]},
        index=pd.Index(levels, name="source"),
    )
    fit = MixedFit(
        names=("(Intercept)",),
        beta=np.array([intercept]),
        cov=joint.kept[:1, :1],
        sd={"source": sd},
        slope_sd={},
        effects={"source": effects},
        log_likelihood=0.0,
        df=2,
        singular=(),
        joint_names=joint.names,
        joint_cov=joint.kept,
        joint_wide=joint.wide,
    )
    ours = first_order_bias(x, {"source": np.array(levels)[code]}, fit)[0]
    assert ours == pytest.approx(exact_bias(intercept, sd, trials, sources), rel=apart)


NAMES = ["(Intercept)", *"abcdefghi"]


def drawn(seed: int):
    """Ten sources of 15 trials with effects of -1 and 0.5, and seven terms without one."""
    rng = np.random.default_rng(seed)
    source = np.repeat(np.arange(10), 15)
    x = np.column_stack([np.ones(150), rng.normal(size=(150, 9))])
    eta = 1.5 - x[:, 1] + 0.5 * x[:, 2] + rng.normal(0.0, 0.8, 10)[source]
    y = (rng.random(150) < special.expit(eta)).astype(float)
    return y, x, {"source": np.array([f"S{k:02d}" for k in source])}


def fitted(seed: int):
    y, x, groups = drawn(seed)
    return y, x, groups, fit_mixed(y, x, NAMES, groups)


@pytest.mark.slow
def test_overstated_effect_is_no_longer_so() -> None:
    raw, reduced, ratio = [], [], []
    for seed in range(240):
        _, x, groups, fit = fitted(seed)
        less = reduce_bias(x, groups, fit, [1])
        raw.append(fit.beta[1])
        reduced.append(less.beta[1])
        ratio.append(np.sqrt(less.cov[1, 1] / fit.cov[1, 1]))
    error = float(np.std(reduced) / np.sqrt(240))
    # The planted effect is -1; maximum likelihood makes it a seventh steeper.
    assert np.mean(raw) + 1.0 < -4.0 * error
    assert abs(np.mean(reduced) + 1.0) < 2.0 * error
    # And its errors are smaller by as much as chance moves it less.
    drawn_together = np.std(reduced) / np.std(raw)
    assert drawn_together < 0.95
    assert np.median(ratio) == pytest.approx(drawn_together, abs=0.03)


def test_rest_follows_as_the_likelihood_has_it() -> None:
    y, x, groups, fit = fitted(7)
    reduced = reduce_bias(x, groups, fit, [1])
    assert abs(reduced.beta[1]) < abs(fit.beta[1])
    # Fitted anew with the effect held there: the same but for second order.
    held = fit_mixed(
        y, np.delete(x, 1, axis=1), NAMES[:1] + NAMES[2:], groups, offset=x[:, 1] * reduced.beta[1]
    )
    moved = np.delete(reduced.beta - fit.beta, 1)
    assert np.abs(moved).max() > 0.005
    np.testing.assert_allclose(
        moved, held.beta - np.delete(fit.beta, 1), atol=0.2 * abs(moved).max()
    )
    shift = reduced.effects["source"]["effect"] - fit.effects["source"]["effect"]
    refitted = held.effects["source"]["effect"] - fit.effects["source"]["effect"]
    assert np.corrcoef(shift, refitted)[0, 1] > 0.9
    eta = (
        x @ reduced.beta + reduced.effects["source"]["effect"].reindex(groups["source"]).to_numpy()
    )
    assert special.expit(eta).sum() == pytest.approx(y.sum(), abs=0.6)


def test_only_the_effects_own_error_is_smaller() -> None:
    _, x, groups, fit = fitted(3)
    reduced = reduce_bias(x, groups, fit, [1])
    assert reduced.beta[1] != fit.beta[1]
    assert reduced.log_likelihood == fit.log_likelihood
    assert reduced.sd == fit.sd
    for before, after in ((fit.cov, reduced.cov), (fit.joint_cov, reduced.joint_cov)):
        assert 0.7 * before[1, 1] < after[1, 1] < 0.99 * before[1, 1]
        rest = np.delete(np.arange(len(before)), 1)
        given_it = [
            c[np.ix_(rest, rest)] - np.outer(c[rest, 1], c[rest, 1]) / c[1, 1]
            for c in (before, after)
        ]
        np.testing.assert_allclose(given_it[1], given_it[0], atol=1e-12)
        np.testing.assert_allclose(after[rest, 1] / after[1, 1], before[rest, 1] / before[1, 1])


@pytest.mark.parametrize(("trials", "finds"), [(60, 0.85), (100, 0.5), (200, 0.93)])
def test_errors_shrink_as_estimates_draw_together(trials, finds) -> None:
    """A proportion's log-odds, whose every outcome can be counted out."""

    def both(found: int) -> tuple[MixedFit, MixedFit]:
        y = (np.arange(trials) < found).astype(float)
        fit = fit_mixed(y, np.ones((trials, 1)), ["(Intercept)"], {})
        return fit, reduce_bias(np.ones((trials, 1)), {}, fit, [0])

    likely = np.arange(1, trials)
    likely = likely[stats.binom.pmf(likely, trials, finds) > 1e-4]
    weight = stats.binom.pmf(likely, trials, finds)
    fits = [both(int(k)) for k in likely]
    beta = np.array([[f.beta[0] for f in pair] for pair in fits])
    mean = np.average(beta, axis=0, weights=weight)
    raw, reduced = np.sqrt(np.average((beta - mean) ** 2, axis=0, weights=weight))
    usual = both(round(trials * finds))
    ratio = float(np.sqrt(usual[1].cov[0, 0] / usual[0].cov[0, 0]))
    # By hand: the bias is (p - 1/2) / (n p (1 - p)), which grows by (1 / (2 p (1 - p)) - 1) / n.
    p = round(trials * finds) / trials
    assert 1.0 - ratio == pytest.approx((0.5 / (p * (1.0 - p)) - 1.0) / trials, rel=1e-3)
    assert ratio == pytest.approx(reduced / raw, abs=0.35 * (1.0 - ratio) + 0.002)


def test_nothing_moves_beyond_first_order() -> None:
    _, x, groups, fit = fitted(3)
    assert reduce_bias(x, groups, fit, []) is fit
    assert abs(first_order_bias(x, groups, fit)[1]) > 0.0
    # Bias grows with the variance, errors with its root: sixty times as wide, it is beyond one.
    doubtful = replace(fit, joint_cov=fit.joint_cov * 60.0)
    assert np.abs(first_order_bias(x, groups, doubtful)[1]) > np.sqrt(doubtful.joint_cov[1, 1])
    assert reduce_bias(x, groups, doubtful, [1]) is doubtful


def test_nothing_moves_with_too_much_chance(monkeypatch) -> None:
    y = np.append(np.ones(8), 0.0)
    fit = fit_mixed(y, np.ones((9, 1)), ["(Intercept)"], {})
    # By hand, as above: the bias grows by (1 / (2 p (1 - p)) - 1) / n, which is 0.45 at 8 of 9.
    assert reduce_bias(np.ones((9, 1)), {}, fit, [0]).beta[0] < fit.beta[0]
    monkeypatch.setattr(bias, "_MOST_GROWTH", 0.4)
    assert reduce_bias(np.ones((9, 1)), {}, fit, [0]) is fit


def test_other_errors_are_the_joint_covariances() -> None:
    _, x, groups, fit = fitted(7)
    cov, with_fixed = bias._errors_with_fixed(x, bias._levels(groups, fit), fit)
    p = x.shape[1]
    # At the fit's own effects it is what the fit has, found there by another way.
    np.testing.assert_allclose(cov, fit.joint_cov[:p, :p], rtol=1e-6)
    assert fit.sd["source"] > 0.3
    np.testing.assert_allclose(with_fixed["source"], fit.joint_cov[p:, :p], rtol=1e-5, atol=1e-9)


def test_two_effects_shrink_together() -> None:
    y, x, groups = drawn(7)
    x[:, 2] *= 5.0  # in another unit, so that a transpose shows
    fit = fit_mixed(y, x, NAMES, groups)
    own = [1, 2]
    step = 0.05 * np.sqrt(np.diag(fit.cov)[own])
    # Column by column: how the biases of both change as one effect does, all others following.
    growth = np.zeros((2, 2))
    for k in range(2):
        ends = []
        for sign in (1.0, -1.0):
            values = fit.beta[own]
            values[k] += sign * step[k]
            there = bias.held_at(fit, own, values)
            cov, with_fixed = bias._errors_with_fixed(x, bias._levels(groups, there), there)
            found = bias._bias(x, bias._levels(groups, there), there, cov, with_fixed)
            ends.append(found[own])
        growth[:, k] = (ends[0] - ends[1]) / (2.0 * step[k])
    assert abs(growth[0, 1]) > 10.0 * abs(growth[1, 0])
    keeps = np.eye(2) - growth
    block = fit.cov[np.ix_(own, own)]
    reduced = reduce_bias(x, groups, fit, own)
    np.testing.assert_allclose(
        reduced.cov[np.ix_(own, own)], keeps @ block @ keeps.T, rtol=1e-3, atol=1e-7
    )
