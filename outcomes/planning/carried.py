"""Trials on record laid beside the plan: done, lost, swapped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.analysis.finds.usable_trials import unassisted_hides
from outcomes.planning.document import Plan
from outcomes.planning.layout import DAYS_A_WEEK
from outcomes.planning.result import Carried


@dataclass(frozen=True, slots=True)
class Matched:
    """Planned trials that are on record.

    Attributes
    ----------
    carried
        Counts.
    hides
        Hide trials done without help, in order of the plan: ``plan_id``, ``day``, ``dog_id`` and
        ``source_id`` as planned, ``found``, and of the records ``cycles``, ``age_days``,
        ``frozen_days``, ``refrigerated_days`` and ``met_before`` as far as they are there.
    """

    carried: Carried
    hides: pd.DataFrame


_OF_RECORDS = ("cycles", "age_days", "frozen_days", "refrigerated_days", "met_before", "kind")


def match_trials(plan: Plan, trials: pd.DataFrame) -> Matched:
    """Lay trials on record beside the plan, by ``plan_id``.

    Parameters
    ----------
    plan
        The plan.
    trials
        Trials on record: ``plan_id`` (missing: no trial of a plan), ``result``, ``dog_id``, and
        where they are there ``source_id``, ``assisted`` and exposures. Of several with one
        ``plan_id`` the first counts.
    """
    planned = {trial.plan_id: trial for trial in plan.trials}
    if "plan_id" not in trials:
        trials = trials.assign(plan_id=None)
    named = trials[trials["plan_id"].notna()]
    known = named[named["plan_id"].isin(list(planned))]
    once = known.drop_duplicates("plan_id")
    done = set(once["plan_id"])
    through = max((planned[one].day for one in done), default=0)
    last = max(trial.day for trial in plan.trials)
    # What has not been done by the end of the plan is lost, its last days too.
    latest = trials["started_at"].max() if "started_at" in trials else pd.NaT
    if not pd.isna(latest) and latest.date() > plan.date_of(plan.weeks * DAYS_A_WEEK):
        through = last
    on_source = np.array([planned[one].source_id is not None for one in once["plan_id"]], bool)
    of_hides = once.loc[on_source]
    swapped = 0
    if "source_id" in once:
        swapped = sum(
            isinstance(source, str) and source != planned[one].source_id
            for one, source in zip(once["plan_id"], once["source_id"], strict=True)
        )
    # What was found there counts as the trial that was planned, whatever lay there.
    sources = np.array([planned[one].source_id for one in of_hides["plan_id"]], dtype=object)
    as_planned = of_hides.assign(source_id=sources)
    usable = unassisted_hides(as_planned)
    hides = pd.DataFrame(
        {
            "plan_id": usable["plan_id"],
            "day": [planned[one].day for one in usable["plan_id"]],
            "order": [planned[one].order for one in usable["plan_id"]],
            "dog_id": usable["dog_id"],
            "source_id": usable["source_id"],
            "found": usable["result"].eq("find").astype(float),
            **{name: usable[name] for name in _OF_RECORDS if name in usable},
        }
    )
    helped = of_hides["result"].isin(["find", "miss"]).sum() - len(usable)
    carried = Carried(
        planned=len(plan.trials),
        done=len(done),
        hides_planned=sum(trial.source_id is not None for trial in plan.trials),
        hides_done=len(usable),
        lost=sum(t.day <= through and t.plan_id not in done for t in plan.trials),
        swapped=swapped,
        other_dog=sum(
            dog != planned[one].dog_id
            for one, dog in zip(once["plan_id"], once["dog_id"], strict=True)
        ),
        assisted=int(helped),
        unknown=tuple(sorted(set(named["plan_id"].astype(str)) - set(planned))),
        repeated=len(known) - len(once),
        through_day=through,
    )
    ordered = hides.sort_values(["day", "order"], kind="stable").reset_index(drop=True)
    return Matched(carried, ordered)
