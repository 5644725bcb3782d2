"""How often the decisions' intervals hold the truth: threshold, trade-off, and what is left.

In full, from the repository's root:

    .venv/bin/python tests/studies/decisions.py --units 200 --refits 100

Shows its progress and prints a table. The reduced run is
``tests/studies/test_decisions.py``.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pandas as pd
from scipy import special

from outcomes.decide.bootstrap import bootstrap_threshold
from outcomes.decide.exposure_left import exposure_left
from outcomes.decide.rate_of_use import rate_of_use
from outcomes.decide.shelf import review_shelf
from outcomes.decide.threshold import find_threshold
from outcomes.decide.trade_off import trade_off
from outcomes.fit.finds import fit_finds
from outcomes.fit.which_predicts import which_predicts
from outcomes.joining.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import Settings
from outcomes.simulate import SCENARIOS, Unit, find_true_threshold, simulate_unit

FIRST_SEED = 70_000  # none of the seeds the tests, the demo or another study use
FLOOR = 0.85
TRIALS = 900


def study_unit(seed: int, refits: int = 0) -> list[dict[str, object]]:
    """Whether each interval of one simulated unit holds what was planted."""
    unit = simulate_unit(SCENARIOS["cycles only"], seed, trials=TRIALS)
    records = unit_records(unit)
    joined = join(records)
    fit = fit_finds(joined.trials, Settings())
    if fit.mixed is None:
        return []
    rows: list[dict[str, object]] = []

    def judge(what: str, true: float, low: float | None, high: float | None) -> None:
        least = -np.inf if low is None else low
        most = np.inf if high is None else high
        rows.append({"seed": seed, "what": what, "covered": least <= true <= most})

    threshold = find_threshold(fit, "cycles", alone=False)
    true = find_true_threshold(unit, FLOOR)
    if true is not None and true <= threshold.observed_to and threshold.estimate is not None:
        judge("threshold", true, threshold.low, threshold.high)
        if refits:
            found = bootstrap_threshold(fit, threshold, refits=refits)
            if found.reason is None:
                judge("threshold, sources resampled", true, found.low, found.high)
    started = joined.trials["started_at"]
    use = rate_of_use(
        records.sources, records.storage, joined.history, started.min(), started.max()
    )
    price = trade_off(fit, which_predicts(fit, refits=0), use)
    state, others = _true_parts(unit)
    if price.present is not None:
        place = pd.Index(unit.true_trials["trial_id"]).get_indexer(
            pd.Index(fit.design.trials["trial_id"])
        )
        own = np.array([special.expit(s + others[place]).mean() for s in state[place]])
        names = fit.design.trials["source_id"].to_numpy()
        for point in (p for p in price.by_cycles if p.cycles in (5.0, 10.0)):
            inside = (fit.design.trials["cycles"] <= point.cycles).to_numpy()
            counts = pd.Series(names).value_counts() / pd.Series(names[inside]).value_counts()
            weight = counts.reindex(names[inside]).to_numpy()
            within = own[inside]
            judge(
                "finds of the trials still run",
                float(np.average(within, weights=weight)),
                point.low,
                point.high,
            )
            share = float(np.average(within < FLOOR, weights=weight))
            judge("share below the floor", share, point.share_low, point.share_high)
    _judge_shelf(unit, records, joined, fit, others, rows)
    return rows


def _true_parts(unit: Unit) -> tuple[np.ndarray, np.ndarray]:
    """Log-odds of every hide trial: what its source gives, and what dog and conditions give."""
    source = unit.trials.set_index("trial_id")["source_id"].reindex(unit.true_trials["trial_id"])
    of = unit.source_effects.reindex(source)
    kind = unit.sources.set_index("source_id")["kind"].reindex(source)
    state = (
        of["effect"].to_numpy()
        + of["cycle_slope"].to_numpy() * unit.true_trials["cycles"].to_numpy()
        + kind.map(unit.truth.kind_effects).to_numpy()
    )
    return state, unit.true_trials["log_odds"].to_numpy() - state


def _judge_shelf(unit, records, joined, fit, others, rows) -> None:  # type: ignore[no-untyped-def]
    """What each source has left, and whether one advised to be retired is below the floor."""
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=1)
    shelf = review_shelf(fit, records.sources, joined.history, as_of)
    kinds = unit.sources.set_index("source_id")["kind"]
    for source, left in zip(shelf, exposure_left(fit, shelf, "cycles"), strict=True):
        if left.reason is not None or left.now is None:
            continue
        of = unit.source_effects.loc[source.source_id]
        base = others + of["effect"] + unit.truth.kind_effects[kinds.loc[source.source_id]]
        at = np.linspace(left.now, max(left.observed_to, left.now), 200)
        found = np.array([special.expit(base + of["cycle_slope"] * c).mean() for c in at])
        below = np.flatnonzero(found < FLOOR)
        gone = float(at[below[0]] - left.now) if len(below) else np.inf
        # A lower limit that is never reached says: not before the records end.
        low = left.observed_to - left.now if left.low is None else left.low
        high = np.inf if left.high is None else left.high
        # Truth is read from 200 points: a step beside a limit is not outside it.
        step = float(at[-1] - at[0]) / 199.0
        covered = low - step <= gone <= high + step
        rows.append({"seed": left.source_id, "what": "cycles left", "covered": covered})
        if source.advice == "retire":
            rows.append(
                {
                    "seed": left.source_id,
                    "what": "retire advised, truly below",
                    "covered": bool(found[0] < FLOOR),
                }
            )


def coverage(rows: pd.DataFrame) -> pd.DataFrame:
    """Share covered by question, with how many times it was asked."""
    groups = rows.groupby("what", sort=True)["covered"]
    return pd.DataFrame({"asked": groups.size(), "covered": groups.mean().astype(float)})


def main() -> None:
    """Run the study and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=200)
    parser.add_argument("--refits", type=int, default=0)
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args()
    seeds = range(FIRST_SEED, FIRST_SEED + asked.units)
    rows: list[dict[str, object]] = []
    began = dt.datetime.now()
    with ProcessPoolExecutor(asked.workers) as pool:
        refits = [asked.refits] * asked.units
        for done, found in enumerate(pool.map(study_unit, seeds, refits), start=1):
            rows += found
            sys.stderr.write(f"\r{done} of {asked.units} units, {dt.datetime.now() - began}")
    sys.stderr.write("\n")
    sys.stdout.write(coverage(pd.DataFrame(rows)).round(3).to_string() + "\n")


if __name__ == "__main__":
    main()
