"""How many trials each question can use."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from outcomes.analysis.finds.usable_trials import usable_trials
from outcomes.exposure.trials import Joined
from outcomes.settings import ReliabilityRule

ANALYSES: Mapping[str, str] = {
    "finds": "what predicts finds",
    "search_time": "search time",
    "false_alerts": "false alerts per hour",
    "lifetime": "sources becoming unreliable",
    "compare": "refrigerated against frozen",
}
"""Section of the results → the question in words."""


def usable_rows(joined: Joined, rule: ReliabilityRule) -> dict[str, int]:
    """Count the trials each question can use, before it asks for conditions on record.

    Parameters
    ----------
    joined
        Trials with the exposure of their source.
    rule
        When a source counts as unreliable.

    Returns
    -------
    dict
        Key of ``ANALYSES`` → number of trials: unassisted hide trials whose
        storage is on record (``finds``); those of them with a search time, or a
        time limit for a miss (``search_time``); trials of all kinds with a
        count of false alerts and a searching time (``false_alerts``);
        unassisted hide trials, by qualified dogs where the rule asks for those
        (``lifetime``); and those usable for finds of kinds that were kept both
        frozen and refrigerated (``compare``).
    """
    trials = joined.trials
    hides, _ = usable_trials(trials)
    counted = _number(trials, "false_alerts").notna()
    counted |= trials["result"].isin(["clear", "false alert"])
    both = hides[hides["regime"].isin(["refrigerated", "frozen"])]
    ways = both.groupby("kind")["regime"].transform("nunique")
    return {
        "finds": len(hides),
        "search_time": int(_timed(hides, ["miss"]).sum()),
        "false_alerts": int((counted & _timed(trials, ["miss", "clear"])).sum()),
        "lifetime": _lifetime(joined, rule),
        "compare": int((ways == 2).sum()),
    }


def _number(trials: pd.DataFrame, name: str) -> pd.Series[float]:
    if name not in trials:
        return pd.Series(float("nan"), index=trials.index)
    return trials[name].astype(float)


def _timed(trials: pd.DataFrame, unended: list[str]) -> pd.Series[bool]:
    """Where the searching time is known; the limit stands for it where nothing was found."""
    seconds = _number(trials, "search_s")
    limit = _number(trials, "limit_s")
    return seconds.mask(seconds.isna() & trials["result"].isin(unended), limit) > 0


def _lifetime(joined: Joined, rule: ReliabilityRule) -> int:
    trials = joined.trials
    counts = trials["source_id"].notna()
    if "assisted" in trials:
        counts &= ~trials["assisted"].fillna(False).astype(bool)
    if rule.qualified_only:
        counts &= trials["qualified"].fillna(True).astype(bool)
    return int(counts.sum())
