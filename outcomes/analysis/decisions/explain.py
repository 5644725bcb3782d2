"""How one source's advice came about, trial by trial."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd
from scipy import special

from outcomes.analysis.decisions.curve import reach_of
from outcomes.analysis.finds.describe_terms import linear_predictor
from outcomes.analysis.finds.design import SET_BY_THE_SOURCE, Design
from outcomes.analysis.finds.model import FindFit
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.mixed_result import MixedFit
from outcomes.models.newton import maximise
from outcomes.records.columns import Result

_STANDING = 60


@dataclass(frozen=True, slots=True)
class SourceTrial:
    """One hide trial of the source.

    Attributes
    ----------
    trial_id, started_at, dog_id, result
        As recorded.
    cycles, age_days
        What the source had been through by then; None where not on record.
    used
        Whether the model could use it.
    why_not
        Why it could not; None where it could.
    expected
        The model's find probability of this very trial: its dog, its conditions,
        its source as it was then; None where it was not used.
    finds, trials
        Unassisted finds and trials of the source so far, this one included.
    running, low, high
        Find probability of the source as it was then, over the unit's dogs and
        conditions, judged by its trials up to this one and by sources like it;
        with limits, at the confidence of the settings, of what its own trials leave open.
    """

    trial_id: str
    started_at: pd.Timestamp
    dog_id: str
    result: Result
    cycles: float | None
    age_days: float | None
    used: bool
    why_not: str | None
    expected: float | None
    finds: int
    trials: int
    running: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Explanation:
    """A source's hide trials in order of time, with what each added.

    ``source_sd`` is how much sources differ beyond what is on record (log-odds):
    at 0 a source is judged as its class alone, whatever its own trials.
    """

    source_id: str
    trials: tuple[SourceTrial, ...]
    source_sd: float | None


def explain_source(fit: FindFit, trials: pd.DataFrame, source_id: str) -> Explanation:
    """Follow one source from its first hide trial to its last.

    Parameters
    ----------
    fit
        Fit of finds.
    trials
        All joined trials.
    source_id
        The source.

    Returns
    -------
    Explanation
        Without ``expected`` and ``running`` where no model could be fitted.

    Notes
    -----
    The running estimate holds the model's effects and its dogs as fitted to all
    trials, the spread between sources at its plausible value, and takes the source's own level from
    its trials so far: the mode of a normal prior with the source's standard
    deviation and the binomial likelihood of those trials.
    """
    own = trials[(trials["source_id"] == source_id) & trials["result"].isin(["find", "miss"])]
    own = own.sort_values(["started_at", "trial_id"], kind="stable")
    helped = (
        own["assisted"].fillna(False).astype(bool).to_numpy()
        if "assisted" in own
        else np.zeros(len(own), dtype=bool)
    )
    design, mixed = fit.design, fit.each_source
    place = pd.Index(design.trials["trial_id"]).get_indexer(pd.Index(own["trial_id"]))
    model = (
        None
        if mixed is None
        else _Model(design, mixed, source_id, reach_of(design, fit.settings.confidence))
    )
    rows = []
    finds = count = 0
    seen: list[int] = []
    for position, row, assisted in zip(
        place.tolist(), own.to_dict("records"), helped.tolist(), strict=True
    ):
        used = position >= 0
        if not assisted:
            count += 1
            finds += int(row["result"] == "find")
        expected = running = low = high = None
        if used and model is not None:
            expected = model.expected(position)
            seen.append(position)
            running, low, high = model.running(position, seen)
        documented = not pd.isna(row["documented"]) and bool(row["documented"])
        rows.append(
            SourceTrial(
                trial_id=str(row["trial_id"]),
                started_at=row["started_at"],
                dog_id=str(row["dog_id"]),
                result=cast(Result, str(row["result"])),
                cycles=_number(row["cycles"]) if documented else None,
                age_days=_number(row["age_days"]),
                used=used,
                why_not=None if used else _why_not(design, row, assisted, documented),
                expected=expected,
                finds=finds,
                trials=count,
                running=running,
                low=low,
                high=high,
            )
        )
    return Explanation(source_id, tuple(rows), None if mixed is None else mixed.sd.get("source"))


def _number(value: Any) -> float | None:
    return None if np.isnan(value) else float(value)


def _why_not(design: Design, row: Mapping[Hashable, Any], assisted: bool, documented: bool) -> str:
    if assisted:
        return "the dog was helped"
    if not documented:
        return "the storage log does not say where the source was"
    terms = dict.fromkeys(c.term for c in design.columns)
    missing = [term for term in terms if term in row and pd.isna(row[term])]
    return f"not recorded: {', '.join(missing)}" if missing else "the model could not use it"


class _Model:
    """What the fitted model says about one source's trials."""

    def __init__(self, design: Design, mixed: MixedFit, source_id: str, reach: float) -> None:
        self.design, self.mixed, self.reach = design, mixed, reach
        self.eta, self.spread = linear_predictor(design, mixed)
        self.sd = mixed.sd.get("source", 0.0)
        effect = 0.0
        if "source" in mixed.effects and source_id in mixed.effects["source"].index:
            effect = float(mixed.effects["source"]["effect"].loc[source_id])
        self.without_source = self.eta - effect
        own = [j for j, c in enumerate(design.columns, start=1) if c.of in SET_BY_THE_SOURCE]
        self.state = design.x[:, own] @ mixed.beta[own]
        rest = design.x @ mixed.beta - self.state
        variance = np.zeros(len(design.y))
        for grouping, labels in design.groups.items():
            if grouping == "dog":
                dogs = mixed.effects["dog"].reindex(pd.Index(labels))
                rest = rest + dogs["effect"].to_numpy()
                variance += dogs["std_error"].to_numpy() ** 2
            elif grouping != "source":
                variance += mixed.sd[grouping] ** 2
        order = np.argsort(rest, kind="stable")
        size = min(len(rest), _STANDING)
        take = order[((np.arange(size) + 0.5) * len(rest) / size).astype(int)]
        self.standing, self.open = rest[take], variance[take]

    def expected(self, position: int) -> float:
        probability = averaged_probability(self.eta[[position]], self.spread[[position]])[0]
        return float(probability[0])

    def running(self, position: int, seen: list[int]) -> tuple[float, float, float]:
        level, error = source_level(self.design.y[seen], self.without_source[seen], self.sd)
        steps = (level, level - self.reach * error, level + self.reach * error)
        centre = averaged_probability(
            self.standing + self.state[position] + level, np.sqrt(self.open + error**2)
        )[0]
        low, high = (
            averaged_probability(self.standing + self.state[position] + s, np.sqrt(self.open))[0]
            for s in steps[1:]
        )
        middle = float(centre.mean())
        return middle, min(float(low.mean()), middle), max(float(high.mean()), middle)


def source_level(y: np.ndarray, offset: np.ndarray, sd: float) -> tuple[float, float]:
    """Mode and standard error of one source's own level, given its trials and its spread.

    Parameters
    ----------
    y, offset
        Results (1 = find) and log-odds without the source, shape (k,).
    sd
        Standard deviation between sources.

    Examples
    --------
    Without differences between sources its own trials say nothing about a level of its own:

    >>> source_level(np.array([0.0, 0.0]), np.zeros(2), 0.0)
    (0.0, 0.0)
    """
    if sd <= 0.0:
        return 0.0, 0.0

    def own_trials(level: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        log_odds = offset + level[0]
        p = special.expit(log_odds)
        value = float(special.log_expit(np.where(y > 0.5, log_odds, -log_odds)).sum())
        return value, np.array([(y - p).sum()]), np.array([[(p * (1.0 - p)).sum()]])

    best = maximise(own_trials, np.zeros(1), precision=np.array([1.0 / sd**2]))
    return float(best.at[0]), float(np.sqrt(best.covariance()[0, 0]))
