"""Every sentence is true for its numbers, and whole, whatever the records say."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.brief import words
from outcomes.decide.compare import Comparison
from outcomes.decide.shelf import ShelfSource
from outcomes.decide.threshold import Retirement, Threshold, read_threshold, set_threshold
from outcomes.fit.finds import FindFit, fit_finds
from outcomes.fit.result import FindCurve
from outcomes.fit.which_predicts import WhichPredicts, which_predicts
from outcomes.settings import Settings

Made = Callable[..., pd.DataFrame]
Case = tuple[FindFit, WhichPredicts, Retirement]

NEVER = re.compile(
    r"\bnan\b|\bNone\b|\binf\b|\{|\}|  |\.\.|\b1 (cycles|months|finds|trials|sources)\b"
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
        words.headline(fit, verdict, retirement) + ".",
        words.answer(fit, verdict, retirement),
        words.retire_sentence(verdict, retirement),
        words.method(fit, verdict),
        *words.limits(fit, verdict),
    ]
    for sentence in sentences:
        assert sentence[0].isupper()
        assert sentence.endswith(".")
        assert not NEVER.search(sentence), sentence


def test_the_headline_says_which_way_and_between_what(cases: dict[str, Case]) -> None:
    for name, way in (("down", "fall"), ("up", "rise")):
        fit, verdict, retirement = cases[name]
        text = words.headline(fit, verdict, retirement)
        curve = retirement.curves[0]
        sure = np.flatnonzero(~curve.thin)
        assert text.startswith(f"Finds {way} with freeze/thaw cycles")
        assert words.in_100(curve.probability[sure[0]]) in text
        assert words.in_100(curve.probability[sure[-1]]) in text
        if way == "fall":
            assert curve.probability[sure[-1]] < curve.probability[sure[0]]
    assert "the age of the source" in words.headline(*cases["age"])
    assert "No change" in words.headline(*cases["none"])
    assert "cannot tell" in words.headline(*cases["tied"])
    assert "cannot say" in words.headline(*cases["few"])


def test_the_answer_gives_the_size_with_its_interval(cases: dict[str, Case]) -> None:
    fit, verdict, retirement = cases["down"]
    term = fit.term("cycles")
    text = words.answer(fit, verdict, retirement)
    assert f"{abs(10 * term.points):.0f} fewer finds in 100" in text
    assert f"{abs(10 * term.points_high):.0f} to {abs(10 * term.points_low):.0f} fewer" in text
    assert "not proof that age does nothing" in text
    assert "more finds in 100" in words.answer(*cases["up"])


def test_no_change_is_never_told_as_proof(cases: dict[str, Case]) -> None:
    fit, verdict, retirement = cases["none"]
    text = words.answer(fit, verdict, retirement)
    assert "not proof of no change" in text
    assert f"{verdict.largest_fall['cycles']:.0f} in 100 per 10 cycles" in text
    assert "No retirement limit" in words.retire_sentence(verdict, retirement)


def test_an_unclear_size_is_told_in_both_directions(cases: dict[str, Case]) -> None:
    fit = cases["none"][0]
    term = fit.term("cycles")
    assert term.points_low < 0 < term.points_high
    text = words.effect_size(fit, "cycles")
    assert f"from {abs(10 * term.points_low):.0f} fewer to {10 * term.points_high:.0f} more" in text


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
    assert said in words.answer(*cases[name])


def test_more_trials_alone_are_not_promised_to_mend_one_dog(cases: dict[str, Case]) -> None:
    assert "needs more dogs" in words.answer(*cases["one dog"])


def _threshold(by: str = "cycles", **changes: object) -> Threshold:
    at = np.linspace(0.0, 30.0, 31)
    p = np.linspace(0.95, 0.75, 31)
    curve = FindCurve(by, at, p, p - 0.03, p + 0.03, 0.9, np.zeros(31, bool), (), "")
    return replace(read_threshold(curve, 0.85, 30.0), **changes)


def test_a_threshold_is_told_with_its_interval_and_its_limit() -> None:
    threshold = _threshold()
    text = words.threshold_sentence(threshold)
    assert f"about {threshold.estimate:.0f} cycles" in text
    assert f"{threshold.low:.0f} to {threshold.high:.0f}" in text
    assert f"up to {threshold.retire_after} cycles" in text


def test_a_limit_in_months_is_never_longer_than_what_was_shown() -> None:
    for days, said in ((200, "up to 6 months"), (45, "up to 45 days"), (1, "up to 1 day:")):
        text = words.threshold_sentence(_threshold("age_days", retire_after=days))
        assert said in text


@pytest.mark.parametrize(
    "outcome", ["crosses", "never sure", "stays above", "below from the start", "rises", "no model"]
)
def test_every_outcome_of_a_threshold_has_a_whole_sentence(outcome: str) -> None:
    for by in ("cycles", "age_days"):
        text = words.threshold_sentence(_threshold(by, outcome=outcome))
        assert text.endswith(".")
        assert not NEVER.search(text), text


def _shelf(**changes: object) -> ShelfSource:
    source = ShelfSource(
        "MUS-01", "muscle", "frozen", 12.0, 400.0, 30, 24, 0.8, 0.7, 0.88, "test", "unsure", 40
    )
    return replace(source, **changes)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "about 40 more trials would settle it"),
        ({"trials_to_settle": 1}, "about 1 more trial would settle it"),
        ({"trials_to_settle": None}, "too close to 85 in 100"),
        ({"ground": "above"}, "at or above 85 in 100"),
        ({"ground": "below"}, "unreliable for this purpose, on present evidence"),
        ({"ground": "no trials"}, "not tried yet"),
        ({"ground": "beyond records"}, "more than the records can speak for"),
        ({"ground": "own trials disagree"}, "found 24 of 30"),
        ({"ground": "not documented"}, "not on record"),
        ({"ground": "no model"}, "no model"),
    ],
)
def test_every_advice_has_its_reason(changes: dict[str, object], said: str) -> None:
    assert said in words.advice_reason(_shelf(**changes), 0.85)


def test_the_shelf_is_counted() -> None:
    shelf = [_shelf(advice="retire"), _shelf(), _shelf(), _shelf(advice="keep")]
    assert words.shelf_summary(shelf) == "Of 4 sources held: 1 to retire, 2 to test and 1 to keep."
    assert words.shelf_summary([]) == "No source is held."
    assert words.shelf_summary([_shelf()]) == "The one source held: test."


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
        ((0.01, -0.04, 0.06), "No difference between refrigerated and frozen was detected"),
    ],
)
def test_the_comparison_says_which_way_and_on_what(
    numbers: tuple[float, float, float], said: str
) -> None:
    text = words.compare_sentence(_comparison(*numbers), 0.05)
    assert said in text
    assert "1 refrigerated source against 9 frozen" in text
    assert "13 months of age" in text
    assert "chosen, not assigned" in text


def test_a_refused_comparison_says_why() -> None:
    refused = replace(
        _comparison(0, 0, 0), risk_difference=None, reason="no frozen source was tried"
    )
    assert words.compare_sentence(refused, 0.05).endswith("no frozen source was tried.")


def test_rows_add_up_in_the_sentence() -> None:
    text = words.rows_sentence({"trials": 1200, "dogs": 1}, {"trials": 1199, "dogs": 1}, 1)
    assert "1,199 of 1,200 in trials" in text
    assert "1 row set aside" in text


def test_cautions_name_the_harms_and_defer_to_local_rules() -> None:
    text = " ".join(words.CAUTIONS)
    for must in ("biohazard", "29 CFR 1910.1030", "local codes", "licensed practice", "gloves"):
        assert must in text
    for never in ("proven", "court-ready", "expired"):
        assert never not in text
