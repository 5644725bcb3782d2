"""A fitted logistic mixed model, as later stages get it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.models.joint_covariance import WideEffects


@dataclass(frozen=True, slots=True)
class MixedFit:
    """A logistic mixed model at its maximum (Laplace approximation).

    Attributes
    ----------
    names
        Names of the p fixed effects, intercept first.
    beta, cov
        Estimates, shape (p,), and their covariance, shape (p, p), from the
        second derivatives of the likelihood.
    sd
        Grouping → standard deviation of its random intercept (log-odds); 0
        where it was estimated as zero or the grouping has a single level.
    slope_sd
        Grouping → standard deviation of its random slope, where one was asked for.
    effects
        Grouping → frame indexed by level: ``effect`` (conditional mode of the
        intercept, log-odds) and ``std_error`` (conditional, given the fixed effects);
        also ``slope`` (conditional mode, beside the mean slope) where one was asked for.
    log_likelihood, df
        Maximised log-likelihood and number of parameters.
    singular
        Groupings whose standard deviation was estimated as zero, or whose
        intercept and slope as perfectly correlated.
    joint_names, joint_cov
        Rows and covariance of the prediction error of fixed effects and
        conditional modes together: names are ``("", name)`` for a fixed effect
        and ``(grouping, level)`` for an intercept.
    joint_wide
        The grouping with most levels, where they are many, beside them: see
        :class:`~outcomes.models.joint_covariance.WideEffects`.
    """

    names: tuple[str, ...]
    beta: np.ndarray
    cov: np.ndarray
    sd: Mapping[str, float]
    slope_sd: Mapping[str, float]
    effects: Mapping[str, pd.DataFrame]
    log_likelihood: float
    df: int
    singular: tuple[str, ...]
    joint_names: tuple[tuple[str, str], ...]
    joint_cov: np.ndarray
    joint_wide: WideEffects | None = None
