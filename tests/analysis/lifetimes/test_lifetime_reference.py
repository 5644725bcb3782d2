"""Lifetimes on simulated sources against R's survival: tests/reference/lifetime_models.R."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.lifetimes.regression import fit_time_varying
from outcomes.analysis.lifetimes.restricted_mean import log_rank_test, mean_within
from outcomes.models.interval_weibull import Intervals, fit_periods, fit_weibull
from outcomes.models.turnbull import fit_turnbull

REFERENCE = Path(__file__).parents[2] / "reference"


@pytest.fixture(scope="module")
def sources() -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "lifetime_models_sources.csv")


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "lifetime_models_rows.csv")


@pytest.fixture(scope="module")
def fits() -> pd.DataFrame:
    return pd.read_csv(REFERENCE / "lifetime_models_fits.csv").set_index(["fit", "term"])


def interval(sources: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    return sources["low"].to_numpy(float), sources["high"].fillna(np.inf).to_numpy(float)


def test_the_weibull_model_is_that_of_survreg(sources, fits) -> None:
    low, high = interval(sources)
    x = np.column_stack([np.ones(len(sources)), sources["group"]])
    fit = fit_weibull(Intervals(np.zeros(len(low)), low, high), x)
    errors = np.sqrt(np.diag(fit.cov))
    for place, term in enumerate(("(Intercept)", "group", "log scale")):
        expected = fits.loc[("weibull", term)]
        # survreg stops at a relative change of 1e-12 of the log-likelihood.
        assert fit.beta[place] == pytest.approx(expected["value"], abs=1e-5)
        assert errors[place] == pytest.approx(expected["error"], rel=1e-4)
    assert fit.log_likelihood == pytest.approx(
        fits.loc[("weibull", "log likelihood"), "value"], abs=1e-6
    )


def test_curve_is_that_of_survfit(sources, fits) -> None:
    # R puts the mass of a cell at its middle, and stops its algorithm early: its errors are
    # of the order of 1e-3, so the curves are compared after each cell with that much room.
    low, high = interval(sources)
    curve = fit_turnbull(low, high)
    steps = fits.loc["turnbull"]
    at = steps.index.astype(float).to_numpy()
    for right, survival in zip(curve.right, curve.survival, strict=True):
        before = steps["value"].to_numpy()[at <= right]
        assert survival == pytest.approx(before[-1] if len(before) else 1.0, abs=3e-3)


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_changing_cycles_model_is_coxph(ties, rows, fits) -> None:
    fit = fit_time_varying(
        rows["start"].to_numpy(float),
        rows["stop"].to_numpy(float),
        rows["event"].to_numpy() == 1,
        rows[["cycles"]].to_numpy(float),
        ties=ties,
    )
    expected = fits.loc[(f"cox {ties}", "cycles")]
    assert fit.beta[0] == pytest.approx(expected["value"], abs=1e-6)
    assert np.sqrt(fit.cov[0, 0]) == pytest.approx(expected["error"], rel=1e-5)


def test_log_rank_is_survdiff_or_coxph(sources, fits) -> None:
    exit_, event = sources["exit"].to_numpy(float), sources["event"].to_numpy() == 1
    group = sources["group"].to_numpy()
    plain, _ = log_rank_test(exit_, event, np.zeros(len(exit_)), group)
    assert plain == pytest.approx(fits.loc[("log rank", "chi square"), "value"], rel=1e-9)
    entry = np.minimum(sources["low"], 60).to_numpy(float) / 2
    kept = exit_ > entry
    late, _ = log_rank_test(exit_[kept], event[kept], entry[kept], group[kept])
    assert late == pytest.approx(fits.loc[("log rank late", "chi square"), "value"], rel=1e-6)


@pytest.mark.parametrize("group", [0, 1])
def test_the_restricted_mean_is_that_of_survfit(group, sources, fits) -> None:
    own = sources[sources["group"] == group]
    mean, error = mean_within(
        own["exit"].to_numpy(float), own["event"].to_numpy() == 1, np.zeros(len(own)), 0.0, 300.0
    )
    expected = fits.loc[(f"rmean {group}", "300")]
    assert mean == pytest.approx(expected["value"], rel=1e-9)
    assert error == pytest.approx(expected["error"], rel=1e-9)


def test_the_hazard_by_periods_is_that_of_glm(rows, fits) -> None:
    period = rows.groupby("id").cumcount().to_numpy() + 1.0
    fit = fit_periods(
        rows["id"].to_numpy(),
        rows["event"].to_numpy() == 1,
        np.column_stack([np.ones(len(rows)), period]),
    )
    for place, term in enumerate(("(Intercept)", "period")):
        assert fit.beta[place] == pytest.approx(fits.loc[("by period", term), "value"], abs=1e-6)
    assert fit.log_likelihood == pytest.approx(
        fits.loc[("by period", "log likelihood"), "value"], abs=1e-8
    )
