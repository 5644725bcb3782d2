"""Cox model with strata, Efron's ties and a random effect of the cluster.

Neither statsmodels nor lifelines gives Efron's score residuals (their
clustered errors are too small with tied times), a normal random effect, or the
score test of proportional hazards; all of them follow from one pass over the
risk sets, which is here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outcomes.errors import FitError
from outcomes.models.distributions import chi_square_tail
from outcomes.models.frailty_design import EffectsDesign, effects_design
from outcomes.models.newton import maximise, maximise_with_effects


@dataclass(frozen=True, slots=True)
class CoxFit:
    """A Cox model at its maximum (Efron's partial likelihood).

    Attributes
    ----------
    beta
        Log hazard ratios, shape (p,).
    cov
        Their covariance from the curvature, shape (p, p): trials independent,
        given the effect of the cluster where there is one.
    effects_sd
        Standard deviation of the clusters' log hazards; None without them.
    scores
        Score residuals, shape (n, p); None with cluster effects.
    log_likelihood
        Log partial likelihood at the estimate; None with cluster effects.
    proportional_p
        p-value, per term, of a hazard ratio that changes with time, shape (p,);
        None with cluster effects.
    proportional, proportional_all, proportional_all_p
        The statistics behind it, and statistic and p-value for all terms.
    """

    beta: np.ndarray
    cov: np.ndarray
    effects_sd: float | None = None
    scores: np.ndarray | None = None
    log_likelihood: float | None = None
    proportional: np.ndarray | None = None
    proportional_p: np.ndarray | None = None
    proportional_all: float | None = None
    proportional_all_p: float | None = None


def fit_cox(
    time: np.ndarray,
    event: np.ndarray,
    x: np.ndarray,
    strata: np.ndarray,
    clusters: np.ndarray | None = None,
) -> CoxFit:
    """Fit a Cox model with a baseline hazard of its own in every stratum.

    Parameters
    ----------
    time
        Time to the event or to the end of observation, above 0, shape (n,).
    event
        True where the event was seen, shape (n,).
    x
        Covariates without a constant, shape (n, p); no missing values.
    strata
        Label of the stratum, shape (n,).
    clusters
        Label of the cluster, shape (n,), to give each a normal random effect
        on the log hazard (a log-normal shared frailty).

    Returns
    -------
    CoxFit

    Raises
    ------
    FitError
        If the likelihood has no maximum that could be found.

    Notes
    -----
    Proportional hazards are tested by the score test of a coefficient that
    changes along 1 minus the Kaplan-Meier curve, as in ``cox.zph`` of R's
    survival from version 3.0; trials count as independent in it.

    References
    ----------
    Therneau, T. M. and Grambsch, P. M. (2000). *Modeling Survival Data:
    Extending the Cox Model*, sections 3.1, 4.2, 6.2, 7.2 and 9.6.

    Grambsch, P. M. and Therneau, T. M. (1994). Proportional hazards tests and
    diagnostics based on weighted residuals. *Biometrika* 81, 515-526.
    """
    event = event.astype(bool)
    # Steps of one standard deviation keep the information matrix well scaled.
    centre, scale = x.mean(axis=0), x.std(axis=0)
    if not (scale > 0).all():
        raise FitError("a term is the same in every trial used, so it has no hazard ratio")
    p = x.shape[1]
    design = effects_design((x - centre) / scale, clusters)
    pieces = _pieces(time, event, strata)

    def likelihood(beta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        parts = [_pass(piece, design, beta) for piece in pieces]
        return (
            float(sum(part.value for part in parts)),
            np.sum([part.gradient for part in parts], axis=0),
            np.sum([part.information for part in parts], axis=0),
        )

    start = np.zeros(design.width)
    if clusters is not None:
        maximum, variance = maximise_with_effects(likelihood, start, design.is_effect)
        return CoxFit(
            beta=maximum.at[:p] / scale,
            cov=_usable(maximum.covariance()[:p, :p]) / np.outer(scale, scale),
            effects_sd=float(np.sqrt(variance)),
        )
    maximum = maximise(likelihood, start)
    cov = _usable(maximum.covariance())
    scores = np.zeros((len(x), p))
    trends = []
    for piece in pieces:
        scores[piece.rows], trend = _residuals(piece, design, maximum.at)
        trends.append(trend)
    each, together = _proportionality(trends, cov)
    return CoxFit(
        beta=maximum.at / scale,
        cov=cov / np.outer(scale, scale),
        scores=scores * scale,
        log_likelihood=maximum.value,
        proportional=each,
        proportional_p=chi_square_tail(each, 1),
        proportional_all=together,
        proportional_all_p=float(chi_square_tail(together, p)),
    )


def _usable(cov: np.ndarray) -> np.ndarray:
    """Refuse errors, per standard deviation of a term, of a likelihood that is flat."""
    if not np.isfinite(cov).all() or np.diag(cov).max() > 100.0:
        raise FitError("the terms cannot be told apart in these search times")
    return cov


@dataclass(frozen=True, slots=True)
class _Piece:
    """One stratum's rows and risk sets, whatever the covariates.

    A death is one of ``d`` tied ones; the l-th of them (from 0) sees the share
    l / d of the dying as gone: Efron's approximation.

    Attributes
    ----------
    rows
        Positions of the stratum's n trials.
    event
        True where the event was seen, shape (n,).
    order, last
        Trials by falling time; for each event time, the place of the last of
        them still at risk.
    at
        Event time (as a number from 0) of each event, in order of the trials.
    dying, begin
        Positions in the stratum of the deaths in order of time, and where in
        them each event time begins.
    which, share
        Event time and share gone, for each death in order of time.
    until
        For each trial, the number of event times up to its own.
    place
        Place in time of each event time, centred over all deaths of all strata.
    """

    rows: np.ndarray
    event: np.ndarray
    order: np.ndarray
    last: np.ndarray
    at: np.ndarray
    dying: np.ndarray
    begin: np.ndarray
    which: np.ndarray
    share: np.ndarray
    until: np.ndarray
    place: np.ndarray


@dataclass(frozen=True, slots=True)
class _Pass:
    """One stratum's log partial likelihood, its gradient (q,) and its information (q, q)."""

    value: float
    gradient: np.ndarray
    information: np.ndarray


@dataclass(frozen=True, slots=True)
class _Trend:
    """Derivatives along the place in time: score (q,), information with beta and with itself."""

    score: np.ndarray
    across: np.ndarray
    within: np.ndarray


def _pieces(time: np.ndarray, event: np.ndarray, strata: np.ndarray) -> list[_Piece]:
    place = _survival_before(time, event)
    place = place - place[event].mean()
    pieces = []
    for stratum in np.unique(strata):
        rows = np.flatnonzero(strata == stratum)
        own_time, own_event = time[rows], event[rows]
        if not own_event.any():
            continue  # its hazard is zero whatever the covariates
        times, first = np.unique(own_time[own_event], return_index=True)
        at = np.searchsorted(times, own_time[own_event])
        d = np.bincount(at)
        which = np.repeat(np.arange(len(times)), d)
        order = np.argsort(-own_time, kind="stable")
        pieces.append(
            _Piece(
                rows=rows,
                event=own_event,
                order=order,
                last=np.searchsorted(-own_time[order], -times, side="right") - 1,
                at=at,
                dying=np.flatnonzero(own_event)[np.argsort(at, kind="stable")],
                begin=np.cumsum(d) - d,
                which=which,
                share=(np.arange(len(which)) - np.repeat(np.cumsum(d) - d, d)) / d[which],
                until=np.searchsorted(times, own_time, side="right"),
                place=place[rows][own_event][first],
            )
        )
    return pieces


def _survival_before(time: np.ndarray, event: np.ndarray) -> np.ndarray:
    """1 minus the Kaplan-Meier estimate just before each time, over all strata, shape (n,)."""
    back = np.unique(time, return_inverse=True)[1].reshape(-1)
    deaths = np.bincount(back, weights=event.astype(float))
    at_risk = np.bincount(back)[::-1].cumsum()[::-1]
    after = np.cumprod(1.0 - deaths / at_risk)
    return np.asarray((1.0 - np.concatenate([[1.0], after[:-1]]))[back])


class _RiskSets:
    """Sums over one stratum's risk sets at ``beta``, one for each death in order of time."""

    def __init__(self, piece: _Piece, design: EffectsDesign, beta: np.ndarray) -> None:
        self.piece = piece
        self.design = EffectsDesign(design.x[piece.rows], design.member[piece.rows])
        linear = self.design.linear(beta)
        top = float(linear.max())
        self.w = np.exp(linear - top)
        self.s0 = self.seen(self.w)
        self.rows = np.column_stack([self.design.x, self.design.member.toarray()])
        self.mean = self.seen(self.w[:, None] * self.rows) / self.s0[:, None]
        self.value = float(linear[piece.event].sum() - (np.log(self.s0) + top).sum())

    def seen(self, values: np.ndarray) -> np.ndarray:
        """Sum over those at risk, with the share of the tied ones gone."""
        piece = self.piece
        dying = np.add.reduceat(values[piece.dying], piece.begin)
        total = values[piece.order].cumsum(axis=0)[piece.last]
        share = piece.share if values.ndim == 1 else piece.share[:, None]
        return np.asarray(total[piece.which] - share * dying[piece.which])

    def met(self, values: np.ndarray) -> np.ndarray:
        """Sum of a quantity of each death over the deaths that each trial is at risk for."""
        piece = self.piece
        once = np.add.reduceat(values, piece.begin)
        zero = np.zeros((1, *once.shape[1:]))
        total = np.concatenate([zero, once.cumsum(axis=0)])[piece.until]
        share = piece.share if values.ndim == 1 else piece.share[:, None]
        gone = np.add.reduceat(share * values, piece.begin)
        total[piece.event] -= gone[piece.at]
        return np.asarray(total)

    def information(self, weight: np.ndarray | None = None) -> np.ndarray:
        """Sum over the deaths of the covariance within the risk set, each times its weight."""
        if weight is None:
            hazard = self.met(1.0 / self.s0)
            # Written so, numpy forms only half of the symmetric product.
            squares = self.mean.T @ self.mean
        else:
            hazard = self.met(weight / self.s0)
            squares = (self.mean * weight[:, None]).T @ self.mean
        return np.asarray(self.design.square(self.w * hazard) - squares)


def _pass(piece: _Piece, design: EffectsDesign, beta: np.ndarray) -> _Pass:
    """Efron's likelihood in one stratum at ``beta``."""
    sets = _RiskSets(piece, design, beta)
    gradient = sets.design.total(piece.event.astype(float)) - sets.mean.sum(axis=0)
    return _Pass(sets.value, gradient, sets.information())


def _residuals(piece: _Piece, design: EffectsDesign, beta: np.ndarray) -> tuple[np.ndarray, _Trend]:
    """Score residuals of one stratum, shape (n, q), and what shows a trend in time."""
    sets = _RiskSets(piece, design, beta)
    event, which = piece.event, piece.which
    hazard = sets.met(1.0 / sets.s0)
    hazard_mean = sets.met(sets.mean / sets.s0[:, None])
    scores = -sets.w[:, None] * (sets.rows * hazard[:, None] - hazard_mean)
    mean = np.add.reduceat(sets.mean, piece.begin) / np.bincount(which)[:, None]
    residuals = sets.rows[event] - mean[piece.at]
    scores[event] += residuals
    place = piece.place[which]
    return scores, _Trend(
        score=piece.place[piece.at] @ residuals,
        across=sets.information(place),
        within=sets.information(place**2),
    )


def _proportionality(trends: list[_Trend], cov: np.ndarray) -> tuple[np.ndarray, float]:
    """Score statistics of coefficients that change along the place in time."""
    score = np.sum([trend.score for trend in trends], axis=0)
    across = np.sum([trend.across for trend in trends], axis=0)
    within = np.sum([trend.within for trend in trends], axis=0)
    left = within - across @ cov @ across
    return score**2 / np.diag(left), float(score @ np.linalg.solve(left, score))
