"""A plan made: design chosen, laid out by lot, its power told before a dog runs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace

from outcomes.errors import PlanError
from outcomes.models.power import detectable, power_of_t
from outcomes.plan.document import (
    FORMAT,
    Arm,
    Effect,
    Look,
    Move,
    Plan,
    PlannedSource,
    PlannedTrial,
    PowerAt,
    PowerIf,
    Question,
    key_digest,
)
from outcomes.plan.layout import DAYS_A_WEEK, Effort
from outcomes.plan.looks import level_of, plan_looks
from outcomes.plan.lot import Lot
from outcomes.plan.members import FEWEST_PAIRS, Pair, choose_design
from outcomes.plan.paired_design import (
    PairedLayout,
    hides_of,
    lay_out_pairs,
    plan_effort,
    with_weeks,
)
from outcomes.plan.power import (
    Hides,
    conditional_log_odds,
    expected_error,
    information_share,
    simulate_power,
    total_sd,
)
from outcomes.plan.request import PlanRequest
from outcomes.plan.unit import UnitFacts
from outcomes.random_streams import random_stream

TABLE_WEEKS = (8, 13, 26, 39, 52)
WANTED_POWER = 0.8
_LEAST_FALL = 0.02  # of finds; the floor is as good as reached where less is left
_FALL_INSTEAD = 0.10
_AS_GOOD = 0.01  # power that another pair is not worth
Progress = Callable[[str], None]


def make_plan(
    unit: UnitFacts,
    request: PlanRequest,
    progress: Progress = lambda _: None,
    *,
    table: bool = True,
) -> Plan:
    """The next trials, by lot.

    Parameters
    ----------
    unit
        What the unit has.
    request
        What is asked.
    progress
        Called with a few words before each step that takes time.
    table
        Also work out power by weeks and what more would buy; else for the weeks planned alone.

    Returns
    -------
    Plan
        Without its ``assumptions`` and ``sentence``.

    Raises
    ------
    PlanError
        The unit cannot carry out such a plan; the text says why and what would mend it.
    """
    question, design, pairs, _shelf = choose_design(unit, request)
    if design == "shelf":
        raise PlanError("The shelf design is not built yet.")
    effort, dogs = plan_effort(unit, request)
    lot = Lot(request.seed)
    progress("Laying out the trials")
    pairs, layout = _best_pairs(unit, request, effort, question, pairs)
    hides = hides_of(layout, question)
    effect = _effect(unit, request, question, hides)
    looks = _looks(request, hides, unit, effect)
    trials, storage = _written(lot, unit, request, question, pairs, layout, dogs)
    progress("Simulating the power")
    power = tuple(
        _power_at(unit, request, question, effect, with_weeks(effort, weeks), len(pairs), looks)
        for weeks in sorted({request.weeks, *(TABLE_WEEKS if table else ())})
    )
    return Plan(
        format=FORMAT,
        unit=unit.name,
        question=question,
        design=design,
        seed=request.seed,
        starts_on=start_of(unit, request).isoformat(),
        weeks=request.weeks,
        trials_per_week=effort.trials_a_week,
        blanks=request.blanks,
        found_at_least=request.floor,
        alpha=request.alpha,
        trials=trials,
        storage=storage,
        effect=effect,
        rates=unit.rates,
        power=power,
        buys=_buys(unit, request, question, effect, effort, len(pairs), looks) if table else (),
        looks=looks,
        settled_after_weeks=next((p.weeks for p in power if p.power >= WANTED_POWER), None),
        key_sha256=key_digest(trials, storage),
    )


def start_of(unit: UnitFacts, request: PlanRequest) -> dt.date:
    """The Monday that a plan begins on."""
    first = request.starts_on or unit.last_day + dt.timedelta(days=1)
    return first + dt.timedelta(days=-first.weekday() % DAYS_A_WEEK)


def _best_pairs(
    unit: UnitFacts,
    request: PlanRequest,
    effort: Effort,
    question: Question,
    pairs: tuple[Pair, ...],
) -> tuple[tuple[Pair, ...], PairedLayout]:
    """As many of the pairs as tell most, by formula; fewer where more add next to nothing."""
    numbers = sorted({*range(FEWEST_PAIRS, min(len(pairs), 16) + 1, 2), len(pairs)})
    if request.sources:
        numbers = [len(pairs)]
    tried: list[tuple[float, int, PairedLayout]] = []
    problem: PlanError | None = None
    # What is looked for must not depend on the number of pairs that look for it.
    effect: Effect | None = None
    for number in reversed(numbers):
        try:
            layout = lay_out_pairs(Lot(request.seed), effort, number, question)
        except PlanError as refused:
            problem = refused
            continue
        hides = hides_of(layout, question)
        effect = effect or _effect(unit, request, question, hides)
        std_error = expected_error(hides, unit.rates, effect.log_odds)
        power = power_of_t(effect.log_odds, std_error, number - 1, request.alpha)
        tried.append((power, number, layout))
    if not tried:
        assert problem is not None
        raise problem
    most = max(power for power, _, _ in tried)
    _, number, layout = min(
        (one for one in tried if one[0] >= most - _AS_GOOD), key=lambda one: one[1]
    )
    return pairs[:number], layout


def _effect(unit: UnitFacts, request: PlanRequest, question: Question, hides: Hides) -> Effect:
    """Today's finds down to the floor over what the plan sets apart."""
    sd = total_sd(unit.rates)
    now, then = unit.rates.found, request.floor
    if now - then < _LEAST_FALL:
        then = max(0.01, now - _FALL_INSTEAD)
    change = conditional_log_odds(then, sd) - conditional_log_odds(now, sd)
    if question == "storage":
        return Effect(per="freezer", log_odds=change, span=1.0, found_now=now, found_then=then)
    span = float(hides.apart.max())
    return Effect(per="cycle", log_odds=change / span, span=span, found_now=now, found_then=then)


def _looks(request: PlanRequest, hides: Hides, unit: UnitFacts, effect: Effect) -> tuple[Look, ...]:
    return plan_looks(
        request.looks,
        sorted(set(hides.day.tolist())),
        lambda day: information_share(hides, hides.until(day), unit.rates, effect.log_odds),
        request.alpha,
    )


def _power_at(
    unit: UnitFacts,
    request: PlanRequest,
    question: Question,
    effect: Effect,
    effort: Effort,
    pairs: int,
    looks: tuple[Look, ...],
) -> PowerAt:
    hides = hides_of(lay_out_pairs(Lot(request.seed), effort, pairs, question), question)
    level = level_of(looks[-1].bound)
    error = expected_error(hides, unit.rates, effect.log_odds)
    rng = random_stream(request.seed, "power", effort.weeks)
    power, low, high = simulate_power(hides, unit.rates, effect.log_odds, level, request.runs, rng)
    return PowerAt(
        weeks=effort.weeks,
        trials=effort.weeks * effort.trials_a_week,
        power=power,
        low=low,
        high=high,
        std_error=error,
        smallest=detectable(error, pairs - 1, level, WANTED_POWER),
    )


def _buys(
    unit: UnitFacts,
    request: PlanRequest,
    question: Question,
    effect: Effect,
    effort: Effort,
    pairs: int,
    looks: tuple[Look, ...],
) -> tuple[PowerIf, ...]:
    """Power by formula with half as much again of one thing, where that can be laid out."""
    level = level_of(looks[-1].bound)
    more_pairs = pairs + max(2, pairs // 2)
    more_areas = effort.areas + max(1, effort.areas // 2)
    changes = [
        ("as planned", float(effort.weeks), effort, pairs),
        ("weeks", 1.5 * effort.weeks, with_weeks(effort, effort.weeks * 3 // 2), pairs),
        ("pairs", float(more_pairs), effort, more_pairs),
        (
            "trials a week",
            float(replace(effort, areas=more_areas).trials_a_week),
            replace(effort, areas=more_areas, filled=effort.filled * more_areas / effort.areas),
            pairs,
        ),
    ]
    if question == "cycles":
        more_thaws = effort.thaws_a_month + max(2, effort.thaws_a_month // 2)
        changes.append(
            ("thaws a week", more_thaws / 4.0, replace(effort, thaws_a_month=more_thaws), pairs)
        )
    told = []
    for change, to, other, number in changes:
        try:
            layout = lay_out_pairs(Lot(request.seed), other, number, question)
        except PlanError:
            continue
        error = expected_error(hides_of(layout, question), unit.rates, effect.log_odds)
        power = power_of_t(effect.log_odds, error, number - 1, level)
        told.append(PowerIf(change=change, to=to, power=power))  # type: ignore[arg-type]
    return tuple(told)


@dataclass(frozen=True, slots=True)
class _Names:
    """Containers and names of days, areas and trials."""

    containers: tuple[str, ...]
    clean: tuple[str, ...]


def area_name(number: int) -> str:
    """A letter for each area, two from the 27th on.

    >>> area_name(0), area_name(25), area_name(26)
    ('A', 'Z', 'AA')
    """
    letters = ""
    number += 1
    while number:
        number, at = divmod(number - 1, 26)
        letters = chr(65 + at) + letters
    return letters


def _written(
    lot: Lot,
    unit: UnitFacts,
    request: PlanRequest,
    question: Question,
    pairs: tuple[Pair, ...],
    layout: PairedLayout,
    dogs: tuple[str, ...],
) -> tuple[tuple[PlannedTrial, ...], tuple[PlannedSource, ...]]:
    """Trials and storage with names in the place of numbers."""
    arms: tuple[Arm, Arm] = (
        ("freezer", "refrigerator") if question == "storage" else ("often", "seldom")
    )
    members = [member for pair in pairs for member in pair]
    arm_of = [arms[int(layout.often[k // 2] != k % 2)] for k in range(len(members))]
    names = _containers(lot, len(members), layout.effort.areas)
    lead = (start_of(unit, request) - unit.last_day).days - 1
    storage = []
    for k, member in enumerate(members):
        home: tuple[Move, ...] = ()
        if question == "storage":
            home = (Move(day=1, moved_to="freezer" if arm_of[k] == "freezer" else "refrigerator"),)
        elif member.is_portion:
            home = (Move(day=1, moved_to="freezer"),)
        storage.append(
            PlannedSource(
                source_id=member.source_id,
                parent_id=member.parent.source_id if member.is_portion else None,
                pair=k // 2 + 1,
                kind=member.parent.kind,
                container=names.containers[k],
                arm=arm_of[k],
                cycles_before=member.parent.cycles,
                age_days_before=member.parent.age_days + lead,
                moves=home + tuple(Move(day=d, moved_to="ambient") for d in layout.thaws[k]),
            )
        )
    handlers = dict(zip(unit.dogs, unit.handlers, strict=True))
    ids = lot.ids(len(layout.searches), "plan_id")
    trials = []
    for search, plan_id in zip(layout.searches, ids, strict=True):
        dog, blank = dogs[search.dog], search.unit < 0
        trials.append(
            PlannedTrial(
                plan_id=plan_id,
                day=search.day,
                order=search.order,
                dog_id=dog,
                handler_id=handlers.get(dog),
                area=area_name(search.area),
                container=names.clean[search.area] if blank else names.containers[search.unit],
                source_id=None if blank else members[search.unit].source_id,
                arm=None if blank else arm_of[search.unit],
                blinding="double" if request.third_person else "single",
            )
        )
    return tuple(trials), tuple(sorted(storage, key=lambda s: s.container))


def _containers(lot: Lot, members: int, areas: int) -> _Names:
    """Numbers of two or three digits for sources and clean containers, by lot."""
    count = members + areas
    first = 10 if count <= 90 else 100
    numbers = [str(first + k) for k in range(count)]
    numbers = lot.order(numbers, "containers")
    return _Names(tuple(numbers[:members]), tuple(numbers[members:]))
