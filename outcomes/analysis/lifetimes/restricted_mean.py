"""How long sources stay reliable within a span of days, and whether regimes differ in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.analysis.lifetimes.kaplan_meier import (
    ALL_SOURCES,
    FEWEST_AT_RISK,
    FEWEST_EVENTS,
    well_followed,
)
from outcomes.analysis.results import Lifetime
from outcomes.models.distributions import student_quantile, student_tail
from outcomes.models.product_limit import product_limit
from outcomes.settings import DecisionSettings
from outcomes.text import in_months, months, p_value

COMPARED = ("refrigerated", "frozen")


@dataclass(frozen=True, slots=True)
class RestrictedMean:
    """Days that sources of one group stay reliable, on average, within the span."""

    group: str
    sources: int
    events: int
    days: float
    std_error: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class RestrictedMeans:
    """Refrigerated and frozen sources over the same span of days held.

    Attributes
    ----------
    from_days, to_days
        The days on which at least 3 sources of each were followed; None where
        there are none. Everything is about sources still reliable on the first.
    means
        One per group with 5 events in the span.
    difference_days, difference_low, difference_high, difference_p
        Refrigerated less frozen, where both have a mean.
    log_rank, log_rank_p
        Statistic (one degree of freedom) and p-value of the two curves being
        one; needs 5 events in the span, in whichever group.
    reason
        Why there is no difference; None where there is one.
    sentence
        What can be said, in words; also when nothing can.
    """

    from_days: float | None
    to_days: float | None
    means: tuple[RestrictedMean, ...]
    difference_days: float | None
    difference_low: float | None
    difference_high: float | None
    difference_p: float | None
    log_rank: float | None
    log_rank_p: float | None
    reason: str | None
    sentence: str


def mean_within(
    exit_: np.ndarray, event: np.ndarray, entry: np.ndarray, start: float, end: float
) -> tuple[float, float]:
    """Mean time from ``start`` to the event, or to ``end``, of those still going at ``start``.

    The area under the Kaplan-Meier curve, and its standard error.

    Parameters
    ----------
    exit_, event, entry
        Each is followed over (entry, exit], with an event at its exit or not;
        shape (n,).
    start, end
        The span; somebody must be followed throughout it.

    Returns
    -------
    tuple of float
        Mean and standard error.

    References
    ----------
    Klein, J. P. and Moeschberger, M. L. (2003). *Survival Analysis*, 2nd ed.,
    section 4.5.
    """
    inside = (exit_ > start) & (entry < end) & (exit_ > entry)
    seen = event[inside] & (exit_[inside] <= end)
    if not seen.any():
        return end - start, 0.0
    steps = product_limit(np.minimum(exit_[inside], end), seen, np.maximum(entry[inside], start))
    edges = np.concatenate([[start], steps.times, [end]])
    heights = np.concatenate([[1.0], steps.probability])
    areas = heights * np.diff(edges)
    after = areas[::-1].cumsum()[::-1][1:]
    at_risk, died = steps.at_risk.astype(float), steps.events.astype(float)
    left = np.maximum(at_risk - died, 1.0)  # where none is left, no area is either
    return float(areas.sum()), float(np.sqrt((after**2 * died / (at_risk * left)).sum()))


def compare_restricted_means(lifetime: Lifetime, settings: DecisionSettings) -> RestrictedMeans:
    """Compare how long refrigerated and frozen sources stay reliable within the same days.

    The event is placed at the trial that showed it. Groups are as in
    :func:`outcomes.analysis.lifetimes.kaplan_meier.fit_lifetime`, and as there a group with fewer
    than 5 events says nothing of its own.

    Parameters
    ----------
    lifetime
        Of the same trials; its ``followed`` is used.
    settings
        Its ``alpha`` is used.

    Returns
    -------
    RestrictedMeans
        Intervals use Student's t with sources - 1 (for the difference, the
        smaller of the two) degrees of freedom.

    References
    ----------
    Royston, P. and Parmar, M. K. B. (2013). Restricted mean survival time: an
    alternative to the hazard ratio. *BMC Medical Research Methodology* 13, 152.

    Mantel, N. (1966). Evaluation of survival data and two new rank order
    statistics arising in its consideration. *Cancer Chemotherapy Reports* 50,
    163-170.
    """
    followed = lifetime.followed
    parts = {
        group: followed[followed["regime"] == group] if len(followed) else followed
        for group in COMPARED
    }
    span = _common_span(parts)
    if isinstance(span, str):
        return _nothing(None, None, (), (None, None), span)
    start, end = span
    inside = {group: _inside(part, start, end) for group, part in parts.items()}
    events = {
        group: int((part["event"] & (part["exit_days"] <= end)).sum())
        for group, part in inside.items()
    }
    tested = _log_rank(inside, start, end) if sum(events.values()) >= FEWEST_EVENTS else None
    means = tuple(
        _mean(group, inside[group], events[group], start, end, settings.alpha)
        for group in COMPARED
        if events[group] >= FEWEST_EVENTS
    )
    if len(means) < len(COMPARED):
        short = " and ".join(
            f"{events[group]} of {len(inside[group])} {group} "
            f"source{'' if len(inside[group]) == 1 else 's'} met the rule"
            for group in COMPARED
            if events[group] < FEWEST_EVENTS
        )
        reason = (
            f"{short} between {in_months(start)} and {months(end)} after they were taken in, "
            f"where both were followed, and {FEWEST_EVENTS} are needed"
        )
        return _nothing(start, end, means, tested or (None, None), reason)
    first, second = means
    difference = first.days - second.days
    error = float(np.hypot(first.std_error, second.std_error))
    freedom = min(first.sources, second.sources) - 1
    width = float(student_quantile(1 - settings.alpha / 2, freedom)) * error
    p = float(2 * student_tail(abs(difference) / error, freedom))
    chi_square, log_rank_p = tested or (None, None)
    return RestrictedMeans(
        from_days=start,
        to_days=end,
        means=means,
        difference_days=difference,
        difference_low=difference - width,
        difference_high=difference + width,
        difference_p=p,
        log_rank=chi_square,
        log_rank_p=log_rank_p,
        reason=None,
        sentence=_sentence(means, difference, width, (start, end), settings.alpha),
    )


@dataclass(frozen=True, slots=True)
class GroupMean:
    """Days that sources of one regime or kind stay reliable, on average, over its own span.

    Attributes
    ----------
    group, by
        Its name, and what makes the group: ``"regime"``, ``"kind"`` or ``"all"``.
    from_days, to_days
        The days held on which at least 3 of its sources were followed; it is
        about those still reliable on the first.
    sources, events
        Sources followed in the span, and those of them that met the rule in it.
    days, std_error, low, high
        Mean days from the first to the event or the last, with its interval.
    """

    group: str
    by: str
    from_days: float
    to_days: float
    sources: int
    events: int
    days: float
    std_error: float
    low: float
    high: float


def mean_by_group(lifetime: Lifetime, settings: DecisionSettings) -> tuple[GroupMean, ...]:
    """Tell how long sources of each regime and each kind stay reliable, each over its own days.

    Spans differ, so that two of these are not to be compared; see
    :func:`compare_restricted_means` for a comparison.

    Parameters
    ----------
    lifetime
        Of the same trials; its ``followed`` is used.
    settings
        Its ``alpha`` is used.

    Returns
    -------
    tuple of GroupMean
        Of every group with 5 events in its span, and of all sources together.
    """
    followed = lifetime.followed
    if not len(followed):
        return ()
    found = []
    for by in ("regime", "kind"):
        for group, part in followed.groupby(by, sort=True):
            found.append(_group_mean(str(group), by, part, settings.alpha))
    found.append(_group_mean(ALL_SOURCES, "all", followed, settings.alpha))
    return tuple(one for one in found if one is not None)


def _group_mean(group: str, by: str, part: pd.DataFrame, alpha: float) -> GroupMean | None:
    span = well_followed(part["entry_days"].to_numpy(float), part["exit_days"].to_numpy(float))
    if span is None:
        return None
    start, end = span
    inside = _inside(part, start, end)
    events = int((inside["event"] & (inside["exit_days"] <= end)).sum())
    if events < FEWEST_EVENTS:
        return None
    mean = _mean(group, inside, events, start, end, alpha)
    return GroupMean(
        group, by, start, end, mean.sources, events, mean.days, mean.std_error, mean.low, mean.high
    )


def log_rank_test(
    exit_: np.ndarray, event: np.ndarray, entry: np.ndarray, group: np.ndarray
) -> tuple[float, float]:
    """Test whether groups share one curve.

    Parameters
    ----------
    exit_, event, entry
        Each is followed over (entry, exit], with an event at its exit or not;
        shape (n,).
    group
        Label of its group, shape (n,).

    Returns
    -------
    tuple of float
        Statistic, and its p-value by the chi-square distribution.

    References
    ----------
    Mantel (1966), as in :func:`compare_restricted_means`.
    """
    codes = np.unique(group, return_inverse=True)[1].reshape(-1)
    from statsmodels.duration.survfunc import survdiff

    statistic, p = survdiff(exit_, event.astype(int), codes, entry=entry)
    return float(statistic), float(p)


def _common_span(parts: dict[str, pd.DataFrame]) -> tuple[float, float] | str:
    spans = []
    for group, part in parts.items():
        span = (
            well_followed(part["entry_days"].to_numpy(float), part["exit_days"].to_numpy(float))
            if len(part)
            else None
        )
        if span is None:
            return f"fewer than {FEWEST_AT_RISK} {group} sources were followed at the same time"
        spans.append(span)
    start, end = max(s[0] for s in spans), min(s[1] for s in spans)
    if start >= end:
        return "refrigerated and frozen sources were followed on different days held"
    return start, end


def _inside(part: pd.DataFrame, start: float, end: float) -> pd.DataFrame:
    return part[
        (part["exit_days"] > start)
        & (part["entry_days"] < end)
        & (part["exit_days"] > part["entry_days"])
    ]


def _log_rank(inside: dict[str, pd.DataFrame], start: float, end: float) -> tuple[float, float]:
    both = pd.concat(list(inside.values()), ignore_index=True)
    exit_ = both["exit_days"].to_numpy(float)
    return log_rank_test(
        np.minimum(exit_, end),
        both["event"].to_numpy(bool) & (exit_ <= end),
        np.maximum(both["entry_days"].to_numpy(float), start),
        both["regime"].to_numpy(str),
    )


def _mean(
    group: str, part: pd.DataFrame, events: int, start: float, end: float, alpha: float
) -> RestrictedMean:
    days, error = mean_within(
        part["exit_days"].to_numpy(float),
        part["event"].to_numpy(bool),
        part["entry_days"].to_numpy(float),
        start,
        end,
    )
    width = float(student_quantile(1 - alpha / 2, len(part) - 1)) * error
    return RestrictedMean(
        group=group,
        sources=len(part),
        events=events,
        days=days,
        std_error=error,
        low=max(days - width, 0.0),
        high=min(days + width, end - start),
    )


def _nothing(
    start: float | None,
    end: float | None,
    means: tuple[RestrictedMean, ...],
    tested: tuple[float | None, float | None],
    reason: str,
) -> RestrictedMeans:
    sentence = (
        "How much longer refrigerated than frozen sources stay reliable cannot be said yet: "
        f"{reason}."
    )
    if tested[1] is not None:
        sentence += (
            " The log-rank test of one curve for both, within that time alone and each source "
            f"taken to have met the rule at the trial that showed it: {p_value(tested[1])}."
        )
    return RestrictedMeans(
        from_days=start,
        to_days=end,
        means=means,
        difference_days=None,
        difference_low=None,
        difference_high=None,
        difference_p=None,
        log_rank=tested[0],
        log_rank_p=tested[1],
        reason=reason,
        sentence=sentence,
    )


def _sentence(
    means: tuple[RestrictedMean, ...],
    difference: float,
    width: float,
    span: tuple[float, float],
    alpha: float,
) -> str:
    start, end = span
    first, second = means
    which = "longer" if difference >= 0 else "shorter"
    low, high = difference - width, difference + width
    return (
        f"Over the {months(end - start)} that begin {months(start)} after they were "
        "taken in, a refrigerated source reliable at their start stayed so for "
        f"{in_months(first.days)} months on average and a frozen one for "
        f"{in_months(second.days)}: {months(abs(difference))} {which} "
        f"({100 * (1 - alpha):g} % interval: {_way(low)} to {_way(high)}), from {first.events} "
        f"refrigerated and {second.events} frozen that met the rule. Storage was chosen, not "
        "assigned."
    )


def _way(days: float) -> str:
    return f"{in_months(abs(days))} {'longer' if days >= 0 else 'shorter'}"
