"""What each retirement limit buys, and what it costs in sources."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import pandas as pd
from scipy import sparse

from outcomes.analysis.decisions.curve import model_of, observed_to
from outcomes.analysis.decisions.rate_of_use import Discard, RateOfUse, retired_by_place
from outcomes.analysis.decisions.source_draws import DRAWS, SourceDraws, draw_over_spreads
from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.design import Design
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.results import ExposureName
from outcomes.exposure.cycles_and_age import NAME_OF, named_by
from outcomes.models.distributions import chi_square_quantile
from outcomes.random_streams import random_stream
from outcomes.text import DAYS_PER_MONTH as DAYS_PER_MONTH

LEAST_TRIALS = 30
LEAST_SOURCES = 3
_MOST_TRIALS = 20_000  # beyond that, as many evenly spaced in time stand for all
_AT_ONCE = 100


@dataclass(frozen=True, slots=True)
class TradeOffPoint:
    """One retirement rule: what it buys and what it costs.

    Attributes
    ----------
    cycles, age_days
        The limits; None where the rule has none of that kind. A source is
        still used at its limit, and not beyond.
    find_probability, low, high
        Expected find probability of the trials still run, over the unit's dogs
        and conditions.
    share_below_floor, share_low, share_high
        Share of those trials whose source, as it was then, is found less often
        than the floor, averaged over what the model leaves open.
    sources_per_year, sources_low, sources_high
        Sources retired per year in the long run, at the unit's own rate of use.
    trials
        The trials of the records that are within the limit.
    """

    cycles: float | None
    age_days: float | None
    find_probability: float
    low: float
    high: float
    share_below_floor: float
    share_low: float
    share_high: float
    sources_per_year: float
    sources_low: float
    sources_high: float
    trials: int


@dataclass(frozen=True, slots=True)
class PresentPractice:
    """How sources were in fact retired, and what all trials as run came to.

    ``sources_per_year`` counts the discards over the time of the trials, with
    exact Poisson limits; the other numbers are those of :class:`TradeOffPoint`,
    over all trials. ``discards`` tells what each had been through by then.
    """

    discards: tuple[Discard, ...]
    find_probability: float
    low: float
    high: float
    share_below_floor: float
    share_low: float
    share_high: float
    sources_per_year: float
    sources_low: float
    sources_high: float
    trials: int


@dataclass(frozen=True, slots=True)
class Advantage:
    """By cycles against by age, each retiring as many sources per year.

    ``points`` is the find probability by cycles minus that by age, in percentage
    points, at ``sources_per_year``; ``cycles`` and ``age_days`` are the two limits.
    """

    sources_per_year: float
    points: float
    low: float
    high: float
    cycles: float
    age_days: float


@dataclass(frozen=True, slots=True)
class TradeOff:
    """Retirement limits with their price.

    Attributes
    ----------
    by_cycles, by_age
        Rules by one exposure, in order of the limit: every whole number of
        cycles, every whole month of age, as far as they were observed.
    combined
        Rules by both, whichever comes first.
    present
        The unit's practice so far; None where ``reason`` says why.
    advantage
        Which of the two buys more for as many sources; None where they have no
        number of sources per year in common.
    floor, confidence
        As in the settings.
    years, places, undocumented
        Of the rate of use: years covered, mean number of sources held, and
        sources left out because their storage is not on record.
    leading
        ``"cycles"``, ``"age_days"`` or None: what the verdict names first.
    reason
        Why there is nothing to trade; None where there is.
    """

    by_cycles: tuple[TradeOffPoint, ...]
    by_age: tuple[TradeOffPoint, ...]
    combined: tuple[TradeOffPoint, ...]
    present: PresentPractice | None
    advantage: Advantage | None
    floor: float
    confidence: float
    years: float
    places: float
    undocumented: int
    leading: str | None
    reason: str | None


def trade_off(
    fit: FindFit,
    verdict: WhichPredicts,
    use: RateOfUse,
    *,
    combined: Sequence[tuple[float, float]] = (),
    drawn: SourceDraws | None = None,
) -> TradeOff:
    """Price every retirement limit by cycles and by age, and rules by both.

    Had a limit been in force, a source's trials beyond it would have been run
    on another in its place that is within it: the find probability is therefore
    that of the trials within the limit, each source keeping its share of the
    unit's trials. Each trial is predicted for its source as it was then, and
    averaged over the unit's dogs and conditions, so that rules differ neither
    by who searched where nor by what kinds are used. Nothing is predicted for
    an exposure that was not observed. A source without a trial within the limit
    leaves its share to the others.

    Parameters
    ----------
    fit, verdict
        Fit of finds and the verdict on it.
    use
        The unit's rate of use (:func:`~outcomes.analysis.decisions.rate_of_use.rate_of_use`).
    combined
        Rules (cycles, age in days), whichever comes first; one that leaves too
        few trials, or that every source had passed when it came, is not priced.
    drawn
        Draws behind the intervals, where they are made already.

    Returns
    -------
    TradeOff
        With a ``reason`` and no rules where the verdict gives nothing to trade.

    Notes
    -----
    Intervals are over draws (:func:`~outcomes.analysis.decisions.source_draws.draw_over_spreads`):
    percentiles for the find probability, the narrowest that holds as many for the
    share, which may lie against its bound; those of the sources per year are
    percentiles over resampled places in the store. A limit is only
    priced where at least 30 trials on 3 sources are within it.
    """
    settings = fit.settings
    reason = _nothing_to_trade(fit, verdict)
    if reason is None and not use.source_ids:
        reason = "the storage of no source is on record over the time of the trials"
    if reason is not None:
        return TradeOff(
            (), (), (), None, None, settings.floor, settings.confidence,
            use.years, use.places, use.undocumented, None, reason,
        )  # fmt: skip
    trials, place = _standing_in(fit.design)
    rules: list[tuple[float | None, float | None]] = [
        *((limit, None) for limit in _candidates(trials, "cycles", 1.0)),
        *((None, limit) for limit in _candidates(trials, "age_days", DAYS_PER_MONTH)),
        *(rule for rule in combined if _enough(trials, _within(trials, *rule) > 0.0)),
    ]
    rules = [rule for rule in rules if retired_by_place(use, *rule) is not None]
    within = np.column_stack([_within(trials, *rule) for rule in (*rules, (None, None))])
    mean, below = _over_draws(fit, place, _in_its_place(trials, within), drawn)
    cost = _costs(use, rules, settings.confidence, settings.seed)
    scale = len(fit.design.y) / len(place)
    points = [
        TradeOffPoint(
            *rule,
            *_summary(mean[:, k], settings.confidence),
            *_share(below[:, k], settings.confidence),
            *cost[k],
            round(float(within[:, k].sum()) * scale),
        )
        for k, rule in enumerate(rules)
    ]
    by_cycles = tuple(p for p in points if p.age_days is None)
    by_age = tuple(p for p in points if p.cycles is None)
    rate, rate_low, rate_high = _rate(len(use.discards), use.years, settings.confidence)
    present = PresentPractice(
        use.discards,
        *_summary(mean[:, -1], settings.confidence),
        *_share(below[:, -1], settings.confidence),
        rate,
        rate_low,
        rate_high,
        len(fit.design.y),
    )
    first, second = len(by_cycles), len(by_cycles) + len(by_age)
    return TradeOff(
        by_cycles=by_cycles,
        by_age=by_age,
        combined=tuple(p for p in points if p.cycles is not None and p.age_days is not None),
        present=present,
        advantage=_advantage(
            by_cycles, by_age, mean[:, :first], mean[:, first:second], rate, settings.confidence
        ),
        floor=settings.floor,
        confidence=settings.confidence,
        years=use.years,
        places=use.places,
        undocumented=use.undocumented,
        leading=NAME_OF.get(verdict.verdict),
        reason=None,
    )


def price_at_floors(
    fit: FindFit,
    price: TradeOff,
    use: RateOfUse,
    wanted: Sequence[tuple[float, tuple[float, float] | None]],
    *,
    drawn: SourceDraws | None = None,
) -> tuple[TradeOff, ...]:
    """Price a rule by both at other floors, from the same draws as :func:`trade_off`.

    Parameters
    ----------
    fit, use
        As for :func:`trade_off`.
    price
        What it gave, for the limits by one exposure and for present practice.
    wanted
        Each floor with its rule (cycles, age in days), or None for no rule.
    drawn
        As there.

    Returns
    -------
    tuple of TradeOff
        One for each floor: ``combined`` holds its rule where that can be priced,
        ``by_cycles`` and ``by_age`` the two limits of it alone; there, and in
        ``present``, shares below the floor are those below that floor.
    """
    present = price.present
    if price.reason is not None or present is None:
        return tuple(replace(price, floor=floor, combined=()) for floor, _ in wanted)
    trials, place = _standing_in(fit.design)
    priced = {(p.cycles, p.age_days): p for p in (*price.by_cycles, *price.by_age)}
    rules: list[tuple[float | None, float | None]] = [(None, None)]
    asked: list[list[int]] = []
    for _, rule in wanted:
        own = []
        if rule is not None and _can_be_priced(trials, use, rule):
            alone_ = [r for r in ((rule[0], None), (None, rule[1])) if r in priced]
            for one in (rule, *alone_):
                if one not in rules:
                    rules.append(one)
                own.append(rules.index(one))
        asked.append([*own, 0])
    weight = _in_its_place(trials, np.column_stack([_within(trials, *rule) for rule in rules]))
    drawn = drawn or draw_over_spreads(fit)
    draws = len(drawn.beta)
    mean, below = np.zeros((draws, len(rules))), [np.zeros((draws, len(own))) for own in asked]
    for begin in range(0, draws, _AT_ONCE):
        some = slice(begin, begin + _AT_ONCE)
        probability = drawn.averaged(place, some)
        mean[some] = probability @ weight
        for own, share, (floor, _) in zip(asked, below, wanted, strict=True):
            share[some] = (probability < floor) @ weight[:, own]
    both = [rule for rule in rules if rule[0] is not None and rule[1] is not None]
    cost = dict(zip(both, _costs(use, both, price.confidence, fit.settings.seed), strict=True))
    scale = len(fit.design.y) / len(place)
    found = []
    for own, share, (floor, _) in zip(asked, below, wanted, strict=True):
        points: dict[str, list[TradeOffPoint]] = {"combined": [], "by_cycles": [], "by_age": []}
        shares = [_share(share[:, k], price.confidence) for k in range(len(own))]
        for k, told in zip(own[:-1], shares, strict=False):
            limits = rules[k]
            if limits in cost:
                n = round(float(_within(trials, *limits).sum()) * scale)
                middle = _summary(mean[:, k], price.confidence)
                points["combined"].append(TradeOffPoint(*limits, *middle, *told, *cost[limits], n))
            else:
                name = "by_age" if limits[0] is None else "by_cycles"
                points[name].append(_with_shares(priced[limits], told))
        found.append(
            replace(
                price,
                floor=floor,
                combined=tuple(points["combined"]),
                by_cycles=tuple(points["by_cycles"]),
                by_age=tuple(points["by_age"]),
                present=_with_shares(present, shares[-1]),
            )
        )
    return tuple(found)


def _can_be_priced(trials: pd.DataFrame, use: RateOfUse, rule: tuple[float, float]) -> bool:
    enough = _enough(trials, _within(trials, *rule) > 0.0)
    return enough and retired_by_place(use, *rule) is not None


_Priced = TypeVar("_Priced", TradeOffPoint, PresentPractice)


def _with_shares(point: _Priced, shares: tuple[float, float, float]) -> _Priced:
    share, low, high = shares
    return replace(point, share_below_floor=share, share_low=low, share_high=high)


def two_sided_rule(
    retirement: Retirement, asked: tuple[float, float] | None = None
) -> tuple[float, float] | None:
    """The rule by both to price: the one asked for, or that of the unit's own two limits.

    Parameters
    ----------
    retirement
        The unit's thresholds.
    asked
        Cycles and months asked for; None: the limits by cycles and by age, the
        age in whole months, which is how limits by age are priced.

    Returns
    -------
    tuple or None
        Cycles, and age in days; None where there are not both.
    """
    if asked is not None:
        return asked[0], asked[1] * DAYS_PER_MONTH
    after = {t.by: t.retire_after for t in retirement.thresholds}
    cycles, age_days = after.get("cycles"), after.get("age_days")
    if cycles is None or age_days is None:
        return None
    months = int(age_days / DAYS_PER_MONTH + 1e-9)
    return (float(cycles), months * DAYS_PER_MONTH) if cycles and months else None


def alone(price: TradeOff, point: TradeOffPoint) -> tuple[TradeOffPoint | None, ...]:
    """The limits of a rule by both, each by itself: by cycles, by age; None where not priced."""
    by_cycles = (p for p in price.by_cycles if p.cycles == point.cycles)
    by_age = (p for p in price.by_age if abs((p.age_days or 0.0) - (point.age_days or 0.0)) < 1e-6)
    return next(by_cycles, None), next(by_age, None)


def _nothing_to_trade(fit: FindFit, verdict: WhichPredicts) -> str | None:
    """Why retiring sooner would buy nothing that these records show; None where it would."""
    if fit.reduced is None or verdict.verdict == "too few trials":
        return "too little evidence in these records to put a price on a limit"
    if verdict.verdict == "no change detected":
        return (
            "no change with cycles or age was detected, so these records do not show that "
            "retiring sources sooner would bring more finds"
        )
    if verdict.kinds_part:
        return "kinds of source differ in how they change: a limit for some has no common price"
    if verdict.no_limit:
        return "too many storage logs begin late: a limit would count too few cycles"
    slopes = []
    for exposure in named_by(verdict.verdict):
        # Of two that rise together, one nearly always falls in the model of both.
        design, mixed = model_of(fit, exposure, alone=verdict.asked_together)
        column = design.column_of(exposure)
        if mixed is not None and column is not None:
            slopes.append(mixed.beta[column])
    if not any(slope < 0.0 for slope in slopes):
        return "finds do not fall as sources are used, so retiring them sooner would bring no more"
    return None


def _standing_in(design: Design) -> tuple[pd.DataFrame, np.ndarray]:
    """The trials priced, with their rows in the design: all, or in a huge unit some."""
    n = len(design.y)
    if n <= _MOST_TRIALS:
        return design.trials, np.arange(n)
    order = np.argsort(design.trials["started_at"].to_numpy(), kind="stable")
    place = np.sort(order[((np.arange(_MOST_TRIALS) + 0.5) * n / _MOST_TRIALS).astype(int)])
    return design.trials.iloc[place], place


def _candidates(trials: pd.DataFrame, exposure: ExposureName, step: float) -> list[float]:
    """Whole multiples of the step, as far as the exposure was observed and trials are within."""
    values = trials[exposure].astype(float)
    found = []
    for number in range(1, int(observed_to(trials, exposure) / step + 1e-9) + 1):
        limit = number * step
        inside = (values <= limit).to_numpy()
        if inside.all():
            break
        if _enough(trials, inside):
            found.append(limit)
    return found


def _enough(trials: pd.DataFrame, inside: np.ndarray) -> bool:
    """Whether the trials within a limit can say anything."""
    sources = trials["source_id"].to_numpy()[inside]
    return len(sources) >= LEAST_TRIALS and len(set(sources)) >= LEAST_SOURCES


def _within(trials: pd.DataFrame, cycles: float | None, age_days: float | None) -> np.ndarray:
    inside = np.ones(len(trials))
    if cycles is not None:
        inside *= (trials["cycles"] <= cycles).to_numpy(dtype=float)
    if age_days is not None:
        inside *= (trials["age_days"] <= age_days).to_numpy(dtype=float)
    return inside


def _in_its_place(trials: pd.DataFrame, within: np.ndarray) -> np.ndarray:
    """Weight of each trial under each rule: those within it, every source with its own share."""
    codes, levels = pd.factorize(trials["source_id"])
    n = len(trials)
    member = sparse.csr_matrix((np.ones(n), (codes, np.arange(n))), shape=(len(levels), n))
    share = np.bincount(codes)[:, None] / np.maximum(member @ within, 1.0)
    weight = within * share[codes]
    return np.asarray(weight / np.maximum(weight.sum(axis=0), 1.0))


def _over_draws(
    fit: FindFit, place: np.ndarray, weight: np.ndarray, drawn: SourceDraws | None
) -> tuple[np.ndarray, np.ndarray]:
    """Mean find probability, and share below the floor, per draw and rule, shape (draws, rules)."""
    drawn = drawn or draw_over_spreads(fit)
    draws = len(drawn.beta)
    mean, below = (np.zeros((draws, weight.shape[1])) for _ in range(2))
    for begin in range(0, draws, _AT_ONCE):
        some = slice(begin, begin + _AT_ONCE)
        probability = drawn.averaged(place, some)
        mean[some] = probability @ weight
        below[some] = (probability < fit.settings.floor) @ weight
    return mean, below


def _summary(values: np.ndarray, confidence: float) -> tuple[float, float, float]:
    """Mean over draws, with percentile limits that always hold it."""
    centre = float(values.mean())
    tails = [0.5 - confidence / 2.0, 0.5 + confidence / 2.0]
    low, high = (float(v) for v in np.quantile(values, tails))
    return centre, min(low, centre), max(high, centre)


def _share(values: np.ndarray, confidence: float) -> tuple[float, float, float]:
    """Mean over draws, with the narrowest limits that hold so many of them.

    A share near none has no room below: a percentile would leave none out.
    """
    centre = float(values.mean())
    ordered = np.sort(values)
    held = int(np.ceil(confidence * len(ordered)))
    width = ordered[held - 1 :] - ordered[: len(ordered) - held + 1]
    # Of limits as narrow as each other the lowest, not what rounding makes of them.
    first = int(np.argmin(np.round(width, 12)))
    low, high = float(ordered[first]), float(ordered[first + held - 1])
    return centre, min(low, centre), max(high, centre)


def _costs(
    use: RateOfUse,
    rules: Sequence[tuple[float | None, float | None]],
    confidence: float,
    seed: int,
) -> list[tuple[float, float, float]]:
    """Sources retired per year under each rule, with limits over resampled places."""
    rng = random_stream(seed, "cost of limits")
    size = len(use.held)
    counts = rng.multinomial(size, np.full(size, 1.0 / size), DRAWS)
    costs = []
    for rule in rules:
        own = retired_by_place(use, *rule)
        assert own is not None
        _, low, high = _summary(counts @ own, confidence)
        total = float(own.sum())
        costs.append((total, min(low, total), max(high, total)))
    return costs


def _rate(count: int, years: float, confidence: float) -> tuple[float, float, float]:
    """Events per year with exact Poisson limits (Garwood).

    References
    ----------
    Garwood F (1936). Fiducial limits for the Poisson distribution. Biometrika 28, 437-442.

    Examples
    --------
    >>> [round(v, 3) for v in _rate(10, 1.0, 0.95)]
    [10.0, 4.795, 18.39]
    """
    tail = 0.5 - confidence / 2.0
    low = chi_square_quantile(tail, 2 * count) / 2.0 if count else 0.0
    high = chi_square_quantile(1.0 - tail, 2 * count + 2) / 2.0
    return count / years, float(low) / years, float(high) / years


def _advantage(
    by_cycles: Sequence[TradeOffPoint],
    by_age: Sequence[TradeOffPoint],
    of_cycles: np.ndarray,
    of_age: np.ndarray,
    wanted: float,
    confidence: float,
) -> Advantage | None:
    """Compare the two at one price: the unit's own, or the nearest that both can have."""
    if not by_cycles or not by_age:
        return None
    prices = [np.array([p.sources_per_year for p in rules]) for rules in (by_cycles, by_age)]
    limits = [
        np.array([p.cycles for p in by_cycles], dtype=float),
        np.array([p.age_days for p in by_age], dtype=float),
    ]
    cheapest = max(float(p.min()) for p in prices)
    dearest = min(float(p.max()) for p in prices)
    if cheapest > dearest:
        return None
    price = float(np.clip(wanted, cheapest, dearest))
    # Prices fall as limits rise; interpolation wants them rising.
    at = [
        np.array([np.interp(price, p[::-1], row[::-1]) for row in values])
        for p, values in zip(prices, (of_cycles, of_age), strict=True)
    ]
    cycles, age = (
        float(np.interp(price, p[::-1], v[::-1])) for p, v in zip(prices, limits, strict=True)
    )
    points, low, high = _summary(100.0 * (at[0] - at[1]), confidence)
    return Advantage(price, points, low, high, cycles, age)
