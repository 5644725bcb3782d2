"""Refrigerated against frozen: all sources, kind by kind, and portions of one source."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.decisions.compare import (
    ENOUGH_SOURCES,
    SHOWN_BY_KIND,
    Comparison,
    Difference,
)
from outcomes.analysis.decisions.matched_portions import MatchedPortions
from outcomes.analysis.decisions.storage_bounds import BoundChoice
from outcomes.answers.side_tests import SideTests
from outcomes.text import count
from outcomes.wording.numbers import finds_more_or_fewer, joined, number_of_finds, percent
from outcomes.wording.terms import TERM_WORDS

STORAGE_CHOSEN = "Storage was chosen, not assigned"
SETTLED_BY = (
    f"What would settle it: more trials, on {ENOUGH_SOURCES} or more sources of a kind kept each "
    "way, by lot."
)


def describe_estimand(comparison: Comparison) -> str:
    """What the difference is of, in one sentence."""
    kinds = f" of {joined(comparison.kinds)}" if comparison.kinds else ""
    return (
        f"The unit's own trials{kinds}, had all sources been kept in the refrigerator, less the "
        "same had all been frozen and thawed as often as this unit's frozen sources were by that "
        "age: same dogs, kinds, ages and conditions."
    )


def describe_storage_compared(comparison: Comparison) -> str:
    """Refrigerated against frozen, with what it rests on."""
    found = comparison.difference
    if found is None:
        return f"Refrigerated and frozen cannot be compared: {comparison.reason}."
    rest = (
        f"{_sources(found)}{_on_both_sides(comparison)}, {count(comparison.trials, 'trial')}"
        f"{_left_out(comparison)}"
    )
    chosen = f"{STORAGE_CHOSEN}."
    points = 100.0 * found.risk_difference
    either = (
        "Had all these sources been refrigerated, their trials would have given about "
        f"{finds_more_or_fewer(abs(points), _sign(points))} in 100 than had all been frozen"
    )
    if found.low is None or found.high is None:
        return (
            f"{either} ({rest}). No interval is given and this is no finding: sources differ in "
            f"how fast they change, and no interval was shown to hold there. {chosen}"
        )
    interval = f"{percent(found.confidence)} interval"
    allowed = (
        f"anything from {_from_to(found)} in 100 for refrigerated fits these records "
        f"({interval}; {rest})"
    )
    if found.few:
        return (
            "Too few sources to compare refrigerated with frozen: at least "
            f"{ENOUGH_SOURCES} of each are needed, and {allowed}. {chosen}"
        )
    if not found.sure and found.low <= 0.0 <= found.high:
        return f"No difference between refrigerated and frozen was detected: {allowed}. {chosen}"
    if not found.sure:
        return f"A difference between refrigerated and frozen is not sure yet: {allowed}. {chosen}"
    return (
        f"{either} ({interval} {_from_to(found)}; {rest}). This counts everything that came with "
        f"each way of keeping, the thaws included. {STORAGE_CHOSEN}, so something else about these "
        "sources may explain it: do not move sources on this alone. Tissue that is not frozen "
        "feeds bacteria; handle and keep it as your local rules for biological material say."
    )


def storage_title(comparison: Comparison) -> str:
    """Refrigerated against frozen as the title of a figure."""
    found = comparison.difference
    if found is None:
        return "Refrigerated and frozen cannot be compared"
    if found.low is None or found.high is None:
        return "Refrigerated against frozen: no interval, since sources differ in how they change"
    if found.few:
        return "Too few sources to compare refrigerated with frozen"
    if not found.sure:
        none = found.low <= 0.0 <= found.high
        return (
            "No difference between refrigerated and frozen was detected"
            if none
            else "A difference between refrigerated and frozen is not sure yet"
        )
    points = 100.0 * found.risk_difference
    return (
        "Kept refrigerated, these trials would have given about "
        f"{finds_more_or_fewer(abs(points), _sign(points))} in 100 than frozen"
    )


def describe_storage_in_short(comparison: Comparison) -> str:
    """Refrigerator or freezer, in one line."""
    found = comparison.difference
    if found is None:
        return "These records cannot say."
    if found.low is None or found.high is None or found.few:
        return "These records cannot say yet."
    points = 100.0 * found.risk_difference
    more = finds_more_or_fewer(abs(points), _sign(points))
    if not found.sure:
        none = found.low <= 0.0 <= found.high
        return (
            "No difference was detected."
            if none
            else f"Not sure yet: perhaps {more} in 100 if refrigerated."
        )
    return f"Refrigerated: about {more} in 100 than frozen. Do not move sources on this alone."


def describe_storage_settled(comparison: Comparison) -> str:
    """How sure the line on storage is, or what would settle it."""
    found = comparison.difference
    if found is None:
        return f"Why: {comparison.reason}. {SETTLED_BY}"
    if found.low is None or found.high is None:
        return f"Sources differ in how fast they change, so no interval is given. {SETTLED_BY}"
    here = f"here {found.sources['refrigerated']} and {found.sources['frozen']}"
    if found.few:
        return f"At least {ENOUGH_SOURCES} sources of each are needed ({here}). {SETTLED_BY}"
    return (
        f"Line: {percent(found.confidence)} interval. {found.sources['refrigerated']} refrigerated "
        f"and {found.sources['frozen']} frozen sources. {STORAGE_CHOSEN}: no proof."
    )


def describe_difference_in_numbers(found: Difference) -> str:
    """The difference with its interval in figures: "+13 (7 to 19)"."""
    middle = _signed(100.0 * found.risk_difference)
    if found.low is None or found.high is None:
        return middle
    return f"{middle} ({_signed(100.0 * found.low)} to {_signed(100.0 * found.high)})"


def _sign(points: float) -> str:
    return "more" if points > 0 else "fewer"


def _from_to(found: Difference) -> str:
    """Both limits as more or fewer finds, the lower one first where they differ in sign."""
    assert found.low is not None
    assert found.high is not None
    low, high = 100.0 * found.low, 100.0 * found.high
    if low <= 0.0 <= high:
        return f"{number_of_finds(-low)} fewer to {number_of_finds(high)} more finds"
    near, far = sorted((abs(low), abs(high)))
    return f"{number_of_finds(near)} to {number_of_finds(far)} {_sign(low)} finds"


def _sources(found: Difference) -> str:
    behind = count(found.sources["refrigerated"], "refrigerated source")
    return f"{behind} against {found.sources['frozen']} frozen"


def _on_both_sides(comparison: Comparison) -> str:
    if not comparison.both_ways:
        return ""
    return (
        f", {count(comparison.both_ways, 'source')} counted on both sides, having been kept "
        "one way and then the other"
    )


def _left_out(comparison: Comparison) -> str:
    text = ""
    if comparison.other_ages:
        text += f"; {comparison.other_ages:,} at ages tried one way only left out"
    if comparison.without_kind:
        text += (
            f"; {count(comparison.without_kind, 'trial')} left out for want of the source's kind"
        )
    if comparison.terms_left_out:
        terms = joined([TERM_WORDS.get(term, term) for term in comparison.terms_left_out])
        text += f"; {terms} not held the same, for want of finds or misses"
    return text


def describe_kinds_left_out(comparison: Comparison) -> str | None:
    """Kinds that were kept only one way; None where nothing is compared, or none was."""
    if comparison.difference is None or not comparison.kinds_left_out:
        return None
    return f"Kept only one way, so not compared: {joined(comparison.kinds_left_out)}."


def describe_kind(kind: str, found: Difference) -> str:
    """Refrigerated against frozen within one kind."""
    middle, few = _signed(100.0 * found.risk_difference), ""
    if found.few:
        few = "; too few for a finding"
    if found.low is None or found.high is None:
        told = "no interval: sources differ in how fast they change"
    else:
        low, high = _signed(100.0 * found.low), _signed(100.0 * found.high)
        told = f"{percent(found.confidence)} interval {low} to {high}"
    return f"{kind}: {middle} finds in 100 for refrigerated ({told}; {_sources(found)}{few})."


def describe_kinds(comparison: Comparison, side: SideTests) -> str | None:
    """The kinds by themselves in one sentence; None where one kind alone is compared, or none."""
    found = comparison.difference
    if found is None or found.low is None or len(comparison.kinds) < 2:
        return None
    if not comparison.by_kind:
        return f"No kind has the {SHOWN_BY_KIND} sources of each that it takes to tell it alone."
    told = "; ".join(
        describe_kind(kind, own).removesuffix(".") for kind, own in comparison.by_kind.items()
    )
    seeming = [
        kind
        for kind, own in comparison.by_kind.items()
        if not own.few
        and ((own.low or 0.0) > 0.0 or (own.high or 0.0) < 0.0)
        and not side.beyond_chance("storage by kind", kind)
    ]
    chance = f" A difference in {joined(seeming)} alone is within chance." if seeming else ""
    return f"Kind by kind: {told}.{chance}"


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
    made = [c for c in choices if c.comparison.difference is not None]
    if not made:
        return "Under no definition of refrigerated and frozen can the two be compared."
    ends = f"{percent(made[0].bound)} to {percent(made[-1].bound)}"
    points = [100.0 * d.risk_difference for c in made if (d := c.comparison.difference)]
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


def _signed(points: float) -> str:
    return f"{points:+.0f}".replace("-", "−").replace("+0", "0").replace("−0", "0")
