"""Trials of a plan: what lay in the area comes from the plan's key."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.checking.findings import Array, Log, Sheet
from outcomes.records.columns import ALERTED, NOT_ALERTED
from outcomes.records.plan_file import PlanFile
from outcomes.records.reading.cells import categories_of

PLANNED_BLANK = "container"
"""What stands in a planned blank area: an identical clean container."""


def settle_results(trials: pd.DataFrame) -> pd.Series[Any]:
    """Results, where a word that tells what the dog did means another thing without a source."""
    blank = trials["source_id"].isna()
    result = trials["result"]
    for word, with_source, without in (
        (ALERTED, "find", "false alert"),
        (NOT_ALERTED, "miss", "clear"),
    ):
        said = result == word
        result = result.mask(said & blank, without).mask(said & ~blank, with_source)
    return result


def with_planned(trials: Sheet, plan: PlanFile | None, log: Log) -> Sheet:
    """The trials, those of a plan with the source that its key tells.

    A planned trial whose row names no source is set aside where the key does not know it. A
    source that is written down stays, the planned one or not.

    Parameters
    ----------
    trials
        As typed; ``result`` may still tell what the dog did.
    plan
        The key; None where there is none.
    log
        Open for this table.
    """
    if not trials.has("plan_id"):
        return trials
    frame, names, cells = trials.frame, dict(trials.names), dict(trials.cells)
    if "source_id" not in frame:
        none = pd.Series(None, index=frame.index, dtype=object)
        frame = frame.assign(source_id=none)
        names["source_id"] = "source_id"
        cells["source_id"] = categories_of(none)
    labels = frame["plan_id"].to_numpy(dtype=object)
    planned = frame["plan_id"].notna().to_numpy()
    written = frame["source_id"].notna().to_numpy()
    key = {} if plan is None else plan.trials
    known = np.array([label in key for label in labels], dtype=bool)
    filled = frame["source_id"].to_numpy(dtype=object).copy()
    for at in np.flatnonzero(known & ~written):
        filled[at] = key[labels[at]].source_id
    frame = frame.assign(source_id=pd.Series(filled, index=frame.index, dtype=object))
    blank = known & frame["source_id"].isna().to_numpy()
    if blank.any():
        given = frame.get("blank_kind", pd.Series(None, index=frame.index, dtype=object))
        frame = frame.assign(blank_kind=given.mask(blank & given.isna(), PLANNED_BLANK))
        names.setdefault("blank_kind", "blank_kind")
        if "blank_kind" not in cells:
            cells["blank_kind"] = categories_of(pd.Series(None, index=frame.index, dtype=object))
    if "result" in frame:
        frame = frame.assign(result=settle_results(frame))
    if "result" in frame and "false_alerts" in frame:
        # Handlers write further alerts: on a blank area the one they tell of is the first.
        alerted = blank & (frame["result"] == "false alert").to_numpy()
        none_further = alerted & (frame["false_alerts"].fillna(0.0) == 0.0).to_numpy()
        frame = frame.assign(false_alerts=frame["false_alerts"].mask(none_further, 1.0))
    sheet = replace(trials, frame=frame, names=names, cells=cells)
    unknown = planned & ~known & ~written
    rule = "planned trial without its key" if plan is None else "planned trial of another plan"
    file = "" if plan is None else plan.file
    log.flag(rule, sheet, unknown, "plan_id", lambda _: {"plan": file})
    _check_against_plan(sheet, known, key, log)
    return sheet


def _check_against_plan(sheet: Sheet, known: Array, key: Mapping[str, Any], log: Log) -> None:
    """One plan_id twice; a source or a dog that is not the planned one."""
    labels = sheet.values("plan_id")
    again = known & sheet.frame["plan_id"].duplicated().to_numpy()
    first = {label: at for at, label in reversed([*enumerate(labels)])}
    log.flag(
        "planned trial twice",
        sheet,
        again,
        "plan_id",
        lambda i: {"other": sheet.row_name(first[labels[i]], i)},
    )
    sources, dogs = sheet.values("source_id"), None
    if sheet.has("dog_id"):
        dogs = sheet.values("dog_id")
    usable = log.usable(sheet) & known
    swapped = [i for i in np.flatnonzero(usable) if sources[i] != key[labels[i]].source_id]
    log.flag(
        "source unlike the plan",
        sheet,
        np.array(swapped, dtype=np.int64),
        "source_id",
        lambda i: {"planned": key[labels[i]].source_id or "a blank area"},
    )
    if dogs is None:
        return
    other = [i for i in np.flatnonzero(usable) if dogs[i] != key[labels[i]].dog_id]
    log.flag(
        "dog unlike the plan",
        sheet,
        np.array(other, dtype=np.int64),
        "dog_id",
        lambda i: {"planned": key[labels[i]].dog_id},
    )
