"""Which question and design a unit's sources allow, and the pairs that the lot is drawn within."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from outcomes.errors import PlanError
from outcomes.planning.document import Kind, Question
from outcomes.planning.request import PlanRequest
from outcomes.planning.unit import HeldSource, UnitFacts

FEWEST_PAIRS = 4
FEWEST_ON_SHELF = 6
_AGE_APART_DAYS = 90.0  # counts as far as one unit of log-odds, and as ten cycles
_CYCLES_APART = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One side of a pair: a source, or a portion to be cut from ``parent``."""

    source_id: str
    parent: HeldSource
    is_portion: bool


Pair = tuple[Member, Member]


def usable_sources(unit: UnitFacts, request: PlanRequest) -> tuple[HeldSource, ...]:
    """Sources that may be planned with.

    Raises
    ------
    PlanError
        One that was named is not held.
    """
    held = {source.source_id: source for source in unit.sources}
    if not request.sources:
        return unit.sources
    for name in request.sources:
        if name not in held:
            raise PlanError(f"Source {name} is not held. Name sources that are held, or none.")
    return tuple(held[name] for name in sorted(set(request.sources)))


def choose_design(
    unit: UnitFacts, request: PlanRequest
) -> tuple[Question, Kind, tuple[Pair, ...], tuple[HeldSource, ...]]:
    """Question and design as asked, or what the sources allow.

    Returns
    -------
    question, design, pairs, shelf
        ``pairs`` for a design by lot, the sources for the shelf design.

    Raises
    ------
    PlanError
        The sources do not allow it, with the reason.
    """
    sources = usable_sources(unit, request)
    frozen = tuple(s for s in sources if s.regime != "refrigerated")
    question = request.question
    if question is None:
        enough = 2 * FEWEST_PAIRS if not request.may_cut else FEWEST_PAIRS
        question = "cycles" if len(frozen) >= enough or len(frozen) == len(sources) else "storage"
    if question == "age" and request.design in ("split", "pairs"):
        raise PlanError(
            "Age cannot be assigned by lot: no source can be made older. "
            "Ask for the shelf design, or for cycles or storage."
        )
    if question == "storage" and request.design == "shelf":
        raise PlanError(
            "The shelf design cannot answer storage: sources stay where they are kept. "
            "Ask for the split or the pairs design."
        )
    eligible = sources if question == "storage" else frozen
    design = request.design or _design(question, eligible, request)
    if design == "shelf":
        if len(sources) < FEWEST_ON_SHELF:
            raise PlanError(
                f"The shelf design needs at least {FEWEST_ON_SHELF} sources held; "
                f"there are {len(sources)}."
            )
        return question, design, (), sources
    if design == "split":
        pairs = _portions(unit, eligible)
    else:
        pairs = tuple((_whole(a), _whole(b)) for a, b in like_pairs(eligible))
    if len(pairs) < FEWEST_PAIRS:
        raise PlanError(_too_few(question, design, len(pairs), len(eligible)))
    return question, design, pairs, ()


def _design(question: Question, eligible: Sequence[HeldSource], request: PlanRequest) -> Kind:
    if question == "age":
        return "shelf"
    if request.may_cut and len(eligible) >= FEWEST_PAIRS:
        return "split"
    if question == "storage" or len(like_pairs(eligible)) >= FEWEST_PAIRS:
        return "pairs"
    return "shelf"


def _too_few(question: Question, design: Kind, pairs: int, eligible: int) -> str:
    which = "sources" if question == "storage" else "sources that are kept frozen"
    if design == "split":
        return f"Splitting needs at least {FEWEST_PAIRS} {which}; there are {eligible}."
    return (
        f"Pairs need at least {FEWEST_PAIRS} times two {which}, alike in kind; of the "
        f"{eligible} there are, {pairs} such pairs can be made. Allow cutting sources in two, "
        "or take in more."
    )


def _whole(source: HeldSource) -> Member:
    return Member(source_id=source.source_id, parent=source, is_portion=False)


def _portions(unit: UnitFacts, sources: Sequence[HeldSource]) -> tuple[Pair, ...]:
    """Two portions of each source, under names that no source has yet."""
    taken = {source.source_id for source in unit.sources}
    pairs = []
    for source in sources:
        mark = next(
            m
            for m in itertools.chain([""], map(str, itertools.count(2)))
            if not {f"{source.source_id}-A{m}", f"{source.source_id}-B{m}"} & taken
        )
        first, second = (
            Member(source_id=f"{source.source_id}-{side}{mark}", parent=source, is_portion=True)
            for side in "AB"
        )
        pairs.append((first, second))
    return tuple(pairs)


def like_pairs(sources: Sequence[HeldSource]) -> tuple[tuple[HeldSource, HeldSource], ...]:
    """Pairs of one kind that are alike in age, cycles and past finds, the most alike first.

    Greedily, then partners are exchanged between two pairs while that brings them closer; what is
    left over alone is left out. Ties go by id.

    Parameters
    ----------
    sources
        Sources to pair.
    """
    found: list[tuple[HeldSource, HeldSource]] = []
    for kind in sorted({source.kind for source in sources}):
        left = sorted((s for s in sources if s.kind == kind), key=lambda s: s.source_id)
        own: list[tuple[HeldSource, HeldSource]] = []
        while len(left) > 1:
            first, second = min(
                itertools.combinations(left, 2),
                key=lambda two: (apart(*two), two[0].source_id, two[1].source_id),
            )
            own.append((first, second))
            left = [s for s in left if s not in (first, second)]
        found += _exchange(own)
    return tuple(sorted(found, key=lambda two: (apart(*two), two[0].source_id)))


def apart(first: HeldSource, second: HeldSource) -> float:
    """How unlike two sources of a kind are."""
    return round(
        abs(first.age_days - second.age_days) / _AGE_APART_DAYS
        + abs(first.cycles - second.cycles) / _CYCLES_APART
        + abs(first.log_odds - second.log_odds),
        6,
    )


def _exchange(pairs: list[tuple[HeldSource, HeldSource]]) -> list[tuple[HeldSource, HeldSource]]:
    better = True
    while better:
        better = False
        for i, j in itertools.combinations(range(len(pairs)), 2):
            (a, b), (c, d) = pairs[i], pairs[j]
            now = apart(a, b) + apart(c, d)
            for one, two in (((a, c), (b, d)), ((a, d), (b, c))):
                if apart(*one) + apart(*two) < now - 1e-6:
                    pairs[i], pairs[j] = one, two
                    better = True
                    break
    return pairs
