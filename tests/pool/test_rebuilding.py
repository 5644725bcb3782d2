"""What others could work out from shares, tried: no better than the unit is told.

Units near the least counts. Simulated; the tries are those that a person with the files and
some knowledge of the unit would make.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.design import Design
from outcomes.exposure.trials import join
from outcomes.models.likelihood_surface import LikelihoodSurface
from outcomes.pool.disclosure import NEW_TRIALS
from outcomes.pool.share import shared_surface
from outcomes.pool.unit_surface import unit_surface
from outcomes.records.write import unit_records
from outcomes.simulate import Truth, simulate_unit

SEEDS = (501, 502, 503)
ROUND = 0.01


def joined_trials(seed: int) -> pd.DataFrame:
    """Some 130 trials, 40 misses, 9 sources, 3 dogs."""
    truth = Truth(cycle_log_odds=-0.05, baseline_log_odds=1.0, shared_thaws=False)
    unit = simulate_unit(truth, seed, trials=150, dogs=3, sources=9, months=12)
    return join(unit_records(unit)).trials


def told(design: Design) -> LikelihoodSurface:
    """What would be handed over, as the one who gets it has it."""
    return shared_surface(unit_surface(design)).as_function()


def on_common_points(one: LikelihoodSurface, other: LikelihoodSurface) -> tuple[np.ndarray, ...]:
    """Points where both are well known, and both values there, levelled."""
    axes = [
        np.linspace(max(a[0], b[0]), min(a[-1], b[-1]), 25)
        for a, b in zip(one.axes, other.axes, strict=True)
    ]
    values = one.on(axes), other.on(axes)
    near = (values[0] > values[0].max() - 6.0) & (values[1] > values[1].max() - 6.0)
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)[near]
    first, second = (v[near] - v[near].mean() for v in values)
    return points, first, second


@pytest.mark.slow
def test_who_knows_all_but_one_result_learns_it() -> None:
    # So the unit is told before it shares: "most likely that result".
    design = plan_design(joined_trials(SEEDS[0]))
    share = told(design)
    rng = np.random.default_rng(1)
    right = 0
    tries = rng.choice(len(design.y), 3, replace=False)
    for trial in tries:
        other = design.y.copy()
        other[trial] = 1.0 - other[trial]
        _, as_shared, as_guessed = on_common_points(share, told(replace(design, y=other)))
        # The guess of the right result fits the file to its rounding; this one must not.
        right += bool(np.abs(as_shared - as_guessed).max() > 3.0 * ROUND)
    assert right == len(tries)


@pytest.mark.slow
def test_two_shares_do_not_give_new_trials_away() -> None:
    # With every exposure known, and how many were missed, the results of 20 new trials are
    # guessed no better than by calling all of them the commoner one.
    tries = [_guess_new_trials(seed) for seed in SEEDS]
    assert sum(right for right, _ in tries) <= sum(blindly for _, blindly in tries) + 5
    # Nor any one unit's outright.
    assert all(right < NEW_TRIALS - 1 for right, _ in tries)


def _guess_new_trials(seed: int) -> tuple[int, int]:
    """Right guesses among a unit's new trials, and how many calling all alike gets right.

    The difference of two surfaces is, near the top, the new trials' own likelihood: its slope is
    the sum of their misses' and finds' exposures. The guess is the set of misses that fits it.
    """
    trials = joined_trials(seed).sort_values("started_at")
    later = plan_design(trials)
    earlier = plan_design(trials[: len(trials) - NEW_TRIALS])
    new = later.trials.index.difference(earlier.trials.index)
    points, before, after = on_common_points(told(earlier), told(later))
    x = later.trials.loc[new, ["cycles", "age_days"]].to_numpy(float) / [10.0, 365.25]
    found = (later.trials.loc[new, "result"] == "find").to_numpy()
    misses = int((~found).sum())
    away = points - points.mean(axis=0)
    bends = [away[:, 0] ** 2, away[:, 0] * away[:, 1], away[:, 1] ** 2]
    columns = np.column_stack([np.ones(len(away)), away, *bends])
    slope = np.linalg.lstsq(columns, after - before, rcond=None)[0][1:3]
    # A find pulls the slope its own way, a miss the other.
    pull = (x - x.mean(axis=0)) @ slope
    guessed = np.ones(len(found), bool)
    guessed[np.argsort(pull)[:misses]] = False
    return int((guessed == found).sum()), max(len(found) - misses, misses)
