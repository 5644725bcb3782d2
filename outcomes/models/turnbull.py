"""The curve of interval-censored times, without a model: Turnbull's estimate with late entry.

lifelines takes the intervals as closed, and neither it nor statsmodels lets a
source enter late, so the estimate is made here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.optimize import nnls

from outcomes.errors import FitError

_FIRST_STEPS = 5
_STEPS = 300
_SMALL_GAIN = 1e-13  # of the log-likelihood
_AS_GOOD_AS_ALL = 40.0  # a cumulative hazard that leaves 4e-18


@dataclass(frozen=True, slots=True)
class TurnbullCurve:
    """The estimate: which cells (``left``, ``right``] hold events, and what is left after each.

    Within a cell the records do not say when; between cells the curve is flat.

    Attributes
    ----------
    left, right
        Ends of the cells, shape (m,), rising; a cell holds ``right``, not ``left``.
    survival
        Probability of lasting beyond ``right``, shape (m,).
    log_likelihood
        At the estimate.
    """

    left: np.ndarray
    right: np.ndarray
    survival: np.ndarray
    log_likelihood: float

    @property
    def mass(self) -> np.ndarray:
        """Probability of an event in each cell, shape (m,)."""
        return np.asarray(-np.diff(np.concatenate([[1.0], self.survival])))

    def at(self, time: np.ndarray) -> np.ndarray:
        """Probability of lasting beyond each time; within a cell, on the straight line.

        Parameters
        ----------
        time
            Any shape.
        """
        knots = np.column_stack([self.left, self.right]).ravel()
        before = np.concatenate([[1.0], self.survival])[:-1]
        values = np.column_stack([before, self.survival]).ravel()
        if not len(knots):
            return np.ones_like(time, dtype=float)
        return np.asarray(np.interp(time, knots, values, left=1.0))


@dataclass(frozen=True, slots=True)
class Cells:
    """Intervals laid out on the cells that can hold an event.

    Attributes
    ----------
    left, right
        Ends of the cells, shape (m,).
    lasted
        True where the source surely lasted through the cell, shape (n, m).
    covered
        True where its event may lie in the cell, shape (n, m).
    """

    left: np.ndarray
    right: np.ndarray
    lasted: np.ndarray
    covered: np.ndarray


def lay_out(left: np.ndarray, right: np.ndarray, entry: np.ndarray) -> Cells:
    """Find the cells that can hold an event.

    A cell begins where a source was last known to last, and ends where a
    source was shown to have failed or another entered: anywhere else the
    likelihood would gain by moving the event to the cell's neighbour.

    Parameters
    ----------
    left, right
        The event lies in (left, right]; right is infinite where it was not
        seen. Shape (n,).
    entry
        Time from which each is followed, at most ``left``, shape (n,).

    Returns
    -------
    Cells

    References
    ----------
    Turnbull, B. W. (1976). The empirical distribution function with
    arbitrarily grouped, censored and truncated data. *Journal of the Royal
    Statistical Society B* 38, 290-295.

    Frydman, H. (1994). A note on nonparametric estimation of the distribution
    function from interval-censored and truncated observations. *Journal of the
    Royal Statistical Society B* 56, 71-74.
    """
    finite = right[np.isfinite(right)]
    edges = np.unique(np.concatenate([left, finite, entry]))
    begins, ends = np.isin(edges, left), np.isin(edges, np.concatenate([finite, entry]))
    keep = begins[:-1] & ends[1:]
    low, high = edges[:-1][keep], edges[1:][keep]
    lasted = (entry[:, None] <= low) & (high <= left[:, None])
    covered = np.isfinite(right)[:, None] & (left[:, None] <= low) & (high <= right[:, None])
    some = covered.any(axis=0)
    return Cells(low[some], high[some], lasted[:, some], covered[:, some])


def fit_turnbull(
    left: np.ndarray, right: np.ndarray, entry: np.ndarray | None = None
) -> TurnbullCurve:
    """Estimate the curve without a model.

    Parameters
    ----------
    left, right
        The event lies in (left, right]; right is infinite where it was not
        seen. Shape (n,), left below right.
    entry
        Time from which each is followed, shape (n,); 0 if not given. One that
        enters late says nothing about the time before.

    Returns
    -------
    TurnbullCurve
        Of times from the first entry on.

    Raises
    ------
    ValueError
        If an interval is empty, or a time before its entry.
    FitError
        If the likelihood has no maximum that could be found.

    References
    ----------
    Turnbull (1976) and Frydman (1994), as in :func:`lay_out`.

    Examples
    --------
    >>> curve = fit_turnbull(np.array([0.0, 1.0, 2.0]), np.array([2.0, 3.0, np.inf]))
    >>> curve.left, curve.right
    (array([1., 2.]), array([2., 3.]))
    """
    left, right = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    begin = np.zeros(len(left)) if entry is None else np.asarray(entry, dtype=float)
    if not ((left < right) & (begin <= left)).all():
        raise ValueError("every interval needs entry <= left < right")
    return fit_cells(lay_out(left, right, begin), np.ones(len(left)))


def fit_cells(cells: Cells, weight: np.ndarray, start: float = -np.inf) -> TurnbullCurve:
    """Estimate the curve on cells laid out before, each source counted ``weight`` times.

    The cumulative hazards of the cells are what is sought: in them the
    log-likelihood is concave, and late entry only leaves terms out. Some steps
    of the self-consistency algorithm, then Newton's with the hazards held at
    zero or above.

    Parameters
    ----------
    cells
        Made by :func:`lay_out`.
    weight
        Shape (n,), zero or more.
    start
        Cells that end by then are left out, so that the curve is about what
        lasted to the first cell kept. Where late entry leaves a cell that
        nobody lasted through, the whole curve would be zero from there on.

    Returns
    -------
    TurnbullCurve
        Its cells are those with an event.

    Raises
    ------
    FitError
        If the likelihood has no maximum that could be found.
    """
    hazard, value = _maximum(cells, weight)
    hazard = np.where(hazard >= _AS_GOOD_AS_ALL / 2, np.inf, hazard)
    hazard = np.where(cells.right > start, hazard, 0.0)
    survival = np.exp(-np.cumsum(hazard))
    mass = -np.diff(np.concatenate([[1.0], survival]))
    held = mass > 1e-10
    return TurnbullCurve(cells.left[held], cells.right[held], survival[held], value)


def fit_cell_hazards(cells: Cells, weight: np.ndarray) -> np.ndarray:
    """Estimate the cumulative hazard of each cell, also behind one that nobody lasted through.

    Parameters
    ----------
    cells
        Made by :func:`lay_out`.
    weight
        Shape (n,), zero or more.

    Returns
    -------
    numpy.ndarray
        Shape (m,); infinite where nobody is known to have lasted through a
        cell with an event.

    Raises
    ------
    FitError
        If the likelihood has no maximum that could be found.
    """
    hazard, _ = _maximum(cells, weight)
    return np.asarray(np.where(hazard >= _AS_GOOD_AS_ALL / 2, np.inf, hazard))


def _maximum(cells: Cells, weight: np.ndarray) -> tuple[np.ndarray, float]:
    """Cumulative hazards of the cells at the greatest likelihood, and its logarithm."""
    seen = cells.covered.any(axis=1) & (weight > 0)
    member = cells.covered[seen].astype(float)
    w = weight[seen]
    cost = weight @ cells.lasted
    hazard = np.zeros(len(cost))
    some = np.asarray(member.any(axis=0))
    free = some & (cost > 0)
    hazard[some & ~free] = _AS_GOOD_AS_ALL  # none is known to have lasted through it
    if some.any():
        hazard = _newton(_self_consistent(hazard, member, w, cost, some), member, w, cost, free)
    return hazard, _value(hazard, member, w, cost)


def _value(hazard: np.ndarray, member: np.ndarray, w: np.ndarray, cost: np.ndarray) -> float:
    total = member @ hazard
    if not (total > 0).all():
        return -np.inf
    return float(-cost @ hazard + w @ np.log(-np.expm1(-total)))


def _self_consistent(
    hazard: np.ndarray, member: np.ndarray, w: np.ndarray, cost: np.ndarray, some: np.ndarray
) -> np.ndarray:
    """Some steps of Turnbull's algorithm: expected events over expected numbers at risk."""
    share = np.where(hazard > 0, 1.0 - 1e-15, np.where(some, 0.5, 0.0))
    for _ in range(_FIRST_STEPS):
        before = np.concatenate([[1.0], np.cumprod(1.0 - share)[:-1]])
        place = member * (before * share)
        total = place.sum(axis=1, keepdims=True)
        place = np.divide(
            place, total, out=member / member.sum(axis=1, keepdims=True), where=total > 1e-290
        )
        events = w @ place
        # In its own cells a source is at risk up to the one that holds its event.
        own = np.cumsum(place[:, ::-1], axis=1)[:, ::-1] * member
        at_risk = cost + w @ own
        share = np.divide(events, at_risk, out=np.zeros_like(events), where=at_risk > 0)
        share = np.clip(share, 0.0, 1.0 - 1e-15)
    return np.asarray(np.where(hazard > 0, hazard, -np.log1p(-share)))


def _newton(
    hazard: np.ndarray, member: np.ndarray, w: np.ndarray, cost: np.ndarray, free: np.ndarray
) -> np.ndarray:
    """Newton's steps, each to the best point, of zero or above, of the parabola that fits here."""
    value = _value(hazard, member, w, cost)
    part = member[:, free]
    for _ in range(_STEPS if free.any() else 0):
        odds = 1.0 / np.expm1(member @ hazard)
        gradient = part.T @ (w * odds) - cost[free]
        bend = part.T @ ((w * odds * (1.0 + odds))[:, None] * part)
        bend[np.diag_indices_from(bend)] += 1e-10 * (1.0 + np.diag(bend))
        root = cholesky(bend)
        here = hazard[free]
        target = root @ here + solve_triangular(root, gradient, trans=1)
        step = nnls(root, target)[0] - here
        gain = float(gradient @ step)
        if gain < _SMALL_GAIN:
            return hazard
        length = 1.0
        while length > 1e-9:
            tried = hazard.copy()
            tried[free] = np.minimum(here + length * step, _AS_GOOD_AS_ALL)
            reached = _value(tried, member, w, cost)
            if reached >= value + 1e-4 * length * gain:
                break
            length /= 2.0
        else:
            return hazard  # no step gains anything that numbers can hold
        hazard, value = tried, reached
    if free.any():
        raise FitError("the curve has no maximum that could be found")
    return hazard
