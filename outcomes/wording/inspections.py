"""What weighing and looking at sources shows: how they change, and whether finds go along."""

from __future__ import annotations

from outcomes.analysis.inspections.change import (
    FEWEST_LOOKS,
    FEWEST_SOURCES,
    Change,
    ChangeEstimate,
    Measure,
)
from outcomes.analysis.inspections.inspected import Inspected
from outcomes.analysis.inspections.seen_and_finds import SeenAndFinds
from outcomes.analysis.results import Verdict
from outcomes.text import count, months
from outcomes.wording.numbers import joined, percent

NO_INSPECTIONS = (
    "No source was weighed or looked at. A scale, a minute a thaw, would tell what a count of "
    "thaws cannot: whether the source itself loses fluid or dries out."
)
_STEPS = {
    "cycles": "each thaw",
    "open_frozen_days": "each month frozen unsealed",
    "degree_hours": "each 100 °C·h of warmth",
    "age_days": "each month of age",
}
_OVER = {
    "cycles": "cycles",
    "open_frozen_days": "months frozen unsealed",
    "degree_hours": "warmth",
    "age_days": "age",
}
_NOUNS: dict[Measure, str] = {
    "mass_lost": "mass lost",
    "drip": "drip",
    "ice_damage": "ice damage",
    "freezer_burn": "freezer burn",
    "ph": "pH",
}
_FEW_BLIND = 0.9


def describe_inspections(found: Inspected | None, verdict: Verdict) -> list[str]:
    """All that is told of inspections, a paragraph each; one line where there are none.

    What carries a part of the change with cycles is told only where the verdict names cycles.
    """
    if found is None:
        return [NO_INSPECTIONS]
    lines = [
        describe_looks(found),
        describe_change(found),
        describe_mass_limit(found),
        describe_seen_and_finds(found, carried=verdict in ("cycles", "both")),
    ]
    return [line for line in lines if line]


def describe_looks(found: Inspected) -> str:
    """How much was looked at, and by whom not to be taken as blind."""
    text = (
        f"{count(found.looks, 'look')} at {found.sources:,} of {count(found.held, 'source')} "
        f"over {months(max(found.days, 1.0))}."
    )
    if found.blind is None:
        return f"{text} Whether who looked knew the dogs' results is not on record."
    if found.blind < _FEW_BLIND:
        return (
            f"{text} Blind to the dogs' results: {percent(round(found.blind, 2))} of those where "
            "it was noted; the others may have seen what they expected."
        )
    return text


def describe_change(found: Inspected) -> str:
    """What each thaw, each month unsealed and so on costs a source, of each measure."""
    told = [text for change in found.change if (text := _change(change))]
    if not told:
        return (
            "How sources change cannot be told yet: it takes "
            f"{count(FEWEST_LOOKS, 'look')} at {count(FEWEST_SOURCES, 'source')} seen more than "
            "once."
        )
    return " ".join(told)


def describe_mass_limit(found: Inspected) -> str | None:
    """After how many thaws sources have lost as much as they may; None where it is not asked."""
    limit = found.mass_limit
    if limit is None:
        return None
    most = percent(round(limit.most, 4))
    if limit.cycles is None:
        highest = count(int(limit.observed_to), "thaw")
        return (
            f"The mean loss stays below {most} of mass up to {highest}, the most that a weighed "
            f"source had been through (one-sided {percent(limit.confidence)} bound)."
        )
    return (
        f"Up to {count(int(limit.cycles), 'thaw')} the mean loss is below {most} of mass "
        f"(one-sided {percent(limit.confidence)} bound)."
    )


def _change(change: Change) -> str | None:
    if change.reason is not None:
        return None
    shown = [e for e in change.estimates if e.shown]
    if not shown:
        first = change.estimates[0]
        return (
            f"No sign that {_NOUNS[change.measure]} changes with {_OVER[first.term]} "
            f"({_size(first)} {_STEPS[first.term]}; {_interval(first)})."
        )
    costs = [f"{_STEPS[e.term]} {_verb(e)} ({_interval(e)})" for e in shown]
    text = f"{_capital(joined(costs))}; {count(change.sources, 'source')}."
    if change.kinds_differ_p is not None and change.kinds_differ_p < 1.0 - change.confidence:
        kinds = [f"{e.kind} {_size(e)} ({_interval(e)})" for e in change.by_kind]
        text += f" Kinds differ: {joined(kinds)}."
    return text


def _verb(e: ChangeEstimate) -> str:
    if e.measure == "mass_lost":
        return f"{'costs' if e.slope > 0 else 'adds'} about {_amount(e)} of mass"
    more = "adds" if e.slope > 0 else "takes"
    if e.measure == "drip":
        return f"{more} about {_amount(e)} of mass to the drip" if e.slope > 0 else (
            f"takes about {_amount(e)} of mass from the drip"
        )  # fmt: skip
    return f"{more} {_amount(e)} {'to' if e.slope > 0 else 'from'} {_NOUNS[e.measure]}"


def _amount(e: ChangeEstimate) -> str:
    return _told(e, abs(e.slope))


def _size(e: ChangeEstimate) -> str:
    return _told(e, e.slope)


def _told(e: ChangeEstimate, value: float) -> str:
    if e.measure in ("mass_lost", "drip"):
        return f"{_number(value)} %"
    return _number(value) if e.measure == "ph" else f"{_number(value)} points"


def _interval(e: ChangeEstimate) -> str:
    low, high = sorted((e.low, e.high)) if e.slope > 0 or not e.shown else (-e.high, -e.low)
    return f"{_number(low)} to {_number(high)}"


def _number(value: float) -> str:
    told = f"{value:.2g}" if abs(value) < 10.0 else f"{value:.0f}"
    return told.replace("-", "−")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def describe_seen_and_finds(found: Inspected, *, carried: bool = True) -> str | None:
    """Whether finds go along with what was seen, at the same cycles; None without a model."""
    asked = [one for one in found.finds if one.estimate is not None]
    if not found.finds:
        return None
    chosen = (
        f"This rests on the {found.seen_trials:,} of {count(found.trials, 'trial')} before which "
        "the source had been looked at; which were looked at was chosen."
    )
    if not asked:
        return f"Whether finds follow what was seen cannot be asked: {found.finds[0].reason}."
    told = [one for one in asked if one.told]
    level = percent(1.0 - found.alpha)
    if not told:
        widest = [
            f"{_NOUNS[one.measure]} odds × {one.estimate.ratio:.2g} "
            f"({one.estimate.low:.2g} to {one.estimate.high:.2g})"
            for one in asked
            if one.estimate is not None
        ]
        return (
            "At the same cycles and age, no sign that finds go along with what was seen, "
            f"a step of each: {joined(widest)} ({level} intervals). {chosen}"
        )
    shares = [one for one in told if carried and _has_share(one)]
    overlap = [_OVERLAP] if len(shares) > 1 else []
    return " ".join(
        [*(_of_finds(one, level, carried) for one in told), *overlap, chosen, _ON_THE_WAY]
    )


_OVERLAP = "What these explain overlaps: such parts do not add up."
_ON_THE_WAY = "What is seen lies on the way from thaws to finds, so it is no part of the verdict."


def _has_share(one: SeenAndFinds) -> bool:
    return one.carried is not None and one.carried.share is not None


def _of_finds(one: SeenAndFinds, level: str, carried_told: bool) -> str:
    estimate = one.estimate
    assert estimate is not None
    word = "fewer" if estimate.log_ratio < 0.0 else "more"
    text = (
        f"At the same cycles and age, finds go along with {_NOUNS[one.measure]}: {word} for each "
        f"{estimate.unit} (odds × {estimate.ratio:.2g}, {level} interval {estimate.low:.2g} to "
        f"{estimate.high:.2g})."
    )
    carried = one.carried
    if not carried_told or carried is None or carried.share is None:
        return text
    return (
        f"{text} It explains part of the change with cycles: about {100 * carried.share:.0f} of "
        f"100 ({100 * (carried.share_low or 0.0):.0f} to "
        f"{100 * (carried.share_high or 0.0):.0f})."
    )
