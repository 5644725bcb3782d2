"""How many trials each question can use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

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
NO_QUESTION = (
    "No question can be answered: the trials are read, but for each question all lack something "
    "it needs, as told below."
)


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


def why_not_usable(joined: Joined, rule: ReliabilityRule) -> dict[str, tuple[str, ...]]:
    """Why the other trials cannot be used for each question, the reasons in order.

    Parameters
    ----------
    joined, rule
        As for :func:`usable_rows`.

    Returns
    -------
    dict
        Key of ``ANALYSES`` → words such as ``"81 blank areas"``: together they are all
        trials that were read and are not counted by :func:`usable_rows`.
    """
    trials = joined.trials
    blank = trials["source_id"].isna()
    helped = _flag(trials, "assisted", missing=False)
    hides, _ = usable_trials(trials)
    in_use = trials.index.isin(hides.index)
    logged = trials["documented"].fillna(False).astype(bool)
    of_finds: list[tuple[str, pd.Series[bool]]] = [
        ("blank area", blank),
        ("with the dog helped", helped),
        ("of a source whose storage is not on record", ~logged),
        ("without cycles or age", pd.Series(~in_use, index=trials.index)),
    ]
    counted = _number(trials, "false_alerts").notna()
    counted |= trials["result"].isin(["clear", "false alert"])
    found = trials["result"].isin(["find", "false alert"])
    untimed = ~_timed(trials, ["miss", "clear"])
    of_alerts = [
        ("without a count of false alerts", ~counted),
        ("without a search time", untimed & found),
        ("without a search time or a time limit", untimed),
    ]
    of_lifetime = [("blank area", blank), ("with the dog helped", helped)]
    if rule.qualified_only:
        of_lifetime.append(
            ("by a dog not yet qualified", ~_flag(trials, "qualified", missing=True))
        )
    mixed = ~trials["regime"].isin(["refrigerated", "frozen"])
    reasons: dict[str, list[tuple[str, pd.Series[bool]]]] = {
        "finds": of_finds,
        "search_time": [
            *of_finds,
            ("found without a search time", untimed & found),
            ("missed without a search time or a time limit", ~_timed(trials, ["miss"])),
        ],
        "false_alerts": of_alerts,
        "lifetime": of_lifetime,
        "compare": [
            *of_finds,
            ("of a source kept partly frozen, partly refrigerated", mixed),
            ("of a kind kept in one way only", pd.Series(True, index=trials.index)),
        ],
    }
    left = {key: len(trials) - number for key, number in usable_rows(joined, rule).items()}
    return {key: _in_turn(of, left[key]) for key, of in reasons.items()}


def _in_turn(reasons: Sequence[tuple[str, pd.Series[bool]]], left: int) -> tuple[str, ...]:
    """Each trial under the first reason that holds for it, so that they add up."""
    told = []
    seen = pd.Series(False, index=reasons[0][1].index)
    for words, holds in reasons:
        number = min(int((holds & ~seen).sum()), left)
        seen |= holds
        left -= number
        if number:
            plural = "s" if words == "blank area" and number != 1 else ""
            told.append(f"{number:,} {words}{plural}")
    return tuple(told)


def _flag(trials: pd.DataFrame, name: str, *, missing: bool) -> pd.Series[bool]:
    if name not in trials:
        return pd.Series(missing, index=trials.index)
    return trials[name].fillna(missing).astype(bool)


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
