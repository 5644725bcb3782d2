"""The stock: when each source reaches its limit at its own rate of use, and how many are left."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from scipy import special

from outcomes.analysis.decisions.rate_of_use import RateOfUse, retired_by_place
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.threshold import Threshold
from outcomes.analysis.results import ExposureName
from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.exposure.stays import History
from outcomes.models.averaged_probability import normal_nodes
from outcomes.text import DAYS_PER_MONTH, DAYS_PER_YEAR

HORIZONS = (3, 6, 12)
"""Months ahead that the stock is told for."""

_WINDOW_DAYS = 91.0  # a season: shorter ones miss that a source rests
_MOST_WINDOWS = 8  # two years: what was longer ago says little of how it is used now
_SEASONS_A_YEAR = 4
_ROUNDS = 30
_OF_MOMENTS = 0.5  # of the weight that moments give the other sources: they err, too
_COMMON_WITHOUT = 0.04  # of a unit with too few seasons to tell
_NODES = 9
_LEAST_DISPERSION = 0.25
_LEAST_SPREAD = 0.2  # of rates between sources, of their mean
_JUST_BEFORE = pd.Timedelta(1, "s")

Standing = Literal["usable", "at the limit", "retire", "no limit", "not thawed", "not known"]
"""Why a source has a date, or none."""

Rota = Literal["half as often", "in turn", "on these alone"]
"""Thaws halved; shared out alike; those of sources past use taken by the others, too."""


@dataclass(frozen=True, slots=True)
class UseAhead:
    """What is known of how often one source will be thawed: a gamma distribution of its rate.

    Attributes
    ----------
    shape, days
        The rate is gamma distributed with this shape, over so many days; both in units of
        ``dispersion``.
    dispersion
        Variance of the number of thaws in a season over its mean.
    common
        Variance of the logarithm of a factor that all sources of the unit share: whether it
        trains more or less than it did.
    """

    shape: float
    days: float
    dispersion: float
    common: float = 0.0

    @property
    def per_year(self) -> float:
        """Mean rate, thaws a year."""
        return DAYS_PER_YEAR * self.shape / self.days

    def slower(self, times: float) -> UseAhead:
        """The same at so many times the rate."""
        return replace(self, days=self.days / times)

    def with_factor(self, factor: float) -> UseAhead:
        """The same where the factor common to all sources is known."""
        return replace(self.slower(factor), common=0.0)

    def _opened(self) -> tuple[float, float]:
        """Shape and days of the rate with what is common to all sources open, too."""
        shape = 1.0 / (1.0 / self.shape + self.common)
        return shape, self.days * shape / self.shape

    def days_until(self, thaws: float, probability: float) -> float:
        """Days by which so many further thaws are through with this probability.

        The time to so many thaws at a known rate is taken as gamma distributed; with the rate
        open, the ratio of both is beta prime (for whole numbers of thaws, and thaws that fall
        at random, the ratio of two chi-squared variables that is used for a Poisson process).
        """
        if thaws <= 0:
            return 0.0
        shape, days = self._opened()
        part = float(special.betaincinv(thaws / self.dispersion, shape, probability))
        return np.inf if part >= 1.0 else self.dispersion * days * part / (1.0 - part)

    def reached_by(self, thaws: float, days: float) -> float:
        """Probability that so many further thaws are through within so many days."""
        if thaws <= 0:
            return 1.0
        shape, own = self._opened()
        part = days / (days + self.dispersion * own)
        return float(special.betainc(thaws / self.dispersion, shape, part))


@dataclass(frozen=True, slots=True)
class SourceAhead:
    """One source held, and when it reaches its limit.

    Attributes
    ----------
    source_id, kind
        The source.
    standing
        ``"usable"``: it has a date; ``"at the limit"``: it has reached it or is past it;
        ``"retire"``: its own trials show it below the floor; ``"no limit"``: there is none for
        its kind; ``"not thawed"``: it is kept in the refrigerator, and the limit is of cycles;
        ``"not known"``: its exposure is not on record.
    by
        The exposure whose limit it is likely to reach first; None without a date.
    left
        Cycles, or days of age, still to go.
    per_year
        Thaws a year it is expected to go through; None where none are counted.
    days, low, high
        Days from the day asked about until it reaches the limit: as likely before as after, and
        the limits of that; infinite where it may never.
    use
        What is known of its use, to ask further; None where none is counted.
    cycles_left, days_left
        Of each exposure that has a limit; None for one that has none.
    """

    source_id: str
    kind: str | None
    standing: Standing
    by: ExposureName | None = None
    left: float | None = None
    per_year: float | None = None
    days: float | None = None
    low: float | None = None
    high: float | None = None
    use: UseAhead | None = None
    cycles_left: float | None = None
    days_left: float | None = None

    @property
    def usable(self) -> bool:
        """Whether it counts as usable today."""
        return self.standing in ("usable", "no limit", "not thawed")

    def usable_in(self, days: float, times: float = 1.0, factor: float | None = None) -> float:
        """Probability that it has not reached its limit so many days ahead.

        Parameters
        ----------
        days
            Days ahead.
        times
            Thawed so many times as often as now.
        factor
            The factor common to all sources, where it is known.
        """
        if not self.usable:
            return 0.0
        if self.days_left is not None and self.days_left <= days:
            return 0.0
        if self.cycles_left is None or self.use is None:
            return 1.0
        use = self.use.slower(times)
        use = use if factor is None else use.with_factor(factor)
        return 1.0 - use.reached_by(self.cycles_left, days)


@dataclass(frozen=True, slots=True)
class StockAt:
    """Sources usable so many months ahead.

    Attributes
    ----------
    in_months
        How far ahead.
    sources_usable, low, high
        Expected number, and limits of the number.
    to_find, to_find_low, to_find_high
        Sources to find by then for as many to be usable as today: whole numbers.
    """

    in_months: int
    sources_usable: float
    low: int
    high: int
    to_find: int
    to_find_low: int
    to_find_high: int

    @property
    def ahead(self) -> pd.Timedelta:
        """The same as a span of time, in whole days."""
        return pd.Timedelta(days=round(_days(self.in_months)))


@dataclass(frozen=True, slots=True)
class RotaAhead:
    """Sources usable in the months of ``HORIZONS`` with thaws shared out in one way."""

    rota: Rota
    at: tuple[StockAt, ...]


@dataclass(frozen=True, slots=True)
class Stock:
    """When the sources held reach their limit.

    Attributes
    ----------
    as_of
        The day asked about.
    sources
        Every source held: first those past use, then in the order of their dates.
    limits
        Exposure → limits by it, each with the kinds it is of (none: all).
    confidence
        Of all intervals, two-sided.
    usable
        Sources usable today.
    at
        As they are used now, for each of ``HORIZONS``.
    rotas
        The same, shared out in other ways; only where a limit of cycles is in force.
    needed_per_year
        Sources the unit will use up a year in the long run; None without a limit.
    dispersion
        Variance of the thaws of a season over their mean; None where none could be counted.
    reason
        Why no source has a date; None where one has.
    """

    as_of: pd.Timestamp
    sources: tuple[SourceAhead, ...]
    limits: Mapping[ExposureName, tuple[tuple[int, tuple[str, ...]], ...]]
    confidence: float
    usable: int
    at: tuple[StockAt, ...]
    rotas: tuple[RotaAhead, ...]
    needed_per_year: float | None
    dispersion: float | None
    reason: str | None = None

    @property
    def dated(self) -> tuple[SourceAhead, ...]:
        """Sources with a date, the soonest first."""
        return tuple(s for s in self.sources if s.standing == "usable")

    def day(self, days: float) -> pd.Timestamp | None:
        """The day so many days ahead; None beyond a lifetime."""
        return None if not days < 100 * DAYS_PER_YEAR else self.as_of + pd.Timedelta(days=days)


def plan_stock(
    shelf: Sequence[ShelfSource],
    thresholds: Sequence[Threshold],
    use: RateOfUse,
    history: History,
    first: pd.Timestamp,
    last: pd.Timestamp,
    as_of: pd.Timestamp,
    confidence: float,
) -> Stock:
    """When each source held reaches its limit, and how many are usable ahead.

    A source is usable until it reaches a limit of its class, cycles or age, whichever comes
    first; one advised to be retired is not. Its thaws go on at its own rate of use: that of the
    last two years, drawn towards that of the other sources the less there is of its own, with
    thaws as uneven over seasons as they have been.

    Parameters
    ----------
    shelf
        The sources held, with their exposure today.
    thresholds
        The retirement thresholds; one without a limit is none.
    use
        The unit's rate of use, for what is needed in the long run.
    history
        Their storage history.
    first, last
        Start of the first and of the last trial: before and after, a unit may have stored
        without using, or not have written it down.
    as_of
        The day asked about.
    confidence
        Of the intervals, two-sided.
    """
    limits = _limits(thresholds)
    ids = [s.source_id for s in shelf]
    ahead, frozen = uses_ahead(history, ids, first, min(as_of, last + pd.Timedelta(days=1)))
    sources = [
        _source_ahead(s, limits, ahead.get(s.source_id), frozen.get(s.source_id, True), confidence)
        for s in shelf
    ]
    usable = sum(s.usable for s in sources)
    dispersion = next((u.dispersion for u in ahead.values()), None)
    reason = None
    if not limits:
        reason = "no limit is set from these records"
    elif not any(s.standing == "usable" for s in sources):
        reason = "no source held is on its way to a limit"
    needed = None
    if limits:
        cycles, age = (
            min((float(at) for at, _ in limits[name]), default=None) if name in limits else None
            for name in ("cycles", "age_days")
        )  # fmt: skip
        places = retired_by_place(use, cycles=cycles, age_days=age)
        needed = None if places is None else float(places.sum())
    at = tuple(_stock_at(m, sources, lambda _: 1.0, confidence) for m in HORIZONS)
    rotas = _rotas(sources, confidence) if reason is None and "cycles" in limits else ()
    return Stock(
        as_of=as_of,
        sources=tuple(sorted(sources, key=_soonest)),
        limits=limits,
        confidence=confidence,
        usable=usable,
        at=at if limits else (),
        rotas=rotas,
        needed_per_year=needed,
        dispersion=dispersion,
        reason=reason,
    )


def _days(months: int) -> float:
    return months * DAYS_PER_MONTH


def _soonest(source: SourceAhead) -> tuple[bool, float, str]:
    return source.usable, np.inf if source.days is None else source.days, source.source_id


def _limits(
    thresholds: Sequence[Threshold],
) -> dict[ExposureName, tuple[tuple[int, tuple[str, ...]], ...]]:
    found: dict[ExposureName, tuple[tuple[int, tuple[str, ...]], ...]] = {}
    for t in thresholds:
        if t.retire_after is not None:
            found[t.by] = (*found.get(t.by, ()), (t.retire_after, t.curve.kinds))
    return found


def uses_ahead(
    history: History, source_ids: Sequence[str], first: pd.Timestamp, as_of: pd.Timestamp
) -> tuple[dict[str, UseAhead], dict[str, bool]]:
    """What is known of how often each source will be thawed, and whether it is frozen now.

    Thaws are counted over seasons of 91 days back from ``as_of``, at most eight, of all sources
    the unit had, and over the days a source was not in the refrigerator. Each takes its share of
    the thaws of a season, so that one which had fewer beside it then is not taken to be thawed as
    often among those held now; the thaws of all of them together go on as they were, but for
    what they have varied by from season to season.
    Rates of sources are taken as gamma distributed about their mean (empirical Bayes, by
    moments), and thaws of a season as varying by a common dispersion about each source's rate.

    Parameters
    ----------
    history
        The storage history.
    source_ids
        Sources held at ``as_of``.
    first, as_of
        Begin and end of the time that thaws are counted over.

    Returns
    -------
    dict, dict
        Source → use; empty where no source was thawed. Source → whether it is in the freezer,
        or out of it for a while.

    References
    ----------
    Nelson WB (2000). Weibull prediction of a future number of failures. Quality and Reliability
    Engineering International 16, 23-26, for predicting a count from a count. McCullagh P, Nelder
    JA (1989). Generalized Linear Models, 2nd ed., section 6.2.3, for the dispersion.
    """
    edges = _edges(first, as_of)
    every = history.table.ids
    n, m = len(every), len(edges)
    asked = exposure_at(
        history,
        pd.Series(np.repeat(every.to_numpy(dtype=object), m)),
        pd.Series(np.tile(np.array(edges, dtype="datetime64[ns]"), n)),
    )

    def column(name: str) -> np.ndarray:
        return asked[name].to_numpy(dtype=float).reshape(n, m)

    place = asked["place"].to_numpy().reshape(n, m)[:, -1]
    in_freezer = {str(s): p != "refrigerator" for s, p in zip(every, place, strict=True)}
    # Before it came a source has none of these, and what it came with was not gone through here.
    there = column("held_days") >= 0.0
    # Out of the refrigerator: in the freezer, or out of it for a while.
    frozen = np.diff(np.where(there, column("frozen_days"), 0.0), axis=1)
    days = np.where(there, column("frozen_days") + column("ambient_hours") / 24.0, 0.0)
    first_cycles = history.table.cycles[:, None]
    cycles = np.where(there, column("cycles"), first_cycles)
    thaws = np.maximum(np.diff(cycles, axis=1), 0.0)
    days = np.where(frozen > 0.0, np.diff(days, axis=1), 0.0)
    thaws = np.where(days > 0.0, thaws, 0.0)
    if not thaws.sum():
        return {}, in_freezer
    held = np.isin(every.to_numpy(dtype=object).astype(str), list(source_ids))
    today = held & np.array([p not in ("refrigerator", "discarded") for p in place])
    whole = days.max(axis=0)
    days = _as_today(thaws, days, today)
    dispersion = _dispersion(thaws, days)
    own, time = thaws.sum(axis=1), days.sum(axis=1)
    shape, rate_days = _between_sources(own, time, dispersion)
    common = _common(thaws.sum(axis=0), whole, dispersion)
    return {
        str(s): UseAhead(shape + k / dispersion, rate_days + t / dispersion, dispersion, common)
        for s, k, t in zip(every[held], own[held].tolist(), time[held].tolist(), strict=True)
    }, in_freezer


def _edges(first: pd.Timestamp, as_of: pd.Timestamp) -> list[pd.Timestamp]:
    """Begin of the oldest season, and the end of each."""
    season = pd.Timedelta(days=_WINDOW_DAYS)
    last = as_of - _JUST_BEFORE
    edges = [last - season * k for k in range(_MOST_WINDOWS + 1)]
    kept = [at for at in edges if at >= first]
    if len(kept) < len(edges) and (not kept or kept[-1] > first):
        kept.append(first)
    return kept[::-1]


def _as_today(thaws: np.ndarray, days: np.ndarray, today: np.ndarray) -> np.ndarray:
    """Days as they count today: more where the thaws of a season had fewer sources to go round.

    A source takes part in a season by its weight, and the weights are those that make each
    source's expected thaws what they were.
    """
    whole = days.max(axis=0)
    share = np.divide(days, whole, out=np.zeros_like(days), where=whole > 0)
    of_season = thaws.sum(axis=0)
    own = thaws.sum(axis=1)
    weight = np.ones(len(own))
    expected = np.zeros_like(share)
    for _ in range(_ROUNDS):
        among = weight @ share
        a_weight = np.divide(of_season, among, out=np.zeros_like(among), where=among > 0)
        expected = share * a_weight
        total = expected.sum(axis=1)
        # Half a thaw each: a source that was never taken may be yet.
        weight = np.divide(own + 0.5, total, out=np.zeros_like(total), where=total > 0)
        weight = weight / max(weight.mean(), 1e-12)
    a_day = of_season.sum() / max(whole.sum(), 1.0)
    now = float(weight @ today)
    if now <= 0.0 or a_day <= 0.0:
        return days
    return np.asarray(expected * now / a_day)


def _common(thaws: np.ndarray, days: np.ndarray, dispersion: float) -> float:
    """Variance of the thaws of all sources in a year to come, over those known, of their own.

    What seasons differ by beyond the thaws of single sources, as a share of the mean: of four
    seasons ahead and of as many as are on record, as if seasons were unrelated.
    """
    whole = days >= 0.9 * _WINDOW_DAYS
    thaws = thaws[whole]
    if len(thaws) < 2 or not thaws.mean() > 0.0:
        return _COMMON_WITHOUT
    excess = thaws.var(ddof=1) / thaws.mean() ** 2 - dispersion / thaws.mean()
    return max(float(excess), 0.0) * (1.0 / _SEASONS_A_YEAR + 1.0 / len(thaws))


def _dispersion(thaws: np.ndarray, days: np.ndarray) -> float:
    """Pearson's statistic of the thaws about what is expected, over its freedom.

    Of seasons and of half years, whichever is the larger: sources that rest for months are
    thawed more unevenly over longer times.
    """
    return max(
        _pearson(thaws, days), _pearson(_in_pairs(thaws), _in_pairs(days)), _LEAST_DISPERSION
    )


def _in_pairs(of_season: np.ndarray) -> np.ndarray:
    """Sums of two seasons, from the last one back."""
    odd = of_season.shape[1] % 2
    of_season = of_season[:, odd:]
    return np.asarray(of_season.reshape(len(of_season), -1, 2).sum(axis=2))


def _pearson(thaws: np.ndarray, days: np.ndarray) -> float:
    own, time = thaws.sum(axis=1), days.sum(axis=1)
    rate = np.divide(own, time, out=np.zeros_like(own), where=time > 0)
    mean = rate[:, None] * days
    used = mean > 0.0
    sources, seasons = int(used.any(axis=1).sum()), int(used.any(axis=0).sum())
    freedom = int(used.sum()) - sources - seasons + 1
    if freedom < 1:
        return 1.0
    return float(((thaws - mean)[used] ** 2 / mean[used]).sum() / freedom)


def _between_sources(thaws: np.ndarray, days: np.ndarray, dispersion: float) -> tuple[float, float]:
    """Shape, and days, of the gamma distribution of rates between sources, by moments."""
    used = days > 0
    thaws, days = thaws[used], days[used]
    mean = thaws.sum() / days.sum()
    excess = float((days * (thaws / days - mean) ** 2).sum()) - dispersion * mean * (len(days) - 1)
    room = days.sum() - (days**2).sum() / days.sum()
    variance = max(excess / room if room > 0 else 0.0, (_LEAST_SPREAD * mean) ** 2)
    return _OF_MOMENTS * float(mean**2 / variance), _OF_MOMENTS * float(mean / variance)


def _source_ahead(
    source: ShelfSource,
    limits: Mapping[ExposureName, tuple[tuple[int, tuple[str, ...]], ...]],
    use: UseAhead | None,
    frozen: bool,
    confidence: float,
) -> SourceAhead:
    name, kind = source.source_id, source.kind
    per_year = use.per_year if frozen and use is not None else None
    if source.advice == "retire":
        return SourceAhead(name, kind, "retire", per_year=per_year)
    left: dict[ExposureName, float] = {}
    for by, several in limits.items():
        own = [float(at) for at, kinds in several if not kinds or kind in kinds]
        if not own:
            continue
        now = CYCLES_AND_AGE[by].of(source)
        if now is None:
            return SourceAhead(name, kind, "not known")
        left[by] = min(own) - now
    if not left:
        return SourceAhead(name, kind, "no limit")
    if min(left.values()) <= 0.0:
        by = min(left, key=lambda one: left[one])
        return SourceAhead(name, kind, "at the limit", by=by, left=0.0, per_year=per_year)
    cycles, age = left.get("cycles"), left.get("age_days")
    thawed = cycles is not None and frozen and use is not None
    if age is None and not thawed:
        return SourceAhead(name, kind, "not thawed")
    quantiles = (0.5, 0.5 - confidence / 2.0, 0.5 + confidence / 2.0)
    days = [np.inf] * 3
    if thawed and cycles is not None and use is not None:
        days = [use.days_until(cycles, q) for q in quantiles]
    first: ExposureName = "cycles" if age is None or days[0] < age else "age_days"
    if age is not None:
        days = [min(one, age) for one in days]
    return SourceAhead(
        source_id=name,
        kind=kind,
        standing="usable",
        by=first,
        left=left[first],
        per_year=per_year,
        days=days[0],
        low=days[1],
        high=days[2],
        use=use if thawed else None,
        cycles_left=cycles if thawed else None,
        days_left=age,
    )


def _stock_at(
    in_months: int,
    sources: Sequence[SourceAhead],
    times: Callable[[SourceAhead], float],
    confidence: float,
) -> StockAt:
    """The number usable: its mean, and limits of its distribution over what is common to all."""
    usable = sum(s.usable for s in sources)
    common = max((s.use.common for s in sources if s.use is not None), default=0.0)
    nodes, weights = normal_nodes(_NODES if common > 0.0 else 1)
    of = np.zeros(len(sources) + 1)
    for node, weight in zip(nodes, weights, strict=True):
        factor = float(np.exp(np.sqrt(common) * node))
        left = [s.usable_in(_days(in_months), times(s), factor) for s in sources]
        of += weight * number_of(np.array(left))
    mean = float(of @ np.arange(len(of)))
    reached = np.cumsum(of)
    tail = 0.5 - confidence / 2.0
    low = int(np.searchsorted(reached, tail + 1e-12))
    high = int(np.searchsorted(reached, 1.0 - tail - 1e-12))
    return StockAt(
        in_months,
        mean,
        low,
        high,
        max(usable - round(mean), 0),
        max(usable - high, 0),
        max(usable - low, 0),
    )


def number_of(chances: np.ndarray) -> np.ndarray:
    """Distribution of how many of several independent things happen, shape (n + 1,).

    Parameters
    ----------
    chances
        Probability of each, shape (n,).

    Examples
    --------
    >>> number_of(np.array([0.5, 0.5])).tolist()
    [0.25, 0.5, 0.25]
    """
    of = np.ones(1)
    for chance in chances:
        of = np.append(of * (1.0 - chance), 0.0) + np.append(0.0, of * chance)
    return of


def _rotas(sources: Sequence[SourceAhead], confidence: float) -> tuple[RotaAhead, ...]:
    """What the same sources would give, thawed less often or in another order."""
    turning = [s for s in sources if s.use is not None]
    if not turning:
        return ()
    now = sum(s.per_year or 0.0 for s in turning)
    every = sum(s.per_year or 0.0 for s in sources)
    times: dict[Rota, Callable[[SourceAhead], float]] = {
        "half as often": lambda _: 0.5,
        "in turn": lambda s: now / len(turning) / (s.per_year or np.inf),
    }
    if every > now:
        times["on these alone"] = lambda _: every / now
    return tuple(
        RotaAhead(rota, tuple(_stock_at(m, sources, of, confidence) for m in HORIZONS))
        for rota, of in times.items()
    )
