"""What maximum likelihood overstates in small sets, taken off the effects asked about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import sparse, special

from outcomes.models.mixed_result import MixedFit

_STEP = 0.1  # standard errors; the bias is smooth over far more
_MOST_GROWTH = 0.5


def reduce_bias(
    x: np.ndarray, groups: Mapping[str, np.ndarray], mixed: MixedFit, columns: Sequence[int]
) -> MixedFit:
    """The fit with some fixed effects less their first-order bias.

    Logistic regression by maximum likelihood overstates effects, the more the fewer
    misses there are for each term. What remains is of the order of the square of
    that. The other effects, fixed and random, follow as the likelihood has them, so
    that the model foretells as many finds as before.

    A bias that grows with the effect takes some of its chance error along with it: with
    B the derivative of the bias by the effects, their covariance is (I - B) V (I - B)'
    for the V of maximum likelihood.

    Parameters
    ----------
    x
        Fixed-effect design, shape (n, p). No missing values.
    groups
        Grouping → label of each row, shape (n,), as the fit was given them.
    mixed
        The fit by maximum likelihood, with details and without random slopes.
    columns
        Which columns of ``x`` are to be free of bias.

    Returns
    -------
    MixedFit
        ``beta``, ``effects``, ``cov`` and ``joint_cov`` changed; all else as it was,
        the errors of ``effects``, too, being those given the fixed effects. ``mixed``
        itself without columns, or where first order says nothing: where an effect
        would move by more than its standard error, or half of its chance error would
        go with the bias.

    References
    ----------
    Cordeiro GM, McCullagh P (1991). Bias correction in generalized linear models.
    Journal of the Royal Statistical Society B 53, 629-643; for random intercepts see
    :func:`first_order_bias`.
    """
    own = list(columns)
    if not own:
        return mixed
    bias = first_order_bias(x, groups, mixed)[own]
    error = np.sqrt(np.diag(mixed.joint_cov)[own])
    if not (np.abs(bias) < error).all():
        return mixed
    growth = _growth_of_bias(x, groups, mixed, own, _STEP * error)
    if not np.isfinite(growth).all() or np.abs(np.linalg.eigvals(growth)).max() > _MOST_GROWTH:
        return mixed
    keeps = np.eye(len(own)) - growth
    moved = held_at(mixed, own, mixed.beta[own] - bias)
    return replace(
        moved,
        cov=_with_errors(mixed.cov, own, keeps),
        joint_cov=_with_errors(mixed.joint_cov, own, keeps),
    )


def held_at(mixed: MixedFit, columns: Sequence[int], values: np.ndarray) -> MixedFit:
    """The fit with some fixed effects at given values; all others follow as the likelihood has it.

    To first order, by the joint covariance.

    Parameters
    ----------
    mixed
        A fit with details and without random slopes.
    columns, values
        Which fixed effects, and where they are held, shape (k,) each.

    Returns
    -------
    MixedFit
        ``beta`` and ``effects`` moved, all else as it was.
    """
    own = list(columns)
    covariance = mixed.joint_cov
    step = np.asarray(values) - mixed.beta[own]
    move = covariance[:, own] @ np.linalg.solve(covariance[np.ix_(own, own)], step)
    effects = dict(mixed.effects)
    for grouping, places in places_of(mixed).items():
        frame = effects[grouping]
        effects[grouping] = frame.assign(effect=frame["effect"] + move[places])
    if mixed.joint_wide is not None:
        frame = effects[mixed.joint_wide.name]
        along = mixed.joint_wide.cross @ move
        effects[mixed.joint_wide.name] = frame.assign(effect=frame["effect"] + along)
    return replace(mixed, beta=mixed.beta + move[: len(mixed.beta)], effects=effects)


def _growth_of_bias(
    x: np.ndarray,
    groups: Mapping[str, np.ndarray],
    mixed: MixedFit,
    own: Sequence[int],
    step: np.ndarray,
) -> np.ndarray:
    """Derivative of the bias of some effects by those effects, shape (k, k).

    By central differences, all other effects following.
    """
    levels = _levels(groups, mixed)
    columns = []
    for k, size in enumerate(step):
        ends = []
        for sign in (1.0, -1.0):
            values = mixed.beta[own]
            values[k] += sign * size
            there = held_at(mixed, own, values)
            ends.append(_bias(x, levels, there, *_errors_with_fixed(x, levels, there))[own])
        columns.append((ends[0] - ends[1]) / (2.0 * size))
    return np.column_stack(columns)


def _errors_with_fixed(
    x: np.ndarray, levels: Mapping[str, np.ndarray], mixed: MixedFit
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Covariance of the fixed effects, and of each grouping with them, at the fit's effects.

    What the joint covariance would be had the maximum been there, spreads as they are.
    """
    found = special.expit(_log_odds(x, levels, mixed))
    designs = [sparse.csr_matrix(x)]
    for grouping, level in levels.items():
        values = np.full(len(x), mixed.sd[grouping])
        shape = len(x), len(mixed.effects[grouping])
        designs.append(sparse.csr_matrix((values, (np.arange(len(x)), level)), shape=shape))
    together = sparse.hstack(designs, format="csc")
    p, size = x.shape[1], together.shape[1]
    penalty = sparse.diags(np.append(np.zeros(p), np.ones(size - p)))
    weight = sparse.diags(found * (1.0 - found))
    information = (together.T @ weight @ together + penalty).tocsc()
    columns = sparse.linalg.splu(information).solve(np.eye(size, p))
    with_fixed, start = {}, p
    for grouping in levels:
        end = start + len(mixed.effects[grouping])
        with_fixed[grouping] = mixed.sd[grouping] * columns[start:end]
        start = end
    return columns[:p], with_fixed


def _with_errors(covariance: np.ndarray, own: Sequence[int], keeps: np.ndarray) -> np.ndarray:
    """A covariance in which some effects keep a part of their error, and pass on as much."""
    block = covariance[np.ix_(own, own)]
    along = np.linalg.solve(block, covariance[own]).T
    return np.asarray(covariance + along @ (keeps @ block @ keeps.T - block) @ along.T)


def first_order_bias(
    x: np.ndarray, groups: Mapping[str, np.ndarray], mixed: MixedFit
) -> np.ndarray:
    """Bias of every fixed effect to first order, at given spreads, shape (p,).

    With V the covariance of the fixed effects, A the regression of random on fixed
    effects (their levels move by -A per unit of an effect), g = A'z of a row with
    random design z, and w' the derivative of its binomial variance by the log-odds::

        bias = -1/2 V sum((x - g) w' (x'Vx - g'Vg))

    which is Cordeiro and McCullagh's formula where there are no random effects. With
    them three terms of the same order add up: the bias of the mode of fixed and
    random effects together, what drawing the random effects from their distribution
    contributes, and the step from that mode to the maximum of Laplace's likelihood.

    Parameters
    ----------
    x, groups, mixed
        As for :func:`reduce_bias`.
    """
    p = x.shape[1]
    with_fixed = {g: mixed.joint_cov[places, :p] for g, places in places_of(mixed).items()}
    if mixed.joint_wide is not None:
        with_fixed[mixed.joint_wide.name] = mixed.joint_wide.with_kept(mixed.joint_cov, range(p))
    return _bias(x, _levels(groups, mixed), mixed, mixed.joint_cov[:p, :p], with_fixed)


def _bias(
    x: np.ndarray,
    levels: Mapping[str, np.ndarray],
    mixed: MixedFit,
    cov: np.ndarray,
    with_fixed: Mapping[str, np.ndarray],
) -> np.ndarray:
    along = np.zeros(x.shape)
    for grouping, rows in with_fixed.items():
        along -= np.linalg.solve(cov, rows.T).T[levels[grouping]]
    found = special.expit(_log_odds(x, levels, mixed))
    bend = found * (1.0 - found) * (1.0 - 2.0 * found)
    apart = x - along
    spread = (((x + along) @ cov) * apart).sum(axis=1)
    return np.asarray(-0.5 * cov @ (apart.T @ (bend * spread)))


def _levels(groups: Mapping[str, np.ndarray], mixed: MixedFit) -> dict[str, np.ndarray]:
    """Grouping → which of its levels each row has, shape (n,)."""
    return {
        grouping: frame.index.get_indexer(pd.Index(groups[grouping]).astype(frame.index.dtype))
        for grouping, frame in mixed.effects.items()
    }


def _log_odds(x: np.ndarray, levels: Mapping[str, np.ndarray], mixed: MixedFit) -> np.ndarray:
    log_odds: np.ndarray = x @ mixed.beta
    for grouping, level in levels.items():
        log_odds = log_odds + mixed.effects[grouping]["effect"].to_numpy()[level]
    return log_odds


def places_of(mixed: MixedFit) -> dict[str, np.ndarray]:
    """Grouping → where the joint covariance has its levels, for those that are in it."""
    place = {name: k for k, name in enumerate(mixed.joint_names)}
    return {
        grouping: np.array([place[grouping, str(name)] for name in frame.index])
        for grouping, frame in mixed.effects.items()
        if (grouping, str(frame.index[0])) in place
    }
