"""Cox model with strata, Efron's ties and a random effect of the cluster.

Neither statsmodels nor lifelines gives Efron's score residuals (their
clustered errors are too small with tied times), a normal random effect, or the
score test of proportional hazards; all of them follow from one pass over the
risk sets, which is here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from outcomes.errors import FitError
from outcomes.fit.maximise import maximise, maximise_with_effects


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
    z = (x - centre) / scale
    p = z.shape[1]
    if clusters is not None:
        codes = np.unique(clusters, return_inverse=True)[1].reshape(-1)
        z = np.column_stack([z, np.eye(codes.max() + 1)[codes]])
    pieces = _pieces(time, event, strata)

    def likelihood(beta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        parts = [_pass(piece, z[piece.rows], beta) for piece in pieces]
        value = sum(part.value for part in parts)
        gradient = np.sum([part.scores.sum(axis=0) for part in parts], axis=0)
        return float(value), gradient, np.sum([part.information[0] for part in parts], axis=0)

    start = np.zeros(z.shape[1])
    if clusters is not None:
        maximum, variance = maximise_with_effects(likelihood, start, np.arange(len(start)) >= p)
        return CoxFit(
            beta=maximum.at[:p] / scale,
            cov=_usable(maximum.covariance()[:p, :p]) / np.outer(scale, scale),
            effects_sd=float(np.sqrt(variance)),
        )
    maximum = maximise(likelihood, start)
    cov = _usable(maximum.covariance())
    parts = [_pass(piece, z[piece.rows], maximum.at, powers=3) for piece in pieces]
    scores = np.zeros_like(z)
    for piece, part in zip(pieces, parts, strict=True):
        scores[piece.rows] = part.scores
    each, together = _proportionality(parts, cov)
    return CoxFit(
        beta=maximum.at / scale,
        cov=cov / np.outer(scale, scale),
        scores=scores * scale,
        log_likelihood=maximum.value,
        proportional=each,
        proportional_p=chi2.sf(each, 1),
        proportional_all=together,
        proportional_all_p=float(chi2.sf(together, p)),
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
    """Value, scores (n, q), information (q, q) by powers of place, and trend (q,) along place."""

    value: float
    scores: np.ndarray
    information: tuple[np.ndarray, ...]
    trend: np.ndarray


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


def _pass(piece: _Piece, x: np.ndarray, beta: np.ndarray, *, powers: int = 1) -> _Pass:
    """Efron's likelihood in one stratum at ``beta``."""
    linear = x @ beta
    top = linear.max()
    w = np.exp(linear - top)
    wx = w[:, None] * x
    event, which, share, until = piece.event, piece.which, piece.share, piece.until

    def seen(values: np.ndarray) -> np.ndarray:
        """Sum over those at risk, for each death, with the share of the tied ones gone."""
        dying = np.add.reduceat(values[piece.dying], piece.begin)
        total = values[piece.order].cumsum(axis=0)[piece.last]
        part = share if values.ndim == 1 else share[:, None]
        return np.asarray(total[which] - part * dying[which])

    def per_time(values: np.ndarray) -> np.ndarray:
        return np.asarray(np.add.reduceat(values, piece.begin))

    s0 = seen(w)
    mean = seen(wx) / s0[:, None]

    def met(values: np.ndarray) -> np.ndarray:
        """Sum of a quantity of each death over the deaths that each trial is at risk for."""
        once = per_time(values)
        zero = np.zeros((1, *once.shape[1:]))
        total = np.concatenate([zero, once.cumsum(axis=0)])[until]
        gone = per_time((share if values.ndim == 1 else share[:, None]) * values)
        total[event] -= gone[piece.at]
        return np.asarray(total)

    hazard = met(1.0 / s0)
    scores = -(wx * hazard[:, None] - w[:, None] * met(mean / s0[:, None]))
    count = np.bincount(which)
    residuals = x[event] - (per_time(mean) / count[:, None])[piece.at]
    scores[event] += residuals

    def information(weight: np.ndarray) -> np.ndarray:
        return np.asarray(
            (wx * met(weight / s0)[:, None]).T @ x - (mean * weight[:, None]).T @ mean
        )

    place = piece.place[which]
    return _Pass(
        value=float(linear[event].sum() - (np.log(s0) + top).sum()),
        scores=scores,
        information=tuple(information(place**k) for k in range(powers)),
        trend=piece.place[piece.at] @ residuals,
    )


def _proportionality(parts: list[_Pass], cov: np.ndarray) -> tuple[np.ndarray, float]:
    """Score statistics of coefficients that change along the place in time."""
    trend = np.sum([part.trend for part in parts], axis=0)
    across, within = (np.sum([part.information[k] for part in parts], axis=0) for k in (1, 2))
    left = within - across @ cov @ across
    return trend**2 / np.diag(left), float(trend @ np.linalg.solve(left, trend))
