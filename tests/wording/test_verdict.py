"""Every sentence is true for its numbers, and whole, whatever the records say."""

import math
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from outcomes.analysis.finds.describe_terms import linear_predictor
from outcomes.analysis.finds.line_tests import RatioTest
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.slopes import Slope
from outcomes.analysis.monitoring.charts import Watch
from outcomes.analysis.results import Bin, FindCurve
from outcomes.models.calibrated_test import Calibrated
from outcomes.records.tables import Finding
from outcomes.text import p_number
from outcomes.wording import verdict as verdict_words
from outcomes.wording.cautions import CAUTIONS
from outcomes.wording.dogs import DOG_CAUTION
from outcomes.wording.first_lines import describe_first_lines
from outcomes.wording.limit import describe_retirement
from outcomes.wording.limitations import describe_limitations
from outcomes.wording.method import describe_method, p_of_term
from outcomes.wording.numbers import finds_in_100, in_100
from outcomes.wording.rows import describe_not_on_shelf, describe_set_aside
from outcomes.wording.shelf import describe_shelf
from outcomes.wording.verdict import (
    describe_cannot_be_told_apart,
    describe_effect_size,
    describe_largest_fall,
    describe_too_few,
    describe_verdict,
    describe_verdict_in_short,
)
from outcomes.wording.watch import describe_watch, describe_watch_of_held

from .cases import NEVER, Made, case_of

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
def test_every_sentence_is_whole(name, cases) -> None:
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


def test_headline_says_which_way_and_how_far(cases) -> None:
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


def test_answer_gives_the_size_with_its_interval(cases) -> None:
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


def test_no_change_is_never_told_as_proof(cases) -> None:
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
def test_possible_fall_is_rounded_up_and_told(fall, said, headline_ends, cases) -> None:
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
def test_a_size_is_the_given_one_rounded(points, said, cases, monkeypatch) -> None:
    monkeypatch.setattr(verdict_words, "change_along", _straight)
    assert said in describe_effect_size(_with_points(cases["down"][0], "cycles", *points), "cycles")


def test_size_by_age_is_per_year_or_month(cases, monkeypatch) -> None:
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
def test_no_size_passes_what_there_is_to_find(cases, estimate, below, above, by_age) -> None:
    term = "age_days" if by_age else "cycles"
    fit = _with_points(cases["down"][0], term, estimate, estimate - below, estimate + above)
    steps = [estimate / 10.0, (estimate - below) / 10.0, (estimate + above) / 10.0]
    fit = replace(
        fit,
        terms=tuple(
            replace(t, log_ratio=steps[0], low=math.exp(steps[1]), high=math.exp(steps[2]))
            if t.term == term
            else t
            for t in fit.terms
        ),
    )
    text = describe_effect_size(fit, term)
    assert not NEVER.search(text), text
    after = text.split(" with ", 2)[-1].replace("95 %", "").replace("in 100", "")
    assert all(float(n) <= 100.0 for n in re.findall(r"\d+(?:\.\d+)?", after))


def test_unclear_size_is_told_both_ways(cases) -> None:
    fit = cases["none"][0]
    _, low, high = _along_the_curve(fit, "cycles", 10.0)
    assert low < 0 < high
    text = describe_effect_size(fit, "cycles")
    assert f"from {-low:.0f} fewer to {high:.0f} more" in text


def test_sources_are_named_only_as_they_part_both(cases) -> None:
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
def test_rising_together_is_said_where_they_do(correlation, said, cases) -> None:
    _, verdict, retirement = cases["tied"]
    text = describe_cannot_be_told_apart(replace(verdict, correlation=correlation), retirement)
    assert said in text
    if correlation < 0.5:
        assert "rise together" not in text


def test_fall_hidden_by_two_is_not_called_none(cases) -> None:
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
        ("one dog", "needs more dogs"),
        ("one source", "1 source (at least 8 needed)"),
        ("no misses", "Without a single miss"),
        ("no finds", "Without a single find"),
        ("nothing", "200 trials: the storage log does not say"),
    ],
)
def test_what_is_short_is_said(name, said, cases) -> None:
    assert said in describe_verdict(*cases[name])


def test_one_more_trial_is_one_trial(cases) -> None:
    fit, verdict, _ = cases["few"]
    assert "about 1 more hide trial would" in describe_too_few(fit, replace(verdict, more_trials=1))


def test_without_a_size_the_counts_are_given(cases) -> None:
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


@pytest.mark.parametrize(("statistic", "said"), [(3.9, False), (4.1, True)])
def test_sources_differ_only_beyond_chance(cases, statistic, said) -> None:
    fit, verdict, _ = cases["down"]
    slope = Slope("source", "cycles", 0.1, statistic, 0.05, 0.03)
    text = " ".join(describe_limitations(replace(fit, slopes=(slope,)), verdict))
    assert ("sources may differ in how they change with cycles" in text) == said


def test_rows_set_aside_are_counted_once_by_table() -> None:
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
    assert several.startswith("2 rows of the source list could not be used")


def test_p_value_is_as_exact_as_it_is_known(cases) -> None:
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


def test_cautions_name_harms_and_local_rules() -> None:
    text = " ".join(CAUTIONS)
    for must in ("biohazard", "29 CFR 1910.1030", "local codes", "licensed practice", "gloves"):
        assert must in text
    for never in ("proven", "court-ready", "expired"):
        assert never not in text
    assert "not an assessment or a certification of any dog" in DOG_CAUTION


@ALL
def test_technical_words_are_only_in_the_method(name, cases) -> None:
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
def test_probability_is_told_within_half_a_find(probability) -> None:
    for text in (in_100(probability), finds_in_100(probability)):
        number = float(re.search(r"\d+", text).group())
        if "more than" in text or ">" in text:
            assert 99.4 <= 100 * probability < 100
        elif "fewer than" in text or "<" in text:
            assert 0 < 100 * probability < 0.6
        else:
            assert abs(number - 100 * probability) <= 0.5 + 1e-9
            assert number not in (0, 100) or 100 * probability == number


@pytest.mark.parametrize(
    ("held", "said"),
    [
        (("S1", "S2"), ""),
        (("S1",), " No longer held, so not among those above, is S2."),
        ((), " No longer held, so not among those above, are S1 and S2."),
    ],
)
def test_early_warning_says_which_are_gone(held, said) -> None:
    trial = SimpleNamespace(started_at=pd.Timestamp("2026-01-02"))
    charts = tuple(
        SimpleNamespace(of=of, name=n, past_since=trial, back_below=False, by_chance=0.05, seen=0.3)
        for of, n in (("source", "S1"), ("source", "S2"), ("dog", "Juno"))
    )
    nothing = Watch((), (), (), 2.0, 0.05, 50, (), None)
    watched = replace(nothing, sources=charts[:2], dogs=charts[2:], past=charts)
    assert describe_watch_of_held(watched, held) == f"{describe_watch(watched)}{said}"


def test_sources_differ_without_a_common_change(made_trials) -> None:
    slopes = np.tile([-0.1, 0.1], 6)
    fit, verdict, retirement = case_of(
        made_trials(5, n=900, baseline=0.0, cycle_slopes=slopes)  # as many fall as rise
    )
    assert verdict.verdict == "no change detected"
    # Every second source of S00, S01 … falls.
    most = verdict.falling_sources
    assert len(most) == 3
    assert all(int(name[1:]) % 2 == 0 for name in most)
    named = f"{most[0]}, {most[1]} and {most[2]} fall most"
    differ = f"sources differ in how they change with cycles ({named})"
    assert (
        describe_verdict_in_short(fit, verdict, retirement)
        == f"No common change in finds shows; {differ}"
    )
    assert f"It is the common change that does not show: {differ}." in describe_verdict(
        fit, verdict, retirement
    )
    alike = replace(verdict, slopes_differ=())
    assert "differ" not in describe_verdict_in_short(fit, alike, retirement)


def test_a_term_of_the_answer_has_its_p_value(made_trials: Made) -> None:
    fit, verdict, _ = case_of(made_trials(2, n=900, cycle=-0.12, baseline=3.0))
    test = RatioTest.of_any_shape(Calibrated(0.04, 99))
    some = replace(verdict, cycles_given_age=test, age_given_cycles=None)
    term = fit.term("cycles")
    assert term is not None
    other = replace(term, term="experience")
    assert p_of_term(term, some) == "at most 0.040"
    assert p_of_term(term, replace(some, cycles_given_age=replace(test, p=0.4, p_most=0.4))) == (
        "about 0.40"
    )
    assert p_of_term(term, replace(some, cycles_given_age=None)) == p_number(term.p)
    assert p_of_term(other, some) == p_number(other.p)
    # The same number stands in the method's words.
    assert "p at most 0.040 for cycles beyond age" in describe_method(fit, some)
