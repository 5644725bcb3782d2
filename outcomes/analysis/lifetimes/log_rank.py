"""Whether regimes, or kinds, share one curve, each event anywhere between two trials.

No well-kept Python library has a log-rank test of interval-censored times, so
it is made here on the project's own estimate of the curve.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import xlogy

from outcomes.analysis.lifetimes.interval_censored import event_intervals
from outcomes.analysis.lifetimes.kaplan_meier import FEWEST_AT_RISK, FEWEST_EVENTS
from outcomes.analysis.lifetimes.restricted_mean import COMPARED
from outcomes.analysis.results import Lifetime
from outcomes.errors import FitError
from outcomes.models.distributions import chi_square_tail, f_tail, normal_tail, student_tail
from outcomes.models.turnbull import Cells, TurnbullCurve, fit_cell_hazards, fit_turnbull, lay_out

Scores = Literal["finkelstein", "sun"]
_NO_INFORMATION = 1e-8
_APART = "the two were not followed at the same time when sources became unreliable"


@dataclass(frozen=True, slots=True)
class ScoreTest:
    """One curve for both groups, or not.

    Attributes
    ----------
    z
        Standardised score: above zero where the group's events came sooner.
    p
        Two-sided.
    variance
        ``"permutation"`` (asymptotic, normal) or ``"information"`` (Student's t
        with n - 2 degrees of freedom).
    """

    z: float
    p: float
    variance: str


@dataclass(frozen=True, slots=True)
class GroupsTest:
    """One curve for several groups, or not.

    Attributes
    ----------
    groups
        Names, shape (k,), in order.
    excess
        Events of each group above what one curve for all would give it, shape
        (k,); they add up to 0.
    statistic
        Quadratic form of the scores; chi-square with k - 1 degrees of freedom
        where there is no difference and there are many sources.
    p
        Of chi-square with ``"permutation"``; with ``"information"`` of
        Fisher's F of statistic / (k - 1), with k - 1 and n - k degrees of freedom.
    variance
        ``"permutation"`` or ``"information"``.
    """

    groups: tuple[str, ...]
    excess: tuple[float, ...]
    statistic: float
    p: float
    variance: str


@dataclass(frozen=True, slots=True)
class KindLogRank:
    """Kinds of source beside one another, each event anywhere between two trials.

    Attributes
    ----------
    sources, events
        Kind → sources followed beyond their first trial, and those of them
        that met the rule; only kinds compared, in order.
    expected
        Kind → events that one curve for all these kinds would give it; empty
        where there is no test.
    left_out
        Kind → why it is not compared.
    statistic, p, variance
        As in :class:`GroupsTest`; None where there is no test.
    reason
        Why there is no test; None where there is one.
    """

    sources: dict[str, int]
    events: dict[str, int]
    expected: dict[str, float]
    left_out: dict[str, str]
    statistic: float | None
    p: float | None
    variance: str | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class IntervalLogRank:
    """Refrigerated against frozen sources, each event anywhere between two trials.

    Attributes
    ----------
    sources, events
        Regime → sources followed beyond their first trial, and those of them
        that met the rule.
    z, p, variance
        As in :class:`ScoreTest`, of the refrigerated sources; None where there
        is no test.
    late_entry
        Whether sources were first tried at different days held.
    reason
        Why there is no test; None where there is one.
    """

    sources: dict[str, int]
    events: dict[str, int]
    z: float | None
    p: float | None
    variance: str | None
    late_entry: bool
    reason: str | None


def interval_log_rank_test(
    left: np.ndarray,
    right: np.ndarray,
    group: np.ndarray,
    entry: np.ndarray | None = None,
    scores: Scores = "finkelstein",
) -> ScoreTest:
    """Test whether two groups share one curve, by the score at Turnbull's estimate for both.

    Without late entry each source has one score from the curve of all, and the
    variance is that over all ways of dealing the sources to the two groups,
    which takes for granted that both were tried alike. With late entry dealing
    them anew would be wrong; the variance is then the information left when
    the common curve is estimated too, and days on which only one group was
    followed say nothing.

    Parameters
    ----------
    left, right
        The event lies in (left, right]; right is infinite where it was not
        seen. Shape (n,), left below right.
    group
        True for the group that ``z`` is about, shape (n,).
    entry
        Time from which each is followed, shape (n,); None where all are from
        the same time on.
    scores
        ``"finkelstein"``: of proportional hazards; ``"sun"``: with
        Nelson-Aalen hazards. With late entry only the first.

    Returns
    -------
    ScoreTest

    Raises
    ------
    ValueError
        If an interval is empty, or Sun's scores are asked for with late entry.
    FitError
        If nothing tells the groups apart: no event, one group only, or never
        both followed when events may have happened.

    References
    ----------
    Finkelstein, D. M. (1986). A proportional hazards model for interval-censored
    failure time data. *Biometrics* 42, 845-854.

    Finkelstein, D. M., Moore, D. F. and Schoenfeld, D. A. (1993). A proportional
    hazards model for truncated AIDS data. *Biometrics* 49, 731-740.

    Sun, J. (1996). A non-parametric test for interval-censored failure time data
    with application to AIDS studies. *Statistics in Medicine* 15, 1387-1395.

    Fay, M. P. and Shaw, P. A. (2010). Exact and asymptotic weighted logrank tests
    for interval censored data: the interval R package. *Journal of Statistical
    Software* 36(2).
    """
    left, right = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    own = np.asarray(group, dtype=bool).astype(float)
    found = _score(left, right, own[:, None], entry, scores)
    z = float(found.value[0]) / float(found.spread[0, 0]) ** 0.5
    if entry is None:
        return ScoreTest(z, float(2.0 * normal_tail(abs(z))), "permutation")
    return ScoreTest(z, float(2.0 * student_tail(abs(z), max(len(own) - 2, 1))), "information")


def interval_log_rank_groups(
    left: np.ndarray,
    right: np.ndarray,
    group: np.ndarray,
    entry: np.ndarray | None = None,
    scores: Scores = "finkelstein",
) -> GroupsTest:
    """Test whether several groups share one curve, as :func:`interval_log_rank_test` does for two.

    Parameters
    ----------
    left, right, entry, scores
        As there.
    group
        Name of each source's group, shape (n,); two names or more.

    Returns
    -------
    GroupsTest

    Raises
    ------
    ValueError, FitError
        As there; also where a group is never followed together with the others.

    References
    ----------
    As there.
    """
    left, right = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    names, code = np.unique(np.asarray(group, dtype=str), return_inverse=True)
    if len(names) < 2:
        raise FitError("there is one group only")
    member = np.eye(len(names))[code.reshape(-1)]
    found = _score(left, right, member, entry, scores)
    # The groups' scores add up to nothing; one of them follows from the others.
    value, spread = found.value[1:], found.spread[1:, 1:]
    if np.linalg.eigvalsh(spread)[0] < _NO_INFORMATION:
        raise FitError(_APART)
    statistic = float(value @ np.linalg.solve(spread, value))
    freedom, n = len(value), len(left)
    if entry is None:
        p, variance = float(chi_square_tail(statistic, freedom)), "permutation"
    else:
        p = float(f_tail(statistic / freedom, freedom, max(n - freedom - 1, 1)))
        variance = "information"
    return GroupsTest(
        tuple(str(name) for name in names), tuple(found.value.tolist()), statistic, p, variance
    )


def compare_kinds(lifetime: Lifetime) -> KindLogRank:
    """Test whether kinds of source become unreliable alike.

    As :func:`compare_interval_curves`, for the kinds in which 5 sources met
    the rule and 3 were tried more than once; the others are left out and named.

    Parameters
    ----------
    lifetime
        Of the same trials; its ``followed`` is used.

    Returns
    -------
    KindLogRank
        Without a test, and with the reason, where fewer than two kinds have that.

    References
    ----------
    As in :func:`interval_log_rank_test`.
    """
    times = event_intervals(lifetime.followed)
    kind = lifetime.followed["kind"].to_numpy(str)
    seen = np.isfinite(times.right)
    counts = seen | (times.left > times.entry)
    sources: dict[str, int] = {}
    events: dict[str, int] = {}
    left_out: dict[str, str] = {}
    for name in np.unique(kind):
        followed = int((counts & (kind == name)).sum())
        met = int((counts & seen & (kind == name)).sum())
        if met < FEWEST_EVENTS:
            left_out[str(name)] = f"{met} of {followed} met the rule"
        elif followed < FEWEST_AT_RISK:
            left_out[str(name)] = f"{followed} tried more than once"
        else:
            sources[str(name)], events[str(name)] = followed, met
    reason = None
    if len(sources) < 2:
        have = "no kind has" if not sources else "only one kind has"
        reason = f"{have} {FEWEST_EVENTS} sources that met the rule, and two kinds are needed"
    found = None
    if reason is None:
        counts &= np.isin(kind, list(sources))
        entry = times.entry[counts]
        late = bool(entry.max() > entry.min())
        try:
            found = interval_log_rank_groups(
                times.left[counts], times.right[counts], kind[counts], entry if late else None
            )
        except FitError as error:
            reason = str(error)
    expected: dict[str, float] = {}
    if found is not None:
        over = dict(zip(found.groups, found.excess, strict=True))
        expected = {name: met - over[name] for name, met in events.items()}
    return KindLogRank(
        sources=sources,
        events=events,
        expected=expected,
        left_out=left_out,
        statistic=None if found is None else found.statistic,
        p=None if found is None else found.p,
        variance=None if found is None else found.variance,
        reason=reason,
    )


def compare_interval_curves(lifetime: Lifetime) -> IntervalLogRank:
    """Test whether refrigerated and frozen sources become unreliable alike.

    The event of a source lies after the last trial before it, up to the one
    that showed it, and a source says nothing about the days before its first
    trial. Sources with one trial alone say nothing at all and are left out.

    Parameters
    ----------
    lifetime
        Of the same trials; its ``followed`` is used.

    Returns
    -------
    IntervalLogRank
        Without a test, and with the reason, under 5 events in both regimes
        together or 3 sources in either.

    References
    ----------
    As in :func:`interval_log_rank_test`.
    """
    times = event_intervals(lifetime.followed)
    regime = lifetime.followed["regime"].to_numpy(str)
    seen = np.isfinite(times.right)
    counts = np.isin(regime, COMPARED) & (seen | (times.left > times.entry))
    sources = {name: int((counts & (regime == name)).sum()) for name in COMPARED}
    events = {name: int((counts & seen & (regime == name)).sum()) for name in COMPARED}
    entry = times.entry[counts]
    late = bool(len(entry)) and bool(entry.max() > entry.min())
    reason = _too_few(sources, events)
    found = None
    if reason is None:
        try:
            found = interval_log_rank_test(
                times.left[counts],
                times.right[counts],
                regime[counts] == COMPARED[0],
                entry if late else None,
            )
        except FitError as error:
            reason = str(error)
    return IntervalLogRank(
        sources=sources,
        events=events,
        z=None if found is None else found.z,
        p=None if found is None else found.p,
        variance=None if found is None else found.variance,
        late_entry=late,
        reason=reason,
    )


def _too_few(sources: dict[str, int], events: dict[str, int]) -> str | None:
    for name, number in sources.items():
        if number < FEWEST_AT_RISK:
            return (
                f"{number} {name} {'source was' if number == 1 else 'sources were'} tried more "
                f"than once, and {FEWEST_AT_RISK} are needed"
            )
    met = sum(events.values())
    if met < FEWEST_EVENTS:
        return (
            f"{met} refrigerated or frozen {'source' if met == 1 else 'sources'} met the rule, "
            f"and {FEWEST_EVENTS} are needed"
        )
    return None


def _scores(
    curve: TurnbullCurve, left: np.ndarray, right: np.ndarray, scores: Scores
) -> np.ndarray:
    """Score of each source at the curve of all, shape (n,): positive where its event came soon."""
    before = np.concatenate([[1.0], curve.survival])[:-1]
    steps = np.concatenate([[0.0], np.cumsum(curve.mass / before)])
    heights = np.concatenate([[1.0], curve.survival])

    def part(time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        passed = np.searchsorted(curve.right, time, side="right")
        height = heights[passed]
        if scores == "sun":
            return height, -height * steps[passed]
        return height, xlogy(height, height)

    (high, at_left), (low, at_right) = part(left), part(right)
    # Beyond every cell the curve may still be above zero; an event not seen lies there.
    low, at_right = (np.where(np.isfinite(right), x, 0.0) for x in (low, at_right))
    return np.asarray((at_left - at_right) / (high - low))


@dataclass(frozen=True, slots=True)
class _Score:
    """Score of each group, shape (m,), and its covariance, shape (m, m)."""

    value: np.ndarray
    spread: np.ndarray


def _score(
    left: np.ndarray,
    right: np.ndarray,
    own: np.ndarray,
    entry: np.ndarray | None,
    scores: Scores,
) -> _Score:
    """Score of groups, a column of ``own`` (n, m) each, at the one curve for all."""
    if entry is None:
        return _by_permutation(_scores(fit_turnbull(left, right), left, right, scores), own)
    if scores != "finkelstein":
        raise ValueError("with late entry only Finkelstein's scores are defined")
    begin = np.asarray(entry, dtype=float)
    if not ((left < right) & (begin <= left)).all():
        raise ValueError("every interval needs entry <= left < right")
    return _by_information(lay_out(left, right, begin), own)


def _by_permutation(scores: np.ndarray, own: np.ndarray) -> _Score:
    apart, n = own - own.mean(axis=0), len(own)
    among = ((scores - scores.mean()) ** 2).sum() / max(n - 1, 1)
    spread = apart.T @ apart * among
    if np.diag(spread).min() < _NO_INFORMATION:
        raise FitError("nothing in these sources tells the two groups apart")
    return _Score(apart.T @ scores, spread)


def _by_information(cells: Cells, own: np.ndarray) -> _Score:
    """Score of the ratios of hazards, and its information given the hazards of the cells."""
    hazard = fit_cell_hazards(cells, np.ones(len(own)))
    some = np.asarray(hazard > 0.0)
    hazard, lasted, covered = hazard[some], cells.lasted[:, some], cells.covered[:, some]
    # An event that a cell without end may hold is certain whatever the hazards: it tells nothing.
    endless = np.asarray(np.isinf(hazard))
    tells = np.asarray(covered.any(axis=1) & ~covered[:, endless].any(axis=1))
    hazard = hazard[~endless]
    lived = lasted[:, ~endless].astype(float)
    held = (covered[:, ~endless] & tells[:, None]).astype(float)
    total = held @ hazard
    odds = np.zeros(len(own))
    odds[tells] = 1.0 / np.expm1(total[tells])
    bend = odds * (1.0 + odds)
    # Late entry can leave more than one best curve; centred, the groups then still mirror.
    own = own - own.mean(axis=0)
    score = own.T @ (odds * total - lived @ hazard)
    among = (held * bend[:, None]).T @ held
    cross = own.T @ (lived + ((bend * total - odds)[:, None] * held))
    alone = (own * (lived @ hazard - odds * total + bend * total**2)[:, None]).T @ own
    # Cells may stand for the same sources; the least squares solution is one of the answers.
    left_over = alone - cross @ np.linalg.lstsq(among, cross.T, rcond=1e-10)[0]
    if np.diag(left_over).min() < _NO_INFORMATION:
        raise FitError(_APART)
    return _Score(score, (left_over + left_over.T) / 2.0)
