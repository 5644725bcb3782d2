"""From the log to the lifetimes beside R: data.table, lme4 and survival on the same unit.

``whole_job.R`` reads the raw tables and does everything again: exposures by a rolling join, the
model of finds at the same terms, search time, the rule, and how long sources lasted. Interval-
censored log-rank tests are held elsewhere (``log_rank_groups.R`` and the published ones): no
package of R at hand has them. ``python tests/reference/run_r.py`` runs it again.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from outcomes.fit.cox import fit_cox
from outcomes.fit.interval_hazard import Intervals, fit_weibull
from outcomes.fit.restricted_mean import log_rank_test
from outcomes.fit.search_time import clustered_errors
from outcomes.fit.turnbull import fit_turnbull

HERE = Path(__file__).parent
# R stores twelve digits.
DIGITS = {"rtol": 1e-10, "atol": 1e-9}


def _load_cases() -> ModuleType:
    spec = importlib.util.spec_from_file_location("whole_job_cases", HERE / "whole_job_cases.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["whole_job_cases"] = module
    spec.loader.exec_module(module)
    return module


cases = _load_cases()


@pytest.fixture(scope="module")
def job():
    return cases.do_whole_job()


def in_r(fit: str) -> pd.DataFrame:
    fits = pd.read_csv(HERE / "whole_job_fits.csv")
    return fits[fits["fit"] == fit].set_index("term")


def followed_in_r() -> pd.DataFrame:
    return pd.read_csv(HERE / "whole_job_followed.csv")


def test_the_exposures_are_those_of_a_rolling_join_in_data_table(job):
    theirs = pd.read_csv(HERE / "whole_job_exposures.csv").set_index("trial_id")
    trials = job.joined.trials.set_index("trial_id")
    ours = trials[trials["documented"] & trials["result"].isin(["find", "miss"])]
    assert sorted(ours.index) == sorted(theirs.index)
    assert len(ours) > 900
    for name in theirs.columns:
        own = ours.loc[theirs.index, name].to_numpy(float)
        np.testing.assert_allclose(own, theirs[name].to_numpy(float), **DIGITS, err_msg=name)


def test_what_r_was_handed_is_what_the_model_of_finds_enters(job):
    stored = pd.read_csv(HERE / "whole_job_conditions.csv")
    pd.testing.assert_frame_equal(cases.conditions(job), stored, rtol=1e-9, atol=1e-9)


def test_the_model_of_finds_is_that_of_lme4_from_the_raw_tables(job):
    theirs = in_r("finds")
    design, mixed = job.finds.design, job.mixed
    errors = np.sqrt(np.diag(mixed.cov))
    number = 0
    for place, column in enumerate(design.columns, start=1):
        if column.term in cases.BY_R:
            term = cases.BY_R[column.term]
        else:
            number += 1
            term = f"term_{number}"
        # As against lme4 elsewhere: 2e-3 and 1e-3 of an error are its own numerical noise.
        apart = abs(mixed.beta[place] - theirs.loc[term, "estimate"])
        assert apart < 2e-3 * errors[place], term
        assert errors[place] == pytest.approx(theirs.loc[term, "std_error"], rel=2e-3), term
    assert number == sum(term.startswith("term_") for term in theirs.index)
    assert mixed.log_likelihood == pytest.approx(theirs.loc["log-likelihood", "estimate"], abs=0.01)
    for name in ("dog", "source"):
        sd = theirs.loc[f"sd {name}_id", "estimate"]
        assert mixed.sd[name] == pytest.approx(sd, rel=0.01, abs=1e-3)


def test_search_time_is_that_of_coxph_with_errors_clustered_by_source(job):
    theirs = in_r("search time")
    trials = job.finds.design.trials
    missed = (trials["result"] == "miss").to_numpy()
    searched, limit = (trials[c].to_numpy(float) for c in ("search_s", "limit_s"))
    time = np.where(missed & np.isnan(searched), limit, searched)
    usable = np.isfinite(time) & (time > 0)
    trials, time, event = trials[usable], time[usable], ~missed[usable]
    x = np.column_stack([trials["cycles"].to_numpy(float), trials["age_days"].to_numpy(float) / 30])
    fit = fit_cox(time, event, x, trials["dog_id"].to_numpy(str))
    errors = clustered_errors(fit, trials["source_id"].to_numpy(str))
    names = ["cycles", "age"]
    np.testing.assert_allclose(fit.beta, theirs.loc[names, "estimate"], rtol=1e-6, atol=1e-8)
    np.testing.assert_allclose(errors, theirs.loc[names, "std_error"], rtol=1e-6)
    assert fit.log_likelihood == pytest.approx(theirs.loc["log-likelihood", "estimate"], abs=1e-6)


def test_the_rule_is_met_by_the_same_sources_on_the_same_days(job):
    ours, theirs = job.lifetime.followed.set_index("source_id"), followed_in_r()
    assert sorted(ours.index) == sorted(theirs["source_id"])
    ours = ours.loc[theirs["source_id"]]
    assert ours["event"].tolist() == theirs["event"].tolist()
    assert ours["regime"].tolist() == theirs["regime"].tolist()
    for name in ("entry_days", "low_days", "exit_days"):
        np.testing.assert_allclose(ours[name].to_numpy(float), theirs[name], **DIGITS)


def _intervals() -> tuple[np.ndarray, np.ndarray]:
    own = followed_in_r()
    return own["low_days"].to_numpy(), np.where(own["event"], own["exit_days"], np.inf)


def test_lifetimes_are_those_of_survreg_survfit_and_survdiff():
    low, high = _intervals()
    fit = fit_weibull(Intervals(np.zeros(len(low)), low, high), np.ones((len(low), 1)))
    theirs = in_r("weibull")
    names = ["(Intercept)", "log scale"]
    np.testing.assert_allclose(fit.beta, theirs.loc[names, "estimate"], atol=1e-5)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov)), theirs.loc[names, "std_error"], rtol=1e-4)
    assert fit.log_likelihood == pytest.approx(theirs.loc["log-likelihood", "estimate"], abs=1e-6)

    curve, steps = fit_turnbull(low, high), in_r("turnbull")
    at = steps.index.astype(float).to_numpy()
    for right, survival in zip(curve.right, curve.survival, strict=True):
        # R draws the mass of a cell at its middle and stops its algorithm early.
        before = steps["estimate"].to_numpy()[at <= right]
        assert survival == pytest.approx(before[-1] if len(before) else 1.0, abs=3e-3)

    own = followed_in_r()
    two = own[own["regime"].isin(["frozen", "refrigerated"])]
    statistic, _ = log_rank_test(
        two["exit_days"].to_numpy(), two["event"].to_numpy(), np.zeros(len(two)),
        two["regime"].to_numpy(str),
    )  # fmt: skip
    expected = in_r("log-rank").loc["statistic", "estimate"]
    assert statistic == pytest.approx(expected, rel=1e-8)
