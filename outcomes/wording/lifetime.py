"""How long sources stay reliable, and how often the rule for it errs."""

from __future__ import annotations

from outcomes.analysis.lifetimes.interval_censored import IntervalCurve, IntervalLifetime
from outcomes.analysis.lifetimes.rule import describe_rule
from outcomes.analysis.results import Lifetime
from outcomes.settings import ReliabilityRule
from outcomes.text import DAYS_PER_MONTH, count, months, of_100
from outcomes.wording.numbers import in_100, percent


def describe_lifetime(intervals: IntervalLifetime, alpha: float) -> str:
    """When half of the sources had become unreliable, in months after they were taken in."""
    if intervals.reason is not None:
        return intervals.sentence
    told = [_half(c) for c in intervals.curves if c.by in ("regime", "all") and c.points]
    met = count(intervals.events, "source")
    return (
        f"Of {count(intervals.sources, 'source')} followed, {met.split()[0]} met the rule below. "
        + " ".join(told).replace("INTERVAL", f"{percent(1.0 - alpha)} interval")
    )


def _half(curve: IntervalCurve) -> str:
    name = "the sources" if curve.by == "all" else f"the {curve.group} sources"
    first, last = curve.points[0].time, curve.points[-1].time
    still = f" still reliable after {months(first)}" if first >= 2.0 * DAYS_PER_MONTH else ""
    if curve.median is None:
        return (
            f"Fewer than half of {name}{still} had become unreliable by {months(last)} after they "
            "were taken in, which is as far as these records go."
        )

    def limit(days: float | None) -> str:
        return "not reached" if days is None else months(days)

    return (
        f"Half of {name}{still} had become unreliable by about {months(curve.median)} after they "
        f"were taken in (INTERVAL {limit(curve.median_low)} to {limit(curve.median_high)})."
    )


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
