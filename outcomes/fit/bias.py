"""What maximum likelihood overstates in small sets, taken off the effects asked about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import special

from outcomes.fit.result import MixedFit


def reduce_bias(
    x: np.ndarray, groups: Mapping[str, np.ndarray], mixed: MixedFit, columns: Sequence[int]
) -> MixedFit:
    """The fit with some fixed effects less their first-order bias.

    Logistic regression by maximum likelihood overstates effects, the more the fewer
    misses there are for each term. What remains is of the order of the square of
    that. The other effects, fixed and random, follow as the likelihood has them, so
    that the model foretells as many finds as before.

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
        ``beta`` and ``effects`` moved; errors and all else as they were. ``mixed``
        itself without columns, or where one would move by more than its standard
        error: first order says nothing there.

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
    covariance = mixed.joint_cov
    move = -covariance[:, own] @ np.linalg.solve(covariance[np.ix_(own, own)], bias)
    effects = dict(mixed.effects)
    for grouping, places in _places(mixed).items():
        frame = effects[grouping]
        effects[grouping] = frame.assign(effect=frame["effect"] + move[places])
    return replace(mixed, beta=mixed.beta + move[: len(mixed.beta)], effects=effects)


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
    cov = mixed.joint_cov[:p, :p]
    log_odds, along = x @ mixed.beta, np.zeros(x.shape)
    places = _places(mixed)
    for grouping, frame in mixed.effects.items():
        level = frame.index.get_indexer(pd.Index(groups[grouping]).astype(frame.index.dtype))
        log_odds = log_odds + frame["effect"].to_numpy()[level]
        if grouping in places:
            with_fixed = mixed.joint_cov[places[grouping], :p]
            along -= np.linalg.solve(cov, with_fixed.T).T[level]
    found = special.expit(log_odds)
    bend = found * (1.0 - found) * (1.0 - 2.0 * found)
    apart = x - along
    spread = (((x + along) @ cov) * apart).sum(axis=1)
    return np.asarray(-0.5 * cov @ (apart.T @ (bend * spread)))


def _places(mixed: MixedFit) -> dict[str, np.ndarray]:
    """Grouping → where the joint covariance has its levels, for those that are in it."""
    place = {name: k for k, name in enumerate(mixed.joint_names)}
    return {
        grouping: np.array([place[grouping, str(name)] for name in frame.index])
        for grouping, frame in mixed.effects.items()
        if (grouping, str(frame.index[0])) in place
    }
