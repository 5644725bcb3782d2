"""Who knew where the hide was: the first thing an agency or a court asks of a trial."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from outcomes.text import count
from outcomes.wording.numbers import joined

LEVELS = ("open", "single", "double")
NOT_RECORDED = "not recorded"
_MEANING = {
    "open": "open",
    "single": "single-blind (the handler did not know)",
    "double": "double-blind (nobody present knew)",
}

Counts = Mapping[str, Mapping[str, int]]


def blinding_counts(trials: pd.DataFrame) -> dict[str, dict[str, int]]:
    """Count hide trials and blank areas by their blinding.

    Parameters
    ----------
    trials
        Joined trials.

    Returns
    -------
    dict
        ``hides`` and ``blanks`` → ``open``, ``single``, ``double`` and
        ``not recorded`` → number of trials; all are there, also at 0.
    """
    recorded = trials["blinding"] if "blinding" in trials else pd.Series(None, trials.index, object)
    told = recorded.astype(object).where(recorded.isin(LEVELS), NOT_RECORDED)
    hide = trials["source_id"].notna()
    return {
        name: {level: int((told[rows] == level).sum()) for level in (*LEVELS, NOT_RECORDED)}
        for name, rows in (("hides", hide), ("blanks", ~hide))
    }


def describe_blinding(counts: Counts) -> str:
    """How many trials were blind, of hides and of blank areas.

    Parameters
    ----------
    counts
        As :func:`blinding_counts` gives them.
    """
    parts: list[str] = []
    for name, one in (("hides", "hide trial"), ("blanks", "blank area")):
        number = sum(counts[name].values())
        if not number or counts[name][NOT_RECORDED] == number:
            continue
        levels = [f"{counts[name][level]:,} {_MEANING[level]}" for level in LEVELS]
        if parts:
            levels = [f"{counts[name][level]:,} {level}" for level in LEVELS]
        if counts[name][NOT_RECORDED]:
            levels.append(f"{counts[name][NOT_RECORDED]:,} not recorded")
        parts.append(f"of {count(number, one)}, {joined(levels)}")
    if not parts:
        return "Who knew where the hide was is not on record for any trial."
    return f"Blinding, as recorded: {'; '.join(parts)}."
