"""Power of a layout: its expected error held to algebra, its simulation to R."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit

from outcomes.planning.power import (
    Hides,
    conditional_log_odds,
    expected_error,
    information_share,
    simulate_power,
)

from .units import RATES

ALONE = replace(RATES, dog_sd=0.0, source_sd=0.0, portion_sd=0.0)


def _hides(pairs, each=1, dogs=1):
    pair = np.repeat(np.arange(pairs), 2 * each)
    turn = np.arange(len(pair))
    return Hides(
        day=1 + turn // 2 % 7,
        dog=turn % dogs,
        pair=pair,
        side=turn % 2,
        apart=np.ones(len(pair)),
    )


def test_error_without_spreads_is_that_of_two_shares():
    hides = _hides(40, each=7)
    effect = float(np.log(0.5 / 0.5) - np.log(0.75 / 0.25))
    rates = replace(ALONE, found=0.75)
    # Algebra: the variance of a log odds ratio is the sum of 1 / (n p q) over both arms.
    n = len(hides.day) / 2
    algebra = np.sqrt(1 / (n * 0.75 * 0.25) + 1 / (n * 0.5 * 0.5))
    assert expected_error(hides, rates, effect) == pytest.approx(algebra, rel=0.01)


def test_share_found_is_that_over_dogs_and_sources():
    middle = conditional_log_odds(0.9, 1.2)
    effects = np.random.default_rng(1).normal(0.0, 1.2, 200_000)
    assert expit(middle + effects).mean() == pytest.approx(0.9, abs=0.001)


def test_more_trials_never_tell_less():
    errors = [expected_error(_hides(8, each, 4), RATES, -0.5) for each in (2, 4, 8, 16)]
    assert errors == sorted(errors, reverse=True)


def test_information_grows_from_none_to_all():
    hides = _hides(8, 7, 4)
    shares = [information_share(hides, hides.until(day), RATES, -0.5) for day in range(8)]
    assert shares[0] == 0.0
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1.0)


# R's power.prop.test: .75 against .5, 77 of each, 5 %: 90 in 100; by simulation .911 (20,000 runs).
@pytest.mark.slow
def test_simulated_power_is_that_of_two_shares():
    rates = replace(ALONE, found=0.75)
    effect = -float(np.log(3.0))
    power, low, high = simulate_power(
        _hides(77), rates, effect, 0.05, 300, np.random.default_rng(2)
    )
    assert low <= 0.911 <= high
    assert power == pytest.approx(0.9, abs=0.05)  # three Monte Carlo errors of 300 runs


@pytest.mark.slow
def test_simulated_power_without_effect_is_the_level():
    _, low, high = simulate_power(_hides(10, 8, 4), RATES, 0.0, 0.05, 300, np.random.default_rng(3))
    assert low <= 0.06
    assert high >= 0.04
