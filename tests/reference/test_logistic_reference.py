"""Logistic regression, inverse prediction and exact intervals against published values.

Without a grouping the mixed model is ordinary logistic regression, so the
engine, the standardised curve and the threshold read from it can be held to
textbook results. Conditional and marginal models are held in ``tests/models/test_clustered.py``.
"""

from functools import cache

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from mixed_cases import _rdata
from scipy import stats

from outcomes.analysis.decisions.curve import GRID, observed_bins, standardised
from outcomes.analysis.decisions.threshold import Threshold, read_threshold
from outcomes.analysis.finds.design import Column, Design
from outcomes.analysis.results import FindCurve
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit


def _one_by_one(events: np.ndarray, n: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Groups of ``n`` with ``events`` ones each, as single 0/1 outcomes and their rows."""
    y = np.concatenate([np.repeat([1.0, 0.0], [e, m - e]) for e, m in zip(events, n, strict=True)])
    return y, np.repeat(x, n, axis=0)


def _grouped_fit(
    events: np.ndarray, n: np.ndarray, columns: dict[str, np.ndarray]
) -> tuple[MixedFit, float]:
    """Logistic regression on grouped counts, and its deviance from the saturated model."""
    x = np.column_stack([np.ones(len(n)), *columns.values()])
    y, rows = _one_by_one(events, n, x)
    fit = fit_mixed(y, rows, ["(Intercept)", *columns], {})
    saturated = stats.binom(n, events / n).logpmf(events) - _log_choose(n, events)
    return fit, 2.0 * (float(saturated.sum()) - fit.log_likelihood)


def _log_choose(n: np.ndarray, k: np.ndarray) -> np.ndarray:
    from scipy.special import gammaln

    return gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)


def _errors(fit: MixedFit) -> np.ndarray:
    return np.sqrt(np.diag(fit.cov))


def test_individual_outcomes_spector_and_mazzeo(outside) -> None:
    check = outside(
        "Logistic regression, single outcomes",
        "Spector & Mazzeo 1980, J Econ Educ 11:37-44, as analysed by Greene, Econometric "
        "Analysis; digits by Stata.",
        "read",
    )
    data = sm.datasets.spector.load_pandas()
    x = np.column_stack([np.ones(32), data.exog[["GPA", "TUCE", "PSI"]].to_numpy(float)])
    fit = fit_mixed(data.endog.to_numpy(float), x, ["(Intercept)", "GPA", "TUCE", "PSI"], {})
    terms = ("intercept", "GPA", "TUCE", "PSI")
    # Stata's own stopping rule leaves about one unit of the last digit.
    check.each(terms, "-13.02135 2.826113 0.095158 2.378688", fit.beta, 1e-5)
    errors = [f"{term}, error" for term in terms]
    check.each(errors, "4.931324 1.262941 0.141554 1.064564", _errors(fit), 1e-5)
    check("log-likelihood", "-12.88963", fit.log_likelihood)


def test_grouped_outcomes_space_shuttle(outside) -> None:
    check = outside(
        "Logistic regression, grouped outcomes (O-rings of the space shuttle)",
        "Dalal, Fowlkes & Hoadley 1989, JASA 84:945-957.",
        "read",
    )
    flights = _rdata("vcd", "SpaceShuttle").dropna(subset=["nFailures"])
    assert len(flights) == 23
    failures = flights["nFailures"].to_numpy(int)
    temperature = flights["Temperature"].to_numpy(float)
    fit, deviance = _grouped_fit(failures, np.full(23, 6), {"temperature": temperature})
    check.each(("intercept", "temperature"), "5.085 -0.1156", fit.beta)
    check.each(("intercept, error", "temperature, error"), "3.052 0.047", _errors(fit))
    check("deviance, 21 degrees of freedom", "18.086", deviance)


def test_binary_outcomes_space_shuttle(outside) -> None:
    # Flights with any damage against none.
    check = outside(
        "Logistic regression, any damage to O-rings",
        "Dalal, Fowlkes & Hoadley 1989, JASA 84:945-957.",
        "memory",
    )
    flights = _rdata("DAAG", "orings")
    x = np.column_stack([np.ones(len(flights)), flights["Temperature"]])
    damaged = (flights["Total"] > 0).to_numpy(float)
    fit = fit_mixed(damaged, x, ["(Intercept)", "temperature"], {})
    check.each(("intercept", "temperature"), "15.0429 -0.2322", fit.beta)
    check.each(("intercept, error", "temperature, error"), "7.3786 0.1082", _errors(fit))


# Bliss 1935, Ann Appl Biol 22:134-167: beetles killed by carbon disulphide.
_DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
_BEETLES = np.array([59, 60, 62, 56, 63, 59, 62, 60])
_KILLED = np.array([6, 13, 18, 28, 52, 53, 61, 60])


def test_dose_response_bliss_beetles(outside) -> None:
    check = outside(
        "Logistic regression, dose and response (Bliss's beetles)",
        "Bliss 1935, Ann Appl Biol 22:134-167; Dobson, An Introduction to Generalized Linear "
        "Models, chapter 7; R's glm.",
        "memory",
    )
    fit, deviance = _grouped_fit(_KILLED, _BEETLES, {"dose": _DOSE})
    check.each(("intercept", "dose"), "-60.717 34.270", fit.beta)
    check.each(("intercept, error", "dose, error"), "5.181 2.912", _errors(fit))
    check("deviance", "11.232", deviance)


def test_grouping_of_one_level_changes_nothing() -> None:
    y, x = _one_by_one(_KILLED, _BEETLES, np.column_stack([np.ones(8), _DOSE]))
    alone = fit_mixed(y, x, ["(Intercept)", "dose"], {})
    grouped = fit_mixed(y, x, ["(Intercept)", "dose"], {"dog": np.repeat("Ada", len(y))})
    np.testing.assert_array_equal(alone.beta, grouped.beta)
    assert (grouped.sd["dog"], grouped.log_likelihood) == (0.0, alone.log_likelihood)


# Inverse prediction: where the standardised curve and its band cross a floor --------------
#
# Deaths rise with the dose, so "found" is survival, which falls as a threshold expects:
# survival 0.75, 0.5, 0.25 are the doses that kill 25, 50 and 75 %.

_NORMAL = 1.959964  # 97.5 % point of the normal distribution, as the published limits use
_STEPS = 2001  # linear interpolation between so many points errs by less than 1e-6


def _curve(x: np.ndarray, fit: MixedFit, at: np.ndarray) -> FindCurve:
    """Curve averaged over the rows of ``x``, one source to each."""
    trials = pd.DataFrame({"source_id": [f"S{i}" for i in range(len(x))]})
    columns = tuple(Column(name, name, "1", 0.0, 1.0, None) for name in fit.names[1:])
    design = Design(trials, np.zeros(len(x)), x, columns, {}, (), {}, False)
    # Our band takes Student's t on sources minus two: this is the confidence at which
    # that quantile is the normal one.
    confidence = 2.0 * float(stats.t(len(x) - 2).cdf(_NORMAL)) - 1.0
    probability, low, high = standardised(design, fit, "cycles", at, confidence)
    thin = np.zeros(len(at), dtype=bool)
    return FindCurve("cycles", at, probability, low, high, confidence, thin, (), "")


@cache
def _beetles() -> tuple[FindCurve, MixedFit]:
    x = np.column_stack([np.ones(8), _DOSE])
    y, rows = _one_by_one(_BEETLES - _KILLED, _BEETLES, x)
    fit = fit_mixed(y, rows, ("(Intercept)", "cycles"), {})
    return _curve(x, fit, np.linspace(_DOSE[0], _DOSE[-1], _STEPS)), fit


@cache
def _budworm() -> tuple[FindCurve, MixedFit]:
    # Tobacco budworm moths, 20 of each sex at each of six doses (log2 of micrograms),
    # Venables & Ripley 2002, Modern Applied Statistics with S, section 7.2.
    log_dose = np.tile(np.arange(6.0), 2)
    male = np.repeat([1.0, 0.0], 6)
    dead = np.array([1, 4, 9, 13, 18, 20, 0, 2, 6, 10, 12, 16])
    x = np.column_stack([np.ones(12), log_dose, male])
    y, rows = _one_by_one(20 - dead, np.full(12, 20), x)
    fit = fit_mixed(y, rows, ("(Intercept)", "cycles", "male"), {})
    return _curve(x[male == 0.0], fit, np.linspace(0.0, 5.0, _STEPS)), fit


def _threshold(curve: FindCurve, floor: float) -> Threshold:
    return read_threshold(curve, floor, float(curve.at[-1]))


@pytest.mark.parametrize(
    ("killed", "dose", "error"),
    [
        (0.25, "2.231265", "0.2499089"),
        (0.50, "3.263587", "0.2297539"),
        (0.75, "4.295910", "0.2746874"),
    ],
)
def test_inverse_prediction_of_venables_and_ripley(outside, killed, dose, error) -> None:
    check = outside(
        "Threshold read from the curve, and its delta-method error (budworm, females)",
        "Venables & Ripley 2002, Modern Applied Statistics with S, section 7.2; R's ?MASS::dose.p.",
        "read",
    )
    curve, fit = _budworm()
    found = _threshold(curve, 1.0 - killed)
    # 1e-5: R's coefficients there stopped at glm's default tolerance.
    check(f"log dose that kills {killed:.0%}", dose, found.estimate, 1e-5)
    # Its delta-method error is the error of the log-odds there over the slope.
    at = np.array([1.0, float(dose), 0.0])
    delta = np.sqrt(at @ fit.cov @ at) / abs(fit.beta[1])
    check(f"log dose that kills {killed:.0%}, error", error, delta, 1e-5)


@pytest.mark.parametrize(
    ("killed", "limits"), [(0.50, "2.812217 3.740639"), (0.25, "1.672908 2.687537")]
)
def test_threshold_limits_are_fiellers_budworm(outside, killed, limits) -> None:
    check = outside(
        "Limits of the threshold (budworm, females)",
        "Fieller's quadratic (Agresti 2002, Categorical Data Analysis, 2nd ed., section 5.1) "
        "solved in R.",
        "computed",
    )
    found = _threshold(_budworm()[0], 1.0 - killed)
    names = (f"kills {killed:.0%}, lower", f"kills {killed:.0%}, upper")
    check.each(names, limits, (found.low, found.high), 5e-6)


def test_beetles_have_their_median_dose(outside) -> None:
    method = "Threshold read from the curve, and its delta-method error (beetles)"
    data = "Bliss 1935, Ann Appl Biol 22:134-167"
    curve, fit = _beetles()
    found = _threshold(curve, 0.5)
    # The curve is read by linear interpolation.
    dose = outside(method, f"{data}; dose.p of R's MASS.", "computed")
    dose("dose that kills 50%", "1.771721", found.estimate, 1e-6)
    at = np.array([1.0, 1.771721])
    delta = np.sqrt(at @ fit.cov @ at) / abs(fit.beta[1])
    error = outside(
        method, f"{data}; the error that R's investr package is tested against.", "read"
    )
    error("dose that kills 50%, error", "0.003858052", delta, 1e-7)
    limits = outside("Limits of the threshold (beetles)", "Fieller's quadratic in R.", "computed")
    limits.each(("lower", "upper"), "1.763858 1.779200", (found.low, found.high), 1e-6)


@pytest.mark.parametrize("floor", [0.3, 0.5, 0.7, 0.85])
@pytest.mark.parametrize("data", [_beetles, _budworm])
def test_limits_lie_one_quantile_from_the_floor(data, floor) -> None:
    # What defines Fieller's limits, at floors for which nothing was published.
    curve, fit = data()
    found = _threshold(curve, floor)
    target = np.log(floor / (1.0 - floor))
    assert found.low is not None
    assert found.high is not None
    assert found.low < found.estimate < found.high
    for limit in (found.low, found.high):
        at = np.zeros(len(fit.beta))
        at[:2] = 1.0, limit
        distance = (at @ fit.beta - target) / np.sqrt(at @ fit.cov @ at)
        assert abs(distance) == pytest.approx(_NORMAL, abs=2e-5)


def test_drawn_grid_is_fine_enough() -> None:
    # A twentieth of a grid step: far less than the whole cycle that is reported.
    fine, fit = _budworm()
    coarse = _curve(
        np.column_stack([np.ones(6), np.arange(6.0), np.zeros(6)]), fit, np.linspace(0.0, 5.0, GRID)
    )
    for floor in (0.3, 0.5, 0.7, 0.85):
        read, exact = _threshold(coarse, floor), _threshold(fine, floor)
        step = 5.0 / (GRID - 1)
        assert read.estimate == pytest.approx(exact.estimate, abs=step / 20)
        assert read.low == pytest.approx(exact.low, abs=step / 20)
        assert read.high == pytest.approx(exact.high, abs=step / 20)


_NEWCOMBE = "Newcombe 1998, Statistics in Medicine 17:857-872, Table I, method 5."
_NIST = "NIST/SEMATECH e-Handbook, section 7.2.4.1."
_RULE_OF_THREE = (
    "1 − 0.05^(1/n), what the rule of three approximates: Hanley & Lippman-Hand 1983, "
    "JAMA 249:1743-1745."
)


@pytest.mark.parametrize(
    ("finds", "n", "confidence", "limits", "source", "how"),
    [
        (81, 263, 0.95, "0.2527 0.3676", _NEWCOMBE, "memory"),
        (15, 148, 0.95, "0.0578 0.1617", _NEWCOMBE, "memory"),
        (0, 20, 0.95, "0 0.1684", _NEWCOMBE, "memory"),
        (1, 29, 0.95, "0.0009 0.1776", _NEWCOMBE, "memory"),
        (4, 20, 0.90, "0.071354 0.401028", _NIST, "memory"),
        (0, 29, 0.90, "0 0.09814", _RULE_OF_THREE, "closed"),
        (0, 59, 0.90, "0 0.04951", _RULE_OF_THREE, "closed"),
        (0, 299, 0.90, "0 0.009969", _RULE_OF_THREE, "closed"),
    ],
)
def test_proportions_carry_exact_intervals(
    outside, finds, n, confidence, limits, source, how
) -> None:
    trials = pd.DataFrame(
        {
            "source_id": "S1",
            "cycles": 4.0,
            "result": np.repeat(["find", "miss"], [finds, n - finds]),
        }
    )
    (only,) = observed_bins(trials, "cycles", confidence)
    assert (only.finds, only.n, only.proportion) == (finds, n, finds / n)
    check = outside("Exact interval of a share of finds (Clopper and Pearson)", source, how)
    names = [f"{finds} of {n}, {confidence:.0%}, {limit}" for limit in ("lower", "upper")]
    check.each(names, limits, (only.proportion_low, only.proportion_high))
