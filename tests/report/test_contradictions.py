"""No pair of statements about the demo contradicts itself, and a planted one is seen."""

import re
from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from typing import Any

import pytest

from outcomes.answers.facts import Facts
from tests.contradictions import Telling, contradictions, tell


@pytest.fixture(scope="module")
def told(demo_facts: Facts) -> Telling:
    return tell(demo_facts)


def test_the_demo_does_not_contradict_itself(told: Telling) -> None:
    assert contradictions(told) == []


def _with_text(told: Telling, where: str, pattern: str, said: str) -> Telling:
    text, changed = re.subn(pattern, said, told.texts[where])
    assert changed
    return replace(told, texts={**told.texts, where: text})


def _with_results(told: Telling, change: Callable[[dict[str, Any]], None]) -> Telling:
    found = deepcopy(told.results)
    change(found)
    return replace(told, results=found)


def _keep_all(found: dict[str, Any]) -> None:
    for source in found["shelf"]:
        source["advice"] = "keep"


def _chance(found: dict[str, Any]) -> None:
    found["lifetime"]["chance_alone"] |= {"told": "no more than chance", "p": 0.4}


def _no_change(found: dict[str, Any]) -> None:
    found["which_predicts"] |= {"verdict": "no change detected", "joint_p": 0.4}


def _no_finding(found: dict[str, Any]) -> None:
    found["compare"] |= {"finding": False, "low": -0.02}


def _rising(found: dict[str, Any]) -> None:
    found["retire"]["curves"][0]["probability"].reverse()


def _by_age(found: dict[str, Any]) -> None:
    found["which_predicts"] |= {"verdict": "age"}


def _other_p(found: dict[str, Any]) -> None:
    for test in ("cycles_given_age_p", "age_given_cycles_p"):
        found["which_predicts"][test] = 0.6 if found["which_predicts"][test] < 0.05 else 0.001


PLANTED: dict[str, Callable[[Telling], Telling]] = {
    "one_limit": lambda t: _with_text(
        t, "figure", r"limit \d+ cycles", "limit 21 cycles"
    ),
    "advice_and_evidence": lambda t: _with_results(t, _keep_all),
    "told_by_what_is_named": lambda t: _with_results(t, _by_age),
    "one_p_value": lambda t: _with_results(t, _other_p),
    "loss_and_chance": lambda t: _with_results(t, _chance),
    "change_and_limit": lambda t: _with_results(t, _no_change),
    "storage_compared": lambda t: _with_results(t, _no_finding),
    "direction_of_headline": lambda t: _with_results(t, _rising),
    "side_findings": lambda t: _with_text(
        t, "page", "Search time rests on", "each 10 cycles went with 12 % longer to the find. On"
    ),
    "counts_of_trials": lambda t: _with_text(t, "page", "of 27 sources by 8", "of 26 sources by 8"),
    "one_number_one_rounding": lambda t: _with_text(
        t, "retire", r"about 16 cycles", "about 17 cycles"
    ),
    "suspects_and_verdict": lambda t: _with_text(
        t, "fit", r"\Z", "\nFinds: finds go with age (80 in 100) once the others are held."
    ),
    "no_change_shows": lambda t: _with_text(
        t, "page", r"anything from 5 fewer to 2 more", "anything from 5 fewer to 2 fewer"
    ),
}  # fmt: skip


@pytest.mark.parametrize("check", PLANTED)
def test_a_planted_contradiction_is_seen(told: Telling, check: str) -> None:
    seen = contradictions(PLANTED[check](told))
    assert any(found.startswith(f"{check}: ") for found in seen), seen
