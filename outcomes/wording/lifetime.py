"""The rule for "unreliable", and how often it errs."""

from __future__ import annotations

from outcomes.analysis.lifetimes.rule import describe_rule
from outcomes.analysis.results import Lifetime
from outcomes.settings import ReliabilityRule
from outcomes.text import of_100
from outcomes.wording.numbers import in_100

RULE_TRIALS = 20


def describe_rule_errors(
    rule: ReliabilityRule, lifetime: Lifetime, as_searched: float | None = None
) -> str:
    """The rule for "unreliable", and how often it errs; ``as_searched``: by simulation too."""
    met = describe_rule(rule).replace(" of a source", "")
    text = f"A source counts as unreliable here from {met}."
    trials = RULE_TRIALS
    if lifetime.baseline is None or trials not in lifetime.rule_false_call:
        lacking = "such trials" if lifetime.baseline is None else "a miss in such trials"
        return f"{text} Without {lacking}, how often the rule errs is not known."
    return (
        f"{text} The rule also errs: of 100 sources that never change and are found "
        f"{times_in_100(lifetime.baseline)}, it would call "
        f"{about_in_100(lifetime.rule_false_call[trials])} unreliable within {trials} trials"
        + (
            "."
            if as_searched is None
            or of_100(as_searched) == of_100(lifetime.rule_false_call[trials])
            else f" that are alike and independent, and {about_in_100(as_searched)} when searched "
            "as here, by simulation."
        )
    )


def times_in_100(probability: float) -> str:
    """How often of a hundred times: "85 times in 100"."""
    return in_100(probability).replace(" in ", " times in ")


def about_in_100(probability: float) -> str:
    """A share as a count of a hundred things, without the hundred."""
    return f"about {in_100(probability).removesuffix(' in 100')}"
