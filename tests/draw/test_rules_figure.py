"""Rules for "unreliable" drawn side by side: calls, false calls, and how soon a worse one is."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from outcomes.analysis.lifetimes.rules_compared import (
    CalledSource,
    RuleComparison,
    RuleOutcome,
    compare_rules,
)
from outcomes.analysis.monitoring.charts import watch
from outcomes.draw.rules_figure import NOTHING, draw_rules_figure
from outcomes.draw.save import describe_figure, render_figure
from outcomes.draw.sheet import CAUTION
from outcomes.settings import DecisionSettings, ReliabilityRule
from tests.analysis.monitoring.test_watch import searches

from .looks import assert_words_apart, ax_of, lines, said, words

FOOTER = "Synthetic unit, 1,200 trials."
WITHIN = (10, 20, 50)


def rule(
    name: str, calls: int, fine: tuple[float, ...], failed: tuple[float, ...], text: str = "two"
) -> RuleOutcome:
    called = tuple(
        CalledSource(f"S{k}", f"T{k}", pd.Timestamp("2025-01-01"), 100.0) for k in range(calls)
    )
    return RuleOutcome(
        name=name, rule=text, called=called, sources=27,
        # Other numbers where trials are taken as independent: those as searched are drawn.
        false_call=dict(zip(WITHIN, (s / 2 for s in fine), strict=True)),
        called_if_worse=dict(zip(WITHIN, (s / 2 for s in failed), strict=True)),
        reason=None,
        false_call_as_searched=dict(zip(WITHIN, fine, strict=True)),
        called_if_worse_as_searched=dict(zip(WITHIN, failed, strict=True)),
    )  # fmt: skip


OWN = rule("misses within trials", 8, (0.11, 0.2, 0.39), (0.22, 0.37, 0.61), "the second miss")
SHARE = rule("moving proportion", 2, (0.03, 0.05, 0.09), (0.1, 0.14, 0.25), "a limit " * 40)
SUM = rule("cumulative sum", 2, (0.002, 0.01, 0.05), (0.004, 0.03, 0.19))
REFUSED = replace(SUM, reason="the baseline is not complete: 40 of 100 trials", called=())
TOP = rule("moving proportion", 27, (1.0, 1.0, 1.0), (1.0, 1.0, 1.0))


def compared(*rules: RuleOutcome) -> RuleComparison:
    usable = [{c.source_id for c in r.called} for r in rules if r.reason is None]
    by_all = tuple(sorted(set.intersection(*usable))) if usable else ()
    by_any = tuple(sorted(set.union(*usable))) if usable else ()
    text = "Sources called unreliable: none can say."
    simulated = 0.83 if any(r.false_call_as_searched for r in rules if r.reason is None) else None
    return RuleComparison(0.9, rules, by_all, by_any, text, simulated)


def draw(found: RuleComparison) -> Figure:
    return draw_rules_figure(found, FOOTER)


FIGURES = {
    "three": compared(OWN, SHARE, SUM),
    "all are called": compared(OWN, TOP, SUM),
    "the last refused": compared(OWN, SHARE, REFUSED),
    "the one between refused": compared(OWN, replace(SHARE, reason="r " * 90), SUM),
    "none": compared(*(replace(r, reason="no trial counts for it") for r in (OWN, SHARE, SUM))),
}


@pytest.mark.parametrize("name", FIGURES)
def test_no_words_touch_and_the_caution_is_there(name: str) -> None:
    figure = draw(FIGURES[name])
    assert_words_apart(figure)
    assert CAUTION in said(figure, "footer")
    assert render_figure(figure, "svg") == render_figure(draw(FIGURES[name]), "svg")


def test_each_rule_has_its_shares_within_each_number_of_trials() -> None:
    figure = draw(FIGURES["three"])
    for trials in WITHIN:
        axes = f"within-{trials}"
        for gid, shares in (
            ("fine", "false_call_as_searched"),
            ("failed", "called_if_worse_as_searched"),
        ):
            marks = lines(figure, axes, gid)
            drawn = [(m.get_xdata()[0], m.get_ydata()[0]) for m in marks]
            assert drawn == [
                (pytest.approx(100 * getattr(r, shares)[trials]), k)
                for k, r in enumerate((OWN, SHARE, SUM))
            ]
    assert words(figure, "number-fine") == ["11", "3", "< 1", "20", "5", "1", "39", "9", "5"]
    assert words(figure, "calls") == ["8 of 27", "2 of 27", "2 of 27"]
    assert "8 are called by at least one rule and 2 by every one" in said(figure, "subtitle")
    assert "by simulation" in said(figure, "subtitle")
    assert "with 83 finds in 100 trials while nothing changes" in said(figure, "subtitle")


def test_fine_and_failed_differ_by_more_than_colour() -> None:
    figure = draw(FIGURES["three"])
    (fine, *_), (failed, *_) = (lines(figure, "within-20", gid) for gid in ("fine", "failed"))
    assert fine.get_marker() != failed.get_marker()
    assert fine.get_markerfacecolor() == "white"
    assert said(figure, "fine-name").startswith("○")
    assert said(figure, "failed-name").startswith("◆")


def test_the_title_tells_both_errors_of_the_units_own_rule() -> None:
    figure = draw(FIGURES["three"])
    title = (
        "Within 20 trials this unit's rule calls 20 of 100 unchanged sources unreliable, and 37 "
        "of 100 that became worse"
    )
    assert said(figure, "title") == title
    assert describe_figure(figure)[0] == title


def test_the_title_and_the_marks_are_the_numbers_of_the_sentence() -> None:
    trials = searches(np.random.default_rng(2), worn="S03")
    trials = trials.assign(held_days=trials["age_days"])
    settings = DecisionSettings(rule=ReliabilityRule(qualified_only=False))
    found = compare_rules(trials, watch(trials, settings), settings)
    own = found.rules[0]
    # By the chain they are other numbers, so that a mixture of both could not pass.
    assert round(100 * own.called_if_worse[20]) != round(100 * own.called_if_worse_as_searched[20])
    figure = draw(found)
    pairs = re.findall(r"(\d+) of 100 that never change and (\d+) of 100 with", found.sentence)
    assert len(pairs) == 3
    marks = [
        [f"{m.get_xdata()[0]:.0f}" for m in lines(figure, "within-20", gid)]
        for gid in ("fine", "failed")
    ]
    assert pairs == list(zip(*marks, strict=True))
    fine, failed = pairs[0]
    assert f"calls {fine} of 100 unchanged sources unreliable, and {failed} of 100" in said(
        figure, "title"
    )
    assert found.shares_rest_on in found.sentence
    assert found.shares_rest_on in said(figure, "subtitle")


def test_without_a_baseline_the_exact_shares_are_drawn_and_it_is_said() -> None:
    own = replace(OWN, false_call_as_searched={}, called_if_worse_as_searched={})
    figure = draw(compared(own, REFUSED))
    (fine,) = lines(figure, "within-20", "fine")
    assert fine.get_xdata()[0] == pytest.approx(10.0)
    assert "all alike and independent, with 90 finds in 100" in said(figure, "subtitle")
    assert "8 are called." in said(figure, "subtitle")


def test_a_rule_that_cannot_be_applied_keeps_its_row_with_the_reason_and_no_marks() -> None:
    figure = draw(FIGURES["the last refused"])
    assert said(figure, "reason") == f"Not applied: {REFUSED.reason}"
    assert words(figure, "rule-2") == ["Warning score"]
    assert len(lines(figure, "within-10", "fine")) == 2
    assert len(words(figure, "calls")) == 2
    assert ax_of(figure, "within-10").get_ylim() == (1.5, -0.5)


def test_where_no_rule_can_be_applied_the_sentence_stands_alone() -> None:
    figure = draw(FIGURES["none"])
    assert figure.axes == []
    assert said(figure, "title") == NOTHING
    assert said(figure, "reason") == FIGURES["none"].sentence
