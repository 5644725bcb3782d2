"""What a source's own trials show by themselves: finds in its latest trials and before them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.usable_trials import unassisted_hides
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, ExposureName, other_than

LATEST = 12
FEWEST_TO_PART = 10
_FEWEST_BEFORE = 3


@dataclass(frozen=True, slots=True)
class TrialSpan:
    """Trials of one source that follow one another.

    Attributes
    ----------
    first, last
        Whole cycles, or whole months of age, at the first and the last of them.
    trials, finds
        How many, and how many of them were finds.
    """

    first: int
    last: int
    trials: int
    finds: int


@dataclass(frozen=True, slots=True)
class FindsBeforeAndSince:
    """One source's finds in its latest trials and in all before them.

    Attributes
    ----------
    source_id, trials, finds
        The source, its unassisted hide trials, and the finds among them.
    by
        The exposure that parts them; None where they are not parted.
    spans
        Its trials in two or three spans in order of time, the latest last; together all of
        them. Empty where they are not parted.
    """

    source_id: str
    trials: int
    finds: int
    by: ExposureName | None = None
    spans: tuple[TrialSpan, ...] = ()


def finds_before_and_since(
    trials: pd.DataFrame, as_of: pd.Timestamp, by: ExposureName = "cycles"
) -> Mapping[str, FindsBeforeAndSince]:
    """Part each source's own trials where its latest 12 begin, whatever their results.

    The cuts are made by number alone, so that no result chooses them: the last span is the
    latest 12 trials, or the latter half where there are fewer than 24, together with all others
    at the same whole cycle as the first of them. The rest are the span before, two halves where
    they are 24 or more. Every trial is counted once. Where cycles do not part them (a source
    that is never thawed, or without a record of its storage) months of age do; a source with
    fewer than 10 trials, or fewer than 3 before, is not parted.

    Parameters
    ----------
    trials
        All joined trials; the unassisted hide trials among them count, also those that the
        model does without.
    as_of
        Only trials that began before it count.
    by
        The exposure to part by, where it does.

    Returns
    -------
    mapping
        Source → its finds; no entry for a source without a trial.
    """
    hides = unassisted_hides(trials)
    hides = hides[hides["started_at"] < as_of].sort_values(["started_at", "trial_id"])
    return {
        str(name): _of_source(str(name), own, (by, other_than(by).name))
        for name, own in hides.groupby("source_id", observed=True, sort=False)
    }


def _of_source(
    name: str, own: pd.DataFrame, exposures: Sequence[ExposureName]
) -> FindsBeforeAndSince:
    found = (own["result"] == "find").to_numpy()
    whole = FindsBeforeAndSince(name, len(own), int(found.sum()))
    if len(own) < FEWEST_TO_PART:
        return whole
    for exposure in exposures:
        values = pd.to_numeric(own[exposure]).to_numpy(dtype=float, na_value=np.nan)
        if np.isnan(values).any():
            continue
        steps = np.floor(values / CYCLES_AND_AGE[exposure].step_size + 1e-9).astype(int)
        starts = [steps[-min(LATEST, (len(own) + 1) // 2)]]
        before = int((steps < starts[0]).sum())
        if before < _FEWEST_BEFORE:
            continue
        half = steps[before // 2]
        if before >= 2 * LATEST and half > steps.min():
            starts.insert(0, half)
        # Which span a trial belongs to: by its whole cycle, so that no cycle is in two.
        place = np.searchsorted(starts, steps, side="right")
        spans = tuple(_span(steps[place == k], found[place == k]) for k in range(len(starts) + 1))
        return replace(whole, by=exposure, spans=spans)
    return whole


def _span(steps: np.ndarray, found: np.ndarray) -> TrialSpan:
    return TrialSpan(int(steps.min()), int(steps.max()), len(found), int(found.sum()))
