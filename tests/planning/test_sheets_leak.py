"""Nothing is to be guessed from a handler's sheet: a learner tries, and stays near chance."""

from dataclasses import replace

import numpy as np
import pytest

from outcomes.planning.make import make_plan
from outcomes.planning.request import PlanRequest

from .learner import guessed, handlers_view
from .units import unit

pytestmark = pytest.mark.slow
SEEDS = range(5)
# Five plans of 520 trials: the mean area under the curve has an error of about .012.
NEAR_CHANCE = 0.04


def _plans(**asked):
    for seed in SEEDS:
        request = PlanRequest(weeks=26, runs=20, seed=seed, **asked)
        yield make_plan(unit(), request, table=False)


@pytest.mark.parametrize(
    "asked",
    [{"question": "cycles"}, {"question": "storage"}, {"question": "age"}],
    ids=lambda asked: asked["question"],
)
def test_blanks_cannot_be_guessed(asked):
    found = [
        guessed(handlers_view(plan.trials), [t.source_id is None for t in plan.trials])
        for plan in _plans(**asked)
    ]
    assert np.mean(found) == pytest.approx(0.5, abs=NEAR_CHANCE)


@pytest.mark.parametrize("question", ["cycles", "storage"])
def test_arms_cannot_be_guessed(question):
    found = []
    for plan in _plans(question=question):
        hides = [t.source_id is not None for t in plan.trials]
        sheet = handlers_view(plan.trials)[hides].reset_index(drop=True)
        first = [t.arm in ("often", "freezer") for t in plan.trials if t.source_id is not None]
        found.append(guessed(sheet, first))
    assert np.mean(found) == pytest.approx(0.5, abs=NEAR_CHANCE)


def test_learner_sees_a_sheet_that_gives_blanks_away():
    """Where who searches twice meets the blank areas, the learner knows."""
    plan = next(iter(_plans(question="cycles")))
    trials = []
    for day in sorted({t.day for t in plan.trials}):
        here = [t for t in plan.trials if t.day == day]
        counts = {t.dog_id: sum(o.dog_id == t.dog_id for o in here) for t in here}
        # Those who search twice get the blank areas first, everyone else a hide.
        dogs = sorted((t.dog_id for t in here), key=lambda dog: (-counts[dog], dog))
        blanks_first = sorted(here, key=lambda t: t.source_id is not None)
        trials += [replace(t, dog_id=d) for t, d in zip(blanks_first, dogs, strict=True)]
    found = guessed(handlers_view(trials), [t.source_id is None for t in trials])
    assert found > 0.7
