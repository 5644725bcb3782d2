"""Hazards period by period, against outside values."""

import numpy as np
import pytest

from outcomes.errors import FitError
from outcomes.models.period_hazard import fit_periods

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


def test_periods_with_one_event_are_one_interval():
    # Without covariates the hazard h of ten sources lost in two periods and thirty that
    # lasted both solves 10 lost with 1 - (1 - h)^2 of 40: h = 1 - sqrt(30 / 40).
    source = np.repeat(np.arange(40), 2)
    fit = fit_periods(source, source < 10, np.ones((80, 1)))
    assert -np.expm1(-np.exp(fit.beta[0])) == pytest.approx(1 - np.sqrt(0.75), abs=1e-8)


def test_no_event_is_said_and_not_fitted():
    with pytest.raises(FitError, match="no source was followed to an event"):
        fit_periods(np.arange(4), np.zeros(4, bool), np.ones((4, 1)))
