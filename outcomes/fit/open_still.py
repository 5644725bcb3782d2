"""What the records leave open about single effects: its mean, not its peak."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import special

from outcomes.fit.result import MixedFit


def at_the_mean(x: np.ndarray, groups: Mapping[str, np.ndarray], mixed: MixedFit) -> MixedFit:
    """The fit with effects at the mean of what the records leave open, not at its peak.

    Where most trials are finds, what remains open about a log-odds reaches
    farther up than down. Averaged about the peak, the model therefore foretells
    fewer finds than were observed; about the mean, to first order, as many.

    Parameters
    ----------
    x
        Fixed-effect design, shape (n, p). No missing values.
    groups
        Grouping → label of each row, shape (n,), as the fit was given them.
    mixed
        The fit.

    Returns
    -------
    MixedFit
        ``beta`` and ``effects`` moved by half the third derivatives of the
        log-likelihood, taken over the joint covariance; all else as it was. A
        grouping that the joint covariance does without stays where it is. ``mixed``
        itself where anything would move by more than its standard error: a step
        that long is no small correction, and first order says nothing of it.

    References
    ----------
    Tierney L, Kass RE, Kadane JB (1989). Fully exponential Laplace approximations
    to expectations and variances of nonpositive functions. Journal of the American
    Statistical Association 84, 710-716.
    """
    p = len(mixed.beta)
    covariance = mixed.joint_cov
    place = {name: k for k, name in enumerate(mixed.joint_names)}
    log_odds = x @ mixed.beta
    variance = ((x @ covariance[:p, :p]) * x).sum(axis=1)
    columns: list[np.ndarray] = []
    for grouping, frame in mixed.effects.items():
        level = frame.index.get_indexer(pd.Index(groups[grouping]).astype(frame.index.dtype))
        log_odds = log_odds + frame["effect"].to_numpy()[level]
        if (grouping, str(frame.index[0])) not in place:
            variance = variance + frame["std_error"].to_numpy()[level] ** 2
            continue
        column = np.array([place[grouping, str(name)] for name in frame.index])[level]
        variance = variance + 2.0 * (x * covariance[:p, column].T).sum(axis=1)
        variance = variance + covariance[column, column]
        for other in columns:
            variance = variance + 2.0 * covariance[column, other]
        columns.append(column)
    found = special.expit(log_odds)
    bend = found * (1.0 - found) * (1.0 - 2.0 * found) * variance
    total = np.concatenate([x.T @ bend, np.zeros(len(covariance) - p)])
    for column in columns:
        total += np.bincount(column, bend, len(covariance))
    move = -0.5 * covariance @ total
    if (np.abs(move) > np.sqrt(np.diag(covariance)) + 1e-12).any():
        return mixed
    effects = dict(mixed.effects)
    for grouping, frame in mixed.effects.items():
        if (grouping, str(frame.index[0])) in place:
            own = move[[place[grouping, str(name)] for name in frame.index]]
            effects[grouping] = frame.assign(effect=frame["effect"] + own)
    return replace(mixed, beta=mixed.beta + move[:p], effects=effects)
