"""Whether regimes share one curve of sources still reliable, each event between two trials.

No well-kept Python library has a log-rank test of interval-censored times, so
it is made here on the project's own estimate of the curve.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import xlogy
from scipy.stats import norm
from scipy.stats import t as student

from outcomes.errors import FitError
from outcomes.fit.interval_lifetime import event_intervals
from outcomes.fit.lifetime import FEWEST_AT_RISK, FEWEST_EVENTS
from outcomes.fit.restricted_mean import COMPARED
from outcomes.fit.result import Lifetime
from outcomes.fit.turnbull import Cells, TurnbullCurve, fit_cell_hazards, fit_turnbull, lay_out

Scores = Literal["finkelstein", "sun"]
_NO_INFORMATION = 1e-8


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
    if entry is None:
        return _by_permutation(_scores(fit_turnbull(left, right), left, right, scores), own)
    if scores != "finkelstein":
        raise ValueError("with late entry only Finkelstein's scores are defined")
    begin = np.asarray(entry, dtype=float)
    if not ((left < right) & (begin <= left)).all():
        raise ValueError("every interval needs entry <= left < right")
    return _by_information(lay_out(left, right, begin), own)


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


def _by_permutation(scores: np.ndarray, own: np.ndarray) -> ScoreTest:
    apart, n = own - own.mean(), len(own)
    variance = float((apart**2).sum() * ((scores - scores.mean()) ** 2).sum()) / max(n - 1, 1)
    if variance < _NO_INFORMATION:
        raise FitError("nothing in these sources tells the two groups apart")
    z = float(apart @ scores) / variance**0.5
    return ScoreTest(z, float(2.0 * norm.sf(abs(z))), "permutation")


def _by_information(cells: Cells, own: np.ndarray) -> ScoreTest:
    """Score of the ratio of hazards, and its information given the hazards of the cells."""
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
    # Late entry can leave more than one best curve; centred, both groups then still mirror.
    own = own - own.mean()
    score = float(own @ (odds * total - lived @ hazard))
    among = (held * bend[:, None]).T @ held
    cross = own @ (lived + ((bend * total - odds)[:, None] * held))
    alone = float(own**2 @ (lived @ hazard - odds * total + bend * total**2))
    # Cells may stand for the same sources; the least squares solution is one of the answers.
    left_over = alone - float(cross @ np.linalg.lstsq(among, cross, rcond=1e-10)[0])
    if left_over < _NO_INFORMATION:
        raise FitError("the two were not followed at the same time when sources became unreliable")
    z = score / left_over**0.5
    return ScoreTest(z, float(2.0 * student.sf(abs(z), max(len(own) - 2, 1))), "information")
