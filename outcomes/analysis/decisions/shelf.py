"""The shelf: every source still held, its own find probability today, and what to do with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd
from scipy import special

from outcomes.analysis.decisions.curve import log_odds_limits, model_of, observed_to, reach_of
from outcomes.analysis.decisions.source_draws import SourceDraws, draw_over_spreads
from outcomes.analysis.finds.cycles_or_age import exposures_tied
from outcomes.analysis.finds.design import SET_BY_THE_SOURCE, Design
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.terms import UNLOGGED
from outcomes.analysis.finds.usable_trials import unassisted_hides
from outcomes.analysis.results import Advice, Ground
from outcomes.exposure.accumulate import Regime, exposure_at
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.exposure.stays import History
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.mixed_result import MixedFit
from outcomes.models.rounding import rounded
from outcomes.records.checking.rules import LATE_LOG_DAYS

_MOST_TRIALS_TO_SETTLE = 500
# About what 35 trials at 85 in 100 leave open at 90 % confidence.
_FOR_WHAT_IS_SHARED = 2.0  # the study of decisions asks how often so many settle it
_WIDE = 0.20
_FAR = 0.05
_STANDING = 500  # trials that stand for the unit's dogs and conditions
# Beside cycles, age, the share of storage spent frozen and kind, which are known of the day.
_OWN_TERMS = ("use_ratio", UNLOGGED, "first_mass_g", "freezer_c", "hours_since_thaw")
RECENT = 20
FEWEST_RECENT = 5
_TRIALS_OF_ITS_OWN = 10  # from here on a source's own trials speak for where it has been


@dataclass(frozen=True, slots=True)
class ShelfSource:
    """One source held, with its advice.

    Attributes
    ----------
    source_id, kind, regime
        As recorded; ``regime`` None where storage does not say.
    cycles, age_days
        Exposure at the moment asked about; None where it cannot be derived.
    trials, finds
        Unassisted hide trials of this source up to then, and finds among them.
    trials_used
        Those among them that the model could use.
    find_probability, low, high
        Its own predicted find probability today, averaged over the unit's dogs
        and conditions, with two-sided limits; None where it cannot be predicted,
        also where it has been through more than the records can speak for.
    advice
        ``"keep"``, ``"test"`` or ``"retire"``.
    ground
        Why: ``"above"``, ``"below"``, ``"unsure"``, ``"no trials"``,
        ``"few trials"``, ``"beyond records"``, ``"own trials disagree"``, ``"no model"`` or
        ``"not documented"``.
    trials_to_settle
        For ``test``: about how many further trials would settle it if it goes
        on as predicted; None where that is over 500 or cannot be said.
    latest_trials, latest_finds
        Its latest trials among those used, 20 at most, and finds among them: what
        may speak against the prediction.
    log_begins_late
        Whether its storage log begins more than 30 days after it was taken in:
        ``cycles`` is then the least it can have been through.
    """

    source_id: str
    kind: str | None
    regime: Regime | None
    cycles: float | None
    age_days: float | None
    trials: int
    finds: int
    find_probability: float | None
    low: float | None
    high: float | None
    advice: Advice
    ground: Ground
    trials_to_settle: int | None
    trials_used: int | None = None
    latest_trials: int = 0
    latest_finds: int = 0
    log_begins_late: bool = False

    def could_be_far(self, floor: float) -> tuple[str, ...]:
        """Sides of the floor, ``"above"`` and ``"below"``, on which it may well lie far off.

        Empty where its limits are at most 20 in 100 apart, so that 20 more trials
        would narrow them by no more than about a fifth, or where it has none.

        Parameters
        ----------
        floor
            The lowest acceptable find probability.
        """
        if self.low is None or self.high is None or self.high - self.low <= _WIDE:
            return ()
        ways = {"above": self.high - floor, "below": floor - self.low}
        return tuple(side for side, reach in ways.items() if reach > _FAR)


def review_shelf(
    fit: FindFit,
    sources: pd.DataFrame,
    history: History,
    as_of: pd.Timestamp,
    trials: pd.DataFrame | None = None,
    drawn: SourceDraws | None = None,
) -> tuple[ShelfSource, ...]:
    """Advice for every source held at ``as_of``, what to act on first on top.

    ``retire`` only where the upper limit of the source's own prediction is below
    the floor, ``keep`` where the lower limit is at or above it, else ``test``.
    A source that was never tried, whose storage is not documented, or whose
    exposure goes beyond what at least three sources or its own trials have shown, is never
    advised to be retired or kept on a model's word: ``test``. Nor is one with
    fewer than 5 usable trials of its own, nor one whose own latest 20 trials
    speak against it: none is retired that was found at the floor or more often,
    none kept that was found less often. Where cycles and age rise so closely
    together that neither can be told from the other, the limits also reach as far
    as those of the models with cycles alone and with age alone. They always reach as
    far as percentiles over every spread between sources that the records allow.

    Parameters
    ----------
    fit
        Fit of finds; its settings give floor and confidence.
    sources
        The unit's sources.
    history
        Their storage history.
    as_of
        The moment asked about.
    trials
        All joined trials: the counts shown are then of every unassisted hide
        trial of a source, also of those the model does without. None: of the
        fit's own trials. Advice rests on the fit's trials alone.
    drawn
        Draws over those spreads
        (:func:`~outcomes.analysis.decisions.source_draws.draw_over_spreads`), where they are
        made already.

    Notes
    -----
    A source's own trials are counted up to ``as_of``; the model is that of all trials.
    """
    held = _held(sources, history, as_of)
    used = _counts(_until(fit.design.trials, as_of))
    shown = used if trials is None else _counts(_until(unassisted_hides(trials), as_of))
    rows = []
    latest = _counts(_latest(fit, as_of))
    predicted = _predict(fit, held, drawn) if fit.mixed is not None and len(held) else None
    for position, row in enumerate(held.itertuples(index=False)):
        n = used.get(str(row.source_id), (0, 0))[0]
        told = shown.get(str(row.source_id), (0, 0))
        prediction = None
        if predicted is not None:
            probability, low, high = (float(p[position]) for p in predicted)
            prediction = (probability, low, high)
        recent = latest.get(str(row.source_id), (0, 0))
        rows.append(_advise(fit, row, n, told, prediction, recent))
    order: dict[Advice, int] = {"retire": 0, "test": 1, "keep": 2}
    return tuple(
        sorted(
            rows,
            key=lambda s: (
                order[s.advice],
                1.0 if s.find_probability is None else s.find_probability,
                s.source_id,
            ),
        )
    )


def _until(trials: pd.DataFrame, as_of: pd.Timestamp | None) -> pd.DataFrame:
    """Trials that had begun by then."""
    return trials if as_of is None else trials[trials["started_at"] < as_of]


def _counts(trials: pd.DataFrame) -> dict[str, tuple[int, int]]:
    """Source → (hide trials, finds among them)."""
    names = trials["source_id"].astype(str)
    tried = names.value_counts()
    found = names[trials["result"] == "find"].value_counts()
    return {str(name): (int(n), int(found.get(name, 0))) for name, n in tried.items()}


def _held(sources: pd.DataFrame, history: History, as_of: pd.Timestamp) -> pd.DataFrame:
    there = sources[sources["acquired_on"] <= as_of].reset_index(drop=True)
    at = pd.Series(as_of, index=there.index)
    exposure = exposure_at(history, there["source_id"], at)
    columns = [c for c in ("source_id", "kind") if c in there]
    held = pd.concat([there[columns], exposure], axis=1)
    return held[held["place"].fillna("") != "discarded"].reset_index(drop=True)


def held_sources(sources: pd.DataFrame, history: History, as_of: pd.Timestamp) -> tuple[str, ...]:
    """Ids of the sources held at ``as_of``: taken in by then, and not discarded.

    Parameters
    ----------
    sources
        The unit's sources.
    history
        Their storage history.
    as_of
        The moment asked about.
    """
    return tuple(_held(sources, history, as_of)["source_id"].astype(str))


def _advise(
    fit: FindFit,
    row: object,
    n: int,
    told: tuple[int, int],
    prediction: tuple[float, float, float] | None,
    recent: tuple[int, int],
) -> ShelfSource:
    settings = fit.settings
    documented = bool(row.documented)  # type: ignore[attr-defined]
    cycles = _number(row.cycles) if documented else None  # type: ignore[attr-defined]
    age = _number(row.age_days)  # type: ignore[attr-defined]
    probability = low = high = settle = None
    advice: Advice
    ground: Ground
    if not documented:
        advice, ground = "test", "not documented"
    elif prediction is None:
        advice, ground = "test", "no model"
    elif n == 0:
        advice, ground = "test", "no trials"
    else:
        probability, low, high = prediction
        name = str(row.source_id)  # type: ignore[attr-defined]
        if _beyond(fit, name, cycles, age):
            advice, ground = "test", "beyond records"
            probability = low = high = None
        else:
            advice, ground, settle = advice_at(
                settings.floor,
                (probability, low, high),
                n,
                recent[1] / max(recent[0], 1),
                reach_of(fit.design, settings.confidence),
            )
    return ShelfSource(
        source_id=str(row.source_id),  # type: ignore[attr-defined]
        kind=None if pd.isna(row.kind) else str(row.kind),  # type: ignore[attr-defined]
        regime=None if pd.isna(row.regime) else cast(Regime, str(row.regime)),  # type: ignore[attr-defined]
        cycles=cycles,
        age_days=age,
        trials=told[0],
        finds=told[1],
        trials_used=n,
        find_probability=probability,
        low=low,
        high=high,
        advice=advice,
        ground=ground,
        trials_to_settle=settle,
        latest_trials=recent[0],
        latest_finds=recent[1],
        log_begins_late=documented and row.undocumented_days > LATE_LOG_DAYS,  # type: ignore[attr-defined]
    )


def advice_at(
    floor: float,
    prediction: tuple[float, float, float],
    trials: int,
    recent: float,
    reach: float,
) -> tuple[Advice, Ground, int | None]:
    """Advice on one source by its own prediction and its own trials, at any floor.

    Parameters
    ----------
    floor
        The lowest acceptable find probability.
    prediction
        Its find probability with two-sided limits.
    trials
        Its own trials that the model could use.
    recent
        Share of finds in the latest 20 of them (:func:`recent_finds`).
    reach
        Standard errors to either limit.

    Returns
    -------
    advice, ground, trials_to_settle
        As in :class:`ShelfSource`.

    Examples
    --------
    >>> advice_at(0.85, (0.70, 0.60, 0.80), 40, 0.75, 1.7)
    ('retire', 'below', None)
    >>> advice_at(0.85, (0.70, 0.60, 0.80), 40, 0.90, 1.7)
    ('test', 'own trials disagree', None)
    """
    probability, low, high = (float(value) for value in rounded(np.array(prediction)))
    advice: Advice
    ground: Ground
    if high < floor:
        advice, ground = "retire", "below"
    elif low >= floor:
        advice, ground = "keep", "above"
    else:
        return "test", "unsure", _trials_to_settle(probability, low, high, floor, reach)
    if trials < FEWEST_RECENT:
        return "test", "few trials", None
    if (advice == "retire") == (recent >= floor):
        return "test", "own trials disagree", None
    return advice, ground, None


def recent_finds(fit: FindFit, as_of: pd.Timestamp | None = None) -> dict[str, float]:
    """Source → share of finds in its own latest 20 usable trials; no entry without any.

    Parameters
    ----------
    fit
        Fit of finds.
    as_of
        Only trials before it count; None: all.
    """
    return {name: found / tried for name, (tried, found) in _counts(_latest(fit, as_of)).items()}


def _latest(fit: FindFit, as_of: pd.Timestamp | None) -> pd.DataFrame:
    """The latest 20 usable trials of each source up to then."""
    trials = _until(fit.design.trials, as_of)
    if trials.empty:
        return trials
    trials = trials.sort_values("started_at", kind="stable")
    return trials.groupby(trials["source_id"].astype(str)).tail(RECENT)


def _number(value: object) -> float | None:
    return None if pd.isna(value) else float(value)  # type: ignore[call-overload,arg-type]


def _beyond(fit: FindFit, source: str, cycles: float | None, age: float | None) -> bool:
    """Whether an exposure in the model lies past what three sources, or its own trials, showed."""
    trials = fit.design.trials
    own = trials[trials["source_id"] == source]
    for exposure, value in zip(CYCLES_AND_AGE, (cycles, age), strict=True):
        if fit.design.column_of(exposure) is None or value is None:
            continue
        limit = observed_to(trials, exposure)
        if len(own) >= _TRIALS_OF_ITS_OWN:
            limit = max(limit, float(own[exposure].max()))
        # A source may sit a little past its own last trial; a tenth is not a new country.
        if value > 1.1 * limit:
            return True
    return False


def _predict(
    fit: FindFit, held: pd.DataFrame, drawn: SourceDraws | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Find probability of each held source over the unit's dogs and conditions, with limits."""
    assert fit.each_source is not None
    found = [_predict_by(fit.design, fit.each_source, held, fit.settings.confidence)]
    centre = found[0][0]
    if exposures_tied(fit.design):
        # A step off the line that the two share is a guess: what stands must stand by either,
        # and what is told is between what either says by itself.
        for exposure in CYCLES_AND_AGE:
            design, mixed = model_of(fit, exposure, alone=True, each_source=True)
            if mixed is not None:
                found.append(_predict_by(design, mixed, held, fit.settings.confidence))
        if len(found) > 1:
            by_either = [special.logit(np.clip(one[0], 1e-9, 1.0 - 1e-9)) for one in found[1:]]
            centre = special.expit(np.mean(by_either, axis=0))
    low = np.min([one[1] for one in found], axis=0)
    high = np.max([one[2] for one in found], axis=0)
    # And at every spread between sources that the records allow, not at the plausible one alone.
    drawn = drawn or draw_over_spreads(fit)
    tried = set(fit.design.trials["source_id"].astype(str))
    tails = [0.5 - fit.settings.confidence / 2.0, 0.5 + fit.settings.confidence / 2.0]
    for position, source in enumerate(held.itertuples(index=False)):
        if str(source.source_id) in tried:
            today = {
                name: _number(getattr(source, name))
                for name in ("cycles", "age_days", "frozen_share")
            }
            lower, upper = np.quantile(drawn.now(str(source.source_id), today), tails)
            low[position] = min(low[position], lower)
            high[position] = max(high[position], upper)
    return centre, low, high


def _predict_by(
    design: Design, mixed: MixedFit, held: pd.DataFrame, confidence: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    take = _standing_trials(design, mixed)
    kinds = _kind_columns(design)
    own = {term: _own_values(design, term) for term in _OWN_TERMS}
    rows = [
        _source_rows(design, mixed, source, take, kinds, own)
        for source in held.itertuples(index=False)
    ]
    reach = reach_of(design, confidence)
    probability, low, high = (np.zeros(len(held)) for _ in range(3))
    for k, (eta, spread, contrast) in enumerate(rows):
        p, slope = averaged_probability(eta, spread)
        mean = float(p.mean())
        gradient = (slope[:, None] * contrast).mean(axis=0)
        probability[k] = mean
        low[k], high[k] = log_odds_limits(mean, float(gradient @ mixed.joint_cov @ gradient), reach)
    return probability, low, high


def _standing_trials(design: Design, mixed: MixedFit) -> np.ndarray:
    """Rows of at most 500 trials that stand for the unit's dogs and conditions.

    Evenly spaced in the log-odds that dog and conditions give, so that neither
    the order of the records nor chance decides which.
    """
    n = len(design.y)
    own = [j for j, c in enumerate(design.columns, start=1) if c.of not in SET_BY_THE_SOURCE]
    log_odds = design.x[:, own] @ mixed.beta[own]
    if "dog" in design.groups:
        effects = mixed.effects["dog"]["effect"]
        log_odds = log_odds + effects.reindex(design.groups["dog"]).to_numpy()
    order = np.argsort(log_odds, kind="stable")
    size = min(n, _STANDING)
    return np.asarray(order[((np.arange(size) + 0.5) * n / size).astype(int)])


def _kind_columns(design: Design) -> Mapping[str, np.ndarray]:
    """Kind → its values in the columns of the term ``kind``, as the model's own trials have them.

    Read from the trials: a rare kind may be pooled with others or with the commonest.
    """
    own = [j for j, c in enumerate(design.columns, start=1) if c.term == "kind"]
    if not own:
        return {}
    kinds = design.trials["kind"].fillna("not recorded").astype(str).to_numpy()
    names, first = np.unique(kinds, return_index=True)
    return {str(name): design.x[row, own] for name, row in zip(names, first, strict=True)}


def _own_values(design: Design, term: str) -> Mapping[str, float]:
    """Source → its value in the column of a term that is its own; empty where there is none."""
    column = design.column_of(term)
    if column is None:
        return {}
    names = design.trials["source_id"].astype(str).to_numpy()
    if term == "hours_since_thaw":  # on the day nobody knows: as it was out on average
        whole = pd.Series(design.x[:, column]).groupby(names).mean()
        return {str(name): float(value) for name, value in whole.items()}
    return dict(zip(names, design.x[:, column].tolist(), strict=True))


def _source_rows(
    design: Design,
    mixed: MixedFit,
    source: object,
    take: np.ndarray,
    kinds: Mapping[str, np.ndarray],
    own: Mapping[str, Mapping[str, float]],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The standing trials as if this source had been out in each: conditions, dogs as they were."""
    x = design.x[take].copy()
    name = str(source.source_id)  # type: ignore[attr-defined]
    for position, column in enumerate(design.columns, start=1):
        if column.of in ("cycles", "age_days", "frozen_share"):
            value = getattr(source, column.of)
            if not column.includes(source.kind):  # type: ignore[attr-defined]
                x[:, position] = 0.0
            elif not pd.isna(value):
                x[:, position] = float(column.at(float(value)))
        elif column.term in own:
            # A source without trials in the model has none; it is taken as the usual one.
            x[:, position] = own[column.term].get(name, 0.0)
    of_kind = [j for j, c in enumerate(design.columns, start=1) if c.term == "kind"]
    kind = source.kind  # type: ignore[attr-defined]
    # A kind the model has never met is only asked about for a source without trials, whose
    # prediction is not shown.
    x[:, of_kind] = kinds.get("not recorded" if pd.isna(kind) else str(kind), 0.0)
    contrast = np.zeros((len(take), len(mixed.joint_names)))
    contrast[:, : x.shape[1]] = x
    index = {label: i for i, label in enumerate(mixed.joint_names)}
    eta = x @ mixed.beta
    variance = np.zeros(len(take))
    for grouping, labels in design.groups.items():
        if grouping == "source":
            wanted = np.full(len(take), name)
        elif grouping == "dog":
            wanted = labels[take]
        else:
            variance += mixed.sd[grouping] ** 2
            continue
        effects = mixed.effects[grouping]
        place = effects.index.get_indexer(pd.Index(wanted))
        known = place >= 0
        eta[known] += effects["effect"].to_numpy()[place[known]]
        variance[known] += effects["std_error"].to_numpy()[place[known]] ** 2
        variance[~known] += mixed.sd[grouping] ** 2
        columns = np.array([index.get((grouping, str(level)), -1) for level in wanted])
        listed = columns >= 0
        contrast[np.flatnonzero(listed), columns[listed]] = 1.0
    return eta, np.sqrt(variance), contrast


def _trials_to_settle(
    probability: float, low: float, high: float, floor: float, reach: float
) -> int | None:
    """Further trials until the limit beyond the floor would clear it, if all goes as predicted.

    The information so far, read from how far that limit lies from the prediction on
    the log-odds scale, is counted as trials; further trials add the binomial
    information of the predicted probability. Twice as many are told: further trials
    share sessions, and how much sources differ stays open.
    """
    logit = special.logit(np.clip([probability, low, high, floor], 1e-9, 1.0 - 1e-9))
    distance = abs(float(logit[0] - logit[3]))
    # So close to the floor no number of trials worth stating would do.
    if distance < 1e-3:
        return None
    beyond = abs(float(logit[0] - (logit[1] if logit[0] > logit[3] else logit[2])))
    information_now = (reach / beyond) ** 2
    information_needed = (reach / distance) ** 2
    per_trial = max(probability * (1.0 - probability), 1e-9)
    more = int(np.ceil(_FOR_WHAT_IS_SHARED * (information_needed - information_now) / per_trial))
    if more > _MOST_TRIALS_TO_SETTLE:
        return None
    return max(more, 1)
