"""Every sentence is true for its numbers, and whole, whatever the records say."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable
from dataclasses import fields, replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from outcomes.analysis.decisions.compare import Comparison
from outcomes.analysis.decisions.overlap import KindOverlap
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.threshold import (
    Retirement,
    Threshold,
    read_threshold,
    set_threshold,
)
from outcomes.analysis.finds.cycles_or_age import RatioTest, WhichPredicts, which_predicts
from outcomes.analysis.finds.model import FindFit, Slope, fit_finds, linear_predictor
from outcomes.analysis.lifetimes.rule import rule_false_call
from outcomes.analysis.results import Bin, CurvePoint, FindCurve, Lifetime
from outcomes.records.tables import Finding
from outcomes.settings import ReliabilityRule, Settings
from outcomes.text import DAYS_PER_MONTH, count
from outcomes.wording import verdict as verdict_words
from outcomes.wording.cautions import CAUTIONS
from outcomes.wording.figure import (
    describe_circles,
    describe_low_circle_in_short,
    describe_nothing_drawn,
    describe_rule_on_figure,
)
from outcomes.wording.first_lines import describe_evidence, describe_first_lines
from outcomes.wording.lifetime import describe_rule_errors
from outcomes.wording.limit import (
    describe_retire_after,
    describe_retirement,
    describe_retirement_in_short,
    describe_threshold,
)
from outcomes.wording.limitations import describe_limitations
from outcomes.wording.method import describe_method
from outcomes.wording.numbers import finds_in_100, in_100
from outcomes.wording.rows import (
    describe_not_on_shelf,
    describe_records_used,
    describe_rows,
    describe_set_aside,
)
from outcomes.wording.shelf import (
    describe_advice,
    describe_expected_finds,
    describe_none_can_be_judged,
    describe_past_limit,
    describe_shelf,
    describe_shelf_table,
)
from outcomes.wording.storage_compared import describe_few_sources, describe_storage_compared
from outcomes.wording.verdict import (
    describe_cannot_be_told_apart,
    describe_effect_size,
    describe_largest_fall,
    describe_too_few,
    describe_verdict,
    describe_verdict_in_short,
)
from outcomes.wording.watch import describe_watch, describe_watch_of_held

Made = Callable[..., pd.DataFrame]
Case = tuple[FindFit, WhichPredicts, Retirement]

NEVER = re.compile(
    r"\bnan\b|\bNone\b|\binf\b|\{|\}|  |\.\.|(?<![\d.,])\b1 (cycles|months|finds|trials|sources)\b"
)


def _case(trials: pd.DataFrame) -> Case:
    fit = fit_finds(trials, Settings())
    verdict = which_predicts(fit, refits=0)
    return fit, verdict, set_threshold(fit, verdict)


@pytest.fixture(scope="module")
def cases(made_trials: Made) -> dict[str, Case]:
    few = made_trials(1, n=200, baseline=3.0)
    return {
        "down": _case(made_trials(2, n=900, cycle=-0.15, baseline=3.0)),
        "up": _case(made_trials(2, n=900, cycle=0.15, baseline=0.5)),
        "age": _case(made_trials(2, n=900, age=-0.12, baseline=3.0)),
        "both": _case(made_trials(2, n=1200, cycle=-0.15, age=-0.12, baseline=4.0)),
        "none": _case(made_trials(4)),
        "tied": _case(made_trials(2, n=900, cycle=-0.15, baseline=3.0, tied=True)),
        "few": _case(few),
        "one dog": _case(few.assign(dog_id="D0")),
        "one source": _case(few.assign(source_id="S00")),
        "no misses": _case(few.assign(result="find")),
        "no finds": _case(few.assign(result="miss")),
        "nothing": _case(few.assign(documented=pd.array([False] * 200, dtype="boolean"))),
    }


ALL = pytest.mark.parametrize(
    "name",
    [
        "down",
        "up",
        "age",
        "both",
        "none",
        "tied",
        "few",
        "one dog",
        "one source",
        "no misses",
        "no finds",
        "nothing",
    ],
)


@ALL
def test_every_sentence_is_whole(name: str, cases: dict[str, Case]) -> None:
    fit, verdict, retirement = cases[name]
    sentences = [
        describe_verdict_in_short(fit, verdict, retirement) + ".",
        describe_verdict(fit, verdict, retirement),
        describe_retirement(verdict, retirement),
        describe_method(fit, verdict),
        *describe_limitations(fit, verdict),
        *describe_first_lines(fit, verdict, retirement, describe_shelf([])),
    ]
    for sentence in sentences:
        assert sentence[0].isupper()
        assert sentence.endswith(".")
        assert not NEVER.search(sentence), sentence


def test_the_headline_says_which_way_and_between_what(cases: dict[str, Case]) -> None:
    for name, way in (("down", "fall"), ("up", "rise")):
        fit, verdict, retirement = cases[name]
        text = describe_verdict_in_short(fit, verdict, retirement)
        curve = retirement.curves[0]
        sure = np.flatnonzero(~curve.thin)
        assert text.startswith(f"Finds {way} with freeze/thaw cycles")
        assert in_100(curve.probability[sure[0]]) in text
        assert in_100(curve.probability[sure[-1]]) in text
        if way == "fall":
            assert curve.probability[sure[-1]] < curve.probability[sure[0]]
    assert "the age of the source" in describe_verdict_in_short(*cases["age"])
    assert "No change" in describe_verdict_in_short(*cases["none"])
    assert "cannot tell" in describe_verdict_in_short(*cases["tied"])
    assert "cannot say" in describe_verdict_in_short(*cases["few"])


def _along_the_curve(fit: FindFit, exposure: str, step: float) -> list[float]:
    """Change of the mean find probability, by hand: logit of each trial, shifted and averaged.

    What dog, source and hide leave open is averaged over by 1,001 points of the normal.
    """
    term = fit.term(exposure)
    eta, spread = linear_predictor(fit.design, fit.mixed)
    level = eta + spread * stats.norm.ppf((np.arange(1001)[:, None] + 0.5) / 1001)

    def mean(shift: float) -> float:
        return float((1.0 / (1.0 + np.exp(-(level + shift)))).mean())

    slopes = (term.log_ratio, math.log(term.low), math.log(term.high))
    return [100.0 * (mean(step * slope) - mean(0.0)) for slope in slopes]


def _straight(fit: FindFit, exposure: str, step: float) -> tuple[float, ...]:
    """The change the term's points would make along a straight line, to word any size."""
    term = fit.term(exposure)
    sizes = (term.points, term.points_low, term.points_high)
    return tuple(min(max(step * v, -100.0), 100.0) for v in sizes)


def test_the_answer_gives_the_size_with_its_interval(cases: dict[str, Case]) -> None:
    fit, verdict, retirement = cases["down"]
    size, low, high = _along_the_curve(fit, "cycles", 10.0)
    text = describe_verdict(fit, verdict, retirement)
    assert f"{-size:.0f} fewer finds in 100" in text
    assert f"{-high:.0f} to {-low:.0f} fewer" in text
    _, low, high = _along_the_curve(fit, "age_days", 12.175)
    ends = [f"{abs(v):.0f} {'fewer' if v < 0 else 'more'}" for v in (low, high)]
    assert f"for a year more of age, anything from {ends[0]} to {ends[1]} in 100" in text
    assert "Beyond that, no change with age shows: for a year" in text
    assert "more finds in 100" in describe_verdict(*cases["up"])


def test_no_change_is_never_told_as_proof(cases: dict[str, Case]) -> None:
    fit, verdict, retirement = cases["none"]
    text = describe_verdict(fit, verdict, retirement)
    assert "not proof of none" in text
    assert f"up to {math.ceil(verdict.largest_fall['cycles'])} in 100 per 10 cycles" in text
    assert "No retirement limit" in describe_retirement(verdict, retirement)


@pytest.mark.parametrize(
    ("fall", "said", "headline_ends"),
    [
        (0.0, "up to 1 in 100", "in these records"),
        (3.2, "up to 4 in 100", "in these records"),
        (14.0, "up to 14 in 100", "in these records"),
        (31.5, "up to 32 in 100", "do not rule out a large one"),
    ],
)
def test_a_fall_still_allowed_is_rounded_up_and_a_large_one_is_in_the_headline(
    fall: float, said: str, headline_ends: str, cases: dict[str, Case]
) -> None:
    fit, verdict, retirement = cases["none"]
    given_ = replace(verdict, largest_fall={"cycles": fall})
    assert f"{said} per 10 cycles would still fit" in describe_largest_fall(given_)
    assert describe_verdict_in_short(fit, given_, retirement).endswith(headline_ends)


def _with_points(fit: FindFit, term: str, points: float, low: float, high: float) -> FindFit:
    changed = [
        replace(t, points=points, points_low=low, points_high=high) if t.term == term else t
        for t in fit.terms
    ]
    return replace(fit, terms=tuple(changed))


@pytest.mark.parametrize(
    ("points", "said"),
    [
        # Percentage points per cycle: estimate, low, high.
        ((-0.5, -0.8, -0.3), "10 more cycles with age held the same go with about 5 fewer finds"),
        ((-0.5, -0.8, -0.3), "(95 % interval 3 to 8 fewer)"),
        ((0.1, 0.02, 0.2), "about 1 more find in 100 (95 % interval 0.2 to 2 more)"),
        ((-0.03, -0.3, 0.2), "about 0.3 fewer finds in 100, but anything from 3 fewer to 2 more"),
        ((-0.001, -0.3, 0.2), "go with no change in 100, but anything from 3 fewer to 2 more"),
        ((-0.3, -0.6, 0.003), "anything from 6 fewer to 0 more"),
        # Ten cycles would cost more finds than there are: told per cycle.
        (
            (-12.0, -15.0, -9.0),
            "each further cycle with age held the same goes with about 12 fewer",
        ),
        ((-12.0, -15.0, -9.0), "(95 % interval 9 to 15 fewer)"),
        ((-12.0, -150.0, -9.0), "9 to 100 fewer"),
    ],
)
def test_a_size_is_the_given_one_rounded(
    points: tuple[float, float, float],
    said: str,
    cases: dict[str, Case],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(verdict_words, "change_along", _straight)
    assert said in describe_effect_size(_with_points(cases["down"][0], "cycles", *points), "cycles")


def test_a_size_by_age_is_told_per_year_or_where_steep_per_month(
    cases: dict[str, Case], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(verdict_words, "change_along", _straight)
    fit = cases["down"][0]
    # A year is 12.175 times 30 days.
    slow = describe_effect_size(_with_points(fit, "age_days", -1.0, -2.0, -0.5), "age_days")
    assert "a year more of age with cycles held the same goes with about 12 fewer finds" in slow
    assert "(95 % interval 6 to 24 fewer)" in slow
    steep = describe_effect_size(_with_points(fit, "age_days", -9.0, -12.0, -6.0), "age_days")
    assert "each further month of age with cycles held the same goes with about 9 fewer" in steep


@given(
    estimate=st.floats(-40, 40),
    below=st.floats(0, 40),
    above=st.floats(0, 40),
    by_age=st.booleans(),
)
def test_no_size_passes_what_there_is_to_find(
    cases: dict[str, Case], estimate: float, below: float, above: float, by_age: bool
) -> None:
    term = "age_days" if by_age else "cycles"
    fit = _with_points(cases["down"][0], term, estimate, estimate - below, estimate + above)
    steps = [estimate / 10.0, (estimate - below) / 10.0, (estimate + above) / 10.0]
    fit = replace(
        fit,
        terms=tuple(
            replace(t, log_odds=steps[0], low=math.exp(steps[1]), high=math.exp(steps[2]))
            if t.term == term
            else t
            for t in fit.terms
        ),
    )
    text = describe_effect_size(fit, term)
    assert not NEVER.search(text), text
    after = text.split(" with ", 2)[-1].replace("95 %", "").replace("in 100", "")
    assert all(float(n) <= 100.0 for n in re.findall(r"\d+(?:\.\d+)?", after))


def test_an_unclear_size_is_told_in_both_directions(cases: dict[str, Case]) -> None:
    fit = cases["none"][0]
    _, low, high = _along_the_curve(fit, "cycles", 10.0)
    assert low < 0 < high
    text = describe_effect_size(fit, "cycles")
    assert f"from {-low:.0f} fewer to {high:.0f} more" in text


def test_thaws_that_are_missing_are_told_as_why_age_is_not_named(cases: dict[str, Case]) -> None:
    _, verdict, retirement = cases["tied"]
    withheld = replace(verdict, thaws_missing=0.574, age_withheld=True)
    text = describe_cannot_be_told_apart(withheld, retirement)
    assert "in 57 % of the trials the storage log begins more than 30 days after" in text
    assert "rise together" not in text
    none = describe_retirement(withheld, Retirement((), ()))
    assert none.startswith("No retirement limit: too many storage logs begin late")


def test_sources_are_only_named_where_they_part_cycles_from_age(cases: dict[str, Case]) -> None:
    _, verdict, retirement = cases["tied"]
    named = replace(verdict, would_separate=("A-1", "B-2"))
    loose = describe_cannot_be_told_apart(replace(named, correlation=0.876), retirement)
    assert "try first A-1 and B-2." in loose
    assert "correlation 0.88" in loose
    for correlation, said in ((1.0, "exactly together"), (0.99991, "correlation 0.999,")):
        text = describe_cannot_be_told_apart(replace(named, correlation=correlation), retirement)
        assert "A-1" not in text
        assert "so far there are none." in text
        assert said in text


@pytest.mark.parametrize(
    ("correlation", "said"),
    [
        (-0.7, "the older sources were thawed less often (correlation -0.7)"),
        (0.1, "with neither by itself"),
        (0.5, "rise together"),
    ],
)
def test_cycles_and_age_are_not_said_to_rise_together_where_they_do_not(
    correlation: float, said: str, cases: dict[str, Case]
) -> None:
    _, verdict, retirement = cases["tied"]
    text = describe_cannot_be_told_apart(replace(verdict, correlation=correlation), retirement)
    assert said in text
    if correlation < 0.5:
        assert "rise together" not in text


def test_a_fall_that_cycles_and_age_may_hide_from_each_other_is_not_called_none(
    cases: dict[str, Case],
) -> None:
    fit, verdict, retirement = cases["none"]
    hidden = replace(
        verdict,
        correlation=0.97,
        largest_fall={"cycles": 40.0, "age_days": 30.0},
        would_separate=("A-1",),
    )
    title = describe_verdict_in_short(fit, hidden, retirement)
    assert title.startswith("These records cannot say whether finds change with storage")
    text = describe_verdict(fit, hidden, retirement)
    for said in ("correlation 0.97", "Each may hide what the other does", "try first A-1."):
        assert said in text
    for plain in (replace(hidden, correlation=0.85), replace(hidden, largest_fall={"cycles": 9.0})):
        assert describe_verdict_in_short(fit, plain, retirement).startswith("No change in finds")
        assert "hide" not in describe_verdict(fit, plain, retirement)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("few", "more hide trials would bring enough misses"),
        ("one dog", "1 dog (at least 3 needed)"),
        ("one source", "1 source (at least 8 needed)"),
        ("no misses", "Without a single miss"),
        ("no finds", "Without a single find"),
        ("nothing", "200 trials: the storage log does not say"),
    ],
)
def test_what_is_short_is_said(name: str, said: str, cases: dict[str, Case]) -> None:
    assert said in describe_verdict(*cases[name])


def test_more_trials_alone_are_not_promised_to_mend_one_dog(cases: dict[str, Case]) -> None:
    assert "needs more dogs" in describe_verdict(*cases["one dog"])


def test_one_more_trial_is_one_trial(cases: dict[str, Case]) -> None:
    fit, verdict, _ = cases["few"]
    assert "about 1 more hide trial would" in describe_too_few(fit, replace(verdict, more_trials=1))


def test_where_no_size_can_be_given_the_counts_are(cases: dict[str, Case]) -> None:
    fit, verdict, _ = cases["none"]
    fit = replace(fit, mixed=None, reason="finds and misses do not overlap", too_few={})
    bins = tuple(
        Bin(0.0, 1.0, 0.5, finds, n, 4, finds / n, 0.0, 1.0) for finds, n in ((116, 116), (2, 36))
    )
    nothing = np.array([])
    for by, said in (("cycles", "with the fewest cycles"), ("age_days", "with the youngest")):
        curve = FindCurve(by, nothing, nothing, nothing, nothing, 0.9, nothing, bins, "")
        text = describe_too_few(fit, verdict, curve)
        assert f"116 of 116 found {said}" in text
        assert "2 of 36 found" in text
        assert "Why no size: finds and misses do not overlap." in text


def _threshold(by: str = "cycles", **changes: object) -> Threshold:
    at = np.linspace(0.0, 30.0, 31)
    p = np.linspace(0.95, 0.75, 31)
    curve = FindCurve(by, at, p, p - 0.03, p + 0.03, 0.9, np.zeros(31, bool), (), "")
    return replace(read_threshold(curve, 0.85, 30.0), **changes)


def test_a_threshold_is_told_with_its_interval_and_its_limit() -> None:
    # The line falls from 0.95 to 0.75 over 30 cycles, its limits 0.03 to either side:
    # it crosses 0.85 at 15, the limits at 10.5 and 19.5.
    text = describe_threshold(_threshold())
    assert text.startswith("Retire after 10 cycles: ")
    assert "about 15 cycles (90 % interval 10 to 20 cycles)" in text


def test_a_limit_is_only_called_needless_where_the_records_are_sure_of_it() -> None:
    unsure = describe_threshold(_threshold(outcome="stays above"))
    assert "neither called for nor ruled out" in unsure
    assert "beyond 10 cycles that is not sure (90 % confidence)" in unsure
    sure = describe_threshold(_threshold(outcome="stays above", low=None))
    assert sure.startswith("No limit by cycles is called for")


def test_an_interval_that_leaves_what_was_observed_says_where_few_sources_begin() -> None:
    text = describe_threshold(_threshold(high=None))
    said = "10 cycles to beyond 30 cycles, past which fewer than 3 sources carry the line)."
    assert said in text
    assert "records end" not in text


def test_a_limit_in_months_is_never_longer_than_what_was_shown() -> None:
    for days, said in ((200, "an age of 6 months:"), (45, "of 45 days:"), (1, "of 1 day:")):
        text = describe_threshold(_threshold("age_days", retire_after=days))
        assert said in text


@given(st.integers(0, 4000))
def test_no_limit_by_age_is_rounded_up(days: int) -> None:
    text = describe_retire_after(_threshold("age_days", retire_after=days))
    number, unit = re.search(r"([\d,]+) (day|month)s?$", text).groups()
    said = int(number.replace(",", "")) * (DAYS_PER_MONTH if unit == "month" else 1.0)
    assert days - DAYS_PER_MONTH < said <= days


@pytest.mark.parametrize(
    "outcome", ["crosses", "never sure", "stays above", "below from the start", "rises", "no model"]
)
def test_every_outcome_of_a_threshold_has_a_whole_sentence(outcome: str) -> None:
    for by in ("cycles", "age_days"):
        text = describe_threshold(_threshold(by, outcome=outcome))
        assert text.endswith(".")
        assert not NEVER.search(text), text


@pytest.mark.parametrize(
    ("outcomes", "said"),
    [
        (("crosses",), "Retire after 10 cycles. Up to there, these records still show at least 85"),
        (
            ("crosses", "crosses"),
            "Retire after 10 cycles or at an age of 10 days, whichever comes first.",
        ),
        (("rises", "crosses"), "Retire at an age of 10 days."),
        (("never sure",), "No retirement limit can be set yet"),
        (("stays above", "below from the start"), "would keep finds at 85 in 100"),
        (("stays above",), "beyond 10 cycles these records are not sure of it"),
        (("stays above", "rises"), "neither called for nor ruled out"),
        (("surely above",), "stay at or above 85 in 100"),
        (("rises",), "finds do not fall"),
        (("no model",), "no curve could be fitted"),
    ],
)
def test_the_lead_tells_every_limit_or_why_there_is_none(
    outcomes: tuple[str, ...], said: str, cases: dict[str, Case]
) -> None:
    by = ("cycles", "age_days")
    sure = {"outcome": "stays above", "low": None}
    thresholds = tuple(
        _threshold(e, **(sure if o == "surely above" else {"outcome": o}))
        for e, o in zip(by, outcomes, strict=False)
    )
    text = describe_retirement_in_short(cases["down"][1], Retirement(thresholds, ()))
    assert said in text
    assert not NEVER.search(text)


def test_the_lead_says_what_it_rests_on(cases: dict[str, Case]) -> None:
    fit = replace(cases["down"][0], n=1200, misses=1, sources=1, dogs=1)
    text = describe_evidence(fit)
    assert "1,200 usable hide trials (1 miss) of 1 source by 1 dog" in text
    assert "not proof of cause" in text


@pytest.mark.parametrize(("statistic", "said"), [(3.9, False), (4.1, True)])
def test_sources_are_only_said_to_differ_where_that_is_more_than_chance(
    cases: dict[str, Case], statistic: float, said: bool
) -> None:
    fit, verdict, _ = cases["down"]
    slope = Slope("source", "cycles", 0.1, statistic, 0.05, 0.03)
    text = " ".join(describe_limitations(replace(fit, slopes=(slope,)), verdict))
    assert ("sources seem to differ in how they change with cycles" in text) == said


def _shelf(**changes: object) -> ShelfSource:
    source = ShelfSource(
        "MUS-01", "muscle", "frozen", 12.0, 400.0, 30, 24, 0.8, 0.7, 0.88, "test", "unsure", 40
    )
    return replace(source, **changes)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "not settled: about 40 more trials, then ask again"),
        ({"trials_to_settle": 1}, "not settled: about 1 more trial, then ask again"),
        ({"trials_to_settle": 347}, "about 350 more trials to settle it, more than it is worth"),
        ({"ground": "few trials", "trials_used": 1}, "only 1 trial of its own"),
        (
            {"trials_to_settle": None},
            "on the edge of 85 in 100: more trials will hardly settle it; the choice is yours",
        ),
        (
            {"trials_to_settle": None, "low": 0.38, "high": 0.98},
            "not known yet: could be well above or below 85 in 100; try 10 more",
        ),
        ({"trials_to_settle": 347, "low": 0.6, "high": 0.88}, "could be well below 85 in 100; try"),
        (
            {"trials_to_settle": 40, "low": 0.38, "high": 0.98},
            "not settled: about 40 more trials, then ask again",
        ),
        ({"ground": "above"}, "at or above 85 in 100"),
        ({"ground": "below"}, "unreliable for this purpose, on present evidence"),
        (
            {
                **{"ground": "below", "trials": 36, "finds": 31},
                **{"latest_trials": 20, "latest_finds": 15},
            },
            "shown below 85 in 100; of its latest 20 trials 15 were finds",
        ),
        ({"ground": "no trials"}, "not tried yet"),
        ({"ground": "beyond records"}, "more than the records can speak for"),
        (
            {"ground": "own trials disagree", "latest_trials": 20, "latest_finds": 16},
            "its own latest trials the other (found 16 of its latest 20): test",
        ),
        ({"ground": "not documented"}, "not on record"),
        ({"ground": "no model"}, "no answer for the unit yet, so none for one source"),
    ],
)
def test_every_advice_has_its_reason(changes: dict[str, object], said: str) -> None:
    assert said in describe_advice(_shelf(**changes), 0.85)


def test_the_shelf_is_counted() -> None:
    shelf = [_shelf(advice="retire"), _shelf(), _shelf(), _shelf(advice="keep")]
    assert describe_shelf(shelf) == (
        "Of 4 sources held: 1 to retire (MUS-01), 2 to test and 1 to keep."
    )
    many = [_shelf(advice="retire")] * 5
    assert describe_shelf(many) == "Of 5 sources held: 5 to retire."
    assert describe_shelf([]) == "No source is held."
    assert describe_shelf([_shelf()]) == "The one source held: test."


def test_beside_a_limit_it_is_said_at_once_which_sources_past_it_are_to_be_tested(
    cases: dict[str, Case],
) -> None:
    retirement = cases["down"][2]
    limit = next(t.retire_after for t in retirement.thresholds if t.retire_after is not None)
    old, young = _shelf(cycles=limit + 1.0), _shelf(cycles=limit - 1.0)
    others = [_shelf(advice="retire", cycles=99.0), _shelf(advice="keep", cycles=99.0), young]
    assert describe_shelf([*others, old], retirement) == (
        "Of 4 sources held: 1 to retire (MUS-01), 2 to test (1 of them past the limit) and 1 to "
        "keep."
    )
    assert "3 to test (2 of them past the limit)" in (
        describe_shelf([*others, old, old], retirement)
    )
    assert "past the limit" not in describe_shelf(others, retirement)
    assert "past the limit" not in describe_shelf([old, young], Retirement((), ()))


def _two_limits() -> Retirement:
    return Retirement(
        (_threshold("cycles", retire_after=12), _threshold("age_days", retire_after=437)), ()
    )


def test_with_two_limits_a_source_past_either_is_counted_and_both_are_named() -> None:
    worn, old = _shelf(cycles=13.0, age_days=100.0), _shelf(cycles=0.0, age_days=500.0)
    both, fresh = _shelf(cycles=13.0, age_days=500.0), _shelf(cycles=12.0, age_days=437.0)
    shelf = [worn, old, both, fresh, _shelf(cycles=None, age_days=None)]
    assert describe_shelf(shelf, _two_limits()) == (
        "Of 5 sources held: 5 to test (3 of them past 12 cycles or 14 months of age)."
    )
    told = describe_past_limit(
        [replace(worn, source_id="T1"), replace(old, source_id="T2"), fresh], _two_limits()
    )
    assert told == (
        "Already past 12 cycles or 14 months of age and not advised to be retired, because their "
        "own trials do not show them below the floor: T1 and T2. Test them first."
    )
    kept = _shelf(source_id="K1", advice="keep", cycles=0.0, age_days=500.0)
    assert describe_past_limit([kept], _two_limits()) == (
        "K1 is past 12 cycles or 14 months of age, but shown at or above 85 in 100."
    )
    # One limit of the two asked for is the limit.
    one = replace(_two_limits().thresholds[0], outcome="rises", retire_after=None)
    age_alone = Retirement((one, _two_limits().thresholds[1]), ())
    assert "2 of them past the limit" in describe_shelf(shelf, age_alone)


def test_two_limits_of_one_change_are_not_said_to_be_one_limit(cases: dict[str, Case]) -> None:
    verdict = replace(cases["down"][1], verdict="cannot be told apart")
    both = describe_retirement(verdict, _two_limits())
    assert "not two limits" not in both
    assert both.endswith(
        "two readings of one change here, for these records cannot tell which of the two it is; "
        "to be careful, keep to whichever limit comes first."
    )
    assert describe_retirement_in_short(verdict, _two_limits()).startswith(
        "Retire after 12 cycles or at an age of 14 months, whichever comes first. "
    )
    alone = Retirement(
        (_two_limits().thresholds[0], _threshold("age_days", outcome="stays above", low=None)), ()
    )
    alone = replace(
        alone, thresholds=(alone.thresholds[0], replace(alone.thresholds[1], retire_after=None))
    )
    assert describe_retirement(verdict, alone).endswith("cannot tell which of the two it is.")


def test_one_reason_for_all_is_told_once() -> None:
    blank = {"find_probability": None, "low": None, "high": None}
    none = [_shelf(source_id=name, ground="no model", **blank) for name in ("A-1", "B-2")]
    assert describe_none_can_be_judged(none) == (
        "To test, all for the same reason: no answer for the unit yet, so none for one source. "
        "A-1 and B-2."
    )
    other = _shelf(source_id="C-3", ground="not documented", **blank)
    assert describe_none_can_be_judged([*none, other]) is None
    assert describe_none_can_be_judged([_shelf(), _shelf()]) is None
    assert describe_none_can_be_judged([]) is None


def test_rows_set_aside_are_counted_once_each_by_table() -> None:
    def finding(table: str, row: int) -> Finding:
        return Finding("a rule", "set aside", table, f"{table}.csv", row, None, None, "", "")

    aside = [finding("trials", 2), finding("trials", 2), finding("trials", 3)]
    assert describe_set_aside(aside) == (
        "Not in this answer: 2 trials set aside, so a source may be missing here. outcomes check "
        "says why."
    )
    assert "1 source, 1 storage row and 2 trials" in (
        describe_set_aside([*aside, finding("sources", 4), finding("storage", 9)]) or ""
    )
    assert describe_set_aside([]) is None
    assert describe_not_on_shelf([finding("storage", 9)]) is None
    assert describe_not_on_shelf([finding("sources", 4), finding("sources", 4)]) == (
        "1 row of the source list could not be used, so a source may be missing here (outcomes "
        "check says why)."
    )
    several = describe_not_on_shelf([finding("sources", row) for row in (4, 5)])
    assert several is not None
    assert several.startswith("2 rows of the source list could not be used")


def test_a_p_value_is_told_as_exactly_as_it_is_known(cases: dict[str, Case]) -> None:
    fit, verdict, _ = cases["down"]

    def told(p: float, p_most: float | None, refits: int) -> str:
        test = RatioTest(9.0, 2, 0.011, 1.4, refits, p, p_most)
        some = replace(verdict, joint=test, cycles_given_age=None, age_given_cycles=None)
        return describe_method(fit, some)

    assert "p at most 0.031 for the two together" in told(0.006, 0.0312, 10)
    assert "calibrated on up to 10 data sets simulated" in told(0.006, 0.0312, 10)
    assert "p about 0.080 for the two together" in told(0.08, 0.14, 199)
    assert "p = 0.41 for the two together" in told(0.41, None, 0)
    assert "simulated" not in told(0.41, None, 0)


def _comparison(difference: float, low: float, high: float) -> Comparison:
    counts = {"refrigerated": 1, "frozen": 9}
    return Comparison(
        400.0, difference, low, high, 0.9, 0.8, counts, ("bone",), (), 0.01, 1.5, 1.2, None
    )


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ((0.11, 0.05, 0.18), "about 11 more finds in 100 trials than frozen ones"),
        ((-0.11, -0.18, -0.05), "about 11 fewer finds in 100 trials than frozen ones"),
        ((0.11, 0.002, 0.22), "95 % interval 0.2 to 22 more"),
        ((0.01, -0.04, 0.06), "anything from 4 fewer to 6 more finds in 100"),
        ((0.01, -0.04, 0.06), "No difference between refrigerated and frozen was detected"),
    ],
)
def test_the_comparison_says_which_way_and_on_what(
    numbers: tuple[float, float, float], said: str
) -> None:
    text = describe_storage_compared(_comparison(*numbers), 0.05)
    assert said in text
    assert "1 refrigerated source against 9 frozen" in text
    assert "13 months of age" in text
    assert "chosen, not assigned" in text


def test_a_refused_comparison_says_why() -> None:
    refused = replace(
        _comparison(0, 0, 0), risk_difference=None, reason="no frozen source was tried"
    )
    assert describe_storage_compared(refused, 0.05).endswith("no frozen source was tried.")


def _tried(kind: str, refrigerated: int, frozen: int, *, shared: bool = True) -> KindOverlap:
    sources = {"refrigerated": refrigerated, "frozen": frozen}
    ages = {way: (100.0, 200.0) for way in sources}
    span = (100.0, 200.0) if shared else (None, None)
    return KindOverlap(kind, ages, sources, *span, dict.fromkeys(sources, 2 if shared else 0))


@pytest.mark.parametrize(
    ("kinds", "said"),
    [
        ([_tried("muscle", 3, 3)], None),
        ([_tried("muscle", 1, 6, shared=False)], None),
        ([_tried("bone", 1, 6)], None),  # not among the kinds compared
        (
            [_tried("muscle", 1, 6), _tried("fat", 4, 3)],
            "One kind rests on fewer than 3 sources of a side, so one odd source could make "
            "the difference there: muscle (1 refrigerated).",
        ),
        (
            [_tried("muscle", 1, 6), _tried("fat", 4, 2)],
            "2 kinds rest on fewer than 3 sources of a side, so one odd source could make "
            "the difference there: muscle (1 refrigerated) and fat (2 frozen).",
        ),
        (
            [_tried("fat", 2, 1)],
            "One kind rests on fewer than 3 sources of a side, so one odd source could make "
            "the difference there: fat (2 refrigerated) and fat (1 frozen).",
        ),
    ],
)
def test_kinds_compared_on_few_sources_of_a_side_are_named(
    kinds: list[KindOverlap], said: str | None
) -> None:
    compared = replace(_comparison(0.1, 0.05, 0.15), kinds=("muscle", "fat"))
    assert describe_few_sources(compared, kinds) == said
    refused = replace(compared, reason="too few")
    assert describe_few_sources(refused, kinds) is None


def test_the_records_footer_says_how_many_of_all_trials_are_used(cases: dict[str, Case]) -> None:
    fit = next(case[0] for case in cases.values() if case[0].n)
    all_used = describe_records_used("Unit", fit.n, fit)
    assert "All of them are used for what predicts finds." in all_used
    part = describe_records_used("Unit", fit.n + 7, fit)
    assert f"Of these {count(fit.n + 7, 'hide trial')}, {fit.n:,} (" in part
    assert f"of {count(fit.sources, 'source')} can be used for what predicts finds." in part
    for told in (all_used, part):
        assert told.endswith("not proof of cause.")


def test_the_shelf_says_what_each_of_its_counts_is_out_of() -> None:
    told = describe_shelf_table(dt.date(2026, 2, 27), 0.9)
    assert told.startswith("Held on 2026-02-27. Expected: finds in the next 100 trials")
    assert "(90 % interval)" in told
    assert told.endswith("Found so far: of all usable trials since it was new, up to that day.")


def test_rows_add_up_in_the_sentence() -> None:
    text = describe_rows({"trials": 1200, "dogs": 1}, {"trials": 1199, "dogs": 1}, 1)
    assert "1,199 of 1,200 in trials" in text
    assert "1 row set aside" in text


def test_cautions_name_the_harms_and_defer_to_local_rules() -> None:
    text = " ".join(CAUTIONS)
    for must in ("biohazard", "29 CFR 1910.1030", "local codes", "licensed practice", "gloves"):
        assert must in text
    for never in ("proven", "court-ready", "expired"):
        assert never not in text


def _lifetime(baseline: float | None, rule: ReliabilityRule) -> Lifetime:
    called = (
        {}
        if baseline is None
        else {n: rule_false_call(rule.misses, rule.window, baseline, n) for n in (10, 20, 50)}
    )
    return Lifetime("", called, baseline, 9, 3, {}, (), {}, {}, "")


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


def test_a_lone_low_circle_is_explained_where_there_are_circles(cases: dict[str, Case]) -> None:
    said = describe_circles(cases["down"][2])
    assert said is not None
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
def test_a_circle_below_the_floor_left_of_the_limit_is_not_left_as_a_contradiction(
    cases: dict[str, Case], found: float, high: float, said: str | None
) -> None:
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


def test_the_figure_says_how_often_sources_that_never_change_meet_the_rule(
    cases: dict[str, Case],
) -> None:
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


def test_a_page_without_a_figure_says_why(cases: dict[str, Case]) -> None:
    bare = Retirement((), ())
    assert "too few usable hide trials" in describe_nothing_drawn(
        bare, _lifetime(None, ReliabilityRule())
    )
    assert describe_nothing_drawn(cases["down"][2], _lifetime(None, ReliabilityRule())) is None


@ALL
def test_technical_words_are_only_in_the_method_and_explained(
    name: str, cases: dict[str, Case]
) -> None:
    fit, verdict, retirement = cases[name]
    plain = " ".join(
        [
            describe_verdict_in_short(fit, verdict, retirement),
            describe_verdict(fit, verdict, retirement),
            describe_retirement(verdict, retirement),
            *describe_first_lines(fit, verdict, retirement, ""),
        ]
    )
    assert not re.search(r"\bp [=<]|odds|likelihood|intercept|standardis|logistic", plain)
    method = describe_method(fit, verdict)
    for term, meaning in (
        ("odds of a find", "finds for each miss"),
        ("random intercepts", "a level of its own"),
        ("likelihood-ratio tests", "fit better than chance"),
        ("p: ", "how often records without the effect"),
    ):
        assert (term in method) == (meaning in method)


@given(st.floats(0, 1))
def test_a_probability_in_words_is_within_half_a_find(probability: float) -> None:
    for text in (in_100(probability), finds_in_100(probability)):
        number = float(re.search(r"\d+", text).group())
        if "more than" in text or ">" in text:
            assert 99.4 <= 100 * probability < 100
        elif "fewer than" in text or "<" in text:
            assert 0 < 100 * probability < 0.6
        else:
            assert abs(number - 100 * probability) <= 0.5 + 1e-9
            assert number not in (0, 100) or 100 * probability == number


def _shelved(low: float, high: float, advice: str) -> ShelfSource:
    blank = dict.fromkeys(f.name for f in fields(ShelfSource))
    given_ = {"source_id": "BLD-02", "find_probability": (low + high) / 2, "advice": advice}
    return ShelfSource(**(blank | given_ | {"low": low, "high": high}))


def test_a_limit_just_below_the_floor_does_not_read_as_the_floor() -> None:
    below = describe_expected_finds(_shelved(0.41, 0.8496, "retire"), 0.85)
    assert below == "63 (41 to 84.9)"
    # At another floor there is nothing to contradict.
    assert describe_expected_finds(_shelved(0.41, 0.8496, "test"), 0.80) == "63 (41 to 85)"
    assert describe_expected_finds(_shelved(0.8496, 0.97, "test"), 0.85) == "91 (84.9 to 97)"
    assert describe_expected_finds(_shelved(0.8504, 0.97, "keep"), 0.85) == "91 (85 to 97)"
    unknown = replace(_shelved(0.4, 0.9, "test"), low=None)
    assert describe_expected_finds(unknown, 0.85) is None


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.integers(50, 95))
def test_no_limit_reads_as_on_the_other_side_of_a_whole_floor(
    one: float, other: float, hundredths: int
) -> None:
    low, high = sorted((one, other))
    floor = hundredths / 100
    told = describe_expected_finds(_shelved(low, high, "test"), floor)
    assert told is not None
    shown = re.search(r"\(([<>]?[\d.]+) to ([<>]?[\d.]+)\)", told)
    assert shown is not None
    for value, text in zip((low, high), shown.groups(), strict=True):
        number = {">99": 99.6, "<1": 0.4}.get(text) or float(text)
        assert (number < 100 * floor - 1e-9) == (value < floor)


@pytest.mark.parametrize(
    ("held", "said"),
    [
        (("S1", "S2"), ""),
        (("S1",), " No longer held, so not among those above, is S2."),
        ((), " No longer held, so not among those above, are S1 and S2."),
    ],
)
def test_an_early_warning_says_which_sources_are_no_longer_held(
    held: tuple[str, ...], said: str
) -> None:
    past = [
        SimpleNamespace(of=of, name=n, past_since=None)
        for of, n in (("source", "S1"), ("source", "S2"))
    ]
    dog = SimpleNamespace(of="dog", name="Juno", past_since=None)
    watched = SimpleNamespace(
        past=(*past, dog), sources=(), dogs=(), reason=None, false_call=0.05, within=50
    )
    assert describe_watch_of_held(watched, held) == f"{describe_watch(watched)}{said}"


def test_that_sources_differ_is_told_where_no_common_change_shows(made_trials: Made) -> None:
    slopes = np.tile([-0.1, 0.1], 6)
    fit, verdict, retirement = _case(
        made_trials(5, n=900, baseline=0.0, cycle_slopes=slopes)  # as many fall as rise
    )
    assert verdict.verdict == "no change detected"
    differ = "sources differ in how they change with cycles"
    assert (
        describe_verdict_in_short(fit, verdict, retirement)
        == f"No common change in finds shows; {differ}"
    )
    assert f"It is the common change that does not show: {differ}." in describe_verdict(
        fit, verdict, retirement
    )
    alike = replace(verdict, slopes_differ=())
    assert "differ" not in describe_verdict_in_short(fit, alike, retirement)
