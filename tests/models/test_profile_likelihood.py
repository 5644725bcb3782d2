"""A profile likelihood adds up over units to the likelihood of all records together."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from outcomes.errors import FitError
from outcomes.models.laplace import Grouping
from outcomes.models.mixed_model import fit_mixed_model
from outcomes.models.profile_likelihood import ProfileLikelihood
from tests.reference.mixed_cases import Case, load_case


def grouping(labels: np.ndarray) -> Grouping:
    codes, levels = pd.factorize(labels, sort=True)
    return Grouping("herd", codes, len(levels))


def profile_of(case: Case, rows: np.ndarray) -> ProfileLikelihood:
    """Of the three period effects; level and spread are of these herds alone."""
    herd = grouping(case.groups["herd"][rows])
    return ProfileLikelihood(case.y[rows], case.x[rows, 1:], case.x[rows, :1], [herd])


def ways_to_choose(case: Case) -> float:
    cell = pd.DataFrame({"herd": case.groups["herd"], "period": case.x @ [1, 2, 4, 8], "y": case.y})
    sizes = cell.groupby(["herd", "period"])["y"].agg(["size", "sum"]).astype(int)
    return sum(math.log(math.comb(n, k)) for n, k in sizes.itertuples(index=False))


def test_parts_with_their_own_level_add_up() -> None:
    # lme4 in one fit with level and spread of each part of cbpp its own (herds 1 to 8, 9 to 15):
    # log-likelihood -90.73784, at lme4's own tolerance.
    case = load_case("cbpp")
    first = case.groups["herd"].astype(int) <= 8
    parts = [profile_of(case, first), profile_of(case, ~first)]

    def lost(effects: np.ndarray) -> tuple[float, np.ndarray]:
        points = [part.at(effects) for part in parts]
        total = sum(p.log_likelihood for p in points)
        return -total, -np.sum([p.gradient for p in points], axis=0)

    found = optimize.minimize(lost, np.array([-1.0, -1.1, -1.6]), jac=True, method="BFGS")
    assert -found.fun + ways_to_choose(case) == pytest.approx(-90.7378, abs=1e-3)


def test_the_whole_fit_is_the_top() -> None:
    case = load_case("cbpp")
    herd = grouping(case.groups["herd"])
    whole = fit_mixed_model(case.y, case.x, [herd])
    profile = profile_of(case, np.ones(len(case.y), bool))
    top = profile.at(whole.beta[1:])
    assert top.log_likelihood == pytest.approx(whole.log_likelihood, abs=1e-8)
    assert np.abs(top.gradient).max() < 1e-4


def test_the_gradient_is_that_of_differences() -> None:
    case = load_case("cbpp")
    profile = profile_of(case, np.ones(len(case.y), bool))
    at, step = np.array([-0.6, -0.9, -1.2]), 1e-4
    found = profile.at(at).gradient
    for k in range(3):
        ahead, behind = (
            profile.at(at + side * step * np.eye(3)[k]).log_likelihood for side in (1, -1)
        )
        assert found[k] == pytest.approx((ahead - behind) / (2 * step), abs=1e-3)


def test_roughly_is_near() -> None:
    case = load_case("cbpp")
    profile = profile_of(case, np.ones(len(case.y), bool))
    for at in ([-0.6, -0.9, -1.2], [0.0, 0.0, 0.0]):
        exact, rough = (profile.at(np.array(at), roughly=r) for r in (False, True))
        assert abs(exact.log_likelihood - rough.log_likelihood) < 0.002


def test_random_slopes_are_refused() -> None:
    slope = Grouping("dog", np.array([0, 0, 1, 1]), 2, np.arange(4.0))
    with pytest.raises(ValueError, match="random intercepts alone"):
        ProfileLikelihood(np.array([0, 1, 1, 0.0]), np.ones((4, 1)), np.ones((4, 1)), [slope])


def test_one_outcome_alone_is_told() -> None:
    profile = ProfileLikelihood(np.ones(6), np.arange(6.0)[:, None], np.ones((6, 1)), [])
    with pytest.raises(FitError):
        profile.at(np.zeros(1))
