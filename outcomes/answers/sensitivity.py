"""What stands behind the answer: other suspects, other ways of asking, fit quality, dogs.

These questions need the model of finds and nothing of one another, so that they
may be asked in another process while the main one goes on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from outcomes.analysis.finds.confounders import Suspects, compare_suspects
from outcomes.analysis.finds.dog_and_source_effects import DogReview, review_dogs
from outcomes.analysis.finds.firth import Penalised, fit_penalised
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.profile import ProfileInterval, profile_interval
from outcomes.analysis.finds.sensitivity import try_specifications
from outcomes.analysis.finds.specifications import Specifications
from outcomes.analysis.finds.validation import Quality, check_quality
from outcomes.analysis.results import ExposureName
from outcomes.answers.background import Questions
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
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
    profiles: Mapping[str, ProfileInterval]
    ways: Specifications
    quality: Quality
    dogs: DogReview
    penalised: Penalised | None


# The longest first, so that none is left over at the end.
FURTHER = ("ways", "suspects", "quality", "dogs", "profiles", "penalised")


def put_further(questions: Questions, records: Records, trials: pd.DataFrame, fit: FindFit) -> None:
    """Put all of ``FURTHER``, each under its name."""
    questions.put("ways", try_specifications, fit, records)
    questions.put("suspects", compare_suspects, trials, fit.settings, fit.design.shapes)
    questions.put("quality", check_quality, fit)
    questions.put("dogs", review_dogs, fit)
    questions.put("profiles", _profiles, fit)
    questions.put("penalised", fit_penalised, fit)


def _asked(fit: FindFit) -> list[ExposureName]:
    """Exposures with a term in the model."""
    if fit.mixed is None:
        return []
    return [e for e in CYCLES_AND_AGE if fit.design.column_of(e) is not None]


def _profiles(fit: FindFit) -> dict[str, ProfileInterval]:
    return {e: profile_interval(fit, e) for e in _asked(fit)}
