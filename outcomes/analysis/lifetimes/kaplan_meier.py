"""When sources become unreliable: Kaplan-Meier curves of the reliability rule by regime."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.analysis.lifetimes.rule import (
    SEEN_WITHIN,
    check_rule,
    choose_rule,
    fall_looked_for,
    first_called,
    mean_trials_to_call,
    rule_false_call,
)
from outcomes.analysis.results import CurvePoint, Lifetime, RuleInUse
from outcomes.models.distributions import normal_quantile
from outcomes.models.survival import ProductLimit, product_limit
from outcomes.settings import DecisionSettings, ReliabilityRule

ALL_SOURCES = "all sources"
NOT_KNOWN = "not known"
FEWEST_EVENTS = 5
FEWEST_AT_RISK = 3
FALSE_CALL_TRIALS = (10, 20, 50)
_FOLLOWED = (
    "source_id",
    "regime",
    "trials",
    "entry_days",
    "exit_days",
    "low_days",
    "event",
    "ending",
    "kind",
    "entry_cycles",
    "low_cycles",
    "exit_cycles",
    "entry_age_days",
    "low_age_days",
    "exit_age_days",
)


def fit_lifetime(
    trials: pd.DataFrame,
    sources: pd.DataFrame,
    storage: pd.DataFrame,
    settings: DecisionSettings,
    reference: float | None = None,
) -> Lifetime:
    """Follow every source until it meets the reliability rule.

    The trials that count are unassisted hide trials, by dogs qualified on the
    day where the rule asks for it; a trial whose dog's qualification is not
    known counts. A source is followed, on the scale of days held, from its
    first trial that counts (late entry) to the trial that shows the rule to be
    met (event) or to its last trial that counts (right-censored, whether it is
    still in use, was discarded or was not used again).

    The event is placed at the trial that showed it. It happened somewhere
    between the trial before and that one; ``followed`` keeps both, so that it
    can also be taken as interval-censored.

    The rule is the unit's own where it set one, else chosen
    (:func:`outcomes.analysis.lifetimes.rule.choose_rule`).

    A curve needs 5 events, or none at all: then it is flat, with the bound below which
    the share still reliable cannot have been. It is drawn only over the days on which at least 3
    sources of the group were followed without a break around the day on which
    most were: where one or two are followed, one of them ending would halve
    the curve or take it to zero. Each curve is therefore about the sources
    still reliable on its first day. Where no regime has 5 events but all
    sources together have, they get one curve.

    A source belongs to the regime it had at the trial that ended following.
    A portion is followed as a source of its own.

    Parameters
    ----------
    trials
        Joined trials, one row each: ``trial_id``, ``source_id`` (missing for a
        blank area), ``started_at``, ``result``, ``held_days``, and where known
        ``regime``, ``assisted``, ``qualified``. Trials whose ``held_days`` is
        missing are left out and counted; any missing ``assisted`` counts as
        not assisted.
    sources
        One row a source: ``source_id``.
    storage
        The storage log: ``source_id``, ``moved_at``, ``moved_to``.
    settings
        Its ``rule`` and ``alpha`` are used.
    reference
        Find probability of a source that has not changed; the proportion of finds on
        record if not given.

    Returns
    -------
    Lifetime
        With limits from the exponential Greenwood formula (log-log), pointwise
        at 1 - alpha.

    Raises
    ------
    SettingsError
        If no source could meet the rule.

    References
    ----------
    Kaplan, E. L. and Meier, P. (1958). Nonparametric estimation from
    incomplete observations. *Journal of the American Statistical Association*
    53, 457-481.

    Kalbfleisch, J. D. and Prentice, R. L. (2002). *The Statistical Analysis of
    Failure Time Data*, 2nd ed., section 1.4 (log-log limits).

    Brookmeyer, R. and Crowley, J. (1982). A confidence interval for the median
    survival time. *Biometrics* 38, 29-41.
    """
    counted, left_out = counting_trials(trials, settings.rule)
    baseline = reference
    if baseline is None or not len(counted):
        baseline = float(counted["found"].mean()) if len(counted) else None
    rule = rule_in_use(settings.rule, counted, baseline)
    followed = _follow(counted if rule is not None else counted.head(0), storage, rule)
    by_group = {
        str(group): (len(part), int(part["event"].sum()))
        for group, part in followed.groupby("regime", sort=True)
    }
    curves, not_drawn = _curves(followed, settings.alpha)
    drawn = (
        pd.Series(True, index=followed.index)
        if ALL_SOURCES in curves
        else followed["regime"].isin(curves)
    )
    followed["in_curve"] = drawn & _within(followed, curves)
    false_call: dict[int, float] = {}
    # Without a miss nothing is known of misses.
    if rule is not None and baseline is not None and baseline < 1.0:
        false_call = {
            n: rule_false_call(rule.misses, rule.window, baseline, n) for n in FALSE_CALL_TRIALS
        }
    return Lifetime(
        rule=rule,
        rule_false_call=false_call,
        baseline=baseline,
        sources=len(followed) if rule is not None else int(counted["source_id"].nunique()),
        events=int(followed["event"].sum()),
        by_group=by_group,
        curve=tuple(point for curve in curves.values() for point in curve.points),
        median={group: curve.median for group, curve in curves.items()},
        not_drawn=not_drawn,
        alpha=settings.alpha,
        median_low={group: curve.median_low for group, curve in curves.items()},
        median_high={group: curve.median_high for group, curve in curves.items()},
        curve_from={group: curve.points[0].time for group, curve in curves.items()},
        curve_to={group: curve.points[-1].time for group, curve in curves.items()},
        followed=followed,
        left_out=left_out,
        not_followed=int((~sources["source_id"].isin(counted["source_id"])).sum()),
    )


def rule_in_use(
    asked: ReliabilityRule, counted: pd.DataFrame, reference: float | None
) -> RuleInUse | None:
    """The unit's own rule, or the one chosen; None where none is.

    Parameters
    ----------
    asked
        What the unit set.
    counted
        Trials that count: see :func:`counting_trials`.
    reference
        Find probability of a source that has not changed; None where it is not known.

    Raises
    ------
    SettingsError
        If no source could meet the unit's own rule.
    """
    trials = int(counted.groupby("source_id").size().median()) if len(counted) else 0
    misses, window = asked.misses, asked.window
    if misses is None or window is None:
        chosen = None if reference is None else choose_rule(reference, trials)
        if chosen is None:
            return None
        misses, window = chosen
    check_rule(misses, window)
    known = reference is not None and reference < 1.0
    fallen = fall_looked_for(reference if reference is not None else 1.0)
    return RuleInUse(
        misses,
        window,
        asked.qualified_only,
        chosen=asked.misses is None,
        trials=trials,
        false_call=rule_false_call(misses, window, reference or 0.0, trials) if known else None,
        fall_to=fallen,
        seen=rule_false_call(misses, window, fallen, SEEN_WITHIN),
        delay=mean_trials_to_call(misses, window, fallen),
    )


@dataclass(frozen=True, slots=True)
class _Curve:
    points: tuple[CurvePoint, ...]
    median: float | None
    median_low: float | None
    median_high: float | None


def counting_trials(
    trials: pd.DataFrame, rule: ReliabilityRule
) -> tuple[pd.DataFrame, dict[str, int]]:
    """Trials that count for the rule, in order within source, and those left out.

    Parameters
    ----------
    trials
        Joined trials.
    rule
        Its ``qualified_only`` says whether the dog's qualification counts.

    Returns
    -------
    tuple
        One row a trial: ``source_id``, ``started_at``, ``trial_id``,
        ``held_days``, ``regime``, ``kind``, ``cycles``, ``age_days`` (both
        missing where not known) and ``found``; and reason → trials left out.
    """
    hides = trials[trials["source_id"].notna() & trials["result"].isin(["find", "miss"])]
    if "assisted" in hides:
        hides = hides[~hides["assisted"].astype("boolean").fillna(False).astype(bool)]
    left_out: dict[str, int] = {}
    if rule.qualified_only and "qualified" in hides:
        counts = hides["qualified"].astype("boolean").fillna(True).astype(bool)
        _note(left_out, "the dog was not yet qualified", int((~counts).sum()))
        hides = hides[counts]
    known = np.isfinite(hides["held_days"].to_numpy(dtype=float))
    _note(left_out, "the days held are not known", int((~known).sum()))
    hides = hides[known]
    regime = (
        hides["regime"].astype("object")
        if "regime" in hides
        else pd.Series(None, index=hides.index, dtype="object")
    )
    kind = (
        hides["kind"].astype("object")
        if "kind" in hides
        else pd.Series(None, index=hides.index, dtype="object")
    )
    nothing = pd.Series(np.nan, index=hides.index)
    counted = pd.DataFrame(
        {
            "source_id": hides["source_id"],
            "started_at": hides["started_at"],
            "trial_id": hides["trial_id"],
            "held_days": hides["held_days"].astype(float),
            "regime": regime.where(regime.notna(), NOT_KNOWN).astype(str),
            "kind": kind.where(kind.notna(), NOT_KNOWN).astype(str),
            "cycles": hides["cycles"].astype(float) if "cycles" in hides else nothing,
            "age_days": hides["age_days"].astype(float) if "age_days" in hides else nothing,
            "found": hides["result"] == "find",
        }
    )
    # Trials that began at the same moment have no order of their own: by trial_id,
    # so that the result does not depend on the order of the rows.
    order = ["source_id", "started_at", "trial_id"]
    return counted.sort_values(order, ignore_index=True), left_out


def _note(left_out: dict[str, int], reason: str, count: int) -> None:
    if count:
        left_out[reason] = count


def _follow(counted: pd.DataFrame, storage: pd.DataFrame, rule: RuleInUse | None) -> pd.DataFrame:
    """One row a source: from its first trial that counts to the one that ended following."""
    discarded = (
        set(storage.loc[storage["moved_to"] == "discarded", "source_id"]) if len(storage) else set()
    )
    rows = []
    for source_id, own in counted.groupby("source_id", sort=True):
        held = own["held_days"].to_numpy()
        cycles, age = own["cycles"].to_numpy(), own["age_days"].to_numpy()
        assert rule is not None
        called = first_called(~own["found"].to_numpy(), rule.misses, rule.window)
        event = called is not None
        last = len(own) - 1 if called is None else called
        if event:
            # Shown at its very first trial, it was met somewhere since it was acquired.
            low, ending = (held[last - 1] if last else 0.0), "met the rule"
            before = last - 1 if last else None
        else:
            low = held[last]
            before = last
            ending = "discarded while reliable" if source_id in discarded else "last trial so far"
        rows.append(
            (
                source_id,
                own["regime"].iloc[last],
                len(own),
                held[0],
                held[last],
                low,
                event,
                ending,
                own["kind"].iloc[last],
                cycles[0],
                # Shown at its very first trial, it may have been met before any cycle.
                0.0 if before is None else cycles[before],
                cycles[last],
                age[0],
                age[0] - held[0] if before is None else age[before],
                age[last],
            )
        )
    followed = pd.DataFrame(rows, columns=list(_FOLLOWED))
    words = {"regime": str, "ending": str, "kind": str}
    return followed.astype({"event": bool, "trials": int, **words})


def _curves(followed: pd.DataFrame, alpha: float) -> tuple[dict[str, _Curve], dict[str, str]]:
    curves: dict[str, _Curve] = {}
    not_drawn: dict[str, str] = {}
    for group, part in followed.groupby("regime", sort=True):
        outcome = _curve(str(group), part, alpha)
        if isinstance(outcome, _Curve):
            curves[str(group)] = outcome
        else:
            not_drawn[str(group)] = outcome
    # A group of which none met the rule is flat; where no other is drawn, all may have one.
    if not any(any(p.probability < 1.0 for p in c.points) for c in curves.values()) and not_drawn:
        outcome = _curve(ALL_SOURCES, followed, alpha)
        if isinstance(outcome, _Curve):
            curves = {ALL_SOURCES: outcome}
        elif len(not_drawn) > 1:
            not_drawn[ALL_SOURCES] = outcome
    return curves, not_drawn


def _curve(group: str, part: pd.DataFrame, alpha: float) -> _Curve | str:
    """Draw the group's curve, or say why it has none."""
    events = int(part["event"].sum())
    if 0 < events < FEWEST_EVENTS:
        return f"{_met(events)}; a curve needs {FEWEST_EVENTS}"
    entry = part["entry_days"].to_numpy()
    exit_ = part["exit_days"].to_numpy()
    span = well_followed(entry, exit_)
    if span is None:
        return f"fewer than {FEWEST_AT_RISK} of its sources were followed at the same time"
    if events == 0:
        return _flat(group, (entry, exit_), span, alpha)
    start, end = span
    within = (exit_ > start) & (entry < end) & (exit_ > entry)
    event = part["event"].to_numpy() & (exit_ <= end)
    inside = int((event & within).sum())
    if inside < FEWEST_EVENTS:
        return (
            f"{_met(inside)} while at least {FEWEST_AT_RISK} of them were followed; "
            f"a curve needs {FEWEST_EVENTS}"
        )
    steps = product_limit(
        np.minimum(exit_[within], end), event[within], np.maximum(entry[within], start)
    )
    return _with_limits(group, steps, (entry, exit_), span, alpha)


def _flat(
    group: str, followed: tuple[np.ndarray, np.ndarray], span: tuple[float, float], alpha: float
) -> _Curve:
    """No source met the rule: a curve at 1, with the bound of that.

    Were the share lost by a day larger than the bound says, no event at all among those
    followed would be less likely than half of ``alpha``, wherever before it the loss lay: the
    likeliest is where fewest were followed.
    """
    start, end = span
    entry, exit_ = followed
    edges = np.unique(np.concatenate([entry, exit_]))
    ends = edges[(edges > start) & (edges <= end)]
    at_risk = [int(((entry < t) & (exit_ >= t)).sum()) for t in ends]
    fewest = np.minimum.accumulate(at_risk)
    points: list[CurvePoint] = []
    time = start
    for until, now, least in zip(ends, at_risk, fewest, strict=True):
        low = float((alpha / 2.0) ** (1.0 / least))
        if not points or low < points[-1].low:
            points.append(CurvePoint(group, float(time), 1.0, low, 1.0, now))
        time = until
    points.append(CurvePoint(group, float(end), 1.0, points[-1].low, 1.0, at_risk[-1]))
    return _Curve(tuple(points), None, None, None)


def _with_limits(
    group: str,
    steps: ProductLimit,
    followed: tuple[np.ndarray, np.ndarray],
    span: tuple[float, float],
    alpha: float,
) -> _Curve:
    start, end = span
    entry, exit_ = followed
    z = float(normal_quantile(1.0 - alpha / 2.0))
    first = int(((entry <= start) & (exit_ > start)).sum())
    points = [CurvePoint(group, float(start), 1.0, 1.0, 1.0, first)]
    for time, probability, std_error, at_risk in zip(
        steps.times, steps.probability, steps.std_error, steps.at_risk, strict=True
    ):
        if probability > 0.0:
            width = z * std_error / (probability * abs(np.log(probability)))
            low, high = probability ** np.exp(width), probability ** np.exp(-width)
        else:
            # All still followed met the rule at once: the log-log limits do not exist.
            # The upper limit just before still holds, for the curve cannot rise.
            low, high = 0.0, points[-1].high
        points.append(
            CurvePoint(
                group, float(time), float(probability), float(low), float(high), int(at_risk)
            )
        )
    if points[-1].time < end:
        last = points[-1]
        at_risk = int(((entry < end) & (exit_ >= end)).sum())
        points.append(CurvePoint(group, float(end), last.probability, last.low, last.high, at_risk))
    return _Curve(
        points=tuple(points),
        median=_first_at_half([(p.time, p.probability) for p in points]),
        median_low=_first_at_half([(p.time, p.low) for p in points]),
        median_high=_first_at_half([(p.time, p.high) for p in points]),
    )


def _first_at_half(steps: list[tuple[float, float]]) -> float | None:
    # A product of fractions that is one half may miss it by rounding.
    return next((time for time, value in steps if value <= 0.5 + 1e-12), None)


def well_followed(entry: np.ndarray, exit_: np.ndarray) -> tuple[float, float] | None:
    """Days between which enough sources are followed, around the day on which most are.

    Parameters
    ----------
    entry, exit_
        Each source is followed over (entry, exit], shape (n,).

    Returns
    -------
    tuple of float or None
        First and last day on which at least 3 are followed without a break;
        None where there are never so many.
    """
    edges = np.unique(np.concatenate([entry, exit_]))
    if len(edges) < 2:
        return None
    ends = edges[1:]
    at_risk = np.array([int(((entry < t) & (exit_ >= t)).sum()) for t in ends])
    most = int(at_risk.argmax())
    if at_risk[most] < FEWEST_AT_RISK:
        return None
    first = last = most
    while first > 0 and at_risk[first - 1] >= FEWEST_AT_RISK:
        first -= 1
    while last + 1 < len(ends) and at_risk[last + 1] >= FEWEST_AT_RISK:
        last += 1
    return float(edges[first]), float(edges[last + 1])


def _within(followed: pd.DataFrame, curves: Mapping[str, _Curve]) -> pd.Series:
    """Whether each source is followed on a day that its group's curve covers."""
    group = (
        pd.Series(ALL_SOURCES, index=followed.index)
        if ALL_SOURCES in curves
        else followed["regime"]
    )
    start = group.map({name: curve.points[0].time for name, curve in curves.items()})
    end = group.map({name: curve.points[-1].time for name, curve in curves.items()})
    return (
        (followed["exit_days"] > start.astype(float))
        & (followed["entry_days"] < end.astype(float))
        & (followed["exit_days"] > followed["entry_days"])
    )


def _met(events: int) -> str:
    return "none of its sources met the rule" if events == 0 else f"{events} met the rule"
