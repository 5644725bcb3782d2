"""What a source has left before its limit."""

from __future__ import annotations

import math

from outcomes.analysis.decisions.exposure_left import ExposureLeft
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.threshold import Retirement
from outcomes.answers.facts import Facts
from outcomes.exposure.cycles_and_age import ExposureName
from outcomes.text import count
from outcomes.wording.exposure import exposure_value
from outcomes.wording.numbers import percent
from outcomes.wording.shelf import past_limit


def describe_exposure_left(left: ExposureLeft, confidence: float) -> str:
    """What a source has left, in a few words for the shelf."""
    if left.reason is not None or left.now is None:
        return f"what it has left cannot be told: {left.reason or 'its exposure is not known'}"
    if left.high == 0.0:
        return "nothing left: it is below the floor already"

    furthest = _at_least(left)
    if left.low is None:
        if furthest is None:
            return "what it has left cannot be told: it is at the end of what these records show"
        return f"at least {furthest} left, as far as these records go"
    low = "none" if left.low == 0.0 else _about(left.by, left.low)
    if left.high is not None:
        high = _about(left.by, left.high)
    else:
        high = "more than these records show" if furthest is None else f"more than {furthest}"
    interval = f"({percent(confidence)} interval {low} to {high})"
    if left.left is None:
        most = "more than these records show" if furthest is None else f"at least {furthest}"
        return f"{most} left by the best estimate {interval}"
    if left.left == 0.0:
        return f"none left by the best estimate {interval}"
    about = _about(left.by, left.left)
    return f"{about if about.startswith('less') else f'about {about}'} left {interval}"


def _about(exposure: ExposureName, value: float) -> str:
    """What is left, to what a thousand draws bear: whole cycles; days and months as ever."""
    if exposure != "cycles":
        return exposure_value(exposure, value)
    return "less than 1 cycle" if value < 1.0 else count(round(value), "cycle")


def _at_least(left: ExposureLeft) -> str | None:
    """How far these records go on from today, rounded down; None where not a whole step."""
    further = max(left.observed_to - (left.now or 0.0), 0.0)
    if left.by != "cycles":
        return exposure_value(left.by, further) if further >= 1.0 else None
    whole = math.floor(further + 1e-9)
    return count(whole, "cycle") if whole else None


def left_is_told(source: ShelfSource, left: ExposureLeft, retirement: Retirement) -> bool:
    """Whether what is left says something to a director.

    Not cycles of a source that is never frozen, nothing where finds do not fall with them, nothing
    where its own latest trials say otherwise, and nothing past the limit: there the order is to
    test, and a number left would be a second one.
    """
    rises = any(t.by == left.by and t.outcome == "rises" for t in retirement.thresholds)
    idle = left.by == "cycles" and source.regime == "refrigerated"
    past = bool(past_limit([source], retirement))
    known = source.advice != "retire" and left.reason is None
    return known and source.ground != "own trials disagree" and not (idle or rises or past)


def describe_exposure_left_by_source(facts: Facts) -> dict[str, str]:
    """Source → what it has left, for the table on the page, whose caption has the confidence."""
    confidence = facts.settings.confidence
    named = f"({percent(confidence)} interval "
    return {
        left.source_id: describe_exposure_left(left, confidence).replace(named, "(")
        for source, left in zip(facts.shelf, facts.left, strict=False)
        if left_is_told(source, left, facts.retirement)
    }
