"""A plan made: design chosen, laid out by lot, its power told before a dog runs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from math import isfinite

import numpy as np

from outcomes.errors import PlanError
from outcomes.models.power import detectable, power_of_t
from outcomes.planning.designs import Designer, LaidOut, PairedDesigner, shelf_designer
from outcomes.planning.document import FORMAT, Effect, Look, Per, Plan, PowerAt, PowerIf, key_digest
from outcomes.planning.layout import DAYS_A_WEEK, Effort
from outcomes.planning.looks import level_of, plan_looks
from outcomes.planning.members import choose_design
from outcomes.planning.paired_design import plan_effort, with_weeks
from outcomes.planning.power import conditional_log_odds, total_sd
from outcomes.planning.request import PlanRequest
from outcomes.planning.unit import UnitFacts
from outcomes.planning.write_down import write_down
from outcomes.random_streams import random_stream

TABLE_WEEKS = (8, 13, 26, 39, 52)
WANTED_POWER = 0.8
_LEAST_FALL = 0.02  # of finds; the floor is as good as reached where less is left
_FALL_INSTEAD = 0.10
# How far the change looked for reaches: by convention, as no study says what sources stand.
_MOST_REACH, _SOURCES_TO_REACH = 0.9, 3
_LEAST_CYCLES, _CYCLES_WITHOUT = 5.0, 15.0
_STEP_DAYS = 30.0
_LEAST_MONTHS, _MONTHS_WITHOUT = 6.0, 12.0  # of 30 days
_TABLE_RUNS = 100  # simulated plans for weeks other than those planned
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
    effort, dogs = plan_effort(unit, request)
    start, lead = start_of(unit, request), lead_of(unit, request)
    progress("Laying out the trials")
    designer = designer_for(unit, request, effort, dogs)
    out = designer.lay_out(effort)
    effect = effect_of(unit, request, out)
    looks = plan_looks(request.looks, effort.days, out.share_by(effect.log_odds), request.alpha)
    trials, storage = write_down(designer, out, unit, dogs, lead, request)
    power = []
    for weeks in sorted({request.weeks, *(TABLE_WEEKS if table else ())}):
        progress(f"Simulating the power of {weeks} weeks")
        there = out if weeks == request.weeks else designer.lay_out(with_weeks(effort, weeks))
        runs = request.runs if weeks == request.weeks else min(request.runs, _TABLE_RUNS)
        power.append(_power_at(request, there, effect, looks, runs))
    return Plan(
        format=FORMAT,
        unit=unit.name,
        question=designer.question,
        design=designer.kind,
        seed=request.seed,
        starts_on=start.isoformat(),
        weeks=request.weeks,
        trials_per_week=effort.trials_a_week,
        blanks=request.blanks,
        found_at_least=request.floor,
        alpha=request.alpha,
        trials=trials,
        storage=storage,
        effect=effect,
        rates=unit.rates,
        power=tuple(power),
        buys=_buys(designer, effort, effect, looks) if table else (),
        looks=looks,
        settled_after_weeks=next((p.weeks for p in power if p.power >= WANTED_POWER), None),
        key_sha256=key_digest(trials, storage),
    )


def start_of(unit: UnitFacts, request: PlanRequest) -> dt.date:
    """The Monday that a plan begins on."""
    first = request.starts_on or unit.last_day + dt.timedelta(days=1)
    return first + dt.timedelta(days=-first.weekday() % DAYS_A_WEEK)


def lead_of(unit: UnitFacts, request: PlanRequest) -> int:
    """Days from the end of the records to the day before the plan."""
    return (start_of(unit, request) - unit.last_day).days - 1


def designer_for(
    unit: UnitFacts, request: PlanRequest, effort: Effort, dogs: tuple[str, ...]
) -> Designer:
    """Question, design and sources as asked, or as many as tell most.

    Parameters
    ----------
    unit, request
        What there is, and what is asked.
    effort, dogs
        What a week can take, and the dogs that search.

    Raises
    ------
    PlanError
        The sources do not allow it.
    """
    question, design, pairs, shelf = choose_design(unit, request)
    if design == "shelf":
        return shelf_designer(unit, question, shelf, dogs, lead_of(unit, request), request.seed)
    designer = PairedDesigner(question, design, pairs, unit.rates, request.seed)
    if request.sources:
        return designer
    return designer.with_best(
        effort, lambda out: effect_of(unit, request, out).log_odds, request.alpha
    )


def effect_of(unit: UnitFacts, request: PlanRequest, out: LaidOut) -> Effect:
    """Today's finds down to the floor over the exposure that the unit's own sources reach.

    A yardstick that does not hang on the plan: a longer one looks for the same change, so that its
    power is the one that a shorter plan's table told.
    """
    sd = total_sd(unit.rates)
    now, then = unit.rates.found, request.floor
    if now - then < _LEAST_FALL:
        then = max(0.01, now - _FALL_INSTEAD)
    change = conditional_log_odds(then, sd) - conditional_log_odds(now, sd)
    span = out.span if out.per == "freezer" else _usual_reach(unit, out.per)
    return Effect(per=out.per, log_odds=change / span, span=span, found_now=now, found_then=then)


def _usual_reach(unit: UnitFacts, per: Per) -> float:
    """Cycles, or times 30 days, that nine of ten of the sources held have at most."""
    if per == "cycle":
        reached = [s.cycles for s in unit.sources if s.cycles > 0.0]
        least, without = _LEAST_CYCLES, _CYCLES_WITHOUT
    else:
        reached = [s.age_days / _STEP_DAYS for s in unit.sources]
        least, without = _LEAST_MONTHS, _MONTHS_WITHOUT
    if len(reached) < _SOURCES_TO_REACH:
        return without
    return max(least, float(np.round(np.quantile(reached, _MOST_REACH))))


def _power_at(
    request: PlanRequest, out: LaidOut, effect: Effect, looks: tuple[Look, ...], runs: int
) -> PowerAt:
    level = level_of(looks[-1].bound)
    error = out.std_error(effect.log_odds)
    if not isfinite(error):
        raise PlanError(
            f"{out.effort.weeks} weeks of so few trials tell nothing at all. "
            "Plan more weeks or more trials a week."
        )
    rng = random_stream(request.seed, "power", out.effort.weeks)
    power, low, high = out.power(effect.log_odds, level, runs, rng)
    return PowerAt(
        weeks=out.effort.weeks,
        trials=len(out.searches),
        power=power,
        low=low,
        high=high,
        std_error=error,
        smallest=detectable(error, out.freedom, level, WANTED_POWER),
    )


def _buys(
    designer: Designer, effort: Effort, effect: Effect, looks: tuple[Look, ...]
) -> tuple[PowerIf, ...]:
    """Power by formula with half as much again of one thing, where that can be laid out."""
    level = level_of(looks[-1].bound)
    size = designer.size
    areas = effort.areas + max(1, effort.areas // 2)
    longer = with_weeks(effort, effort.weeks * 3 // 2)
    fuller = replace(effort, areas=areas, filled=effort.filled * areas / effort.areas)
    changes: list[tuple[str, float, Effort, int]] = [
        ("as planned", float(effort.weeks), effort, size),
        ("weeks", float(longer.weeks), longer, size),
        ("trials a week", float(fuller.trials_a_week), fuller, size),
    ]
    if designer.kind != "shelf":
        more = size + max(2, size // 2)
        changes.append(("pairs", float(more), effort, more))
    if designer.question == "cycles":
        thaws = effort.thaws_a_month + max(2, effort.thaws_a_month // 2)
        changes.append(("thaws a week", thaws / 4.0, replace(effort, thaws_a_month=thaws), size))
    told = []
    for change, to, other, number in changes:
        try:
            out = designer.lay_out(other, number)
        except PlanError:
            continue
        power = power_of_t(effect.log_odds, out.std_error(effect.log_odds), out.freedom, level)
        told.append(PowerIf(change=change, to=to, power=power))  # type: ignore[arg-type]
    return tuple(told)
