"""Where the bound of a line meets a limit: worked examples of stability data, and invariants."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st

from outcomes.models.shelf_life import bound_meets_limit

# Potency, per cent of the label claim, by month: LeBlond, Griffith & Aubuchon (2011), J Valid
# Technol 17(3) 47-68, tables IV and VI; read from the data set exp1 of R's package expirest.
POTENCY = {
    "b2": "0 101 1 101.3 3 99.8 3 99.2 6 99.5 6 97.8 12 97.4 12 97.2 24 96.9 24 96",
    "b3": "0 104.8 3 103 3 101.2 6 100.8 6 99.2 12 98.6 12 97.2 24 97.6 24 98",
    "b4": "0 104 3 103.2 6 102.8 6 103.3 12 102.4 12 101.2 24 99.1 24 99.5",
    "b5": "0 102 1 101.4 2 100.8 3 100.2 3 99.7 6 98.8 6 98.5 12 98 12 97.1 24 96.6 24 96.1",
    "b7": "0 101.3 1 101.5 3 100.2 3 99.8 6 99 6 98.5 12 98.5 12 97.4 24 96.6 24 96.4",
}
SOURCE = (
    "LeBlond, Griffith & Aubuchon 2011, J Valid Technol 17(3) 47-68 (data: exp1 of R's "
    "package expirest); values: R lm and uniroot, by ICH Q1E."
)


def batches(*names: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Month, potency and batch."""
    rows = [np.array(POTENCY[name].split(), dtype=float).reshape(-1, 2) for name in names]
    label = np.repeat(names, [len(part) for part in rows])
    month, potency = np.vstack(rows).T
    return month, potency, label


def test_a_common_line_meets_the_limit_when_q1e_says(outside) -> None:
    month, potency, _ = batches("b2", "b5", "b7")
    fit = sm.OLS(potency, sm.add_constant(month)).fit()
    check = outside("Shelf life, common line", SOURCE, "computed")
    check.each(("intercept", "slope"), "100.5669 -.192994", fit.params)
    for limit, published in ((95.0, "25.996"), (94.95, "26.2241")):
        ours = bound_meets_limit(fit.params, fit.cov_params(), fit.df_resid, limit, 0.95)
        check(f"months to {limit:g} %", published, ours)


def test_a_level_for_each_batch_meets_the_limit_when_q1e_says(outside) -> None:
    """The batch that is soonest there decides."""
    month, potency, label = batches("b3", "b4", "b5")
    names = ("b3", "b4", "b5")
    levels = np.column_stack([label == name for name in names]).astype(float)
    fit = sm.OLS(potency, np.column_stack([levels, month])).fit()
    cov = fit.cov_params()
    ours = [
        bound_meets_limit(
            fit.params[[k, 3]], cov[np.ix_([k, 3], [k, 3])], fit.df_resid, 94.95, 0.95
        )
        for k in range(3)
    ]
    check = outside("Shelf life, a level for each batch", SOURCE, "computed")
    check("months to 94.95 %, the soonest", "23.60194", min(at for at in ours if at is not None))


LINES = st.tuples(st.floats(-5.0, 5.0), st.floats(-2.0, 2.0), st.floats(0.0, 0.3),
                  st.floats(0.0, 0.05), st.floats(-0.9, 0.9))  # fmt: skip


@given(LINES, st.floats(-6.0, 6.0))
def test_the_bound_is_at_the_limit_there(line, limit) -> None:
    start, slope, sd, slope_sd, together = line
    cov = np.array([[sd**2, together * sd * slope_sd], [together * sd * slope_sd, slope_sd**2]])
    at = bound_meets_limit(np.array([start, slope]), cov, 12.0, limit, 0.95)
    if at is None or at == 0.0 or at > 1e4:
        return
    x = np.array([1.0, at])
    error = np.sqrt(x @ cov @ x)
    side = np.sign(start - limit)
    bound = start + slope * at - side * 1.782287555649159 * error  # t of 12 degrees, one-sided
    assert bound == pytest.approx(limit, abs=1e-5 * (1.0 + abs(slope) * at))


def test_more_caution_is_sooner() -> None:
    beta, cov = np.array([100.0, -0.2]), np.diag([0.04, 0.0004])
    at = [bound_meets_limit(beta, cov, 20.0, 95.0, level) for level in (0.6, 0.8, 0.95)]
    assert at == sorted(at, reverse=True)
