"""A written plan of pairs as rows again, for its information and its analysis."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.planning.document import Plan, planned_cycles
from outcomes.planning.power import Hides

FIRST_ARMS = ("often", "freezer")
"""Of each question the arm whose contrast is positive."""


def planned_hides(plan: Plan) -> tuple[Hides, np.ndarray]:
    """Hide trials of the plan, and their plan_ids, in order.

    Returns
    -------
    hides, plan_ids
        Codes of dogs and pairs from 0; ``side`` is 0 for the first arm.
    """
    trials = [trial for trial in plan.trials if trial.source_id is not None]
    dogs = {dog: k for k, dog in enumerate(sorted({trial.dog_id for trial in trials}))}
    return _rows(
        plan,
        [str(trial.source_id) for trial in trials],
        np.array([trial.day for trial in trials]),
        np.array([dogs[trial.dog_id] for trial in trials]),
    ), np.array([trial.plan_id for trial in trials], dtype=object)


def hides_done(plan: Plan, done: pd.DataFrame) -> Hides:
    """The same of trials done, with the dogs that did them."""
    return _rows(
        plan,
        done["source_id"].tolist(),
        done["day"].to_numpy(),
        np.unique(done["dog_id"].astype(str), return_inverse=True)[1],
    )


def _rows(plan: Plan, sources: Sequence[str], day: np.ndarray, dog: np.ndarray) -> Hides:
    by_id = {source.source_id: source for source in plan.storage}
    arms: dict[tuple[int, bool], str] = {
        (source.pair or 0, source.arm in FIRST_ARMS): source.source_id for source in plan.storage
    }
    pair = np.array([(by_id[one].pair or 1) - 1 for one in sources], dtype=int)
    side = np.array([int(by_id[one].arm not in FIRST_ARMS) for one in sources], dtype=int)
    if plan.question == "storage":
        apart = np.ones(len(sources))
    else:
        apart = np.array(
            [
                planned_cycles(by_id[arms[p + 1, True]], int(d))
                - planned_cycles(by_id[arms[p + 1, False]], int(d))
                for p, d in zip(pair, day, strict=True)
            ],
            dtype=float,
        )
    return Hides(day=day.astype(int), dog=dog, pair=pair, side=side, apart=apart)


def contrast_of(hides: Hides) -> np.ndarray:
    """Half the planned difference, positive in the first arm, shape (n,)."""
    return np.asarray(np.where(hides.side == 0, 0.5, -0.5) * hides.apart)
