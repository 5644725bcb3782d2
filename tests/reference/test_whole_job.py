"""From the log to the lifetimes beside R: data.table, lme4 and survival on the same unit.

``whole_job.R`` reads the raw tables and does everything again: exposures by a rolling join under
both policies, the conditions, the model of finds, search time, false alerts, the rule, and how long
sources lasted. ``python tests/reference/run_r.py`` runs it again.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import whole_job_cases as cases

from outcomes.analysis.lifetimes.regression import fit_cycles_at_age
from outcomes.models.survival import Intervals, fit_weibull
from outcomes.settings import DecisionSettings

HERE = Path(__file__).parent
# R stores twelve digits.
DIGITS = {"rtol": 1e-10, "atol": 1e-9}


@pytest.fixture(scope="module")
def job():
    return cases.do_whole_job()


def in_r(fit: str) -> pd.DataFrame:
    fits = pd.read_csv(HERE / "whole_job_fits.csv")
    return fits[fits["fit"] == fit].set_index("term")


def followed_in_r() -> pd.DataFrame:
    return pd.read_csv(HERE / "whole_job_followed.csv")


def hold_exposures(ours: pd.DataFrame, file: str) -> None:
    theirs = pd.read_csv(HERE / file).set_index("trial_id")
    ours = ours[ours["documented"] & ours["result"].isin(["find", "miss"])]
    assert sorted(ours.index) == sorted(theirs.index)
    assert len(ours) > 900
    ours = ours.loc[theirs.index]
    assert ours["regime"].astype(str).tolist() == theirs.pop("regime").tolist()
    for name in theirs.columns:
        own = ours[name].to_numpy(float)
        np.testing.assert_allclose(own, theirs[name].to_numpy(float), **DIGITS, err_msg=name)


def test_exposures_are_a_rolling_join(job):
    hold_exposures(job.joined.trials.set_index("trial_id"), "whole_job_exposures.csv")


def test_exposures_with_proven_thaws_are_too(job):
    inferred = job.inferred.trials.set_index("trial_id")
    assert inferred["inferred_thaws"].max() > 1
    assert len(inferred) > len(job.joined.trials)
    hold_exposures(inferred, "whole_job_inferred.csv")


def test_model_of_finds_is_lme4s_from_raw(job):
    theirs = in_r("finds")
    design, mixed = job.finds.design, job.mixed
    errors = np.sqrt(np.diag(mixed.cov))
    names = [cases.in_r(column.term, column.unit) for column in design.columns]
    rest = {"log-likelihood", "trials", "sd dog_id", "sd source_id"}
    assert set(names) == set(theirs.index) - rest
    assert len(design.y) == theirs.loc["trials", "estimate"]
    for place, term in enumerate(names, start=1):
        # As against lme4 elsewhere: 2e-3 and 1e-3 of an error are its own numerical noise.
        apart = abs(mixed.beta[place] - theirs.loc[term, "estimate"])
        assert apart < 2e-3 * errors[place], term
        assert errors[place] == pytest.approx(theirs.loc[term, "std_error"], rel=2e-3), term
    assert mixed.log_likelihood == pytest.approx(theirs.loc["log-likelihood", "estimate"], abs=0.01)
    for name in ("dog", "source"):
        sd = theirs.loc[f"sd {name}_id", "estimate"]
        assert mixed.sd[name] == pytest.approx(sd, rel=0.01, abs=1e-3)


def test_time_of_finds_is_lmers(job):
    theirs, ours = in_r("time of finds"), job.search_time
    assert ours.finds == theirs.loc["trials", "estimate"]
    names = [cases.in_r(term.term, term.unit) for term in ours.terms]
    spreads = ["sd dog_id", "sd source_id", "sd residual"]
    assert set(names) == set(theirs.index) - {"trials", *spreads}
    estimates = [term.log_ratio for term in ours.terms]
    errors = [term.std_error for term in ours.terms]
    # Where lme4's search stops, a spread next to none has fewer digits.
    np.testing.assert_allclose(estimates, theirs.loc[names, "estimate"], rtol=1e-5, atol=1e-7)
    np.testing.assert_allclose(errors, theirs.loc[names, "std_error"], rtol=1e-5)
    sd = [ours.sd[name] for name in ("dog", "source", "residual")]
    np.testing.assert_allclose(sd, theirs.loc[spreads, "estimate"], rtol=1e-5, atol=1e-6)


def test_alert_rates_are_rs_exact_tests(job):
    hourly, blank, ours = in_r("false alerts per hour"), in_r("false alerts per blank"), {}
    for who in ("all", *sorted(dog.dog for dog in job.false_alerts.by_dog)):
        of = {dog.dog: dog for dog in job.false_alerts.by_dog}.get(who, job.false_alerts)
        ours[who] = (of.rate_per_hour, of.per_blank)
        ours[f"{who}, low"] = (of.rate_low, of.per_blank_low)
        ours[f"{who}, high"] = (of.rate_high, of.per_blank_high)
    assert set(ours) == set(hourly.index) == set(blank.index)
    for who, (rate, share) in ours.items():
        assert rate == pytest.approx(hourly.loc[who, "estimate"], rel=1e-9), who
        assert share == pytest.approx(blank.loc[who, "estimate"], rel=1e-9), who


def test_alerts_on_hides_are_glms_and_glmers(job):
    theirs, clustered, ours = in_r("false alerts"), in_r("false alerts clustered"), job.false_alerts
    assert ours.model == "Poisson"
    assert ours.model_trials == theirs.loc["trials", "estimate"]
    spread = theirs.loc["overdispersion, p", "estimate"]
    assert ours.overdispersion_p == pytest.approx(spread, rel=1e-6)
    assert {term.term for term in ours.terms} == set(clustered.index)
    for term in ours.clustered:
        expected = clustered.loc[term.term]
        assert term.log_ratio == pytest.approx(expected["estimate"], rel=1e-6), term
        assert term.std_error == pytest.approx(expected["std_error"], rel=1e-6), term
    # Both find no spread between sources; what is reported is then glm's. Ours stops at a spread
    # that is small, not zero.
    assert ours.source_sd == theirs.loc["sd source_id", "estimate"] == 0.0
    for term in ours.terms:
        expected = theirs.loc[term.term]
        assert abs(term.log_ratio - expected["estimate"]) < 1e-4 * term.std_error, term
        assert term.std_error == pytest.approx(expected["std_error"], rel=1e-4), term


def test_rule_is_met_by_the_same_sources(job):
    ours, theirs = job.lifetime.followed.set_index("source_id"), followed_in_r()
    assert sorted(ours.index) == sorted(theirs["source_id"])
    ours = ours.loc[theirs["source_id"]]
    assert ours["event"].tolist() == theirs["event"].tolist()
    assert ours["regime"].tolist() == theirs["regime"].tolist()
    for name in ("entry_days", "low_days", "exit_days"):
        np.testing.assert_allclose(ours[name].to_numpy(float), theirs[name], **DIGITS)


def test_lifetimes_are_those_of_survreg():
    own = followed_in_r()
    low = own["low_days"].to_numpy()
    high = np.where(own["event"], own["exit_days"], np.inf)
    fit = fit_weibull(Intervals(np.zeros(len(low)), low, high), np.empty((len(low), 0)))
    theirs = in_r("weibull")
    names = ["(Intercept)", "log scale"]
    np.testing.assert_allclose(fit.beta, theirs.loc[names, "estimate"], atol=1e-5)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov)), theirs.loc[names, "std_error"], rtol=1e-4)
    assert fit.log_likelihood == pytest.approx(theirs.loc["log-likelihood", "estimate"], abs=1e-6)


def test_frozen_curve_is_survfits_late_entry(job):
    days, ours = in_r("kaplan-meier days")["estimate"], job.lifetime
    # The refrigerated, of which none met the rule, are flat.
    falling = [point for point in ours.curve if point.group == "frozen"]
    assert {p.probability for p in ours.curve if p.group == "refrigerated"} == {1.0}
    assert ours.curve_from["frozen"] == pytest.approx(days["from"], rel=1e-10)
    assert ours.curve_to["frozen"] == pytest.approx(days["to"], rel=1e-10)
    assert ours.median["frozen"] == pytest.approx(days["median"], rel=1e-10)
    assert ours.median_low["frozen"] == pytest.approx(days["median, low"], rel=1e-10)
    assert ours.median_high["frozen"] is None
    assert np.isnan(days["median, high"])
    points = falling[1:]  # the first is the day from which it is drawn
    for fit, own in (
        ("kaplan-meier", [point.probability for point in points]),
        ("kaplan-meier low", [point.low for point in points]),
        ("kaplan-meier high", [point.high for point in points]),
        ("kaplan-meier at risk", [point.at_risk for point in points]),
    ):
        steps = in_r(fit)
        at = [point.time for point in points]
        np.testing.assert_allclose(at, steps.index.astype(float), rtol=1e-9)
        np.testing.assert_allclose(own, steps["estimate"], rtol=1e-9, err_msg=fit)


def test_cycle_hazard_is_coxphs(job):
    expected = in_r("cycles at an age").loc["cycles"]
    (ours,) = fit_cycles_at_age(job.joined.trials, job.lifetime, DecisionSettings()).terms
    assert ours.term == "cycles"
    assert ours.log_ratio == pytest.approx(expected["estimate"], rel=1e-6)
    assert ours.std_error == pytest.approx(expected["std_error"], rel=1e-6)
