"""The share of hides found by every minute, at few, middling and many cycles (or by age)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from outcomes.analysis.finds.design import Design
from outcomes.exposure.cycles_and_age import CYCLES, ExposureName
from outcomes.models.distributions import exact_interval, student_quantile
from outcomes.models.linear_mixed import LinearMixed

GROUPS = 3
STEPS = 40  # of the curve, up to the limit
OBSERVED_AT = (0.25, 0.5, 0.75, 1.0)  # of the limit
LEAST_SOURCES = 3  # of a group, to draw its curve
SOURCES_FOR_POINTS = 6
_DRAWS = 1_000
_MOST_FINDS = 2_000  # drawn from; with more the shape's own error no longer counts
_NO_NEARER = 1e-9


@dataclass(frozen=True, slots=True)
class HowSoon:
    """The model of the log time of finds, as far as a curve needs it.

    Attributes
    ----------
    design
        The finds with a time, and the columns of the model of finds that vary among them.
    rows
        Place of each among the trials of the model of finds, shape (n,).
    log_time
        Logarithm of the seconds to each, shape (n,).
    limit
        Seconds that each search was limited to, shape (n,); NaN where not on record.
    model
        At its restricted maximum.
    """

    design: Design
    rows: np.ndarray
    log_time: np.ndarray
    limit: np.ndarray
    model: LinearMixed


@dataclass(frozen=True, slots=True)
class FoundPoint:
    """Share of hides found within so many seconds, with pointwise limits."""

    seconds: float
    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class FoundGroup:
    """Trials alike in the exposure, and the curve at their mean one.

    Attributes
    ----------
    at
        Exposure of the curve: the group's mean, whole cycles.
    lowest, highest
        The group's exposures.
    trials, sources
        In the group.
    curve
        Share found within so many seconds, up to the limit, had every trial been at ``at``.
    observed
        Share of the group's own trials found at four times, whatever else was theirs (Kaplan and
        Meier's, since all were searched to the limit unless found); empty below 6 sources.
    """

    at: float
    lowest: float
    highest: float
    trials: int
    sources: int
    curve: tuple[FoundPoint, ...]
    observed: tuple[FoundPoint, ...]


@dataclass(frozen=True, slots=True)
class FoundCurve:
    """Share of hides found by every minute, for few, middling and many cycles (or by age).

    Attributes
    ----------
    exposure
        ``"cycles"`` or ``"age_days"``.
    limit_s
        Seconds at which the curves end: the longest limit that half of the searches had.
    trials
        Searches limited to that or more; the others have no part in it.
    groups
        By rising exposure.
    confidence
        Of all limits, pointwise and two-sided.
    held
        What was held fixed while the exposure varied.
    kinds
        Kinds of source that the searches were for; empty: all.
    """

    exposure: ExposureName
    limit_s: float
    trials: int
    groups: tuple[FoundGroup, ...]
    confidence: float
    held: str
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FoundPlan:
    """Which trials the curves are of, and at which exposures.

    Attributes
    ----------
    exposure, limit_s
        As in :class:`FoundCurve`.
    rows
        Trials of the model of finds, shape (n,), bool.
    at
        Exposure of each curve, shape (k,), rising.
    group
        Group of each of the trials, shape (n,), 0 to k - 1; -1 where it has no part.
    """

    exposure: ExposureName
    limit_s: float
    rows: np.ndarray
    at: np.ndarray
    group: np.ndarray


def usual_limit(limits: np.ndarray) -> float | None:
    """The longest limit that at least half of the searches had; None where none is on record.

    Parameters
    ----------
    limits
        Seconds, shape (n,); NaN where not on record.

    Examples
    --------
    >>> usual_limit(np.array([600.0, 600.0, 900.0, 1200.0, np.nan]))
    900.0
    """
    known = np.sort(limits[np.isfinite(limits)])
    return float(known[len(known) // 2]) if len(known) else None


def plan_share_found(
    trials: pd.DataFrame, limits: np.ndarray, exposure: ExposureName, rows: np.ndarray
) -> FoundPlan | None:
    """Choose the trials and the exposures of the curves.

    Parameters
    ----------
    trials
        Those of the model of finds, n of them.
    limits
        Seconds each was limited to, shape (n,); NaN where not on record, which is taken as the
        usual limit.
    exposure
        Along which the curves differ.
    rows
        Trials that they may be of, shape (n,), bool.

    Returns
    -------
    FoundPlan or None
        None where no limit is on record, or no group has 3 sources.
    """
    limit_s = usual_limit(limits[rows])
    if limit_s is None:
        return None
    rows = rows & ~(limits < limit_s)
    values = trials[exposure].to_numpy(dtype=float)
    numbers = np.full(len(trials), -1)
    numbers[rows] = _thirds(values[rows])
    sources = trials["source_id"].astype(str).to_numpy()
    at: list[float] = []
    group = np.full(len(trials), -1)
    for number in range(GROUPS):
        own = numbers == number
        if len(set(sources[own])) < LEAST_SOURCES:
            continue
        group[own] = len(at)
        middle = float(values[own].mean())
        at.append(round(middle) if exposure == CYCLES.name else middle)
    return FoundPlan(exposure, limit_s, rows, np.array(at), group) if at else None


def _thirds(values: np.ndarray) -> np.ndarray:
    """Group of each value, shape (n,): thirds of about equally many, equal values together."""
    _, place, counts = np.unique(values, return_inverse=True, return_counts=True)
    middle = np.cumsum(counts) - counts / 2.0
    return np.asarray((GROUPS * middle / len(values)).astype(int)[place.reshape(-1)])


def share_found(
    trials: pd.DataFrame,
    plan: FoundPlan,
    how_soon: HowSoon,
    by_limit: np.ndarray,
    by_limit_error: np.ndarray,
    confidence: float,
    held: str,
    rng: np.random.Generator,
) -> FoundCurve:
    """Join whether a hide is found, by the model of finds, with how soon.

    At each exposure every find of the plan's trials is moved in time as far as the model of the
    log time says; the share of them then found within t, over that within their own limits, is
    multiplied by the find probability. Limits come from draws of both, which are taken as
    independent: the find probability on the log-odds scale and the change of the log time, both by
    Student's t on sources less two degrees of freedom, and the finds themselves with replacement.

    Parameters
    ----------
    trials
        Those of the model of finds.
    plan
        Of :func:`plan_share_found`.
    how_soon
        The model of the log time.
    by_limit, by_limit_error
        Find probability of the plan's trials at each of ``plan.at``, and the standard error of
        its log-odds, shape (k,).
    confidence
        Two-sided.
    held
        As in :class:`FoundCurve`.
    rng
        For the draws.

    Returns
    -------
    FoundCurve
    """
    seconds = plan.limit_s * np.arange(1, STEPS + 1) / STEPS
    freedom = max(int(trials["source_id"].nunique()) - 2, 1)
    finds = _Finds(how_soon, plan, rng)
    errors = rng.standard_t(freedom, size=(2, _DRAWS))
    sources = trials["source_id"].astype(str).to_numpy()
    values = trials[plan.exposure].to_numpy(dtype=float)
    found_at = _found_at(trials)
    tails = [0.5 - confidence / 2.0, 0.5 + confidence / 2.0]
    groups = []
    for number, at in enumerate(plan.at):
        own = plan.group == number
        p = float(np.clip(by_limit[number], _NO_NEARER, 1.0 - _NO_NEARER))
        by_then = special.expit(special.logit(p) + by_limit_error[number] * errors[0])
        share, drawn = finds.share(float(at), np.log(seconds), errors[1])
        low, high = np.quantile(by_then[:, None] * drawn, tails, axis=0)
        many = len(set(sources[own]))
        observed = (
            observed_shares(found_at[own], sources[own], plan.limit_s, confidence)
            if many >= SOURCES_FOR_POINTS
            else ()
        )
        groups.append(
            FoundGroup(
                at=float(at),
                lowest=float(values[own].min()),
                highest=float(values[own].max()),
                trials=int(own.sum()),
                sources=many,
                curve=_points(seconds, p * share, low, high),
                observed=observed,
            )
        )
    return FoundCurve(
        exposure=plan.exposure,
        limit_s=plan.limit_s,
        trials=int(plan.rows.sum()),
        groups=tuple(groups),
        confidence=confidence,
        held=held,
    )


def _found_at(trials: pd.DataFrame) -> np.ndarray:
    """Seconds to each find, shape (n,): infinite for a miss, NaN for a find without a time."""
    if "search_s" not in trials:
        return np.where(trials["result"] == "find", np.nan, np.inf)
    return np.where(trials["result"] == "find", trials["search_s"].to_numpy(dtype=float), np.inf)


def _points(
    seconds: np.ndarray, share: np.ndarray, low: np.ndarray, high: np.ndarray
) -> tuple[FoundPoint, ...]:
    rows = zip(seconds.tolist(), share.tolist(), low.tolist(), high.tolist(), strict=True)
    return tuple(FoundPoint(*row) for row in rows)


class _Finds:
    """The finds that the curves are of, their times, and their errors drawn many times."""

    def __init__(self, how_soon: HowSoon, plan: FoundPlan, rng: np.random.Generator) -> None:
        usual = plan.rows[how_soon.rows]
        order = np.flatnonzero(usual)[np.argsort(how_soon.log_time[usual], kind="stable")]
        # Every so many in order of time, where there are more than it takes.
        self.rows = order[:: max(-(-len(order) // _MOST_FINDS), 1)]
        self.how_soon, self.plan = how_soon, plan
        self.log_time = how_soon.log_time[self.rows]
        # A find whose limit is not on record is taken to have had the usual one.
        limit = how_soon.limit[self.rows]
        limit = np.log(np.where(np.isnan(limit), plan.limit_s, limit))
        self.log_limit = np.maximum(limit, self.log_time)
        self.anew = rng.integers(len(self.rows), size=(_DRAWS, len(self.rows)))

    def share(
        self, at: float, log_seconds: np.ndarray, slopes: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Share found within so many seconds, shape (k,), and the same of each draw, (draws, k).

        ``slopes`` are errors of how far they are moved, in standard errors, shape (draws,).
        """
        design, model = self.how_soon.design, self.how_soon.model
        new = design.logged_from_the_start().x[self.rows]
        position = design.column_of(self.plan.exposure)
        if position is not None:
            column = design.columns[position - 1]
            new = new.copy()
            new[:, position] = column.at(at)
        step = new - design.x[self.rows]
        moved, mean = self.log_time + step @ model.beta, step.mean(axis=0)
        error = float(np.sqrt(max(mean @ model.cov @ mean, 0.0)))
        drawn = moved[self.anew] + (error * slopes)[:, None]
        return (
            _within(moved[None], self.log_limit[None], log_seconds)[0],
            _within(drawn, self.log_limit[self.anew], log_seconds),
        )


def _within(log_time: np.ndarray, log_limit: np.ndarray, log_seconds: np.ndarray) -> np.ndarray:
    """Times up to each of ``log_seconds`` over times up to their limits, by row."""
    # One counts at least, however far they are moved.
    ended = np.maximum((log_time <= log_limit).sum(axis=1), 1)
    ordered = np.sort(log_time, axis=1)
    within = np.array([np.searchsorted(row, log_seconds, side="right") for row in ordered])
    return np.asarray(np.minimum(within / ended[:, None], 1.0))


def observed_shares(
    found_at: np.ndarray, sources: np.ndarray, limit_s: float, confidence: float
) -> tuple[FoundPoint, ...]:
    """Share of searches found within a quarter, half, three quarters and all of the limit.

    Parameters
    ----------
    found_at
        Seconds to the find, shape (n,); infinite for a miss, NaN (left out) where not on record.
    sources
        Whose trial it is, shape (n,).
    limit_s
        Seconds that every search was given unless it had found.
    confidence
        Two-sided, by Student's t on errors clustered by source; exact and as if trials were
        independent where all or none were found.
    """
    known = ~np.isnan(found_at)
    found_at, codes = found_at[known], np.unique(sources[known], return_inverse=True)[1]
    n, many = len(found_at), int(codes.max()) + 1
    reach = float(student_quantile(0.5 + confidence / 2.0, max(many - 1, 1)))
    points = []
    for part in OBSERVED_AT:
        found = (found_at <= part * limit_s).astype(float)
        share = float(found.mean())
        if share in (0.0, 1.0):
            low, high = exact_interval(int(found.sum()), n, confidence)
        else:
            sums = np.bincount(codes, weights=found - share)
            error = float(np.sqrt(many / max(many - 1, 1) * (sums @ sums))) / n
            low, high = max(share - reach * error, 0.0), min(share + reach * error, 1.0)
        points.append(FoundPoint(part * limit_s, share, low, high))
    return tuple(points)
