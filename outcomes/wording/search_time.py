"""How soon finds come, what that goes with beyond chance, and the share found by a minute."""

from __future__ import annotations

import numpy as np

from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.analysis.searches.share_found import FoundCurve, FoundGroup
from outcomes.answers.side_tests import SideTests
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, Exposure, exposure_of
from outcomes.models.ratio import Estimate, change, power, sized
from outcomes.text import count
from outcomes.wording.numbers import joined
from outcomes.wording.shape import at_the_knot


def describe_search_time(fit: SearchTimeFit, side: SideTests) -> str:
    """What goes with how soon finds come beyond chance, or why that cannot be told; the curve."""
    if fit.reason is not None:
        return f"Search times say nothing about cycles or age here: {fit.reason}."
    terms = [
        (e, t)
        for t in fit.terms
        if (e := exposure_of(t.term)) is not None and side.beyond_chance("search time", t.term)
    ]
    sure = [(e, t) for e, t in terms if sized(t.low, t.high, _over(e, fit)[1])]
    rest = f"{count(fit.finds, 'find')}, {count(fit.sources, 'source')}, {count(fit.dogs, 'dog')}."
    text = f"Search time rests on finds alone (a miss has no time): {rest}"
    if terms:
        parts = "; ".join(_effect(e, t, fit) for e, t in terms)
        text = f"Of finds alone (a miss has no time): {parts}. "
        if sure:
            text += f"{100 * (1 - fit.alpha):g} % interval{'s' if len(sure) > 1 else ''}: "
            between = (f"{_over(e, fit)[0]} {_between(e, t, fit)}" for e, t in sure)
            text += f"{'; '.join(between)}. "
        text += rest
    if fit.last_quarter is None:
        text += " How much the time limit hides is not known: it is on record for too few finds."
    elif fit.cut_off:
        text += (
            f" The limit hides longer times: {100 * fit.last_quarter:.0f} % of finds came in its "
            "last quarter."
        )
    if terms and fit.copies:
        text += " Cycles and age move together in these records: either may be behind it."
    return text if fit.curve is None else f"{text} {describe_share_found(fit.curve)}"


def _effect(exposure: Exposure, term: Estimate, fit: SearchTimeFit) -> str:
    over, steps = _over(exposure, fit)
    if sized(term.low, term.high, steps):
        return f"{over} went with {_size(exposure, term, fit)} to the find"
    way = "longer" if term.log_ratio > 0.0 else "shorter"
    return f"they took {way} with {exposure.noun}, by how much these records cannot tell"


def _over(exposure: Exposure, fit: SearchTimeFit) -> tuple[str, float]:
    """What a change is told over, and how many units of its term that is.

    A step comes once, not with each of ten cycles.
    """
    shape = fit.shapes.get(exposure.name)
    if shape is None:
        return exposure.each_many, exposure.many_units
    if shape.kind == "log":
        return f"each doubling of {exposure.noun}", 1.0
    at = at_the_knot(exposure.name, shape)
    if shape.kind == "step":
        return f"being past {at}", 1.0
    until = f"up to {at}" if shape.kind == "levels off" else f"past {at}"
    return f"{exposure.one_more} {until}", exposure.step_size / exposure.divisor


def _size(exposure: Exposure, term: Estimate, fit: SearchTimeFit) -> str:
    """The change over many units; what the limit lets through of it is the least there is."""
    return ("at least " if fit.cut_off else "") + _change(exposure, term.log_ratio, fit)


def _between(exposure: Exposure, term: Estimate, fit: SearchTimeFit) -> str:
    low, high = (_change(exposure, float(np.log(limit)), fit) for limit in (term.low, term.high))
    return f"{low} to {high}"


def _change(exposure: Exposure, log_ratio: float, fit: SearchTimeFit) -> str:
    return change(power(log_ratio, _over(exposure, fit)[1]), "longer", "shorter", "as long")


def describe_share_found(curve: FoundCurve) -> str:
    """Share found by the end of the curves, with limits, at every exposure drawn."""
    first, *others = curve.groups
    parts = [f"{_share(first)} in 100 at {told_at(curve, first)} ({_limits(first)}"]
    parts[0] += f", {100 * curve.confidence:g} % interval)"
    parts += [f"{_share(g)} at {_value(curve, g)} ({_limits(g)})" for g in others]
    text = f"Found within {told_minutes(curve.limit_s)}: {', '.join(parts)}."
    return f"{text} That is of the {describe_searches_of(curve)}."


def describe_share_found_in_short(curve: FoundCurve) -> str:
    """The finding: the share found at the lowest and at the highest exposure drawn."""
    first, last = curve.groups[0], curve.groups[-1]
    text = f"Within {told_minutes(curve.limit_s)}: {_share(first)} of 100 found"
    text += f" at {told_at(curve, first)}"
    return text if last is first else f"{text}, {_share(last)} at {_value(curve, last)}"


def describe_how_soon_in_short(fit: SearchTimeFit, side: SideTests) -> str:
    """Whether the finds there were came later along the exposure of the curve, in one line."""
    assert fit.curve is not None
    exposure = CYCLES_AND_AGE[fit.curve.exposure]
    term = fit.term(exposure.name)
    if term is None:
        return f"How soon finds come with {exposure.noun} cannot be told."
    if side.beyond_chance("search time", term.term):
        return f"Among finds: {_effect(exposure, term, fit)}."
    if not sized(term.low, term.high, _over(exposure, fit)[1]):
        return f"How soon finds come with {exposure.noun} cannot be told."
    seen = "was seen within the limit" if fit.cut_off else "shows"
    return f"No change in how soon finds come {seen}."


def describe_searches_of(curve: FoundCurve) -> str:
    """Which searches the curves are of."""
    searches = count(curve.trials, "search", "searches")
    sources = f"sources of {joined(list(curve.kinds))}" if curve.kinds else "sources"
    thawed = " thawed at least once" if curve.exposure == "cycles" else ""
    searches += f" for {sources}{thawed}" if thawed or curve.kinds else ""
    return f"{searches} limited to {told_minutes(curve.limit_s)} or more"


def told_minutes(seconds: float) -> str:
    """A time limit in minutes.

    >>> told_minutes(600.0), told_minutes(60.0), told_minutes(450.0)
    ('10 minutes', '1 minute', '7.5 minutes')
    """
    minutes = seconds / 60.0
    return "1 minute" if minutes == 1.0 else f"{float(f'{minutes:.4g}'):g} minutes"


def told_at(curve: FoundCurve, group: FoundGroup) -> str:
    """Exposure of a curve with its unit: cycles, or months of age."""
    return f"{told_steps(curve, group)}{CYCLES_AND_AGE[curve.exposure].of_value}"


def told_steps(curve: FoundCurve, group: FoundGroup) -> str:
    """The same in short: cycles or months."""
    value = _value(curve, group)
    return f"{value} {CYCLES_AND_AGE[curve.exposure].step}{'' if value == '1' else 's'}"


def _value(curve: FoundCurve, group: FoundGroup) -> str:
    return f"{group.at / CYCLES_AND_AGE[curve.exposure].step_size:.0f}"


def _share(group: FoundGroup) -> str:
    return f"{100 * group.curve[-1].share:.0f}"


def _limits(group: FoundGroup) -> str:
    return f"{100 * group.curve[-1].low:.0f} to {100 * group.curve[-1].high:.0f}"
