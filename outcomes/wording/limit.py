"""When to retire a source: the limit by cycles or age, or why there is none."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.decisions.curve import THIN_SOURCES
from outcomes.analysis.decisions.threshold import Retirement, Threshold
from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.answers.facts import Facts
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, ExposureName, named_by, other_than
from outcomes.wording.exposure import exposure_value, whole_limit
from outcomes.wording.numbers import floor_in_100, in_100, joined, percent


def describe_threshold(threshold: Threshold) -> str:
    """A retirement threshold, or why there is none."""
    floor = floor_in_100(threshold.floor)
    name = CYCLES_AND_AGE[threshold.by].noun
    limit = exposure_value(threshold.by, threshold.observed_to)
    if threshold.outcome == "crosses":
        assert threshold.estimate is not None
        confidence = percent(threshold.confidence)
        return (
            f"{describe_limit(threshold)}: up to there even the lower end of the {confidence} "
            f"interval is at or above {floor}. Best estimate: finds fall below {floor} at about "
            f"{exposure_value(threshold.by, threshold.estimate)} ({confidence} interval "
            f"{_interval(threshold)})."
        )
    if threshold.outcome == "never sure":
        assert threshold.estimate is not None
        return (
            f"No limit by {name} can be set: finds fall below {floor} at about "
            f"{exposure_value(threshold.by, threshold.estimate)}, but at no "
            f"{'number of cycles' if threshold.by == 'cycles' else 'age'} is it sure "
            f"({percent(threshold.confidence)} confidence) that they are still at or above it."
        )
    if threshold.outcome == "stays above" and threshold.low is not None:
        return (
            f"A limit by {name} is neither called for nor ruled out: the best estimate stays above "
            f"{floor} within what was observed (up to {limit}), but beyond "
            f"{exposure_value(threshold.by, threshold.low)} that is not sure "
            f"({percent(threshold.confidence)} confidence). More trials of sources beyond it would "
            "settle it."
        )
    if threshold.outcome == "stays above":
        return (
            f"No limit by {name} is called for: finds do not fall below {floor} within what was "
            f"observed (up to {limit})."
        )
    start = exposure_value(threshold.by, threshold.curve.at[0]) if len(threshold.curve.at) else ""
    if threshold.outcome == "below from the start":
        other = other_than(threshold.by).noun
        return (
            f"No limit by {name} alone would keep finds at {floor}: they are below it already at "
            f"{start}, with {other}, dogs and conditions as they were in these records."
        )
    if threshold.outcome == "rises":
        curve = threshold.curve
        text = f"No limit by {name} is called for: finds do not fall with {name}"
        if len(curve.at) and curve.probability[0] < threshold.floor:
            return (
                f"{text}; at {start} they are {in_100(curve.probability[0])}, below the floor of "
                f"{floor}."
            )
        return text + "."
    return f"No limit by {name} can be set: no curve could be fitted."


def describe_limit(threshold: Threshold) -> str:
    """The limit of the class, never later than was shown: past it a source is tested."""
    after = threshold.retire_after or 0
    kinds = threshold.curve.kinds if threshold.by == "cycles" else ()
    of = f" for {joined(list(kinds))}" if kinds else ""
    return f"Limit{of}: {_at_limit(threshold.by, after)}"


def _at_limit(by: ExposureName, after: int) -> str:
    whole = whole_limit(by, after)
    return whole if by == "cycles" else f"an age of {whole}"


def _interval(threshold: Threshold) -> str:
    """Both limits of a threshold, the unit said once where they share it."""
    limit = exposure_value(threshold.by, threshold.observed_to)
    low = "the start" if threshold.low is None else exposure_value(threshold.by, threshold.low)
    if threshold.high is None:
        return f"{low} to {beyond_observed(limit)}"
    high = exposure_value(threshold.by, threshold.high)
    if low.split(" ")[-1].rstrip("s") == high.split(" ")[-1].rstrip("s"):
        low = low.split(" ")[0]
    return f"{low} to {high}"


def beyond_observed(limit: str) -> str:
    """Past the last exposure that at least three sources reached, in words."""
    return f"beyond {limit}, past which fewer than {THIN_SOURCES} sources carry the line"


def describe_retirement(verdict: WhichPredicts, retirement: Retirement) -> str:
    """The retirement answer: by the verdict's exposures, or why there is none."""
    if not retirement.thresholds:
        if verdict.verdict == "too few trials":
            return "No retirement limit can be set from these records yet."
        if verdict.contradicted:
            return (
                "No retirement limit: the finds observed contradict every curve tried, so that "
                "none can be read off one. Go by the circles, and test sources past where they "
                "fall below the floor."
            )
        if verdict.no_limit and verdict.verdict != "no change detected":
            return (
                "No retirement limit: too many storage logs begin late, so that it is not known "
                "how many cycles those sources have been through."
            )
        return (
            "No retirement limit: these records show no change with cycles or age to base one on."
        )
    sentences = [describe_threshold(t) for t in retirement.thresholds]
    crossing = [t for t in retirement.thresholds if t.outcome == "crosses"]
    if crossing:
        it = "it" if len(crossing) == 1 else "either"
        sentences.append(f"It is for a class of sources: past {it}, test before you retire.")
    if verdict.verdict == "cannot be told apart":
        sentences.append(_one_change(retirement))
    return " ".join(sentences)


def _one_change(retirement: Retirement) -> str:
    """What limits by both are where cycles cannot be told from age."""
    careful = (
        "; to be careful, keep to whichever limit comes first"
        if len(limits_set(retirement)) > 1
        else ""
    )
    return (
        "Cycles and age are two readings of one change here, for these records cannot tell which "
        f"of the two it is{careful}."
    )


def limits_set(retirement: Retirement) -> list[Threshold]:
    """Thresholds with a limit, in the order told."""
    return [t for t in retirement.thresholds if t.retire_after is not None]


def limits_named(retirement: Retirement) -> str:
    """All limits in words: "12 cycles", "12 cycles or 14 months of age"."""
    return joined(
        [
            whole_limit(t.by, t.retire_after or 0)
            + CYCLES_AND_AGE[t.by].of_value
            + (f" ({joined(list(t.curve.kinds))})" if t.curve.kinds else "")
            for t in limits_set(retirement)
        ],
        "or",
    )


def describe_retirement_in_short(verdict: WhichPredicts, retirement: Retirement) -> str:
    """The retirement answer without its reasons: every limit there is, or why there is none.

    What to do past it is told by :func:`describe_order`.
    """
    thresholds = retirement.thresholds
    crossing = [t for t in thresholds if t.outcome == "crosses"]
    if crossing:
        limits_ = describe_limit(crossing[0])
        if len(crossing) > 1:
            limits_ = f"{limits_}{_or_after(crossing[1])}, whichever comes first"
        least = 100.0 * crossing[0].floor
        return f"{limits_}. Up to it these records show at least {least:.6g} finds in 100."
    if not thresholds:
        return describe_retirement(verdict, retirement)
    bad = [t for t in thresholds if t.outcome not in ("stays above", "rises")]
    bad = bad or [t for t in thresholds if t.outcome == "stays above" and t.low is not None]
    leading = (bad or list(thresholds))[0]
    floor = floor_in_100(leading.floor)
    if leading.outcome == "stays above" and leading.low is not None:
        return (
            f"A retirement limit is neither called for nor ruled out: finds stay above {floor} on "
            "best estimate, but beyond "
            f"{exposure_value(leading.by, leading.low)} these records are not sure of it."
        )
    return {
        "never sure": f"No retirement limit can be set yet: at no point is it sure that {floor} "
        "are found.",
        "below from the start": f"No retirement limit would keep finds at {floor}: they start "
        "below it.",
        "stays above": f"No retirement limit is called for: finds stay at or above {floor} as far "
        "as these records go.",
        "rises": "No retirement limit is called for: finds do not fall.",
        "no model": "No retirement limit can be set: no curve could be fitted.",
    }[leading.outcome]


def describe_order(retirement: Retirement, floor: float) -> str:
    """What to do past the limit, and what alone is a ground to retire a source."""
    crossing = [t for t in retirement.thresholds if t.outcome == "crosses"]
    if not crossing:
        return f"Retire only a source shown below {floor_in_100(floor)}."
    it = "it" if len(crossing) == 1 else "either"
    return f"Past {it}, test; retire only a source shown below {100.0 * floor:.6g}."


def _or_after(threshold: Threshold) -> str:
    return f" or {_at_limit(threshold.by, threshold.retire_after or 0)}"


_ABOUT_AN_EXPOSURE = ("cycles", "age", "both", "cannot be told apart")


def describe_limits_asked(facts: Facts, exposures: Sequence[ExposureName]) -> str | None:
    """What to know about limits the verdict does not name; None where it names them all."""
    verdict = facts.verdict.verdict
    missing = facts.verdict.no_limit
    about = named_by(verdict) if verdict in _ABOUT_AN_EXPOSURE else ()
    beside = [e for e in exposures if missing or e not in about]
    if not beside:
        return None
    limits = joined([f"by {CYCLES_AND_AGE[e].noun}" for e in beside])
    named = joined([CYCLES_AND_AGE[e].noun for e in about])
    shown = {
        "too few trials": "these records are too few to tell whether storage matters at all",
        "no change detected": "these records show no change with cycles or age",
    }.get(verdict, f"these records name {named}")
    if missing and about:
        shown = "too many storage logs begin late, so that thaws are missing"
    return (
        f"Asked for: limits {limits}. But {shown}: take this for what the curve says, not for a "
        "limit to go by."
    )
