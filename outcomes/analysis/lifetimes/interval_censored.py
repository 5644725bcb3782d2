"""When sources became unreliable, each event anywhere between two trials: Turnbull's curves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.analysis.lifetimes.kaplan_meier import (
    ALL_SOURCES,
    FEWEST_EVENTS,
    NO_TRIAL_COUNTS,
    well_followed,
)
from outcomes.analysis.results import Lifetime
from outcomes.errors import FitError
from outcomes.models.distributions import beta_quantile
from outcomes.models.turnbull import Cells, TurnbullCurve, fit_cells, lay_out
from outcomes.random_streams import random_stream
from outcomes.settings import DecisionSettings
from outcomes.text import in_months, months, still_reliable_at

RESAMPLES = 200
_NEVER = 1e-9


@dataclass(frozen=True, slots=True)
class IntervalPoint:
    """Between ``cell_from`` and ``time`` the curve falls to ``probability``, nobody knows where.

    ``at_risk`` is the number of sources followed just before ``time``; at the
    first point of a curve, just after it.
    """

    group: str
    cell_from: float
    time: float
    probability: float
    low: float
    high: float
    at_risk: int


@dataclass(frozen=True, slots=True)
class IntervalCurve:
    """The curve of one group, over the days on which at least 3 of its sources were followed.

    Attributes
    ----------
    group, by
        Its name, and what makes the group: ``"regime"``, ``"kind"`` or ``"all"``.
    sources, events
        Sources, and those that met the rule.
    points
        First the day from which the curve counts (probability 1), then the end
        of every cell with an event, last the day on which it ends.
    median_after, median
        Half had become unreliable somewhere after the first and by the second,
        days held; None where the curve does not fall to one half.
    median_low, median_high
        Limits of the median at 1 - alpha; None where not reached.
    spans
        Days held from which and up to which each source was followed.
    """

    group: str
    by: str
    sources: int
    events: int
    points: tuple[IntervalPoint, ...]
    median_after: float | None
    median: float | None
    median_low: float | None
    median_high: float | None
    spans: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class DiscardBounds:
    """What the sources discarded while reliable could change, for one group.

    Attributes
    ----------
    group
        Its name.
    discarded
        Sources discarded while reliable.
    at_days
        The last day of the group's curve.
    as_seen, if_failed, if_never
        Probability of being reliable beyond that day: those sources censored
        at their last trial; counted as failed at it; counted as reliable to
        the end.
    median_if_failed, median_if_never
        The medians then, days held; None where not reached.
    """

    group: str
    discarded: int
    at_days: float
    as_seen: float
    if_failed: float
    if_never: float
    median_if_failed: float | None
    median_if_never: float | None


@dataclass(frozen=True, slots=True)
class IntervalLifetime:
    """Sources until they count as unreliable, their events interval-censored (Turnbull).

    Attributes
    ----------
    sources, events
        Sources followed, and those that met the rule.
    curves
        By regime and by kind where each has 5 events; of all sources where no
        regime has.
    not_drawn
        Group → why it has no curve, of whatever sort.
    bounds
        One per curve with a source discarded while reliable.
    resamples
        Resamples of the sources behind each interval.
    reason
        Why there is no curve at all; None where there is one.
    sentence
        What can be said, in words; also when nothing can.
    not_drawn_by
        ``"regime"``, ``"kind"`` or ``"all"`` → group → why it has no curve.
    """

    sources: int
    events: int
    curves: tuple[IntervalCurve, ...]
    not_drawn: Mapping[str, str]
    bounds: tuple[DiscardBounds, ...]
    resamples: int
    reason: str | None
    sentence: str
    not_drawn_by: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


def fit_interval_lifetime(
    lifetime: Lifetime, settings: DecisionSettings, *, resamples: int = RESAMPLES
) -> IntervalLifetime:
    """Draw the curves with every event between the last trial before it and the one that showed it.

    The event of a source lies in (``low_days``, ``exit_days``], a source that
    did not meet the rule is right-censored at ``exit_days``, and each says
    nothing about the time before ``entry_days``. As in
    :func:`outcomes.analysis.lifetimes.kaplan_meier.fit_lifetime` a curve needs 5 events and is
    about the sources still reliable on its first day, over the days on which
    at least 3 are followed.

    Parameters
    ----------
    lifetime
        Of the same trials; its ``followed`` is used.
    settings
        Its ``alpha`` and ``seed`` are used.
    resamples
        Resamples of sources, with replacement, behind the intervals.

    Returns
    -------
    IntervalLifetime
        Limits are exact binomial ones for the number of sources that would
        give the bootstrap's variance (before the first event, for the number
        followed). Between two points of the curve the truth lies within the
        lower limit of the later and the upper one of the earlier. How often
        they hold it in simulated units is on a page made by
        ``tests/studies/lifetimes.py``.

    References
    ----------
    Turnbull, B. W. (1976). The empirical distribution function with
    arbitrarily grouped, censored and truncated data. *Journal of the Royal
    Statistical Society B* 38, 290-295.

    Dorey, F. J. and Korn, E. L. (1987). Effective sample sizes for confidence
    intervals for survival probabilities. *Statistics in Medicine* 6, 679-687.
    """
    followed = lifetime.followed
    events = int(followed["event"].sum()) if len(followed) else 0
    curves: list[IntervalCurve] = []
    not_drawn: dict[str, dict[str, str]] = {}
    bounds: list[DiscardBounds] = []
    rng = random_stream(settings.seed, "lifetime intervals")
    for by in ("regime", "kind"):
        for group, part in _groups(followed, by):
            _add(curves, not_drawn, bounds, _draw(group, by, part, settings.alpha, resamples, rng))
        if by == "regime" and not curves and len(not_drawn.get(by, {})) != 1:
            drawn = _draw(ALL_SOURCES, "all", followed, settings.alpha, resamples, rng)
            _add(curves, not_drawn, bounds, drawn)
    reason = None if curves else _no_curve(len(followed), events)
    return IntervalLifetime(
        sources=len(followed),
        events=events,
        curves=tuple(curves),
        not_drawn={group: why for own in not_drawn.values() for group, why in own.items()},
        bounds=tuple(bounds),
        resamples=resamples,
        reason=reason,
        sentence=_sentence(len(followed), events, curves, bounds, reason, settings.alpha),
        not_drawn_by=not_drawn,
    )


def _groups(followed: pd.DataFrame, by: str) -> list[tuple[str, pd.DataFrame]]:
    if not len(followed):
        return []
    groups = [(str(name), part) for name, part in followed.groupby(by, sort=True)]
    # One kind alone is all sources over again.
    if by == "kind" and len(groups) < 2:
        return []
    return groups


@dataclass(frozen=True, slots=True)
class _Drawn:
    group: str
    by: str
    curve: IntervalCurve | None
    bounds: DiscardBounds | None
    reason: str


def _add(
    curves: list[IntervalCurve],
    not_drawn: dict[str, dict[str, str]],
    bounds: list[DiscardBounds],
    drawn: _Drawn,
) -> None:
    if drawn.curve is None:
        not_drawn.setdefault(drawn.by, {})[drawn.group] = drawn.reason
        return
    curves.append(drawn.curve)
    if drawn.bounds is not None:
        bounds.append(drawn.bounds)


@dataclass(frozen=True, slots=True)
class EventIntervals:
    """Sources followed from ``entry``, the event in (``left``, ``right``], shape (n,) each.

    ``right`` is infinite where the event was not seen; ``until`` is the last trial that counts.
    """

    entry: np.ndarray
    left: np.ndarray
    right: np.ndarray
    until: np.ndarray

    def cells(self) -> Cells:
        """Their cells."""
        return lay_out(self.left, self.right, self.entry)


def event_intervals(part: pd.DataFrame) -> EventIntervals:
    """Lay the events of sources followed between the two trials that hold them.

    Parameters
    ----------
    part
        Rows of ``Lifetime.followed``: ``entry_days``, ``low_days``,
        ``exit_days`` and ``event``.

    Returns
    -------
    EventIntervals
    """
    entry = part["entry_days"].to_numpy(dtype=float)
    exit_ = part["exit_days"].to_numpy(dtype=float)
    event = part["event"].to_numpy(dtype=bool)
    left = np.where(event, part["low_days"].to_numpy(dtype=float), exit_)
    # Two trials at one moment leave no room for the event between them.
    left = np.where(event & (left >= exit_), np.nextafter(exit_, 0.0), left)
    right = np.where(event, exit_, np.inf)
    return EventIntervals(np.minimum(entry, left), left, right, exit_)


def _draw(
    group: str,
    by: str,
    part: pd.DataFrame,
    alpha: float,
    resamples: int,
    rng: np.random.Generator,
) -> _Drawn:
    events = int(part["event"].sum()) if len(part) else 0
    if events < FEWEST_EVENTS:
        return _Drawn(group, by, None, None, f"{_met(events)}; a curve needs {FEWEST_EVENTS}")
    span = well_followed(
        part["entry_days"].to_numpy(dtype=float), part["exit_days"].to_numpy(dtype=float)
    )
    if span is None:
        return _Drawn(
            group, by, None, None, "fewer than 3 of its sources were followed at the same time"
        )
    times = event_intervals(part)
    cells = times.cells()
    n = len(part)
    try:
        fitted = fit_cells(cells, np.ones(n), span[0])
        again = [
            fit_cells(cells, rng.multinomial(n, np.full(n, 1.0 / n)).astype(float), span[0])
            for _ in range(resamples)
        ]
    except FitError as error:
        return _Drawn(group, by, None, None, str(error))
    points = _points(group, times, fitted, again, span, alpha)
    if points is None:
        return _Drawn(group, by, None, None, "its events lie before the days that can be drawn")
    median_after, median = _median(points)
    curve = IntervalCurve(
        group=group,
        by=by,
        sources=n,
        events=events,
        points=points,
        median_after=median_after,
        median=median,
        median_low=_reached(points, [p.low for p in points]),
        median_high=_reached(points, [p.high for p in points]),
        spans=tuple(zip(part["entry_days"].tolist(), part["exit_days"].tolist(), strict=True)),
    )
    return _Drawn(group, by, curve, _bounds(curve, part, span), "")


def _points(
    group: str,
    times: EventIntervals,
    fitted: TurnbullCurve,
    again: list[TurnbullCurve],
    span: tuple[float, float],
    alpha: float,
) -> tuple[IntervalPoint, ...] | None:
    start, end = span
    inside = (fitted.right > start) & (fitted.right <= end)
    at = fitted.right[inside]
    begins = np.maximum(fitted.left[inside], start)
    if not len(at) or at[-1] < end:
        at, begins = np.append(at, end), np.append(begins, end)
    base = float(fitted.at(np.array([start]))[0])
    if base <= _NEVER:
        return None
    probability = fitted.at(at) / base
    draws = np.array([_given(curve, at, start) for curve in again])
    draws = draws[np.isfinite(draws).all(axis=1)]
    risk = np.array([((times.entry < t) & (times.left >= t)).sum() for t in at])
    ever = np.array([((times.entry < t) & (times.right > start)).sum() for t in at])
    low, high = _limits(probability, draws, risk, ever, alpha)
    first = int(((times.entry <= start) & (times.until > start)).sum())
    points = [IntervalPoint(group, float(start), float(start), 1.0, 1.0, 1.0, first)]
    followed = ((times.entry < at[:, None]) & (times.until >= at[:, None])).sum(axis=1)
    points += [
        IntervalPoint(
            group=group,
            cell_from=float(begins[i]),
            time=float(at[i]),
            probability=float(probability[i]),
            low=float(low[i]),
            high=float(high[i]),
            at_risk=int(followed[i]),
        )
        for i in range(len(at))
    ]
    return tuple(points)


def _given(curve: TurnbullCurve, at: np.ndarray, start: float) -> np.ndarray:
    """Probabilities of those still reliable on the first day; missing where none is."""
    base = float(curve.at(np.array([start]))[0])
    return np.asarray(curve.at(at) / base if base > _NEVER else np.full(len(at), np.nan))


def _limits(
    probability: np.ndarray, draws: np.ndarray, risk: np.ndarray, ever: np.ndarray, alpha: float
) -> tuple[np.ndarray, np.ndarray]:
    """Exact limits for the number of sources that would give the variance of the draws."""
    spread = draws.var(axis=0, ddof=1) if len(draws) > 1 else np.zeros_like(probability)
    tells = (spread > 0) & (probability > _NEVER) & (probability < 1 - _NEVER)
    size = np.where(tells, probability * (1 - probability) / np.where(tells, spread, 1.0), risk)
    size = np.maximum(np.minimum(size, ever), 1.0)
    lasted, failed = size * probability, size * (1 - probability)
    tiny = 1e-9
    low = beta_quantile(alpha / 2, np.maximum(lasted, tiny), failed + 1)
    high = beta_quantile(1 - alpha / 2, lasted + 1, np.maximum(failed, tiny))
    low = np.where(probability <= _NEVER, 0.0, low)
    high = np.where(probability >= 1 - _NEVER, 1.0, high)
    # A curve does not rise, so neither does what is known about it.
    low = np.minimum(np.minimum.accumulate(low), probability)
    high = np.maximum(np.maximum.accumulate(high[::-1])[::-1], probability)
    return low, high


def _reached(points: tuple[IntervalPoint, ...], values: list[float]) -> float | None:
    return next((p.time for p, v in zip(points, values, strict=True) if v <= 0.5 + 1e-12), None)


def _median(points: tuple[IntervalPoint, ...]) -> tuple[float | None, float | None]:
    at = next((p for p in points if p.probability <= 0.5 + 1e-12), None)
    return (None, None) if at is None else (at.cell_from, at.time)


def _bounds(
    curve: IntervalCurve, part: pd.DataFrame, span: tuple[float, float]
) -> DiscardBounds | None:
    discarded = (part["ending"] == "discarded while reliable").to_numpy()
    if not discarded.any():
        return None
    start, end = span
    last = float(part["exit_days"].max())
    exit_ = part["exit_days"].to_numpy(dtype=float)
    # The moment before its last trial, so that the interval of the event is not empty.
    failed = part.assign(event=part["event"].to_numpy() | discarded)
    failed["low_days"] = np.where(
        discarded, np.nextafter(exit_, 0.0), failed["low_days"].to_numpy(dtype=float)
    )
    never = part.assign(exit_days=np.where(discarded, last, exit_))
    reached: dict[str, tuple[float, float | None]] = {}
    for name, changed in (("failed", failed), ("never", never)):
        times = event_intervals(changed)
        fitted = fit_cells(times.cells(), np.ones(len(part)), start)
        base = float(fitted.at(np.array([start]))[0])
        if base <= _NEVER:
            return None
        at = fitted.right[(fitted.right > start) & (fitted.right <= end)]
        half = at[fitted.at(at) / base <= 0.5 + 1e-12]
        reached[name] = (
            float(fitted.at(np.array([end]))[0]) / base,
            float(half[0]) if len(half) else None,
        )
    return DiscardBounds(
        group=curve.group,
        discarded=int(discarded.sum()),
        at_days=end,
        as_seen=curve.points[-1].probability,
        if_failed=reached["failed"][0],
        if_never=reached["never"][0],
        median_if_failed=reached["failed"][1],
        median_if_never=reached["never"][1],
    )


def _met(events: int) -> str:
    return "none of its sources met the rule" if events == 0 else f"{events} met the rule"


def _no_curve(sources: int, events: int) -> str:
    if sources == 0:
        return NO_TRIAL_COUNTS
    if events < FEWEST_EVENTS:
        return (
            f"{events} of {sources} {_sources(sources)} followed met the rule, and a curve needs "
            f"{FEWEST_EVENTS}"
        )
    return "too few of the events lie in one group, or at the same time"


def _sentence(
    sources: int,
    events: int,
    curves: list[IntervalCurve],
    bounds: list[DiscardBounds],
    reason: str | None,
    alpha: float,
) -> str:
    if reason is not None:
        return f"How long sources stay reliable cannot be drawn yet: {reason}."
    said = []
    for curve in curves:
        if curve.by == "kind":
            continue
        said.append(_curve_sentence(curve, alpha))
        for bound in bounds:
            if bound.group == curve.group:
                said.append(_bound_sentence(bound))
    if not said:
        said = [_curve_sentence(curve, alpha) for curve in curves]
    return " ".join([f"{events} of {sources} {_sources(sources)} followed met the rule.", *said])


def _curve_sentence(curve: IntervalCurve, alpha: float) -> str:
    name = "sources" if curve.by == "all" else f"{curve.group} sources"
    last = curve.points[-1]
    still = still_reliable_at(curve.points[0].time)
    interval = f"{100 * (1 - alpha):g} % interval"
    if curve.median is None or curve.median_after is None:
        return (
            f"Of {name}{still}, about {100 * last.probability:.0f} in 100 were still reliable at "
            f"{months(last.time)} after they were taken in "
            f"({interval} {100 * last.low:.0f} to {100 * last.high:.0f})."
        )
    low = "not reached" if curve.median_low is None else months(curve.median_low)
    high = "not reached" if curve.median_high is None else months(curve.median_high)
    after, by = in_months(curve.median_after), months(curve.median)
    when = f"about {by}" if by.split()[0] == after else f"some time between {after} and {by}"
    return (
        f"Half of the {name}{still} had become unreliable by {when} after they were taken in "
        f"({interval} {low} to {high})."
    )


def _bound_sentence(bound: DiscardBounds) -> str:
    were = "One of these was" if bound.discarded == 1 else f"{bound.discarded} of these were"
    return (
        f"{were} discarded while reliable: still reliable at "
        f"{months(bound.at_days)} would be {100 * bound.if_failed:.0f} in 100 "
        f"had every such source failed, {100 * bound.if_never:.0f} in 100 had none."
    )


def _sources(number: int) -> str:
    return "source" if number == 1 else "sources"
