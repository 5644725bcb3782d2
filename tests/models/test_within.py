"""A line within groups: beside statsmodels, published tables of meat, and what no level may do."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from outcomes.errors import FitError
from outcomes.models.within import fit_within, inflation

MONTHS = (0.5, 1.0, 2.0, 3.0, 4.0, 5.0)
# Drip loss of lamb, per cent, by months frozen: Korean Journal for Food Science of Animal
# Resources 38(5) 959 (2018), table 1.
LAMB = {
    "-18": (2.67, 3.22, 3.70, 4.35, 5.83, 9.35),
    "-50": (2.28, 2.56, 3.47, 3.38, 4.23, 6.35),
    "-60": (1.96, 2.45, 2.82, 2.89, 3.84, 4.52),
    "-80": (1.68, 1.87, 2.14, 2.02, 2.33, 2.66),
}
# Purge of four pork muscles, per cent, never frozen and after one cycle: PMC8233445 (2021).
PORK = ((2.5, 4.0), (2.1, 3.1), (3.9, 7.3), (5.2, 8.5))


def test_drip_of_lamb_rises_by_month_as_its_table_says(outside) -> None:
    groups = np.repeat(list(LAMB), len(MONTHS))
    months = np.tile(MONTHS, len(LAMB))
    y = np.concatenate([np.array(v) for v in LAMB.values()])
    x = np.column_stack([np.where(groups == name, months, 0.0) for name in LAMB])
    found = fit_within(y, x, groups)
    check = outside(
        "Change within a source: drip of lamb by months frozen",
        "Data: Korean J Food Sci Anim Resour 38(5) 959, table 1; slopes: R lm.",
        "computed",
    )
    check.each([f"{name} °C, a month" for name in LAMB], "1.305 .784 .523 .188", found.beta)


def test_purge_of_pork_is_a_paired_t(outside) -> None:
    groups = np.repeat(np.arange(4), 2)
    found = fit_within(np.ravel(PORK), np.tile([[0.0], [1.0]], (4, 1)), groups)
    check = outside(
        "Change within a source: purge of pork after one cycle",
        "Data: PMC8233445, four muscles; the difference and its error are those of paired "
        "differences.",
        "closed",
    )
    check("mean difference", "2.30", found.beta[0], 1e-12)
    paired = stats.ttest_rel(*np.transpose(PORK)[::-1])
    check("its error", "0.615", np.sqrt(found.cov[0, 0]))
    assert found.beta[0] / np.sqrt(found.cov[0, 0]) == pytest.approx(paired.statistic)
    assert found.freedom == paired.df


def made(seed: int, sources: int = 12, looks: int = 6) -> tuple[np.ndarray, ...]:
    """Sources with levels and slopes of their own about 0.9 a cycle and 0.2 a month."""
    rng = np.random.default_rng(seed)
    groups = np.repeat(np.arange(sources), looks)
    x = np.column_stack([rng.integers(0, 30, len(groups)), rng.uniform(0, 20, len(groups))])
    own = 0.9 + 0.2 * rng.normal(size=sources)
    y = 5.0 * rng.normal(size=sources)[groups] + own[groups] * x[:, 0] + 0.2 * x[:, 1]
    return y + rng.normal(size=len(groups)), x.astype(float), groups


def test_slopes_and_errors_are_statsmodels() -> None:
    y, x, groups = made(1)
    ours = fit_within(y, x, groups)
    levels = (groups[:, None] == np.unique(groups)).astype(float)
    theirs = sm.OLS(y, np.column_stack([x, levels])).fit(
        cov_type="cluster", cov_kwds={"groups": groups, "use_correction": False}
    )
    np.testing.assert_allclose(ours.beta, theirs.params[:2], rtol=1e-9)
    # Theirs without the factor for few groups, which counts the levels too.
    factor = 12 / 11 * (72 - 1) / (72 - 2)
    np.testing.assert_allclose(ours.cov, theirs.cov_params()[:2, :2] * factor, rtol=1e-8)


@pytest.mark.slow
def test_intervals_hold_where_sources_differ_in_slope() -> None:
    held = 0
    for seed in range(400):
        found = fit_within(*made(seed))
        reach = stats.t.ppf(0.975, found.freedom) * np.sqrt(found.cov[0, 0])
        held += abs(found.beta[0] - 0.9) <= reach
    # 95 in 100, less what so few sources cost, and four standard errors of 400 units.
    assert 0.90 <= held / 400 <= 0.99


@given(st.integers(0, 500), st.floats(-50.0, 50.0))
def test_a_level_of_its_own_changes_nothing(seed: int, level: float) -> None:
    y, x, groups = made(seed, sources=4, looks=4)
    moved = y + level * groups
    np.testing.assert_allclose(
        fit_within(moved, x, groups).beta, fit_within(y, x, groups).beta, atol=1e-8
    )


def test_what_does_not_vary_within_sources_is_refused() -> None:
    y, x, groups = made(1)
    with pytest.raises(FitError, match="does not vary"):
        fit_within(y, np.column_stack([x[:, 0], groups]), groups)
    with pytest.raises(FitError, match="more than once"):
        fit_within(y[:3], x[:3], np.arange(3))
    with pytest.raises(FitError, match="same information"):
        fit_within(y, np.column_stack([x[:, 0], 2.0 * x[:, 0]]), groups)


def test_inflation_is_one_where_columns_are_unrelated() -> None:
    x = np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 0.0], [1.0, 1.0]])
    np.testing.assert_allclose(inflation(x, np.zeros(4)), [1.0, 1.0])
    assert inflation(np.column_stack([x[:, 0], 2 * x[:, 0]]), np.zeros(4)).tolist() == [np.inf] * 2
