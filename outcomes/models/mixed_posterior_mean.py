"""What the records leave open about single effects: its mean, not its peak."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import special

from outcomes.models.mixed_bias import places_of
from outcomes.models.mixed_result import MixedFit


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
        log-likelihood, taken over the joint covariance; all else as it was. ``mixed``
        itself where anything would move by more than its standard error: a step
        that long is no small correction, and first order says nothing of it.

    References
    ----------
    Tierney L, Kass RE, Kadane JB (1989). Fully exponential Laplace approximations
    to expectations and variances of nonpositive functions. Journal of the American
    Statistical Association 84, 710-716.
    """
    p = len(mixed.beta)
    covariance, wide = mixed.joint_cov, mixed.joint_wide
    levels = {
        g: f.index.get_indexer(pd.Index(groups[g]).astype(f.index.dtype))
        for g, f in mixed.effects.items()
    }
    places = places_of(mixed)
    log_odds = x @ mixed.beta
    variance = ((x @ covariance[:p, :p]) * x).sum(axis=1)
    columns: list[np.ndarray] = []
    for grouping, frame in mixed.effects.items():
        level = levels[grouping]
        log_odds = log_odds + frame["effect"].to_numpy()[level]
        if grouping in places:
            column = places[grouping][level]
            variance = variance + 2.0 * (x * covariance[:p, column].T).sum(axis=1)
            variance = variance + covariance[column, column]
            for other in columns:
                variance = variance + 2.0 * covariance[column, other]
            columns.append(column)
        elif wide is None or grouping != wide.name:
            variance = variance + frame["std_error"].to_numpy()[level] ** 2
    if wide is not None:
        level = levels[wide.name]
        with_others, own = wide.covariances(covariance)
        variance = variance + own[level] + 2.0 * (x * with_others[level, :p]).sum(axis=1)
        for column in columns:
            variance = variance + 2.0 * with_others[level, column]
    found = special.expit(log_odds)
    bend = found * (1.0 - found) * (1.0 - 2.0 * found) * variance
    pull = np.concatenate([x.T @ bend, np.zeros(len(covariance) - p)])
    for column in columns:
        pull += np.bincount(column, bend, len(covariance))
    errors = np.sqrt(np.diag(covariance))
    if wide is None:
        move = -0.5 * covariance @ pull
    else:
        on_wide = np.bincount(levels[wide.name], bend, len(wide.own))
        kept = -0.5 * covariance @ (pull + wide.cross.T @ on_wide)
        move = np.append(kept, wide.cross @ kept - 0.5 * wide.own * on_wide)
        errors = np.append(errors, np.sqrt(own))
    if (np.abs(move) > errors + 1e-12).any():
        return mixed
    if wide is not None:
        places = places | {wide.name: np.arange(len(covariance), len(move))}
    effects = dict(mixed.effects)
    for grouping, place in places.items():
        frame = effects[grouping]
        effects[grouping] = frame.assign(effect=frame["effect"] + move[place])
    return replace(mixed, beta=mixed.beta + move[:p], effects=effects)
