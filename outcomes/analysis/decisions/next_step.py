"""What to do next with each source held: which first, how many trials, with which dog."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.threshold import Threshold
from outcomes.analysis.finds.usable_trials import unassisted_hides
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE

Order = Literal["retire", "test", "log", "choose", "keep and test", "keep"]

BATCH = 10  # as many as a unit runs before it asks again; from here on they speak for the source
SETTLED_SOON = 100  # so many trials or fewer are worth their while
_AT_WORK_DAYS = 180
_FEW_TRIALS = 10


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do next with one source held.

    Attributes
    ----------
    source_id
        The source.
    order
        ``"retire"``; ``"test"``; ``"log"`` where its storage is not on record; ``"choose"``
        where more trials would hardly settle it; ``"keep and test"`` where its own trials show
        it at or above the floor past the limit of its class; ``"keep"``.
    past_limit
        Whether it is past a retirement limit of its class.
    trials
        Blind trials to run before asking again; None where none are ordered.
    dog_id, met
        The dog to run them with, and how often that dog has met the source; None where no
        trial is ordered, or no dog is at work.
    """

    source_id: str
    order: Order
    past_limit: bool
    trials: int | None = None
    dog_id: str | None = None
    met: int | None = None


class DogsForTests:
    """Dogs that may be asked to test, and how often each has met each source.

    Parameters
    ----------
    trials
        All joined trials.
    as_of
        The moment the shelf is judged at.
    """

    def __init__(self, trials: pd.DataFrame, as_of: pd.Timestamp) -> None:
        hides = unassisted_hides(trials)
        hides = hides[hides["started_at"] < as_of]
        ids = hides["dog_id"].astype(str)
        last = hides["started_at"].max() if len(hides) else None
        at_work = [] if last is None else ids[hides["started_at"] >= last - _at_work()].unique()
        found = (hides["result"] == "find").groupby(ids).agg(["mean", "size"])
        dogs = found.loc[sorted(at_work)]
        if "qualified" in hides and len(dogs):
            now = hides["qualified"].groupby(ids).last().reindex(dogs.index)
            dogs = _unless_none(dogs, now.fillna(True).astype(bool))
        dogs = _unless_none(dogs, dogs["size"] >= _FEW_TRIALS)
        self._share = dogs["mean"][dogs["mean"] >= dogs["mean"].median()]
        self._met = hides.groupby([hides["source_id"].astype(str), ids]).size()

    def least_met(self, source: str) -> tuple[str | None, int | None]:
        """The dog to test a source with, and how often it has met it."""
        met = {dog: int(self._met.get((source, dog), 0)) for dog in self._share.index}
        if not met:
            return None, None
        dog = min(met, key=lambda name: (met[name], -float(self._share[name]), name))
        return str(dog), met[dog]


def is_past_limit(source: ShelfSource, thresholds: Sequence[Threshold]) -> bool:
    """Whether a source is beyond any limit there is for its kind."""
    return any(
        (CYCLES_AND_AGE[t.by].of(source) or 0.0) > float(t.retire_after)
        and (not t.curve.kinds or source.kind in t.curve.kinds)
        for t in thresholds
        if t.retire_after is not None
    )


def plan_next_steps(
    shelf: Sequence[ShelfSource],
    thresholds: Sequence[Threshold],
    dogs: DogsForTests,
    floor: float,
) -> tuple[NextStep, ...]:
    """One order for each source held, so that limit and advice never say two things.

    A limit is of the class: past it a source is tested, and retired only where its own trials
    show it below the floor. Tests are ordered 10 at a time, fewer where fewer are thought to
    settle it; then the question is asked again.

    Parameters
    ----------
    shelf
        Every source held, with its advice, in its order.
    thresholds
        The retirement thresholds; one without a limit is no limit.
    dogs
        Who may be asked to test.
    floor
        The lowest acceptable find probability.

    Returns
    -------
    tuple of NextStep
        In the order to do them: retire, test past the limit, other tests, then what needs none.
        Within each the order of the shelf stays.

    Notes
    -----
    The dog is the one that has met the source least, of those at work (a trial within the last
    180 days on record) that were found to find at least as often as their median; a dog with
    fewer than 10 trials, or not yet qualified, only where there is no other. Ties: more finds,
    then the name. A miss by a dog that finds well tells most of the source, and a dog that has
    seldom met it does not know it by heart.
    """
    steps = []
    for source in shelf:
        past = is_past_limit(source, thresholds)
        order = _order(source, past, floor)
        if order not in ("test", "keep and test"):
            steps.append(NextStep(source.source_id, order, past))
            continue
        more = source.trials_to_settle
        number = BATCH if more is None else min(more, BATCH)
        steps.append(
            NextStep(source.source_id, order, past, number, *dogs.least_met(source.source_id))
        )
    rank = ("retire", "test", "log", "choose", "keep and test", "keep")
    return tuple(
        sorted(steps, key=lambda s: (rank.index(s.order), s.order == "test" and not s.past_limit))
    )


def worth_a_test(source: ShelfSource, floor: float) -> bool:
    """Whether trials would tell something of a source whose interval holds the floor."""
    more = source.trials_to_settle
    return (more is not None and more <= SETTLED_SOON) or bool(source.could_be_far(floor))


def _order(source: ShelfSource, past: bool, floor: float) -> Order:
    if source.advice == "retire":
        return "retire"
    if source.advice == "keep":
        return "keep and test" if past else "keep"
    if source.ground == "not documented":
        return "log"
    if source.ground == "unsure" and not worth_a_test(source, floor):
        return "choose"
    return "test"


def _at_work() -> pd.Timedelta:
    return pd.Timedelta(days=_AT_WORK_DAYS)


def _unless_none(dogs: pd.DataFrame, wanted: pd.Series) -> pd.DataFrame:
    return dogs[wanted] if wanted.any() else dogs
