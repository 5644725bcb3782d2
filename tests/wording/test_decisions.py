"""Sentences of decisions asked for one by one: true for an effect down, up, absent or unclear."""

import re
from dataclasses import replace

import pytest

from outcomes.analysis.decisions.bootstrap import BootstrapThreshold
from outcomes.analysis.decisions.compare import Comparison, Difference
from outcomes.analysis.decisions.explain import explain_source
from outcomes.analysis.decisions.exposure_left import ExposureLeft
from outcomes.analysis.decisions.matched_portions import MatchedPortions
from outcomes.analysis.decisions.next_step import is_past_limit
from outcomes.analysis.decisions.storage_bounds import BoundChoice
from outcomes.report.report import retire_lines
from outcomes.report.shelf_rows import shelf_rows
from outcomes.wording.explanation import describe_advice_at_length, describe_explanation
from outcomes.wording.exposure_left import describe_exposure_left, describe_exposure_left_by_source
from outcomes.wording.resampled_limit import describe_resampled_limit
from outcomes.wording.shelf import describe_expected_finds
from outcomes.wording.storage_compared import describe_bounds, describe_portions

PORTIONS = MatchedPortions(
    parents=("P1", "P2", "P3", "P4"),
    trials={"refrigerated": 60, "frozen": 62},
    finds={"refrigerated": 33, "frozen": 49},
    comparisons=9,
    odds_ratio=0.3,
    low=0.12,
    high=0.7,
    risk_difference=-0.25,
    risk_low=-0.46,
    risk_high=-0.07,
    p=0.004,
    fewer=4,
    more=0,
    p_by_parent=0.125,
    reason=None,
)
RESAMPLED = BootstrapThreshold(
    by="cycles", resampled="source", levels=24, confidence=0.9, refits=200, failed=3,
    estimate=14.2, low=11.4, high=18.9, never=0.0, from_start=0.0, reason=None,
)  # fmt: skip


@pytest.mark.parametrize(
    ("change", "says", "never"),
    [
        ({}, "about 25 fewer finds in 100 (95 % interval 7 to 46 fewer", "no difference"),
        (
            {"risk_difference": 0.12, "risk_low": 0.03, "risk_high": 0.2, "fewer": 0, "more": 4},
            "about 12 more finds in 100 (95 % interval 3 to 20 more",
            "fewer finds",
        ),
        (
            {"risk_low": -0.4, "risk_high": 0.1},
            "no difference was detected: anything from 40 fewer to 10 more",
            "fairest",
        ),
        ({"reason": "no portions of one source are on record"}, "cannot be compared", "fewer"),
    ],
)
def test_portions_sentence_follows_the_interval(change, says, never):
    sentence = describe_portions(replace(PORTIONS, **change), 0.05)
    assert says in sentence
    assert never not in sentence


def test_doubt_is_said_of_whole_sources():
    assert "chance alone could do" in describe_portions(PORTIONS, 0.05)
    assert "chance alone" not in describe_portions(replace(PORTIONS, p_by_parent=0.01), 0.05)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({}, "lies between 11 cycles and 19 cycles (90 % interval); 3 could not be fitted"),
        ({"low": None, "from_start": 0.07}, "between the start and 19 cycles"),
        ({"high": None}, "11 cycles and beyond what at least 3 sources have shown (90 %"),
        ({"high": None, "never": 0.2}, "in 20 in 100 of them finds never fall below the floor"),
        (
            {"by": "age_days", "low": 400.0, "high": 700.0},
            "threshold by age lies between 13 months",
        ),
        ({"reason": "only 4 dogs to draw from"}, "no interval, because only 4 dogs"),
    ],
)
def test_resampling_is_told_as_found(change, says):
    assert says in describe_resampled_limit(replace(RESAMPLED, **change))


LEFT = ExposureLeft("S1", "cycles", 4.0, 11.7, 5.5, 16.6, 23.0, 1.2, 0.6, 0.01, None)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({}, "about 12 cycles left (90 % interval 6 cycles to 17 cycles)"),
        ({"low": 0.0, "high": None}, "about 12 cycles left (90 % interval none to more than 19"),
        ({"left": None, "high": None}, "at least 19 cycles left by the best estimate (90 %"),
        ({"left": None, "low": None, "high": None}, "at least 19 cycles left, as far as"),
        (
            {"left": 0.9, "low": 0.2, "high": 1.4},
            "less than 1 cycle left (90 % interval less than 1 cycle to 1 cycle)",
        ),
        ({"observed_to": 23.9, "left": None, "low": None, "high": None}, "at least 19 cycles"),
        (
            {"observed_to": 4.3, "left": None, "low": None, "high": None},
            "cannot be told: it is at the end of what these records show",
        ),
        (
            {"observed_to": 4.3, "left": 0.0, "low": 0.0, "high": None},
            "none left by the best estimate (90 % interval none to more than these records show)",
        ),
        (
            {"by": "age_days", "now": 30.0, "left": 400.0, "low": 20.0, "high": 600.0},
            "about 13 months left (90 % interval 20 days to 20 months)",
        ),
        ({"left": 0.0, "low": 0.0}, "none left by the best estimate (90 % interval none to 17"),
        ({"left": 0.0, "low": 0.0, "high": 0.0}, "nothing left: it is below the floor already"),
        ({"reason": "it cannot be predicted"}, "cannot be told: it cannot be predicted"),
    ],
)
def test_what_is_left_follows_the_limits(change, says):
    assert says in describe_exposure_left(replace(LEFT, **change), 0.9)


@pytest.mark.slow
def test_what_is_left_is_told_of_all_kept(demo_facts):
    told = describe_exposure_left_by_source(demo_facts)
    left = {x.source_id: x for x in demo_facts.left}
    for s in demo_facts.shelf:
        judged = left[s.source_id].reason is None and s.regime != "refrigerated"
        judged = judged and not is_past_limit(s, demo_facts.retirement.thresholds)
        assert (s.source_id in told) == (judged and s.advice != "retire")
    assert any(s.advice == "test" and s.source_id in told for s in demo_facts.shelf)
    rows = {row["source"]: row["left"] for row in shelf_rows(demo_facts, 0)}
    assert {name: text for name, text in rows.items() if text} == told
    printed = " ".join(retire_lines(demo_facts))
    assert all(text.split(" (")[0] in printed.lower() for text in told.values())
    assert not re.search(r"\d\.\d cycle", printed)


def _choices(*points):
    nothing = Comparison(None, {}, {}, 0, 0, (), (), (), "no kind")
    made = [
        None if p is None else Difference(p, p - 0.1, p + 0.1, 0.8 + p, 0.8, 0.1, {})
        for p in points
    ]
    return [
        BoundChoice(b, nothing if d is None else replace(nothing, difference=d, reason=None))
        for b, d in zip((0.6, 0.7, 0.8, 0.9), made, strict=True)
    ]


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ((-0.11, -0.1, -0.11, -0.08), "does not change the sign: −11 to −8 finds in 100"),
        ((0.04, 0.04, 0.04, 0.04), "does not change the sign: +4 finds in 100"),
        ((-0.03, 0.02, 0.02, 0.05), "decides even the sign: −3 to +5 finds"),
        ((None, 0.02, 0.02, None), "from a share of 70 % to 80 % on; under 2 others the two"),
        ((None,) * 4, "Under no definition"),
    ],
)
def test_other_definitions_are_told_as_found(points, says):
    assert says in describe_bounds(_choices(*points))


@pytest.mark.parametrize(
    ("ground", "low", "high", "said"),
    [
        ("unsure", "floor", 0.03, True),
        ("unsure", -0.05, "floor", False),
        ("unsure", -0.06, -0.01, True),
        ("unsure", -0.02, 0.02, False),
        ("above", "floor", 0.03, False),
    ],
)
def test_open_source_says_what_would_decide(demo_facts, ground, low, high, said):
    floor = demo_facts.settings.floor
    held = next(s for s in demo_facts.shelf if s.advice == "test")
    held = replace(held, ground=ground, trials_used=40)
    explanation = explain_source(demo_facts.fit, demo_facts.joined.trials, held.source_id)
    ends = {"floor": floor}
    last = replace(
        next(t for t in reversed(explanation.trials) if t.used),
        low=ends.get(low) or floor + low,
        high=ends.get(high) or floor + high,
    )
    lines = list(describe_advice_at_length(demo_facts, held.source_id, held, last))
    side = "below" if last.low < floor else "at or above"
    clause = f"In the last line above, the whole interval lies {side} 85 in 100, but it counts "
    assert any(line.startswith(clause) for line in lines) is said
    few = list(
        describe_advice_at_length(demo_facts, held.source_id, replace(held, trials_used=4), last)
    )
    assert not any(line.startswith(clause) for line in few)
    enough = "Whatever they show, fewer than 5 trials of its own are too few to keep or retire"
    assert any(line.startswith(enough) for line in few) is (ground == "unsure")
    assert not any(line.startswith(enough) for line in lines)


def test_just_below_is_told_alike_everywhere(demo_facts):
    floor = demo_facts.settings.floor
    held = next(s for s in demo_facts.shelf if s.advice == "test")
    near = replace(held, find_probability=0.94, low=floor - 0.0046, high=0.98)
    lines = list(describe_advice_at_length(demo_facts, near.source_id, near))
    assert describe_expected_finds(near, floor) == "94 (84.5 to 98)"
    assert (
        "Its find probability today: 94 in 100 (90 % interval 84.5 to 98); the floor is 85 in 100."
        in lines
    )
    explanation = explain_source(demo_facts.fit, demo_facts.joined.trials, held.source_id)
    trial = replace(explanation.trials[-1], running=0.9, low=floor - 0.0046, high=0.98)
    told = list(describe_explanation(replace(explanation, trials=(trial,)), demo_facts, near))
    assert any("  90 (84.5 to 98) " in line for line in told)
