"""What is told under the main figure."""

from dataclasses import replace

import pytest

from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.lifetimes.rule import rule_false_call
from outcomes.analysis.results import Bin, CurvePoint, Lifetime
from outcomes.settings import ReliabilityRule
from outcomes.wording.figure import (
    describe_circles,
    describe_low_circle_in_short,
    describe_nothing_drawn,
    describe_rule_on_figure,
)
from outcomes.wording.lifetime import describe_rule_errors


def _lifetime(baseline: float | None, rule: ReliabilityRule) -> Lifetime:
    called = (
        {}
        if baseline is None
        else {n: rule_false_call(rule.misses, rule.window, baseline, n) for n in (10, 20, 50)}
    )
    return Lifetime(rule, called, baseline, 9, 3, {}, (), {}, {}, 0.05)


def test_the_rule_is_told_with_how_often_it_errs() -> None:
    rule = ReliabilityRule()
    text = describe_rule_errors(rule, _lifetime(0.9, rule))
    assert "from the second miss within three consecutive unassisted hide trials" in text
    errs = 100 * rule_false_call(2, 3, 0.9, 20)
    assert "of 100 sources that never change and are found 90 times in 100" in text
    assert f"about {errs:.0f} unreliable within 20 trials" in text
    assert f"{errs:.0f} unreliable within 20 trials." in text
    both = describe_rule_errors(rule, _lifetime(0.9, rule), 0.31)
    assert f"about {errs:.0f} unreliable within 20 trials that are alike and independent" in both
    assert both.endswith(", and about 31 when searched as here, by simulation.")
    assert describe_rule_errors(rule, _lifetime(0.9, rule), errs / 100) == text
    assert "Without such trials" in describe_rule_errors(rule, _lifetime(None, rule))
    never = replace(_lifetime(1.0, rule), rule_false_call={})
    assert "Without a miss in such trials" in describe_rule_errors(rule, never)


def test_lone_low_circle_is_explained(cases) -> None:
    said = describe_circles(cases["down"][2])
    assert "one on few sources may lie off because of those sources alone" in said
    assert describe_circles(Retirement((), ())) is None


@pytest.mark.parametrize(
    ("found", "high", "said"),
    [
        (0.95, 0.99, None),
        (0.80, 0.90, "its interval reaches the floor"),
        (0.60, 0.70, "even its interval lies below: look at those sources first"),
    ],
)
def test_circle_below_the_floor_is_explained(cases, found, high, said) -> None:
    retirement = cases["down"][2]
    threshold = next(t for t in retirement.thresholds if t.retire_after is not None)
    curve = next(c for c in retirement.curves if c.exposure == threshold.by)
    inside = Bin(1.0, 3.0, 2.0, 40, 50, 5, found, 0.5, high)
    beyond = replace(inside, mean=threshold.retire_after + 5.0, proportion=0.3)
    one = replace(retirement, curves=(replace(curve, bins=(inside, beyond)),))
    note = describe_circles(one)
    assert ("The one at 2 cycles lies below 85 in 100" in note) == (said is not None)
    assert said is None or said in note
    short = describe_low_circle_in_short(one)
    limit = f"{threshold.retire_after} cycle"
    assert (
        f"The circle at 2 cycles lies below the floor though the limit is {limit}" in short
    ) == (said is not None)
    assert "one on few sources" not in short
    assert bool(short) == (said is not None)
    assert len(short) < 160


def test_figure_says_how_often_the_rule_errs(cases) -> None:
    rule, nothing = ReliabilityRule(), Retirement((), ())
    lasting = replace(_lifetime(0.9, rule), curve=(CurvePoint("frozen", 10.0, 0.5, 0.3, 0.7, 9),))
    errs = 100 * rule_false_call(2, 3, 0.9, 20)
    said = describe_rule_on_figure(lasting, rule, nothing)
    assert "of 100 sources found 90 times in 100 throughout, " in said
    assert said.endswith(f"about {errs:.0f} meet it within 20 trials, too.")
    for lacking in (replace(_lifetime(None, rule), curve=lasting.curve), _lifetime(0.9, rule)):
        assert describe_rule_on_figure(lacking, rule, nothing) is None
    # Where finds fall, the unit's own proportion is not that of sources still at the start.
    falling = cases["down"][2]
    start = float(falling.curves[0].probability[0])
    low = replace(lasting, baseline=start - 0.05)
    fresh = 100 * rule_false_call(2, 3, start, 20)
    said = describe_rule_on_figure(low, rule, falling)
    assert f"and about {fresh:.0f} of 100 found {100 * start:.0f} times in 100 throughout" in said
    assert said.endswith("as at the left end of the line.")
    assert "left end" not in describe_rule_on_figure(
        replace(low, baseline=start + 0.02), rule, falling
    )
    assert "left end" not in describe_rule_on_figure(low, rule, replace(falling, thresholds=()))


def test_a_page_without_a_figure_says_why(cases) -> None:
    bare = Retirement((), ())
    assert "too few usable hide trials" in describe_nothing_drawn(
        bare, _lifetime(None, ReliabilityRule())
    )
    assert describe_nothing_drawn(cases["down"][2], _lifetime(None, ReliabilityRule())) is None
