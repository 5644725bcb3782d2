"""What stands behind the answer: other suspects, other ways of asking, fit quality, dogs.

These questions need the model of finds and nothing of one another, so that they
may be asked in another process while the main one goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from typing import Any

import pandas as pd

from outcomes.fit.dogs import DogReview, review_dogs
from outcomes.fit.finds import FindFit
from outcomes.fit.intervals import ProfileInterval, profile_interval
from outcomes.fit.penalised import Penalised, fit_penalised
from outcomes.fit.quality import Quality, check_quality
from outcomes.fit.shape import Shapes, compare_shapes
from outcomes.fit.specifications import Specifications, try_specifications
from outcomes.fit.suspects import Suspects, compare_suspects
from outcomes.fit.terms import EXPOSURES
from outcomes.records.tables import Records


@dataclass(frozen=True, slots=True)
class Further:
    """What stands behind the answer on finds.

    Attributes
    ----------
    suspects
        Cycles, drying, warmth and age compared on equal footing.
    shapes, profiles
        Exposure → shape of its change, and the interval of its effect from the
        profile likelihood; without an exposure that is not in the model.
    ways
        The same question asked in other ways.
    quality
        Predictions on sources that had no part in the model.
    dogs
        Each dog, and each source, beside its likes.
    penalised
        A penalised answer where finds and misses part; None elsewhere.
    """

    suspects: Suspects
    shapes: Mapping[str, Shapes]
    profiles: Mapping[str, ProfileInterval]
    ways: Specifications
    quality: Quality
    dogs: DogReview
    penalised: Penalised | None


class FurtherQuestions:
    """The further questions, put at once and answered when asked for.

    Parameters
    ----------
    records, trials, fit
        The records, the joined trials and the model of finds.
    pool
        Where to answer them; None: here, one after the other, when the answers
        are asked for. Either way the answers are the same.
    """

    def __init__(
        self, records: Records, trials: pd.DataFrame, fit: FindFit, pool: Executor | None
    ) -> None:
        self._calls: dict[str, tuple[Callable[..., Any], tuple[Any, ...]]] = {
            # The longest first, so that none is left over at the end.
            "ways": (try_specifications, (fit, records)),
            "suspects": (compare_suspects, (trials, records.settings)),
            "quality": (check_quality, (fit,)),
            "shapes": (_shapes, (fit,)),
            "dogs": (review_dogs, (fit,)),
            "profiles": (_profiles, (fit,)),
            "penalised": (fit_penalised, (fit,)),
        }
        self._promised: dict[str, Future[Any]] = {}
        if pool is not None:
            for name, (ask, arguments) in self._calls.items():
                self._promised[name] = pool.submit(ask, *arguments)

    def answers(self) -> Further:
        """All answers."""
        found = {}
        for name, (ask, arguments) in self._calls.items():
            promised = self._promised.get(name)
            found[name] = ask(*arguments) if promised is None else promised.result()
        return Further(**found)


def load_worker() -> None:
    """Nothing: a worker that has called it has loaded what the questions need."""


def _asked(fit: FindFit) -> list[str]:
    """Exposures with a term in the model."""
    if fit.mixed is None:
        return []
    return [e for e in EXPOSURES if fit.design.column_of(e) is not None]


def _shapes(fit: FindFit) -> dict[str, Shapes]:
    return {e: compare_shapes(fit, e) for e in _asked(fit)}


def _profiles(fit: FindFit) -> dict[str, ProfileInterval]:
    return {e: profile_interval(fit, e) for e in _asked(fit)}
