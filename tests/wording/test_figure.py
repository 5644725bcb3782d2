"""What is told under the main figure."""

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest

from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.lifetimes.rule import rule_false_call
from outcomes.analysis.results import Bin, ChanceAlone, Ground, Lifetime, RuleInUse
from outcomes.wording.figure import (
    describe_circles,
    describe_figure_in_short,
    describe_low_circle_in_short,
    describe_main_figure,
    describe_no_interval,
    describe_nothing_drawn,
)
from outcomes.wording.lifetime import describe_chance_in_short, describe_rule_errors


def _lifetime(baseline: float | None) -> Lifetime:
    errs = None if baseline is None else rule_false_call(2, 3, baseline, 20)
    rule = RuleInUse(2, 3, qualified_only=True, trials=20, false_call=errs, seen=0.9)
    return Lifetime(rule, {}, baseline, 9, 3, {}, (), {}, {}, 0.05)


def test_the_rule_is_told_with_how_often_it_errs() -> None:
    text = describe_rule_errors(_lifetime(0.9))
    assert "from the second miss within three consecutive unassisted hide trials" in text
    errs = 100 * rule_false_call(2, 3, 0.9, 20)
    assert "of 100 sources that never change and are found 90 times in 100" in text.lower()
    assert f"about {errs:.0f} unreliable within 20 trials." in text
    assert text.endswith("Of 100 whose finds fall to 70 in 100 it calls about 90 within 20 trials.")
    assert "Without such trials" in describe_rule_errors(_lifetime(None))
    never = replace(_lifetime(1.0), rule=replace(_lifetime(1.0).rule, false_call=None))
    assert "Without a miss in such trials" in describe_rule_errors(never)
    assert describe_rule_errors(replace(never, rule=None)) is None


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


def test_figure_says_what_chance_alone_gives() -> None:
    chance = ChanceAlone(2.1, 0.0, 5.0, 0.003, 300, "more than chance", ())
    said = describe_chance_in_short(_lifetime(0.9), chance)
    assert said.startswith("Grey: by chance alone")
    assert "; about 2 (0 to 5) would meet the rule, 3 did." in said
    few = replace(chance, sources=0.4, high=1.0)
    assert "; fewer than 1 (0 to 1) would" in describe_chance_in_short(_lifetime(0.9), few)


def test_a_page_without_a_figure_says_why(cases) -> None:
    bare = Retirement((), ())
    assert "too few usable hide trials" in describe_nothing_drawn(bare, _lifetime(None))
    assert describe_nothing_drawn(cases["down"][2], _lifetime(None)) is None


def test_only_what_is_drawn_is_explained(cases) -> None:
    down = cases["down"][2]
    (curve,) = down.curves
    for few, dashed in ((True, "; dashed: fewer than 3 sources"), (False, "")):
        thin = np.full(len(curve.at), few)
        assert describe_figure_in_short(
            replace(down, curves=(replace(curve, thin=thin),)), 0.9
        ) == (
            f"Circles: finds counted. Line: finds expected if only cycles changed{dashed}. "
            "90 % intervals."
        )
    counted = replace(down, curves=tuple(replace(c, at=np.array([])) for c in down.curves))
    assert describe_figure_in_short(counted, 0.9) == "Circles: finds counted. 90 % intervals."
    assert "The line" not in describe_main_figure(counted)
    assert "The line tells the finds" in describe_main_figure(down)
    bare = Retirement((), ())
    assert describe_figure_in_short(bare, 0.9) == describe_main_figure(bare) == ""


@pytest.mark.parametrize("ground", get_args(Ground))
def test_lack_of_an_interval_is_said_in_few_words(ground) -> None:
    assert 0 < len(describe_no_interval(ground)) < 30
