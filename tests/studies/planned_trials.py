"""Planned trials carried out in simulation, and what the analysis as assigned says of them.

A cell is a design and a world. In each of its plans the lot is drawn anew, the trials are carried
out from ``plan.json`` as a unit would, and analysed from the results alone. Judged are: false
findings where nothing was planted, achieved against promised power, and how often the interval
holds what was planted. ::

    python tests/studies/planned_trials.py --plans 500 --out planned_trials.csv
    python tests/studies/planned_trials.py --plans 100 --cell "pairs, cycles | planted"
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import expit

from outcomes.planning.analyse import analyse_plan
from outcomes.planning.document import Plan, Rates
from outcomes.planning.make import make_plan
from outcomes.planning.power import conditional_log_odds, total_sd, wilson
from outcomes.planning.request import PlanRequest
from outcomes.planning.unit import HeldSource, UnitFacts

RATES = Rates(
    found=0.9,
    dog_sd=0.5,
    source_sd=0.5,
    portion_sd=0.3,
    from_records=(),
    trials=0,
    sources=0,
    dogs=0,
)
_PROMISE_RUNS = 400
_ILL_WEEKS = 6


@dataclass(frozen=True)
class World:
    """What is planted, and what happens on the way.

    Attributes
    ----------
    effect
        Planted, as a multiple of the effect the plan looks for.
    ill
        Whether one dog is away for six weeks.
    lost
        Share of trials that are not done.
    used_up
        Portions or sources that are gone in the second half.
    forgotten
        Share of thaws by the calendar that are forgotten.
    swapped
        Share of hides where the other member of the pair was set.
    slope_sd
        SD between members in what the contrast does, as a multiple of the effect looked for.
    hide_sd
        SD between hides, log-odds.
    trend
        Change in log-odds over the whole plan, for all.
    """

    effect: float = 0.0
    ill: bool = False
    lost: float = 0.0
    used_up: int = 0
    forgotten: float = 0.0
    swapped: float = 0.0
    slope_sd: float = 0.0
    hide_sd: float = 0.0
    trend: float = 0.0


LIFE = World(ill=True, lost=0.05, used_up=2, forgotten=0.25, swapped=0.02, hide_sd=0.3, trend=-0.3)
SLOPES = World(slope_sd=1.0, hide_sd=0.3)


@dataclass(frozen=True)
class Cell:
    """A design as asked for, in a world."""

    name: str
    request: PlanRequest
    world: World
    sources: int = 16


def _request(**asked: object) -> PlanRequest:
    return PlanRequest(weeks=26, trials_per_week=20, floor=0.7, runs=20, **asked)  # type: ignore[arg-type]


DESIGNS = {
    "pairs, cycles": (_request(question="cycles", design="pairs"), 16),
    "split, cycles": (_request(question="cycles", may_cut=True), 8),
    "split, storage": (_request(question="storage", may_cut=True), 12),
    "few pairs, cycles": (_request(question="cycles", design="pairs"), 8),
    "shelf, cycles": (_request(question="cycles", design="shelf"), 14),
}
WORLDS = {
    "nothing planted": World(),
    "nothing planted, life": LIFE,
    "nothing planted, slopes": SLOPES,
    "planted": World(effect=1.0),
    "planted, life": replace(LIFE, effect=1.0),
}
CELLS = tuple(
    Cell(f"{design} | {world}", request, WORLDS[world], sources)
    for design, (request, sources) in DESIGNS.items()
    for world in WORLDS
)


def unit_of(cell: Cell, seed: int) -> UnitFacts:
    """A unit with sources of two kinds, all frozen."""
    rng = np.random.default_rng([seed, 1])
    sources = tuple(
        HeldSource(
            source_id=f"S{k + 1:02d}",
            kind=("muscle", "blood")[k % 2],
            regime="frozen",
            cycles=float(rng.integers(0, 12)),
            age_days=float(rng.integers(60, 800)),
            trials=int(rng.integers(5, 40)),
            finds=0,
        )
        for k in range(cell.sources)
    )
    sources = tuple(replace(s, finds=int(rng.binomial(s.trials, 0.9))) for s in sources)
    dogs = tuple(f"D{k + 1}" for k in range(8))
    return UnitFacts(
        name="Study",
        last_day=dt.date(2026, 1, 2),
        rates=RATES,
        training_days=(1, 5),
        trials_per_week=20.0,
        dogs=dogs,
        handlers=(None,) * 8,
        sources=sources,
        past=_past(sources, dogs, rng),
    )


def _past(
    sources: tuple[HeldSource, ...], dogs: tuple[str, ...], rng: np.random.Generator
) -> pd.DataFrame:
    """Past trials in which cycles and age rose together; ``found`` is drawn with the plan."""
    rows = []
    for source in sources:
        days = np.sort(rng.integers(-365, 1, source.trials))
        for k, day in enumerate(days):
            cycles = float(round(source.cycles * (k + 1) / source.trials))
            age = source.age_days + float(day)
            rows.append((source.source_id, rng.choice(dogs), cycles, age, float(day), 0.0))
    return pd.DataFrame(rows, columns=["source_id", "dog_id", "cycles", "age_days", "day", "found"])


def carry_out(
    plan: Plan, world: World, rng: np.random.Generator, past: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Results of every planned trial that was done, as records would hold them.

    In the shelf design ``past`` trials come first, with results from the same sources and dogs.
    """
    members = {source.source_id: source for source in plan.storage}
    pairs = sorted({source.pair or 0 for source in plan.storage})
    dog_effect = {d: RATES.dog_sd * rng.normal() for d in sorted({t.dog_id for t in plan.trials})}
    pair_effect = {pair: RATES.source_sd * rng.normal() for pair in pairs}
    on_shelf = plan.design == "shelf"
    own_sd = np.hypot(RATES.source_sd, RATES.portion_sd) if on_shelf else RATES.portion_sd
    own_effect = {name: own_sd * rng.normal() for name in sorted(members)}
    if on_shelf:
        pair_effect = dict.fromkeys(pairs, 0.0)
    looked_for = plan.effect.log_odds
    slope = {
        name: looked_for * (world.effect + world.slope_sd * rng.normal())
        for name in sorted(members)
    }
    # On a shelf, the wrong container is that of any other source.
    other = {
        one.source_id: next(
            two.source_id
            for two in plan.storage
            if two.pair == one.pair and two.source_id != one.source_id
        )
        for one in plan.storage
    }
    used_on = {(t.source_id, t.day) for t in plan.trials}
    thawed = {
        name: [
            move.day
            for move in source.moves
            if move.moved_to == "ambient"
            and ((name, move.day) in used_on or rng.random() >= world.forgotten)
        ]
        for name, source in members.items()
    }
    last = max(trial.day for trial in plan.trials)
    gone = set(rng.permutation(sorted(members))[: world.used_up])
    sick_dog = rng.choice(sorted(dog_effect)) if world.ill else None
    sick_from = int(rng.integers(1, max(2, last - 7 * _ILL_WEEKS)))
    base = conditional_log_odds(RATES.found, total_sd(RATES))
    hides: dict[tuple[int, str], tuple[str, float]] = {}
    rows = []
    for trial in plan.trials:
        sick = trial.dog_id == sick_dog and 0 <= trial.day - sick_from < 7 * _ILL_WEEKS
        if sick or rng.random() < world.lost:
            continue
        if trial.source_id is None:
            rows.append((trial.plan_id, None, trial.dog_id, "clear", np.nan, np.nan))
            continue
        if trial.source_id in gone and trial.day > last / 2:
            continue
        place = trial.day, trial.area
        if place not in hides:
            swapped = rng.random() < world.swapped
            hides[place] = (
                other[trial.source_id] if swapped else trial.source_id,
                world.hide_sd * rng.normal(),
            )
        there, hide_effect = hides[place]
        cycles = sum(day <= trial.day for day in thawed[there])
        # Cycles from before the plan are in a source's own level.
        exposure = cycles if plan.question == "cycles" else members[there].arm == "freezer"
        eta = (
            base
            + dog_effect[trial.dog_id]
            + pair_effect[members[there].pair or 0]
            + own_effect[there]
            + slope[there] * exposure
            + hide_effect
            + world.trend * trial.day / last
        )
        result = "find" if rng.random() < expit(eta) else "miss"
        total = members[there].cycles_before + cycles
        age = members[there].age_days_before + trial.day
        rows.append((trial.plan_id, there, trial.dog_id, result, total, age))
    columns = ["plan_id", "source_id", "dog_id", "result", "cycles", "age_days"]
    done = pd.DataFrame(rows, columns=columns)
    days = {trial.plan_id: plan.date_of(trial.day) for trial in plan.trials}
    done["started_at"] = pd.to_datetime([days[one] for one in done["plan_id"]])
    if past is None:
        return done
    start = pd.Timestamp(plan.date_of(1)) - pd.Timedelta(3, "D")
    own = past["source_id"]
    now = own.map({name: source.cycles_before for name, source in members.items()})
    eta = base + past["dog_id"].map(dog_effect).fillna(0.0) + own.map(own_effect)
    eta += own.map(slope) * (past["cycles"] - now)
    found = np.where(rng.random(len(past)) < expit(eta), "find", "miss")
    before = past.drop(columns=["day", "found"]).assign(
        plan_id=None, result=found, started_at=start + pd.to_timedelta(past["day"], "D")
    )
    return pd.concat([before, done], ignore_index=True)


@dataclass(frozen=True)
class Outcome:
    """One plan carried out."""

    promised: float
    p: float | None
    exact_p: float | None
    estimate: float | None
    low: float | None
    high: float | None
    planted: float


def run_cell(cell: Cell, plans: int, seed: int = 1) -> Iterator[Outcome]:
    """Plans of a cell, each with a lot of its own."""
    promised = None
    for number in range(plans):
        unit = unit_of(cell, seed * 100_000 + number)
        # All sources, so that no time goes into asking how many of them are best.
        every = tuple(source.source_id for source in unit.sources)
        request = replace(cell.request, seed=number + 1, sources=every)
        if promised is None:
            long = replace(request, runs=_PROMISE_RUNS)
            promised = make_plan(unit, long, table=False).power[0].power
        plan = make_plan(unit, replace(request, runs=20), table=False)
        rng = np.random.default_rng([seed, number, 2])
        past = unit.past if plan.design == "shelf" else None
        result = analyse_plan(plan, _with_an_end(plan, carry_out(plan, cell.world, rng, past)))
        estimate = result.estimate
        yield Outcome(
            promised=promised,
            p=None if estimate is None else estimate.p,
            exact_p=result.exact_p,
            estimate=None if estimate is None else estimate.log_odds,
            low=None if estimate is None else estimate.low,
            high=None if estimate is None else estimate.high,
            planted=cell.world.effect * plan.effect.log_odds,
        )


def _with_an_end(plan: Plan, done: pd.DataFrame) -> pd.DataFrame:
    """The results and a later trial of no plan, so that the plan is over."""
    later = done.iloc[[-1]].assign(
        plan_id=None, started_at=pd.Timestamp(plan.date_of(7 * plan.weeks + 1))
    )
    return pd.concat([done, later], ignore_index=True)


@dataclass(frozen=True)
class Share:
    """A share of the plans of a cell, with Monte Carlo limits (Wilson, 95 %)."""

    cell: str
    what: str
    plans: int
    share: float
    low: float
    high: float
    wanted: str


def judge(cell: Cell, outcomes: list[Outcome]) -> list[Share]:
    """What the plans of a cell came to, beside what was promised."""
    told = []

    def share(what: str, hits: list[bool], wanted: str) -> None:
        low, high = wilson(sum(hits), len(hits))
        told.append(Share(cell.name, what, len(hits), sum(hits) / len(hits), low, high, wanted))

    level = cell.request.alpha
    found = [o.p is not None and o.p <= level for o in outcomes]
    exact = [o.exact_p <= level for o in outcomes if o.exact_p is not None]
    if cell.world.effect == 0.0:
        share("false finding", found, "0.05")
        if exact:
            share("false finding, exact lot", exact, "at most 0.05")
    else:
        promised = f"{outcomes[0].promised:.3f}"
        share("found", found, f"below {promised}" if cell.world.forgotten else promised)
    if cell.world.effect and cell.world.forgotten:
        return told  # forgotten thaws dilute what was planted: no interval is promised to hold it
    holds = [
        (o.low is None or o.low <= o.planted) and (o.high is None or o.planted <= o.high)
        for o in outcomes
        if o.estimate is not None
    ]
    if holds:
        share("interval holds what was planted", holds, "0.93 to 0.97")
    return told


def main() -> None:
    """Run the cells asked for and write their shares."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plans", type=int, default=500)
    parser.add_argument("--cell", action="append", help="name of a cell to run; all if not given")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    unknown = sorted(set(asked.cell or ()) - {cell.name for cell in CELLS})
    if unknown:
        parser.error(f"there is no cell {unknown[0]!r}")
    rows = []
    for cell in CELLS:
        if asked.cell and cell.name not in asked.cell:
            continue
        for row in judge(cell, list(run_cell(cell, asked.plans, asked.seed))):
            rows.append(row)
            limits = f"{row.share:.3f} ({row.low:.3f} to {row.high:.3f})"
            sys.stdout.write(f"{row.cell}: {row.what} {limits}, wanted {row.wanted}\n")
            sys.stdout.flush()
    if asked.out is not None:
        with asked.out.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(Share.__dataclass_fields__)
            writer.writerows(
                [getattr(row, name) for name in Share.__dataclass_fields__] for row in rows
            )


if __name__ == "__main__":
    main()
