"""Power in closed form, held to R and statsmodels."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.power import TTestPower

from outcomes.models.power import detectable, power_of_t, power_of_two_shares


# R's power.prop.test, its help page: .5 against .75.
def test_two_shares_have_the_power_r_says():
    assert power_of_two_shares(0.5, 0.75, 50, 0.05) == pytest.approx(0.74017, abs=1e-4)
    assert power_of_two_shares(0.5, 0.75, 76, 0.05) < 0.9 < power_of_two_shares(0.5, 0.75, 77, 0.05)


# Fleiss 1981, without his correction: .25 against .40, 151.9 of each for 80 in 100 (from memory).
def test_two_shares_have_the_size_fleiss_says():
    below = power_of_two_shares(0.25, 0.40, 151, 0.05)
    above = power_of_two_shares(0.25, 0.40, 152, 0.05)
    assert below < 0.8 < above


# Larger effects are left out: statsmodels' far tail has no digits there.
@given(st.floats(0.05, 1.0), st.integers(3, 30), st.sampled_from([0.05, 0.01]))
def test_t_has_the_power_statsmodels_says(effect, pairs, alpha):
    # statsmodels counts both tails too.
    theirs = TTestPower().power(effect, pairs, alpha, alternative="two-sided")
    ours = power_of_t(effect, pairs**-0.5, pairs - 1, alpha)
    assert ours == pytest.approx(theirs, abs=1e-6)


@pytest.mark.parametrize("freedom", [1, 3, 7, 30])
def test_detectable_effect_has_the_power_wanted(freedom):
    effect = detectable(0.2, freedom, 0.05, 0.8)
    assert power_of_t(effect, 0.2, freedom, 0.05) == pytest.approx(0.8, abs=1e-6)


@pytest.mark.parametrize("shift", [12.0, 40.0, 200.0])
def test_certain_effect_has_power_one(shift):
    assert power_of_t(-shift, 1.0, 15, 0.05) == pytest.approx(1.0, abs=1e-9)


def test_no_effect_has_the_power_of_its_level():
    assert power_of_t(0.0, 1.0, 7, 0.05) == pytest.approx(0.05, abs=1e-9)
