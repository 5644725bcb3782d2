"""Refrigerated against frozen: all sources, kind by kind, and portions of one source."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.decisions.compare import Comparison
from outcomes.analysis.decisions.compare_by_kind import (
    FEWEST_SOURCES,
    BoundChoice,
    FewSources,
    KindComparison,
)
from outcomes.analysis.decisions.matched_portions import MatchedPortions
from outcomes.text import count, months
from outcomes.wording.numbers import finds_more_or_fewer, joined, number_of_finds, percent


def describe_storage_compared(comparison: Comparison, alpha: float) -> str:
    """Refrigerated against frozen, with what it rests on."""
    if comparison.reason is not None:
        return f"Refrigerated and frozen cannot be compared: {comparison.reason}."
    assert comparison.risk_difference is not None
    assert comparison.low is not None
    assert comparison.high is not None
    assert comparison.at_age_days is not None
    difference, low, high = (
        100.0 * v for v in (comparison.risk_difference, comparison.low, comparison.high)
    )
    sources = comparison.sources
    rest = (
        f"{count(sources['refrigerated'], 'refrigerated source')} against "
        f"{sources['frozen']} frozen{_on_both_sides(comparison)}, same kinds, dogs and conditions, "
        f"at {months(comparison.at_age_days)} of age{_without_kind(comparison)}"
    )
    confidence = percent(1.0 - alpha)
    if low <= 0.0 <= high:
        return (
            "No difference between refrigerated and frozen was detected: anything from "
            f"{number_of_finds(-low)} fewer to {number_of_finds(high)} more finds in 100 for "
            f"refrigerated fits these records ({confidence} interval; {rest}). Storage was chosen, "
            "not assigned."
        )
    sign = "more" if difference > 0 else "fewer"
    near, far = sorted((abs(low), abs(high)))
    interval = f"{confidence} interval {number_of_finds(near)} to {number_of_finds(far)} {sign}"
    return (
        f"Refrigerated sources gave about {finds_more_or_fewer(abs(difference), sign)} in 100 "
        f"trials than frozen ones ({interval}; {rest}). This counts all that goes with each way of "
        "keeping, the thaws of the frozen sources among it: it does not say which is better for a "
        "source that is never thawed. Storage was chosen, not assigned, so something else about "
        "these sources may explain it: do not move sources on this alone. Tissue that is not "
        "frozen feeds bacteria; handle and keep it as your local rules for biological material say."
    )


def _on_both_sides(comparison: Comparison) -> str:
    if not comparison.both_ways:
        return ""
    return (
        f", {count(comparison.both_ways, 'source')} counted on both sides, having been kept "
        "one way and then the other"
    )


def _without_kind(comparison: Comparison) -> str:
    if not comparison.without_kind:
        return ""
    return f"; {count(comparison.without_kind, 'trial')} left out for want of the source's kind"


def describe_few_sources(comparison: Comparison, kinds: Sequence[FewSources]) -> str | None:
    """Which kinds are compared on single sources or two; None where none is, or nothing is."""
    if comparison.reason is not None:
        return None
    few = [one for one in kinds if one.kind in comparison.kinds]
    if not few:
        return None
    told = joined([f"{one.kind} ({one.sources} {one.way})" for one in few])
    number = len({one.kind for one in few})
    return (
        f"{'One kind rests' if number == 1 else f'{number} kinds rest'} on fewer than "
        f"{FEWEST_SOURCES} sources of a side, so one odd source could make the difference "
        f"there: {told}."
    )


def describe_portions(found: MatchedPortions, alpha: float) -> str:
    """Portions of one source kept both ways, as matched pairs."""
    if found.reason is not None:
        return f"Portions of one source kept both ways cannot be compared: {found.reason}."
    assert found.risk_difference is not None
    assert found.risk_low is not None
    assert found.risk_high is not None
    points, low, high = (
        100.0 * v for v in (found.risk_difference, found.risk_low, found.risk_high)
    )
    confidence = percent(1.0 - alpha)
    trials = found.trials["refrigerated"] + found.trials["frozen"]
    rest = (
        f"{count(len(found.parents), 'source')} with portions kept both ways, each dog "
        f"against itself, {count(trials, 'trial')}"
    )
    ways = (
        f"Of these sources, {found.fewer} had the refrigerated portion found less often and "
        f"{found.more} more often"
    )
    doubt = ""
    if found.p_by_parent is not None and found.p_by_parent >= alpha:
        doubt = ", which chance alone could do: more such pairs would settle it"
    if low <= 0.0 <= high:
        return (
            "Between portions of the same source no difference was detected: anything from "
            f"{max(-low, 0.0):.0f} fewer to {max(high, 0.0):.0f} more finds in 100 for "
            f"refrigerated fits these records ({confidence} interval; {rest}). {ways}."
        )
    sign = "more" if points > 0 else "fewer"
    near, far = sorted((abs(low), abs(high)))
    return (
        f"Of portions of the same source, the refrigerated ones gave about {abs(points):.0f} "
        f"{sign} finds in 100 ({confidence} interval {near:.0f} to {far:.0f} {sign}; {rest}). "
        f"{ways}{doubt}. This is the fairest evidence in these records, for what the source was "
        "and which dog searched are the same on both sides."
    )


def describe_bounds(choices: Sequence[BoundChoice]) -> str:
    """Whether another definition of refrigerated and frozen changes the comparison."""
    made = [c for c in choices if c.comparison.risk_difference is not None]
    if not made:
        return "Under no definition of refrigerated and frozen can the two be compared."
    ends = f"{percent(made[0].bound)} to {percent(made[-1].bound)}"
    points = [100.0 * (c.comparison.risk_difference or 0.0) for c in made]
    refused = len(choices) - len(made)
    but = f"; under {count(refused, 'other')} the two cannot be compared" if refused else ""
    low, high = min(points), max(points)
    size = f"{_signed(low)} to {_signed(high)}" if round(low) != round(high) else _signed(low)
    if any(p > 0 for p in points) and any(p < 0 for p in points):
        return (
            f"How refrigerated and frozen are defined decides even the sign: {size} finds in 100 "
            f"for refrigerated, from a share of {ends} on{but}."
        )
    return (
        f"How refrigerated and frozen are defined does not change the sign: {size} "
        f"finds in 100 for refrigerated, whether a source counts from a share of {ends} on{but}."
    )


def describe_kind(found: KindComparison, alpha: float) -> str:
    """Refrigerated against frozen within one kind, or why not."""
    c = found.comparison
    if c.risk_difference is None or c.low is None or c.high is None:
        # Of one kind alone it goes without saying that it is one of the kinds.
        reason = (c.reason or "").removeprefix("among kinds kept both ways ")
        reason = reason.replace("no kind of source was kept both ways", "it was kept only one way")
        return f"{found.kind}: cannot be compared: {reason}."
    low, middle, high = (_signed(100.0 * x) for x in (c.low, c.risk_difference, c.high))
    behind = count(c.sources["refrigerated"], "refrigerated source")
    return (
        f"{found.kind}: {middle} finds in 100 for refrigerated ({percent(1.0 - alpha)} "
        f"interval {low} to {high}; {behind} against {c.sources['frozen']} frozen)."
    )


def only_together(found: Sequence[KindComparison]) -> bool:
    """Whether no kind can be compared by itself."""
    return bool(found) and all(k.comparison.risk_difference is None for k in found)


def describe_kinds(found: Sequence[KindComparison], alpha: float) -> str | None:
    """The kinds that can be compared in one sentence; None where fewer than two can."""
    made = [k for k in found if k.comparison.risk_difference is not None]
    if len(made) < 2:
        return None
    told = "; ".join(describe_kind(k, alpha).removesuffix(".") for k in made)
    clear = any((k.comparison.low or 0.0) > 0.0 or (k.comparison.high or 0.0) < 0.0 for k in made)
    chance = f" Of {len(made)} kinds, one may seem different by chance." if clear else ""
    return f"Kind by kind: {told}.{chance}"


def _signed(points: float) -> str:
    return f"{points:+.0f}".replace("-", "−").replace("+0", "0").replace("−0", "0")
