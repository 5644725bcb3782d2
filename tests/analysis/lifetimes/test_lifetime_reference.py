"""Lifetimes on simulated sources against R's survival: tests/reference/lifetime_models.R."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.models.period_hazard import fit_periods
from outcomes.models.survival import Intervals, fit_time_varying, fit_weibull

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
    x = sources[["group"]].to_numpy(float)
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


def test_changing_cycles_model_is_coxph(rows, fits) -> None:
    fit = fit_time_varying(
        rows["start"].to_numpy(float),
        rows["stop"].to_numpy(float),
        rows["event"].to_numpy() == 1,
        rows[["cycles"]].to_numpy(float),
    )
    expected = fits.loc[("cox efron", "cycles")]
    assert fit.beta[0] == pytest.approx(expected["value"], abs=1e-6)
    assert np.sqrt(fit.cov[0, 0]) == pytest.approx(expected["error"], rel=1e-5)


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
