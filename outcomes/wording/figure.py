"""What is told under the main figure."""

from __future__ import annotations

from outcomes.analysis.decisions.threshold import Retirement, Threshold
from outcomes.analysis.results import Bin, Lifetime
from outcomes.wording.exposure import exposure_value, whole_limit
from outcomes.wording.lifetime import describe_by_chance
from outcomes.wording.numbers import floor_in_100, percent


def describe_main_figure(retirement: Retirement, lifetime: Lifetime, confidence: float) -> str:
    """How to read the figure."""
    text = ""
    if any(c.bins for c in retirement.curves):
        text = (
            f"Circles: finds as counted, with {percent(confidence)} intervals; above each, its "
            "trials and sources. "
        )
    if any(len(c.at) for c in retirement.curves):
        held = retirement.curves[0].held
        text += (
            "Line: finds to be expected if only this had changed in the unit's own trials "
            f"({held}); the circles also differ in dogs, sources and conditions, so they need not "
            f"lie on it. Band: {percent(confidence)} interval. Broken line: fewer than 3 sources. "
        )
    if lifetime.curve:
        text += (
            "Still reliable: sources that have not yet met the rule for unreliable, stated below."
        )
    return text.strip()


def describe_chance_on_figure(lifetime: Lifetime) -> str | None:
    """How much of a falling curve chance alone would give; None without a curve of it."""
    chance = lifetime.chance
    if not lifetime.curve or chance is None:
        return None
    return (
        "Grey: by chance alone, if no source changed, with the middle 90 in 100 of "
        f"{chance.worlds} simulated runs of the same trials; {describe_by_chance(chance)} would "
        f"meet the rule, and {lifetime.events} did. Meeting it is a reason to test, not to throw "
        "out."
    )


def describe_circles(retirement: Retirement) -> str | None:
    """What a lone circle may owe to its sources; None where there are no circles."""
    if not any(c.bins for c in retirement.curves):
        return None
    return (
        "All circles are of one size: one on few sources may lie off because of those sources "
        f"alone.{_low_circle(retirement)}"
    )


def _low_circle(retirement: Retirement) -> str:
    """What to make of a circle below the floor where the limit says finds still reach it."""
    threshold, low = _circle_below(retirement) or (None, None)
    if threshold is None or low is None:
        return ""
    at = exposure_value(threshold.by, low.mean)
    top = whole_limit(threshold.by, threshold.retire_after or 0)
    return (
        f" The one at {at} lies below {floor_in_100(threshold.floor)} though at that "
        f"floor the limit is {top}: it is what was counted, on these sources and in "
        "these conditions; the limit is read off the line, which sets them alike"
        + (
            ". Here even its interval lies below: look at those sources first."
            if low.proportion_high < threshold.floor
            else ", and its interval reaches the floor."
        )
    )


def _circle_below(retirement: Retirement) -> tuple[Threshold, Bin] | None:
    """The last circle below the floor at or before its limit; None where there is none."""
    bins = {curve.exposure: curve.bins for curve in retirement.curves}
    for threshold in retirement.thresholds:
        limit = threshold.retire_after or 0.0
        low = [
            b
            for b in bins.get(threshold.by, ())
            if b.mean <= limit and b.proportion < threshold.floor
        ]
        if low:
            return threshold, low[-1]
    return None


def describe_low_circle_in_short(retirement: Retirement) -> str:
    """The same in one line for a slide; empty where no circle lies there."""
    threshold, low = _circle_below(retirement) or (None, None)
    if threshold is None or low is None:
        return ""
    return (
        f"The circle at {exposure_value(threshold.by, low.mean)} lies below the floor though the "
        f"limit is {whole_limit(threshold.by, threshold.retire_after or 0)}: it is what was "
        "counted on those sources; the limit is read off the line."
    )


def describe_nothing_drawn(retirement: Retirement, lifetime: Lifetime) -> str | None:
    """Why the page has no figure; None where there is something to draw."""
    if lifetime.curve or any(c.bins or len(c.at) for c in retirement.curves):
        return None
    return (
        "There is no figure: too few usable hide trials to draw finds against cycles or age, and "
        "too few sources met the rule below to draw how long they stay reliable."
    )
