"""A logistic mixed model at its maximum (Laplace approximation), certified or refused.

Fixed effects and spreads are found together, as the likelihood of
:mod:`outcomes.models.laplace` has them. No fit is believed because a loop
ended: at the end the gradient is as good as zero, the curvature in every
parameter that is not held at zero is positive, and a spread held at zero
could not rise. What cannot be certified is refused with the reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache

import numpy as np
from threadpoolctl import ThreadpoolController

from outcomes.errors import FitError
from outcomes.models.laplace import Grouping, LaplaceLikelihood, Mode
from outcomes.models.mixed_search import SMALL_SPREAD, best_of_starts
from outcomes.models.separation import is_separated, start_without_effects

_SMALL_SET = 200  # rows; so few may have two maxima
_SINGULAR = 1e-7
_HOPELESS = 1e3  # standard error per standard deviation of a column: no information at all


_SAME_INFORMATION = "two terms carry the same information"


class SeparatedError(FitError):
    """The outcomes are parted so cleanly that some effect has no finite size."""

    def __init__(self) -> None:
        super().__init__("the outcomes are separated too cleanly to put a size on the effects")


@dataclass(frozen=True, slots=True)
class GroupEffects:
    """Random effects of one grouping at the maximum.

    Attributes
    ----------
    name
        The grouping.
    factor
        Lower factor of their covariance, shape (1, 1) or (2, 2): intercept, then slope.
    modes
        Conditional modes, shape (levels, 1 or 2).
    """

    name: str
    factor: np.ndarray
    modes: np.ndarray

    @property
    def covariance(self) -> np.ndarray:
        """Covariance of intercept and slope, shape (1, 1) or (2, 2)."""
        return np.asarray(self.factor @ self.factor.T)


@dataclass(frozen=True, slots=True)
class MixedModel:
    """A logistic mixed model at its maximum.

    Attributes
    ----------
    beta
        Fixed effects, shape (p,).
    covariance
        Their covariance, shape (p, p): by the curvature of the likelihood in all
        parameters where ``curvature`` was asked for, else at the spreads found.
    groups
        Effects of each grouping, in the order given.
    log_likelihood
        At the maximum.
    weights
        Binomial weight of each row there, shape (n,).
    """

    beta: np.ndarray
    covariance: np.ndarray
    groups: tuple[GroupEffects, ...]
    log_likelihood: float
    weights: np.ndarray


@cache
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()


@contextmanager
def one_thread() -> Iterator[None]:
    """Let the matrix library use one thread: these matrices are small, and threads only wait.

    It also keeps the number of cores out of the answer.
    """
    with _libraries().limit(limits=1, user_api="blas"):
        yield


def fit_mixed_model(
    y: np.ndarray,
    x: np.ndarray,
    groupings: Sequence[Grouping],
    *,
    offset: np.ndarray | None = None,
    curvature: bool = True,
    near: Sequence[np.ndarray] | None = None,
    roughly: bool = False,
) -> MixedModel:
    """Fit a logistic mixed model by maximum likelihood (Laplace approximation).

    Parameters
    ----------
    y
        Outcomes 0 or 1, shape (n,).
    x
        Fixed-effect design, shape (n, p), of full column rank.
    groupings
        Random intercepts, at most one or two of them with a slope. A grouping of a
        single level must not be among them.
    offset
        Known part of the log-odds, shape (n,).
    curvature
        Work out the curvature in all parameters, which the covariance of the fixed
        effects then comes from. Without it (for refits that only need the
        likelihood) errors are those at the spreads found.
    near
        Factor of each grouping to start from, as :class:`GroupEffects` has them: those of a
        fit of much the same records, which this one is then found sooner from.
    roughly
        Stop where the log-likelihood is within about 0.001 of its maximum, unproved: for
        refits by the hundred, of which none is told by itself.

    Returns
    -------
    MixedModel

    Raises
    ------
    FitError
        The outcome does not vary or is separated, columns carry the same
        information, a spread has no finite size (:class:`SpreadError`), or no
        maximum could be certified.

    Notes
    -----
    No missing values anywhere.

    References
    ----------
    Bates D, Mächler M, Bolker B, Walker S (2015). Fitting linear mixed-effects models using
    lme4. Journal of Statistical Software 67(1). Nocedal J, Wright SJ (2006). Numerical
    Optimization, 2nd edition. Springer, chapter 6, for the search.
    """
    y, x = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
    known = np.zeros(len(y)) if offset is None else np.asarray(offset, dtype=float)
    _refuse_what_cannot_be_fitted(y, x, groupings, known)
    if y.min() == y.max():
        raise FitError("every outcome is the same, so nothing can be compared")
    try:
        with one_thread():
            columns, triangle = _orthonormal(x)
            # What the columns can carry of the offset is carried by them.
            lean = columns.T @ known / len(y)
            known = known - columns @ lean
            first = start_without_effects(y, columns, known)
            if first is None:
                if is_separated(y, columns):
                    raise SeparatedError
                first = np.zeros(x.shape[1])
            scaled, scales = _scaled_slopes(groupings)
            likelihood = LaplaceLikelihood(y, columns, scaled, known)
            start = None if near is None else _entries(near, scales)
            found = best_of_starts(likelihood, first, len(y) <= _SMALL_SET, start, roughly)
            beta_covariance = (
                found.covariance_here() if roughly else found.covariance_at_maximum(curvature)
            )
    except np.linalg.LinAlgError as error:
        raise FitError(f"the model could not be fitted ({error})") from error
    errors = np.sqrt(np.diag(beta_covariance))
    if not np.isfinite(errors).all() or errors.max() > _HOPELESS:
        raise SeparatedError
    back = np.linalg.inv(triangle)
    covariance = back @ beta_covariance @ back.T
    scale = np.abs(x).max(axis=0)
    spread = (x / scale).std(axis=0)
    if (np.sqrt(np.diag(covariance)) * scale * spread).max() > _HOPELESS:
        raise FitError(_SAME_INFORMATION)
    p, mode = likelihood.p, found.point.mode
    return MixedModel(
        beta=back @ (found.at[:p] - lean),
        covariance=covariance,
        groups=tuple(_group_effects(likelihood, found.at[p:], mode, scales)),
        log_likelihood=found.point.log_likelihood,
        weights=mode.weight,
    )


def _refuse_what_cannot_be_fitted(
    y: np.ndarray,
    x: np.ndarray,
    groupings: Sequence[Grouping],
    known: np.ndarray,
) -> None:
    """One clear reason for each kind of input that has no answer."""
    values = [y, x, known, *(g.slope for g in groupings if g.slope is not None)]
    if not all(np.isfinite(v).all() for v in values):
        raise FitError("a value is missing or not a number")
    if not x.size:
        raise FitError("there are no rows or no columns")
    if any(g.slope is not None and not g.slope.any() for g in groupings):
        raise FitError("a column that is zero throughout has no effect that could differ")
    for k, one in enumerate(groupings):
        for other in groupings[:k]:
            both = len(np.unique(one.codes * other.levels + other.codes))
            if both == one.levels == other.levels:
                raise FitError(f"{other.name} and {one.name} tell the same rows apart")


def _orthonormal(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Columns of mean square 1 at right angles, and the triangle that makes ``x`` of them."""
    scale = np.abs(x).max(axis=0)
    if (scale == 0.0).any():
        raise FitError("a column of the design is zero throughout")
    if len(x) < x.shape[1]:
        raise FitError(_SAME_INFORMATION)
    columns, triangle = np.linalg.qr(x / scale)
    diagonal = np.abs(np.diag(triangle))
    if diagonal.min() < _SINGULAR * np.sqrt(len(x)):
        raise FitError(_SAME_INFORMATION)
    root = np.sqrt(len(x))
    return columns * root, triangle * scale / root


def _scaled_slopes(groupings: Sequence[Grouping]) -> tuple[list[Grouping], list[float]]:
    """Groupings with slopes in units of their values' root mean square, and those units."""
    scaled, scales = [], []
    for grouping in groupings:
        scale = 1.0
        if grouping.slope is not None:
            scale = float(np.sqrt(np.mean(grouping.slope**2))) or 1.0
            grouping = Grouping(
                grouping.name, grouping.codes, grouping.levels, grouping.slope / scale
            )
        scaled.append(grouping)
        scales.append(scale)
    return scaled, scales


def _group_effects(
    likelihood: LaplaceLikelihood, theta: np.ndarray, mode: Mode, scales: Sequence[float]
) -> Iterator[GroupEffects]:
    for k, (grouping, scale) in enumerate(zip(likelihood.groupings, scales, strict=True)):
        own = [j for j, s in enumerate(likelihood.spreads) if s.grouping == k]
        column = likelihood.spreads[own[0]].column
        if column < 0:
            factor, u = np.array([[theta[own[0]]]]), mode.uw[:, None]
        else:
            begin, levels = likelihood.start[column], grouping.levels
            u = mode.u[begin : begin + levels, None]
            factor = np.array([[theta[own[0]]]])
            if grouping.slope is not None:
                u = np.column_stack([u, mode.u[begin + levels : begin + 2 * levels]])
                lower = theta[own[1:]] / scale
                factor = np.array([[theta[own[0]], 0.0], lower])
        # The sign of a factor's column is arbitrary.
        signs = np.where(np.diag(factor) < 0.0, -1.0, 1.0)
        yield GroupEffects(grouping.name, factor * signs, u @ factor.T)


def _entries(factors: Sequence[np.ndarray], scales: Sequence[float]) -> np.ndarray:
    """Entries of the factors in the order of the likelihood, none so small that it stays there."""
    entries: list[float] = []
    for factor, scale in zip(factors, scales, strict=True):
        own = np.array(factor, dtype=float)
        own[1:] *= scale
        at = np.diag_indices(len(own))
        own[at] = np.maximum(own[at], SMALL_SPREAD)
        entries.extend(own[np.tril_indices(len(own))])
    return np.array(entries)
