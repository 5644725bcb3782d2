"""The answer of ``fit`` in short: what cannot be said, and what the side questions found."""

from __future__ import annotations

from collections.abc import Iterator

from outcomes.analysis.finds.confounders import SUSPECT_WORDS
from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.specifications import Specifications
from outcomes.analysis.results import Lifetime
from outcomes.answers.facts import Facts
from outcomes.answers.sensitivity import Further
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, ExposureName
from outcomes.text import count
from outcomes.wording.dogs import describe_dogs
from outcomes.wording.false_alerts import describe_false_alerts_in_short
from outcomes.wording.lifetime import describe_by_chance
from outcomes.wording.numbers import joined
from outcomes.wording.search_time import describe_how_soon_in_short
from outcomes.wording.sensitivity import describe_not_parted, named_exposures
from outcomes.wording.side_tests import describe_side_tests

WHERE_ELSE = "All of it: outcomes fit --full. Limit and sources: retire. Storage: compare."


def describe_limitations_in_short(
    further: Further | None, verdict: WhichPredicts, *, by_lot: bool = False
) -> str:
    """What the records cannot say, in one sentence; ``by_lot``: what planned trials say."""
    where = "outside the planned trials " if by_lot else ""
    parts = [f"that storage is the cause {where}(it was chosen, not assigned by lot)"]
    if verdict.verdict == "no change detected" and verdict.largest_fall:
        parts.append("that nothing changes")
    if verdict.verdict == "cannot be told apart":
        parts.append("which of the two it is, cycles or age")
    if describe_not_parted(further, verdict):
        assert further is not None
        names: list[str] = [CYCLES_AND_AGE[e].noun for e in named_exposures(verdict)]
        for suspect in further.suspects.suspects:
            if suspect.exposure not in CYCLES_AND_AGE:
                names.append(SUSPECT_WORDS[suspect.exposure])
        parts.append(f"whether it is {joined(names, 'or')}")
    return f"These records cannot say {'; '.join(parts)}."


def describe_side_questions(facts: Facts) -> Iterator[str]:
    """What the side questions found, a line each, what bears most on the answer first."""
    further, side = facts.further, facts.side_tests
    if further is not None and further.ways.reason is None:
        for exposure in named_exposures(facts.verdict):
            if exposure in further.ways.agreement:
                noun = CYCLES_AND_AGE[exposure].noun
                yield f"Asked in other ways, {noun}: {_agreement(further.ways, exposure)}."
    if (together := describe_side_tests(side)) is not None:
        yield together
    yield f"Wear-out: {_wear_out(facts.lifetime)}."
    if facts.search_time.curve is not None:
        yield f"Search time: {_begun_small(describe_how_soon_in_short(facts.search_time, side))}"
    else:
        reason = facts.search_time.reason or facts.search_time.no_curve or "not known"
        yield f"Search time: nothing can be said: {reason}."
    alerts = describe_false_alerts_in_short(facts.false_alerts)
    yield f"{alerts or 'False alerts: nothing can be said'}."
    if further is not None and further.dogs.reason is None:
        yield from describe_dogs(further.dogs, side)[:1]


def _begun_small(sentence: str) -> str:
    return f"{sentence[:1].lower()}{sentence[1:]}"


def _agreement(ways: Specifications, exposure: ExposureName) -> str:
    found = ways.agreement[exposure]
    same = f"same sign in {found.same_sign:,} of {found.ways:,}"
    if not found.clear:
        return f"{same}; the interval holds no change"
    return f"{same}, whole interval in {found.clear_too:,}"


def _wear_out(lifetime: Lifetime) -> str:
    if not lifetime.sources:
        return "no source could be followed"
    if lifetime.rule is None:
        return "no rule sees a fall without calling many sources that never change"
    called = f"{lifetime.events:,} of {count(lifetime.sources, 'source')} called unreliable"
    if lifetime.chance is None:
        return called
    by_chance = f"{called}, {describe_by_chance(lifetime.chance)} by chance alone"
    return f"{by_chance}: no more" if lifetime.chance.told == "no more than chance" else by_chance
