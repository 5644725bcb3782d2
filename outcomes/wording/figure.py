"""What is told under the main figure."""

from __future__ import annotations

from outcomes.analysis.decisions.curve import THIN_SOURCES
from outcomes.analysis.decisions.threshold import Retirement, Threshold
from outcomes.analysis.results import Bin, Ground, Lifetime
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.text import count
from outcomes.wording.exposure import exposure_value, whole_limit
from outcomes.wording.numbers import floor_in_100, percent


def describe_figure_in_short(retirement: Retirement, confidence: float) -> str:
    """What is drawn in the figure, in a line under it."""
    parts = []
    if any(c.bins for c in retirement.curves):
        parts.append("Circles: finds counted.")
    lines = [c for c in retirement.curves if len(c.at)]
    if lines:
        what = "one of them"
        if len(lines) == 1:
            what = CYCLES_AND_AGE[lines[0].exposure].noun.removeprefix("freeze/thaw ")
        thin = any(bool(c.thin.any()) for c in lines)
        dashed = f"; dashed: fewer than {THIN_SOURCES} sources" if thin else ""
        parts.append(f"Line: finds expected if only {what} changed{dashed}.")
    return " ".join([*parts, f"{percent(confidence)} intervals."]) if parts else ""


NEEDED_HEADING = "What there is, and what is needed"


def describe_needed(have: int, need: int) -> str:
    """How many there are, beside how many it takes: "14 of 30", "37, enough"."""
    return f"{have:,} of {need:,}" if have < need else f"{have:,}, enough"


def describe_found_so_far(finds: int, trials: int) -> str:
    """Finds as counted, where there is too little to draw them against anything."""
    return f"Found so far: {finds:,} of {count(trials, 'usable hide trial')}."


NEEDED_CAPTION = "A full bar is what it takes before storage can be judged. Dark: not enough yet."


def describe_main_figure(retirement: Retirement) -> str:
    """How to read the figure, for who wants to know more."""
    text = ""
    if any(c.bins for c in retirement.curves):
        text = "Above each circle stand its trials and sources. "
    if any(len(c.at) for c in retirement.curves):
        text += (
            "The line tells the finds to be expected if only this had changed in the unit's own "
            f"trials ({retirement.curves[0].held}). The circles also differ in dogs, sources and "
            "conditions, so they need not lie on it."
        )
    return text.strip()


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
        f"floor the limit is {top}. It is what was counted, on these sources and in "
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
    return "There is no figure: too few usable hide trials to draw finds against cycles or age."


def describe_no_interval(ground: Ground) -> str:
    """Why a source has no interval on the shelf, in a few words."""
    return {
        "no trials": "not tried yet",
        "few trials": "too few trials of its own",
        "beyond records": "beyond what the records hold",
        "not documented": "its storage is not on record",
        "no model": "no answer for the unit yet",
    }.get(ground, "no estimate")
