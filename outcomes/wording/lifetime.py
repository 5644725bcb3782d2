"""When sources became unreliable, what the rule for it is, and how often that errs."""

from __future__ import annotations

from outcomes.analysis.lifetimes.kaplan_meier import ALL_SOURCES, FEWEST_EVENTS, NOT_KNOWN
from outcomes.analysis.lifetimes.rule import MOST_FALSE_CALLS, SEEN_WITHIN
from outcomes.analysis.results import ChanceAlone, Lifetime, RuleInUse
from outcomes.text import count, months, of_100, p_value, still_reliable_at
from outcomes.wording.numbers import in_100, percent

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
    """How many sources met the rule, how many would by chance, and when half of each group had."""
    sources, events = lifetime.sources, lifetime.events
    if sources == 0:
        return (
            "No source has a trial that counts for the rule (unassisted, with a hide, and by a dog "
            "qualified by then, if the rule asks for that), so nothing can be said about when "
            "sources become unreliable."
        )
    if lifetime.rule is None:
        return _no_rule(lifetime)
    if sources == 1:
        met = "met" if events else "did not meet"
        return f"The one source followed {met} the rule; one source makes no curve."
    head = f"Of {sources} sources followed, {events or 'none'} met the rule"
    chance = lifetime.chance
    if chance is not None:
        head += f", and {describe_by_chance(chance)} would by chance alone if none changed"
    if not lifetime.beyond_chance:
        assert chance is not None
        return f"{head}. {_not_beyond(chance)}"
    if events == 0:
        return f"{head}."
    if not lifetime.curve:
        few = (
            f"with fewer than {FEWEST_EVENTS} no curve is drawn"
            if events < FEWEST_EVENTS
            else "too few of them in one group, or at the same time, to draw a curve"
        )
        return f"{head}; {few}."
    halves = "; ".join(_describe_half(lifetime, group) for group in lifetime.median)
    return f"{head}. {halves[0].upper()}{halves[1:]}."


def lifetime_title(lifetime: Lifetime) -> str:
    """How long sources stay reliable, as the title of a figure."""
    chance, called = lifetime.chance, count(lifetime.events, "source")
    if chance is not None and chance.told == "unclear":
        return "Whether sources wear out is unclear: finds show no change"
    if chance is not None and not lifetime.beyond_chance:
        return f"No sign that sources wear out: {called} met the rule, no more than by chance"
    if not lifetime.curve:
        return "How long sources stay reliable cannot be drawn"
    if chance is None:
        return "How long sources stay reliable"
    return f"{called} became unreliable, and {describe_by_chance(chance)} would by chance alone"


def describe_by_chance(chance: ChanceAlone) -> str:
    """How many sources would meet the rule by chance: "about 2 (0 to 5)"."""
    mean = f"about {chance.sources:.0f}" if chance.sources >= 0.95 else "fewer than 1"
    return f"{mean} ({chance.low:.0f} to {chance.high:.0f})"


def describe_chance_in_short(lifetime: Lifetime, chance: ChanceAlone) -> str:
    """The grey curve in a line: what it is, and the two counts."""
    return (
        f"Grey: by chance alone, if no source changed; {describe_by_chance(chance)} would meet the "
        f"rule, {lifetime.events} did."
    )


def describe_chance_test(chance: ChanceAlone) -> str:
    """How the sources that met the rule stand against chance alone, for a reader who checks."""
    return (
        f"Against chance alone: {p_value(chance.p)}, by {chance.worlds} simulated runs of the same "
        "trials in which no source changes."
    )


def _not_beyond(chance: ChanceAlone) -> str:
    if chance.told == "unclear":
        return "Finds show no change with cycles or age, so whether sources wear out is unclear."
    return "That is no more than chance gives: it does not show that sources wear out."


def _no_rule(lifetime: Lifetime) -> str:
    assert lifetime.baseline is not None
    return (
        "When a source becomes unreliable is not told. Sources are found "
        f"{times_in_100(lifetime.baseline)} here: tried as often as these, every rule of so many "
        f"misses within so many trials calls more than {of_100(MOST_FALSE_CALLS)} in 100 that "
        "never change, or sees no fall. A unit may set its own rule in unit.toml."
    )


def _describe_half(lifetime: Lifetime, group: str) -> str:
    name = _GROUP_NAMES.get(group, f"{group} sources")
    still = still_reliable_at(lifetime.curve_from[group])
    points = [p for p in lifetime.curve if p.group == group]
    if all(p.probability == 1.0 for p in points):
        return (
            f"none of the {name} had by {months(lifetime.curve_to[group])} "
            f"(at least {of_100(points[-1].low)} in 100 still reliable)"
        )
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


def describe_rule(rule: RuleInUse) -> str:
    """Say the rule in words.

    Examples
    --------
    >>> from outcomes.analysis.results import RuleInUse
    >>> describe_rule(RuleInUse(2, 3, qualified_only=True))  # doctest: +NORMALIZE_WHITESPACE
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
    rule = lifetime.rule
    if rule is None:
        return "none that would seldom call sources that never change"
    return f"{describe_rule(rule)}; {_errs(lifetime, rule)}"


def describe_rule_errors(lifetime: Lifetime) -> str | None:
    """The rule for "unreliable", how often it errs and how soon it sees; None without a rule."""
    rule = lifetime.rule
    if rule is None:
        return None
    met = describe_rule(rule).replace(" of a source", "")
    text = f"A source counts as unreliable here from {met}. {_errs(lifetime, rule).capitalize()}"
    if rule.false_call is None:
        return f"{text}."
    sees = about_in_100(rule.seen)
    text += (
        f". Of 100 whose finds fall to {of_100(rule.fall_to)} in 100 it calls {sees} within "
        f"{SEEN_WITHIN} trials."
    )
    return text


def _errs(lifetime: Lifetime, rule: RuleInUse) -> str:
    if rule.false_call is None or lifetime.baseline is None:
        lacking = "such trials" if lifetime.baseline is None else "a miss in such trials"
        return f"without {lacking}, how often it errs is not known"
    return (
        f"of 100 sources that never change and are found {times_in_100(lifetime.baseline)} it "
        f"would call {about_in_100(rule.false_call)} unreliable within "
        f"{count(rule.trials, 'trial')}"
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
