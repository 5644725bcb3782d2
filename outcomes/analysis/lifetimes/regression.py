"""What makes sources unreliable sooner: regime, cycles at a given age, and cycle by cycle."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.usable_trials import on_late_logs
from outcomes.analysis.lifetimes.kaplan_meier import counting_trials
from outcomes.analysis.lifetimes.rule import first_called
from outcomes.analysis.results import LeftOut, Lifetime, RuleInUse
from outcomes.errors import FitError
from outcomes.models.distributions import student_quantile
from outcomes.models.period_hazard import fit_periods
from outcomes.models.ratio import Estimate, estimate_ratio
from outcomes.models.survival import (
    HazardFit,
    Intervals,
    fit_time_varying,
    fit_weibull,
    rank_at_events,
)
from outcomes.settings import DecisionSettings
from outcomes.text import count

LEAST_EVENTS = 5
PER_TERM = 5
LEAST_SOURCES = 3
NEXT = 5


@dataclass(frozen=True, slots=True)
class WeibullLifetime:
    """Time to unreliable in refrigerated against frozen sources, by a Weibull model.

    Attributes
    ----------
    sources, events
        Refrigerated and frozen sources followed, and those that met the rule.
    shape
        Of the Weibull distribution: above 1, the hazard rises with the days held.
    terms
        Ratios of times: ``regime`` (refrigerated against frozen), and ``kind``
        where 5 events are there for each parameter.
    left_out
        What the model does without, and why.
    reason
        Why there is no model; None where there is one.
    alpha
        Intervals are at 1 - alpha.
    """

    sources: int
    events: int
    shape: float | None
    terms: tuple[Estimate, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    alpha: float


@dataclass(frozen=True, slots=True)
class CyclesAtAge:
    """Hazard of becoming unreliable against cycles, among sources of the same age.

    Attributes
    ----------
    sources, events
        Sources followed, and those that met the rule.
    terms
        Hazard ratios: ``cycles``, and ``trials_per_30_days`` (how often the
        source was tried so far, per doubling) where there are 10 events.
    left_out
        What the model does without, and why.
    reason
        Why there is no model; None where there is one.
    alpha
        Intervals are at 1 - alpha.
    """

    sources: int
    events: int
    terms: tuple[Estimate, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    alpha: float


@dataclass(frozen=True, slots=True)
class NextCycles:
    """Of sources still reliable after ``after`` cycles, the share unreliable ``within`` more."""

    after: int
    within: int
    probability: float
    low: float
    high: float
    at_risk: int


@dataclass(frozen=True, slots=True)
class CycleHazard:
    """The hazard of becoming unreliable from one cycle to the next.

    Attributes
    ----------
    sources, events, cycles
        Sources followed through a cycle, those that met the rule, and the
        cycles of all of them together.
    terms
        Hazard ratio ``cycles``: how the hazard itself changes with each cycle.
    next_cycles
        For every fifth cycle with at least 3 sources followed through each of
        the next 5.
    left_out
        Sources it does without, and why.
    reason
        Why there is no model; None where there is one.
    alpha
        Intervals are at 1 - alpha.
    not_told
        Why ``next_cycles`` are left away though there is a model; None where they are not.
    """

    sources: int
    events: int
    cycles: int
    terms: tuple[Estimate, ...]
    next_cycles: tuple[NextCycles, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    alpha: float
    not_told: str | None = None


def not_by_cycles(found: CycleHazard) -> CycleHazard:
    """The same where finds go with age: cycles only stand in for it, so nothing is told by them."""
    if found.reason is not None:
        return found
    reason = "finds go with age in these records, and cycles only rise along with it"
    return replace(found, next_cycles=(), not_told=reason)


def fit_weibull_lifetime(lifetime: Lifetime, settings: DecisionSettings) -> WeibullLifetime:
    """Fit the days held until unreliable against the regime, events interval-censored.

    Weibull accelerated failure-time model with late entry: each source counts
    from its first trial, its event lies between the last trial before it and
    the one that showed it.

    Parameters
    ----------
    lifetime
        Of the same trials; its ``followed`` is used.
    settings
        Its ``alpha`` is used.

    Returns
    -------
    WeibullLifetime
        Without terms, and with the reason, under 5 events in all or without an
        event or two sources in either regime. Intervals use Student's t with
        sources - parameters degrees of freedom.

    References
    ----------
    Kalbfleisch, J. D. and Prentice, R. L. (2002). *The Statistical Analysis of
    Failure Time Data*, 2nd ed., sections 3.2 and 3.6.
    """
    followed = lifetime.followed
    left_out: list[LeftOut] = []
    if len(followed):
        known = followed["regime"].isin(["frozen", "refrigerated"])
        _note(left_out, int((~known).sum()), "storage neither frozen nor refrigerated")
        followed = followed[known]
    events = int(followed["event"].sum()) if len(followed) else 0
    reason = _too_few(events) or _by_chance(lifetime) or _one_regime(followed)
    if reason is None:
        try:
            return _weibull(followed, events, tuple(left_out), settings.alpha)
        except FitError as error:
            reason = str(error)
    return WeibullLifetime(
        sources=len(followed),
        events=events,
        shape=None,
        terms=(),
        left_out=tuple(left_out),
        reason=reason,
        alpha=settings.alpha,
    )


def fit_cycles_at_age(
    trials: pd.DataFrame, lifetime: Lifetime, settings: DecisionSettings
) -> CyclesAtAge:
    """Fit the hazard of meeting the rule against the cycles so far, on the scale of age.

    Cox model in which a source enters at its age at its first trial that
    counts, and carries the cycles it had at the trial before the present
    moment. A source tried more often has more cycles at the same age and more
    chances to meet the rule; how often it was tried so far is therefore a
    second term where there are 10 events.

    Parameters
    ----------
    trials
        Joined trials: as for :func:`outcomes.analysis.lifetimes.kaplan_meier.fit_lifetime`, with
        ``age_days`` and ``cycles``.
    lifetime
        Of the same trials; its ``rule`` is used.
    settings
        Its ``rule`` and ``alpha`` are used.

    Returns
    -------
    CyclesAtAge
        Without terms, and with the reason, under 5 events. Intervals use
        Student's t with sources - 1 degrees of freedom.

    References
    ----------
    Therneau, T. M. and Grambsch, P. M. (2000). *Modeling Survival Data:
    Extending the Cox Model*, section 3.7.
    """
    unlogged = on_late_logs(trials)
    rows, sources, known = _between_trials(trials[~unlogged], lifetime.rule, settings)
    late: list[LeftOut] = []
    _note(late, int(trials["source_id"][unlogged].nunique()), _LATE)
    left_out = (*late, *known)
    events = int(rows["event"].sum()) if len(rows) else 0
    reason = _too_few(events) or _by_chance(lifetime)
    if reason is None and rows["cycles"].nunique() < 2:
        reason = "all sources have the same number of cycles"
    if reason is None:
        try:
            return _at_age(rows, sources, events, left_out, settings.alpha)
        except FitError as error:
            reason = str(error)
    return CyclesAtAge(
        sources=sources,
        events=events,
        terms=(),
        left_out=left_out,
        reason=reason,
        alpha=settings.alpha,
    )


def fit_cycle_hazard(
    lifetime: Lifetime, settings: DecisionSettings, late: Collection[str] = ()
) -> CycleHazard:
    """Fit the hazard of meeting the rule from one cycle to the next.

    A source counts from its cycles at its first trial on; its event lies in one of the
    cycles after the last trial before it, up to that of the trial that showed
    it. The log of the hazard changes linearly with the number of the cycle.
    Sources that were never frozen have no cycles and are left out.

    Parameters
    ----------
    lifetime
        Of the same trials; its ``followed`` is used.
    settings
        Its ``alpha`` is used.
    late
        Sources whose storage log begins late: their cycles are not known, and they are
        left out.

    Returns
    -------
    CycleHazard
        Without terms, and with the reason, under 5 events. Intervals use
        Student's t with sources - 2 degrees of freedom, on the logarithm of
        the cumulative hazard.

    References
    ----------
    Prentice, R. L. and Gloeckler, L. A. (1978). Regression analysis of grouped
    survival data with application to breast cancer data. *Biometrics* 34, 57-67.
    """
    followed = lifetime.followed
    left_out: list[LeftOut] = []
    if len(followed):
        unlogged = followed["source_id"].astype(str).isin(list(late))
        _note(left_out, int(unlogged.sum()), _LATE)
        followed = followed[~unlogged]
        known = followed[["entry_cycles", "low_cycles", "exit_cycles"]].notna().all(axis=1)
        _note(left_out, int((~known).sum()), "cycles not known")
        followed = followed[known]
        never = followed["exit_cycles"] < 1
        _note(left_out, int(never.sum()), "no freeze/thaw cycle while followed")
        followed = followed[~never]
    periods = _periods(followed)
    events = int(followed["event"].sum()) if len(followed) else 0
    reason = _too_few(events) or _by_chance(lifetime)
    if reason is None and periods["cycle"].nunique() < 2:
        reason = "all of it happened within one cycle"
    if reason is None:
        try:
            return _by_cycle(followed, periods, events, tuple(left_out), settings.alpha)
        except FitError as error:
            reason = str(error)
    return CycleHazard(
        sources=len(followed),
        events=events,
        cycles=len(periods),
        terms=(),
        next_cycles=(),
        left_out=tuple(left_out),
        reason=reason,
        alpha=settings.alpha,
    )


_LATE = "the storage log begins late, so cycles are not known"


def _note(left_out: list[LeftOut], count: int, reason: str) -> None:
    if count:
        word = "source" if count == 1 else "sources"
        left_out.append(LeftOut("sources", f"{count} {word}: {reason}"))


def _too_few(events: int) -> str | None:
    if events >= LEAST_EVENTS:
        return None
    return (
        f"{events} source{'' if events == 1 else 's'} met the rule, and {LEAST_EVENTS} are needed"
    )


def _by_chance(lifetime: Lifetime) -> str | None:
    if lifetime.chance is None or lifetime.chance.told == "more than chance":
        return None
    if lifetime.chance.told == "unclear":
        return "finds show no change, so whether sources wear out is unclear"
    return "no more sources met the rule than would by chance"


def _one_regime(followed: pd.DataFrame) -> str | None:
    for regime in ("refrigerated", "frozen"):
        own = followed[followed["regime"] == regime]
        if len(own) < 2:
            return f"fewer than 2 {regime} sources were followed"
        if not own["event"].any():
            return f"none of {len(own)} {regime} source{'' if len(own) == 1 else 's'} met the rule"
    return None


def _weibull(
    followed: pd.DataFrame, events: int, left_out: tuple[LeftOut, ...], alpha: float
) -> WeibullLifetime:
    event = followed["event"].to_numpy(bool)
    exit_ = followed["exit_days"].to_numpy(float)
    # Two trials at one moment leave no room between them: the event is then known exactly.
    low = np.where(event, np.minimum(followed["low_days"].to_numpy(float), exit_), exit_)
    entry = np.minimum(followed["entry_days"].to_numpy(float), low)
    times = Intervals(entry, low, np.where(event, exit_, np.inf))
    columns = [(followed["regime"] == "refrigerated").to_numpy(float)]
    names = [("regime", "refrigerated against frozen")]
    kinds = followed["kind"].value_counts()
    levels = sorted(str(kind) for kind in kinds.index)
    # The Weibull scale and the constant count as one parameter each.
    if len(levels) > 1 and events >= PER_TERM * (len(levels) + 2):
        reference = str(kinds.index[0])
        for level in (x for x in levels if x != reference):
            columns.append((followed["kind"] == level).to_numpy(float))
            names.append(("kind", f"{level} against {reference}"))
    elif len(levels) > 1:
        left_out = (
            *left_out,
            LeftOut(
                "kind", f"{count(events, 'event')}; each of its terms would need {PER_TERM} more"
            ),
        )
    fit = fit_weibull(times, np.column_stack(columns))
    freedom = max(len(followed) - len(fit.beta), 1)
    errors = np.sqrt(np.diag(fit.cov))
    terms = tuple(
        estimate_ratio(name, unit, float(fit.beta[j]), float(errors[j]), alpha, freedom)
        for j, (name, unit) in enumerate(names, start=1)
    )
    return WeibullLifetime(
        sources=len(followed),
        events=events,
        shape=float(np.exp(-fit.beta[-1])),
        terms=terms,
        left_out=left_out,
        reason=None,
        alpha=alpha,
    )


def _between_trials(
    trials: pd.DataFrame, rule: RuleInUse | None, settings: DecisionSettings
) -> tuple[pd.DataFrame, int, tuple[LeftOut, ...]]:
    """One row per source and stretch between two of its trials, up to the event."""
    counted, _ = counting_trials(trials, settings.rule)
    counted = counted if rule is not None else counted.head(0)
    left_out: list[LeftOut] = []
    rows: list[pd.DataFrame] = []
    unknown = 0
    for source, own in counted.groupby("source_id", sort=True):
        if own[["age_days", "cycles"]].isna().to_numpy().any():
            unknown += 1
            continue
        assert rule is not None
        called = first_called(~own["found"].to_numpy(), rule.misses, rule.window)
        last = len(own) - 1 if called is None else called
        age = own["age_days"].to_numpy(float)[: last + 1]
        held = own["held_days"].to_numpy(float)[: last + 1]
        before = np.arange(last)
        stretch = pd.DataFrame(
            {
                "source_id": source,
                "start": age[:-1],
                "stop": age[1:],
                "cycles": own["cycles"].to_numpy(float)[:last],
                # Tried so often a month since it came; a month at least, or a first trial
                # on the day it came would count as a great many.
                "use": np.log2((before + 1) / (np.maximum(held[:-1], 30.0) / 30.0)),
                "event": (before == last - 1) & (called is not None),
            }
        )
        rows.append(stretch)
    _note(left_out, unknown, "age or cycles not known")
    columns = ["source_id", "start", "stop", "cycles", "use", "event"]
    rows = [part for part in rows if len(part)]
    frame = pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=columns)
    # Two trials at one moment: the event needs a stretch to lie in.
    stop, start = frame["stop"].to_numpy(float), frame["start"].to_numpy(float)
    frame = frame.assign(
        start=np.where(frame["event"].to_numpy(bool), np.minimum(start, stop - 1e-6), start)
    )
    frame = frame[frame["stop"] > frame["start"]]
    return frame, int(frame["source_id"].nunique()), tuple(left_out)


def _at_age(
    rows: pd.DataFrame, sources: int, events: int, left_out: tuple[LeftOut, ...], alpha: float
) -> CyclesAtAge:
    names = [("cycles", "cycle")]
    start, stop = rows["start"].to_numpy(float), rows["stop"].to_numpy(float)
    event, x = rows["event"].to_numpy(bool), rows[["cycles", "use"]].to_numpy(float)
    if events < 2 * PER_TERM:
        lacking = f"{count(events, 'event')}, and {2 * PER_TERM} are needed for it"
        left_out = (*left_out, LeftOut("trials_per_30_days", lacking))
    elif rank_at_events(start, stop, event, x) < 2:
        same = "the same in all sources of an age, or tied to their cycles"
        left_out = (*left_out, LeftOut("trials_per_30_days", same))
    else:
        names.append(("trials_per_30_days", "doubling"))
    fit = fit_time_varying(start, stop, event, x[:, : len(names)])
    errors = np.sqrt(np.diag(fit.cov))
    terms = tuple(
        estimate_ratio(name, unit, float(fit.beta[j]), float(errors[j]), alpha, sources - 1)
        for j, (name, unit) in enumerate(names)
    )
    return CyclesAtAge(
        sources=sources,
        events=events,
        terms=terms,
        left_out=left_out,
        reason=None,
        alpha=alpha,
    )


def _periods(followed: pd.DataFrame) -> pd.DataFrame:
    """One row per source and cycle it was followed through."""
    rows = []
    parts = zip(
        followed["entry_cycles"].astype(int).tolist() if len(followed) else [],
        followed["low_cycles"].astype(int).tolist() if len(followed) else [],
        followed["exit_cycles"].astype(int).tolist() if len(followed) else [],
        followed["event"].tolist() if len(followed) else [],
        strict=True,
    )
    for code, (entry, low, last, event) in enumerate(parts):
        surely = min(low, last - 1) if event else last
        rows += [(code, cycle, cycle > surely) for cycle in range(max(entry, 1), last + 1)]
    return pd.DataFrame(rows, columns=["source", "cycle", "uncertain"]).astype(
        {"source": int, "cycle": int, "uncertain": bool}
    )


def _by_cycle(
    followed: pd.DataFrame,
    periods: pd.DataFrame,
    events: int,
    left_out: tuple[LeftOut, ...],
    alpha: float,
) -> CycleHazard:
    cycle = periods["cycle"].to_numpy(float)
    fit = fit_periods(
        periods["source"].to_numpy(int),
        periods["uncertain"].to_numpy(bool),
        np.column_stack([np.ones(len(cycle)), cycle]),
    )
    freedom = max(len(followed) - 2, 1)
    at_risk = periods.groupby("cycle")["source"].nunique()
    found = []
    # Records that begin late have nothing to say about the first cycles, and something later.
    for after in range(0, int(at_risk.index.max()), NEXT):
        through = at_risk.reindex(range(after + 1, after + NEXT + 1), fill_value=0)
        if int(through.min()) >= LEAST_SOURCES:
            found.append(_next(fit, after, int(through.max()), alpha, freedom))
    error = float(np.sqrt(fit.cov[1, 1]))
    term = estimate_ratio("cycles", "cycle", float(fit.beta[1]), error, alpha, freedom)
    return CycleHazard(
        sources=len(followed),
        events=events,
        cycles=len(periods),
        terms=(term,),
        next_cycles=tuple(found),
        left_out=left_out,
        reason=None,
        alpha=alpha,
    )


def _next(fit: HazardFit, after: int, at_risk: int, alpha: float, freedom: int) -> NextCycles:
    x = np.column_stack([np.ones(NEXT), np.arange(after + 1, after + NEXT + 1)])
    hazard = np.exp(x @ fit.beta)
    total = float(hazard.sum())
    slope = hazard @ x / total
    width = float(student_quantile(1 - alpha / 2, freedom)) * float(
        np.sqrt(slope @ fit.cov @ slope)
    )
    low, middle, high = (
        float(-np.expm1(-total * np.exp(w))) for w in (-width, 0.0, min(width, 50.0))
    )
    return NextCycles(after, NEXT, middle, low, high, at_risk)
