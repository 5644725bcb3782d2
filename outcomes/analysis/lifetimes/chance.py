"""How many sources would meet the rule for unreliable by chance alone, if none changed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import expit

from outcomes.analysis.finds.design import column_values
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.lifetimes.kaplan_meier import ALL_SOURCES, counting_trials, fit_lifetime
from outcomes.analysis.results import (
    ChanceAlone,
    ChancePoint,
    ChanceVerdict,
    Lifetime,
    RuleInUse,
    Verdict,
)
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.survival import product_limit
from outcomes.random_streams import random_stream
from outcomes.settings import DecisionSettings

WORLDS = 300
BAND = (0.05, 0.95)
_TIMES = 80  # at which the curve of chance is drawn


@dataclass(frozen=True, slots=True)
class Unchanged:
    """The trials that count, had no source changed since its first.

    Attributes
    ----------
    log_odds
        Of a find, shape (n,), in the order of
        :func:`outcomes.analysis.lifetimes.kaplan_meier.counting_trials`.
    block
        Code of trials of one session, or hide, shape (n,).
    block_sd
        Standard deviation, log-odds, of what these have in common.
    reference
        Mean find probability; None where the unit's own proportion of finds is to be used.
    no_change
        Whether the verdict is that no change shows.
    """

    log_odds: np.ndarray
    block: np.ndarray
    block_sd: float
    reference: float | None
    no_change: bool


def unchanged_finds(
    fit: FindFit, verdict: Verdict, trials: pd.DataFrame, settings: DecisionSettings
) -> Unchanged | None:
    """What every trial that counts would have been found with, had no source changed.

    By the model of finds, dogs and sources as fitted, and each exposure as it was at the
    first trial of the source. So the reference does not contain the fall that it is to
    be held against, as the unit's own proportion of finds does.

    Parameters
    ----------
    fit
        A fit of finds.
    verdict
        On the same fit.
    trials
        Joined trials.
    settings
        Its ``rule`` is used.

    Returns
    -------
    Unchanged or None
        None without a model. A condition that is missing counts as the usual one.
    """
    mixed = fit.reduced
    counted, _ = counting_trials(trials, settings.rule)
    if mixed is None or not len(counted):
        return None
    rows = trials.drop_duplicates("trial_id").set_index("trial_id").loc[counted["trial_id"]]
    codes, first = _first_of(counted)
    log_odds = np.full(len(counted), mixed.beta[0])
    for j, column in enumerate(fit.design.columns, start=1):
        values = column_values(column, rows)
        if column.term in CYCLES_AND_AGE:
            known = np.isfinite(rows[column.term].to_numpy(dtype=float))
            values = np.where(known, values, values[known].mean())[first][codes]
        log_odds += values * mixed.beta[j]
    for grouping in ("dog", "source"):
        if grouping in mixed.effects:
            effect = mixed.effects[grouping]["effect"]
            log_odds += effect.reindex(rows[f"{grouping}_id"].astype(str)).fillna(0.0).to_numpy()
    block, block_sd = np.arange(len(counted)), 0.0
    for grouping, sd in mixed.sd.items():
        if grouping not in ("dog", "source") and sd > 0.0:
            block = pd.factorize(rows[f"{grouping}_id"].astype(str))[0]
            block_sd = sd
    no_change = verdict == "no change detected"
    found = float(averaged_probability(log_odds, block_sd)[0].mean())
    return Unchanged(log_odds, block, block_sd, None if no_change else found, no_change)


def ask_lifetime(
    trials: pd.DataFrame,
    sources: pd.DataFrame,
    storage: pd.DataFrame,
    settings: DecisionSettings,
    unchanged: Unchanged | None,
) -> Lifetime:
    """Follow every source until it meets the rule, beside what chance alone would give.

    300 worlds in which no source changes are drawn over the trials as run, and each source
    followed in them by the same rule from the same first trial on. Without a model of finds
    they are drawn at the unit's own proportion of finds, which holds whatever fall there was.

    Parameters
    ----------
    trials, sources, storage, settings
        As for :func:`outcomes.analysis.lifetimes.kaplan_meier.fit_lifetime`.
    unchanged
        The trials had no source changed; None without a model.
    """
    reference = None if unchanged is None else unchanged.reference
    lifetime = fit_lifetime(trials, sources, storage, settings, reference)
    own = lifetime.baseline
    if lifetime.rule is None or own is None or not lifetime.sources:
        return lifetime
    counted, _ = counting_trials(trials, settings.rule)
    if unchanged is None:
        share = float(np.clip(counted["found"].mean(), 1e-9, 1.0 - 1e-9))
        level = np.full(len(counted), np.log(share / (1.0 - share)))
        unchanged = Unchanged(level, np.arange(len(counted)), 0.0, None, no_change=True)
    rng = random_stream(settings.seed, "chance alone")
    shared = rng.normal(0.0, 1.0, (WORLDS, int(unchanged.block.max()) + 1)) * unchanged.block_sd
    chance = expit(unchanged.log_odds + shared[:, unchanged.block])
    last, event = _follow(counted, rng.random(chance.shape) >= chance, lifetime.rule)
    number = event.sum(axis=1)
    low, high = np.quantile(number, BAND)
    p = float((1 + (number >= lifetime.events).sum()) / (1 + WORLDS))
    told: ChanceVerdict = "no more than chance"
    if p < settings.alpha:
        told = "unclear" if unchanged.no_change else "more than chance"
    return replace(
        lifetime,
        chance=ChanceAlone(
            sources=float(number.mean()),
            low=float(low),
            high=float(high),
            p=p,
            worlds=WORLDS,
            told=told,
            curve=tuple(
                point
                for group in lifetime.curve_from
                for point in _curve(group, counted, last, event, lifetime)
            ),
        ),
    )


def _first_of(counted: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Source of each row, as a code, and the row of each source's first trial."""
    codes = pd.factorize(counted["source_id"])[0]
    return codes, np.flatnonzero(np.diff(codes, prepend=-1))


def _follow(
    counted: pd.DataFrame, missed: np.ndarray, rule: RuleInUse
) -> tuple[np.ndarray, np.ndarray]:
    """Row by which each source ends to be followed, and whether by the rule; (worlds, sources)."""
    first = _first_of(counted)[1]
    ends = [*first[1:], len(counted)]
    last = np.zeros((len(missed), len(first)), dtype=int)
    event = np.zeros(last.shape, dtype=bool)
    for s, (begin, end) in enumerate(zip(first, ends, strict=True)):
        so_far = np.cumsum(missed[:, begin:end], axis=1)
        before = np.zeros_like(so_far)
        before[:, rule.window :] = so_far[:, : -rule.window]
        met = so_far - before >= rule.misses
        event[:, s] = met.any(axis=1)
        last[:, s] = begin + np.where(event[:, s], met.argmax(axis=1), end - begin - 1)
    return last, event


def _curve(
    group: str, counted: pd.DataFrame, last: np.ndarray, event: np.ndarray, lifetime: Lifetime
) -> list[ChancePoint]:
    """Share still reliable by chance along a drawn curve, of sources of its group."""
    start, end = lifetime.curve_from[group], lifetime.curve_to[group]
    times = np.linspace(start, end, _TIMES)
    held, regime = counted["held_days"].to_numpy(), counted["regime"].to_numpy()
    entry = held[_first_of(counted)[1]]
    share = np.ones((len(last), _TIMES))
    for world, (rows, met) in enumerate(zip(last, event, strict=True)):
        exit_ = held[rows]
        own = (exit_ > start) & (entry < end) & (exit_ > entry)
        if group != ALL_SOURCES:
            own &= regime[rows] == group
        if not own.any():
            continue
        steps = product_limit(
            np.minimum(exit_[own], end), (met & (exit_ <= end))[own], np.maximum(entry[own], start)
        )
        share[world] = np.append(1.0, steps.probability)[
            np.searchsorted(steps.times, times, side="right")
        ]
    low, high = np.quantile(share, BAND, axis=0)
    return [
        ChancePoint(group, *map(float, point))
        for point in zip(times, share.mean(axis=0), low, high, strict=True)
    ]
