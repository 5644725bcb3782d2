"""When sources became unreliable, what the rule for it is, and how often that errs."""

from __future__ import annotations

from outcomes.analysis.lifetimes.kaplan_meier import ALL_SOURCES, FEWEST_EVENTS, NOT_KNOWN
from outcomes.analysis.results import Lifetime
from outcomes.settings import ReliabilityRule
from outcomes.text import months, of_100, still_reliable_at
from outcomes.wording.numbers import in_100, percent

RULE_TRIALS = 20
_ORDINALS = (
    "first",
    "second",
    "third",
    "fourth",
    "fifth",
    "sixth",
    "seventh",
    "eighth",
    "ninth",
    "tenth",
)
_NUMBERS = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
_GROUP_NAMES = {
    "frozen": "frozen sources",
    "refrigerated": "refrigerated sources",
    "mixed": "sources of mixed storage",
    NOT_KNOWN: "sources whose storage is not known",
    ALL_SOURCES: "sources",
}


def describe_lifetime(lifetime: Lifetime) -> str:
    """How many sources met the rule, and when half of each group had."""
    sources, events = lifetime.sources, lifetime.events
    if sources == 0:
        return (
            "No source has a trial that counts for the rule (unassisted, with a hide, and by a dog "
            "qualified by then, if the rule asks for that), so nothing can be said about when "
            "sources become unreliable."
        )
    if sources == 1:
        met = "met" if events else "did not meet"
        return f"The one source followed {met} the rule; one source makes no curve."
    if events == 0:
        return f"None of the {sources} sources followed met the rule."
    head = f"Of {sources} sources followed, {events} met the rule"
    if not lifetime.curve:
        few = (
            f"with fewer than {FEWEST_EVENTS} no curve is drawn"
            if events < FEWEST_EVENTS
            else "too few of them in one group, or at the same time, to draw a curve"
        )
        return f"{head}; {few}."
    return "; ".join([head, *(_describe_half(lifetime, group) for group in lifetime.median)]) + "."


def _describe_half(lifetime: Lifetime, group: str) -> str:
    name = _GROUP_NAMES.get(group, f"{group} sources")
    still = still_reliable_at(lifetime.curve_from[group])
    median, low, high = (
        limits[group] for limits in (lifetime.median, lifetime.median_low, lifetime.median_high)
    )
    if median is None:
        return (
            f"more than half of the {name}{still} had not met it by "
            f"{months(lifetime.curve_to[group])} after they were taken in, where their curve ends"
        )
    return (
        f"half of the {name}{still} had met it by {months(median)} after they were taken in "
        f"({percent(1 - lifetime.alpha)} interval {_limit(low)} to {_limit(high)})"
    )


def _limit(days: float | None) -> str:
    return "not reached" if days is None else months(days)


def describe_rule(rule: ReliabilityRule) -> str:
    """Say the rule in words.

    Examples
    --------
    >>> from outcomes.settings import ReliabilityRule
    >>> describe_rule(ReliabilityRule())  # doctest: +NORMALIZE_WHITESPACE
    'the second miss within three consecutive unassisted hide trials of a source
    by qualified dogs'
    """
    who = " by qualified dogs" if rule.qualified_only else ""
    if rule.misses == 1:
        return f"the first miss in an unassisted hide trial of a source{who}"
    return (
        f"the {_ordinal(rule.misses)} miss within {_number(rule.window)} consecutive unassisted "
        f"hide trials of a source{who}"
    )


def describe_rule_in_short(lifetime: Lifetime) -> str:
    """The rule in words, with how often it errs."""
    text, baseline = describe_rule(lifetime.rule), lifetime.baseline
    if baseline is None or not lifetime.rule_false_call:
        lacking = "such trials" if baseline is None else "a miss in such trials"
        return f"{text}; without {lacking}, how often it errs is not known"
    errs = lifetime.rule_false_call[RULE_TRIALS]
    return (
        f"{text}; a source found {of_100(baseline)} times in 100 would still be called "
        f"unreliable within {RULE_TRIALS} trials in {of_100(errs)} of 100"
    )


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


def _ordinal(n: int) -> str:
    if n <= len(_ORDINALS):
        return _ORDINALS[n - 1]
    ending = "th" if 11 <= n % 100 <= 13 else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


def _number(n: int) -> str:
    return _NUMBERS[n - 1] if n <= len(_NUMBERS) else str(n)
