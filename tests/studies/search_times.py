"""How soon finds come, asked of simulated units whose finds fall while their times do not change.

Whether a hide is found falls by 0.10 log-odds a cycle; the time of a find is log-normal about a
median of 300 s, dogs and sources differ by 0.25 in its logarithm, and it is cut off at the limit
(10, 15 or 20 minutes). In full, over 200 units:

    OUTCOMES_STUDY_SIZE=200 python -m pytest -n 0 tests/studies/test_search_times.py
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr, ndtri

from outcomes.analysis.finds.model import fit_finds
from outcomes.answers.side_questions import ask_search_time
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, Unit, simulate_unit

WORLD = SCENARIOS["cycles only"]
MEDIAN_S, SPREAD, BETWEEN = 300.0, 0.6, 0.25


@dataclass(frozen=True)
class Asked:
    """One unit's answer beside what was planted.

    ``ratio`` with its limits is of the time of finds per cycle; ``inside`` and ``points_inside``
    say of every group, and of four times within the limit, whether the limits of the curve, and
    those of the observed share, hold the share that was to be found.
    """

    ratio: float
    low: float
    high: float
    cut_off: bool
    inside: np.ndarray
    points_inside: np.ndarray


def timed_unit(seed: int, log_time_per_cycle: float = 0.0) -> tuple[Unit, pd.DataFrame]:
    """A unit with times drawn anew, and of each hide trial what its time was drawn from."""
    unit = simulate_unit(WORLD, seed)
    rng = np.random.default_rng([seed, 7])
    of_source = pd.Series(rng.normal(0.0, BETWEEN, len(unit.sources)), unit.sources["source_id"])
    of_dog = pd.Series(rng.normal(0.0, BETWEEN, len(unit.dogs)), unit.dogs["dog_id"])
    hides = unit.trials[unit.trials["source_id"].notna()].merge(unit.true_trials, on="trial_id")
    middle = (
        np.log(MEDIAN_S)
        + log_time_per_cycle * hides["cycles"]
        + of_source[hides["source_id"]].to_numpy()
        + of_dog[hides["dog_id"]].to_numpy()
    )
    reach = ndtr((np.log(hides["limit_s"]) - middle) / SPREAD)
    time = np.exp(middle + SPREAD * ndtri(reach * rng.uniform(1e-6, 1.0, len(hides))))
    hides = hides.assign(middle=middle, time=np.maximum(np.round(time), 1.0)).set_index("trial_id")
    found = unit.trials["result"] == "find"
    drawn = hides["time"].reindex(unit.trials["trial_id"]).to_numpy()
    trials = unit.trials.assign(search_s=unit.trials["search_s"].mask(found, drawn))
    return replace(unit, trials=trials), hides


def ask(seed: int, log_time_per_cycle: float = 0.0) -> Asked:
    """Ask of one unit."""
    unit, hides = timed_unit(seed, log_time_per_cycle)
    fit = fit_finds(join(unit_records(unit)).trials, DecisionSettings())
    found = ask_search_time(fit)
    term, curve = found.term("cycles"), found.curve
    assert term is not None
    assert curve is not None
    own = hides.loc[fit.design.trials["trial_id"]]
    most = own.groupby("source_id")["cycles"].transform("max")
    own = own[(most > 0) & (own["limit_s"] >= curve.limit_s)]
    assert len(own) == curve.trials
    inside, points_inside = [], []
    for group in curve.groups:
        for part, point in enumerate(group.curve[9::10]):
            truth = _to_be_found(own, group.at, point.seconds, log_time_per_cycle)
            inside.append(point.low <= truth <= point.high)
            if group.observed:
                seen = own[own["cycles"].between(group.lowest, group.highest)]
                here = _to_be_found(seen, None, point.seconds, log_time_per_cycle)
                points_inside.append(group.observed[part].low <= here <= group.observed[part].high)
    return Asked(
        term.ratio, term.low, term.high, found.cut_off, np.array(inside), np.array(points_inside)
    )


def _to_be_found(
    hides: pd.DataFrame, cycles: float | None, seconds: float, log_time_per_cycle: float
) -> float:
    """Share to be found by then, had every source been at so many cycles (None: its own)."""
    more = 0.0 if cycles is None else cycles - hides["cycles"]
    chance = expit(hides["log_odds"] + WORLD.cycle_log_odds * more)
    middle = hides["middle"] + log_time_per_cycle * more
    by_then = ndtr((np.log(seconds) - middle) / SPREAD)
    by_limit = ndtr((np.log(hides["limit_s"]) - middle) / SPREAD)
    return float((chance * by_then / by_limit).mean())
