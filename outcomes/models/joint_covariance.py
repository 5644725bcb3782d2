"""Prediction covariance of fixed and random effects together, linear in the levels of the widest.

Fixed effects and the effects of all groupings but the widest stand in one dense
matrix. The widest grouping, where it has many levels, is told by its regression on
them: no level of it shares a row with another.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

_MANY_LEVELS = 150


@dataclass(frozen=True, slots=True)
class Block:
    """One grouping: codes, levels, the covariance of its terms, and its effects.

    ``codes`` has shape (n,), ``covariance`` (1, 1) or (2, 2): intercept and
    slope; ``effects`` shape (levels, 1 or 2).
    """

    name: str
    codes: np.ndarray
    levels: tuple[str, ...]
    covariance: np.ndarray
    effects: np.ndarray


@dataclass(frozen=True, slots=True)
class WideEffects:
    """Effects of a grouping of many levels, given all others.

    Attributes
    ----------
    name, levels
        The grouping and its m levels.
    cross
        Regression of its effects on the others, shape (m, s): the covariance of a
        level with the others is its row times their covariance.
    own
        Variance of each level that is left once the others are known, shape (m,).
    """

    name: str
    levels: tuple[str, ...]
    cross: sparse.csr_matrix
    own: np.ndarray

    def with_kept(self, kept: np.ndarray, columns: Sequence[int] | np.ndarray) -> np.ndarray:
        """Covariance of every level with some of the others, shape (m, k)."""
        return np.asarray(self.cross @ kept[:, columns])

    def covariances(self, kept: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Covariance of every level with all others, shape (m, s), and its variance, shape (m,)."""
        with_kept = np.asarray(self.cross @ kept)
        carried = np.asarray(self.cross.multiply(with_kept).sum(axis=1)).ravel()
        return with_kept, self.own + carried


@dataclass(frozen=True, slots=True)
class JointCovariance:
    """Covariance of the prediction errors of fixed effects and conditional modes.

    Attributes
    ----------
    names
        ``("", name)`` for a fixed effect and ``(grouping, level)`` for an intercept, s of them.
    kept
        Their covariance, shape (s, s).
    wide
        The widest grouping where it has many levels, else None.
    errors
        Grouping → conditional standard error of the intercept of each level, given the
        fixed effects.
    """

    names: tuple[tuple[str, str], ...]
    kept: np.ndarray
    wide: WideEffects | None
    errors: dict[str, np.ndarray]


def joint_covariance(
    x: np.ndarray,
    names: Sequence[str],
    weight: np.ndarray,
    blocks: Sequence[Block],
    slope: np.ndarray | None = None,
    kept: Collection[str] = (),
) -> JointCovariance:
    """Joint prediction covariance at given spreads.

    Parameters
    ----------
    x, names
        Fixed-effect design, shape (n, p), and its column names.
    weight
        Binomial weight of each row at the mode, shape (n,).
    blocks
        The groupings.
    slope
        Values of the column whose effect varies in the grouping with two terms, shape (n,).
    kept
        Groupings whose levels are asked about one by one, and so always stand in the matrix.

    Notes
    -----
    Effects are written as ``b = L u`` with ``u`` of unit variance, so that a
    grouping estimated at zero is no special case. Beside a random slope, whose
    effects are not in the matrix, the widest grouping is integrated out.

    References
    ----------
    Bates D, Mächler M, Bolker B, Walker S (2015). Fitting linear mixed-effects models using
    lme4. Journal of Statistical Software 67(1).
    """
    p = x.shape[1]
    widest = _widest([b for b in blocks if b.name not in kept])
    others = [b for b in blocks if b is not widest]
    rows = sparse.diags(weight)
    designs = [scaled_design(b, slope) for b in others]
    small = sparse.hstack([sparse.csr_matrix(x), *designs], format="csc")
    information = (small.T @ rows @ small).toarray()
    information[p:, p:] += np.eye(information.shape[0] - p)
    share = own = None
    if widest is not None:
        large = scaled_design(widest, None)
        own = 1.0 / (1.0 + np.asarray((large.multiply(large)).T @ weight).ravel())
        cross = (large.T @ rows @ small).tocsr()
        share = (sparse.diags(own) @ cross).tocsr()
        information -= (cross.T @ share).toarray()
    covariance = np.linalg.inv(information)
    conditional = np.linalg.inv(information[p:, p:])
    to_effects, labels = _intercept_rows(others)
    joint_map = sparse.block_diag([sparse.identity(p), to_effects], format="csr")
    joint = joint_map @ (joint_map @ covariance).T  # the covariance is symmetric
    errors: dict[str, np.ndarray] = {}
    spread = np.sqrt(np.asarray(to_effects.multiply(to_effects @ conditional).sum(axis=1))).ravel()
    position = 0
    for b in others:
        errors[b.name] = spread[position : position + len(b.levels)]
        position += len(b.levels)
    wide = None
    if widest is not None and share is not None and own is not None:
        sd = float(np.sqrt(widest.covariance[0, 0]))
        among = share[:, p:]
        given = own + np.asarray(among.multiply(among @ conditional).sum(axis=1)).ravel()
        errors[widest.name] = sd * np.sqrt(given)
        if all(len(b.covariance) == 1 for b in others):
            scales = np.concatenate(
                [np.ones(p), *(np.full(len(b.levels), np.sqrt(b.covariance[0, 0])) for b in others)]
            )
            # A grouping estimated at zero has no share in it either.
            inverse = np.divide(1.0, scales, out=np.zeros_like(scales), where=scales > 0.0)
            regression = (-sd * share @ sparse.diags(inverse)).tocsr()
            wide = WideEffects(widest.name, widest.levels, regression, sd * sd * own)
    names_of_all = (*(("", name) for name in names), *labels)
    return JointCovariance(names_of_all, np.asarray(joint), wide, errors)


def _widest(blocks: Sequence[Block]) -> Block | None:
    """The grouping with most levels among those of one term, if it has many."""
    plain = [b for b in blocks if len(b.covariance) == 1 and len(b.levels) > _MANY_LEVELS]
    return max(plain, key=lambda b: len(b.levels), default=None)


def _cholesky(covariance: np.ndarray) -> np.ndarray:
    """Lower factor L with L Lᵀ = covariance, also where it is singular."""
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    lower = np.asarray(np.linalg.qr(root.T)[1].T)
    return np.asarray(lower * np.where(np.diag(lower) < 0.0, -1.0, 1.0))


def scaled_design(block: Block, slope: np.ndarray | None) -> sparse.csc_matrix:
    """Design of a grouping's effects in units of their spread, shape (n, levels × terms)."""
    n, m, k = len(block.codes), len(block.levels), len(block.covariance)
    terms = np.ones((n, k))
    if k > 1 and slope is not None:
        terms[:, 1] = slope
    values = terms @ _cholesky(block.covariance)
    row = np.repeat(np.arange(n), k)
    column = (block.codes[:, None] * k + np.arange(k)).ravel()
    return sparse.csc_matrix((values.ravel(), (row, column)), shape=(n, m * k))


def _intercept_rows(
    blocks: Sequence[Block],
) -> tuple[sparse.csr_matrix, tuple[tuple[str, str], ...]]:
    """Map from unit effects ``u`` to the intercept of every level."""
    parts = []
    labels: list[tuple[str, str]] = []
    for b in blocks:
        lead = _cholesky(b.covariance)[:1]
        parts.append(sparse.kron(sparse.identity(len(b.levels)), lead))
        labels += [(b.name, level) for level in b.levels]
    if not parts:
        return sparse.csr_matrix((0, 0)), ()
    return sparse.block_diag(parts, format="csr"), tuple(labels)
