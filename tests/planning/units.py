"""A unit to plan with, and results for a plan."""

import datetime as dt

import numpy as np
import pandas as pd
from scipy.special import expit

from outcomes.planning.document import Rates, planned_cycles
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


def held(count, *, kinds=("muscle", "blood"), refrigerated=0, seed=1):
    rng = np.random.default_rng(seed)
    return tuple(
        HeldSource(
            source_id=f"S{k + 1:02d}",
            kind=kinds[k % len(kinds)],
            regime="refrigerated" if k < refrigerated else "frozen",
            cycles=0.0 if k < refrigerated else float(rng.integers(0, 15)),
            age_days=float(rng.integers(60, 900)),
            trials=20,
            finds=int(rng.integers(14, 21)),
        )
        for k in range(count)
    )


def past_trials(sources, each=15, seed=1):
    """Past trials in which cycles and age rose together."""
    rng = np.random.default_rng(seed)
    rows = []
    for source in sources:
        days = -np.sort(rng.integers(0, 400, each))[::-1]
        for k, day in enumerate(days):
            cycles = source.cycles * (k + 1) / each if source.regime == "frozen" else 0.0
            dog = f"D{rng.integers(8) + 1}"
            rows.append((source.source_id, dog, round(cycles), source.age_days + day, day, 1.0))
    return pd.DataFrame(rows, columns=["source_id", "dog_id", "cycles", "age_days", "day", "found"])


def unit(sources=16, dogs=8, **more):
    own = held(sources, **more)
    return UnitFacts(
        name="Unit",
        last_day=dt.date(2026, 1, 2),
        rates=RATES,
        training_days=(1, 5),
        trials_per_week=20.0,
        dogs=tuple(f"D{k + 1}" for k in range(dogs)),
        handlers=tuple(f"H{k + 1}" for k in range(dogs)),
        sources=own,
        past=past_trials(own),
    )


def results(plan, effect=0.0, seed=1, base=2.0):
    """Every trial of a plan carried out as planned, as joined records hold it."""
    rng = np.random.default_rng(seed)
    sources = {source.source_id: source for source in plan.storage}
    dogs = {dog: 0.4 * rng.normal() for dog in sorted({t.dog_id for t in plan.trials})}
    own = {name: 0.3 * rng.normal() for name in sorted(sources)}
    rows = []
    for trial in plan.trials:
        at = pd.Timestamp(plan.date_of(trial.day)) + pd.Timedelta(8 + trial.order / 10, "h")
        if trial.source_id is None:
            rows.append((trial.plan_id, at, trial.dog_id, None, "clear", np.nan, np.nan))
            continue
        source = sources[trial.source_id]
        cycles = planned_cycles(source, trial.day)
        exposure = source.arm == "freezer" if plan.question == "storage" else cycles
        eta = base + dogs[trial.dog_id] + own[trial.source_id] + effect * exposure
        found = "find" if rng.random() < expit(eta) else "miss"
        age = source.age_days_before + trial.day
        total = source.cycles_before + cycles
        rows.append((trial.plan_id, at, trial.dog_id, trial.source_id, found, total, age))
    names = ["plan_id", "started_at", "dog_id", "source_id", "result", "cycles", "age_days"]
    return pd.DataFrame(rows, columns=names)
