"""The logistic mixed model of a design with labelled groupings.

Labels in, labels out: the engine itself (:mod:`outcomes.models.mixed_model`)
knows codes only.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
import pandas as pd

from outcomes.errors import FitError
from outcomes.models.joint_covariance import Block, joint_covariance
from outcomes.models.laplace import Grouping
from outcomes.models.mixed_model import GroupEffects, SeparatedError, fit_mixed_model
from outcomes.models.mixed_result import MixedFit

ASKED_ONE_BY_ONE = ("dog", "source")


def fit_mixed(
    y: np.ndarray,
    x: np.ndarray,
    names: Sequence[str],
    groups: Mapping[str, np.ndarray],
    *,
    slope: tuple[str, str] | None = None,
    details: bool = True,
    offset: np.ndarray | None = None,
    at_zero: Collection[str] = (),
) -> MixedFit:
    """Fit a logistic mixed model by maximum likelihood (Laplace approximation).

    Parameters
    ----------
    y
        Outcomes 0 or 1, shape (n,). No missing values.
    x
        Fixed-effect design, shape (n, p), of full column rank, the intercept
        in the first column. No missing values.
    names
        Names of the p columns.
    groups
        Grouping → label of each row, shape (n,). A grouping with a single
        level adds nothing and gets a standard deviation of 0.
    slope
        (grouping, column): also let this column's effect vary by grouping,
        correlated with the grouping's intercept.
    details
        Also compute standard errors of the effects and the joint covariance
        (False for refits that only need the likelihood).
    offset
        Known part of the log-odds, shape (n,), added to every row; no missing
        values. With a column moved here at a fixed coefficient, the likelihood
        is the profile likelihood of that coefficient.
    at_zero
        Groupings whose standard deviation is held at 0, which makes a refit of much
        the same records faster: see :func:`idle_groupings`. They count as parameters.

    Returns
    -------
    MixedFit

    Raises
    ------
    FitError
        The outcome does not vary, or no maximum with usable standard errors could be
        certified; :class:`~outcomes.models.mixed_model.SpreadError` where the
        differences within one grouping have no finite size.

    References
    ----------
    Bates D, Mächler M, Bolker B, Walker S (2015). Fitting linear mixed-effects
    models using lme4. Journal of Statistical Software 67(1), for the model and
    the penalised form used for the joint covariance.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> dog = np.repeat(["Ada", "Bo", "Cy"], 100)
    >>> y = rng.binomial(1, 0.8, 300).astype(float)
    >>> fit = fit_mixed(y, np.ones((300, 1)), ["(Intercept)"], {"dog": dog})
    >>> fit.names, round(float(fit.beta[0]), 1)
    (('(Intercept)',), 1.5)
    """
    y = np.asarray(y, dtype=float)
    x = np.asarray(x, dtype=float)
    if y.min() == y.max():
        raise FitError("every trial had the same result, so nothing can be compared")
    used = {name: _coded(labels) for name, labels in groups.items()}
    used = {
        name: (codes, levels)
        for name, (codes, levels) in used.items()
        if len(levels) > 1 and name not in at_zero
    }
    held = sum(name in at_zero and len(np.unique(g)) > 1 for name, g in groups.items())
    column = None if slope is None else x[:, list(names).index(slope[1])]
    groupings = [
        Grouping(name, codes, len(levels), column if slope and slope[0] == name else None)
        for name, (codes, levels) in used.items()
    ]
    try:
        found = fit_mixed_model(y, x, groupings, offset=offset, curvature=details)
    except SeparatedError:
        reason = "finds and misses are separated too cleanly to put a size on the effects"
        raise FitError(reason) from None
    sd = {name: 0.0 for name in groups} | {
        g.name: float(np.sqrt(g.covariance[0, 0])) for g in found.groups
    }
    slope_sd = {
        g.name: float(np.sqrt(g.covariance[1, 1])) for g in found.groups if len(g.factor) > 1
    }
    effects: dict[str, pd.DataFrame] = {}
    joint_names: tuple[tuple[str, str], ...] = tuple(("", name) for name in names)
    joint_cov, wide = found.covariance, None
    if details:
        blocks = [
            Block(g.name, used[g.name][0], used[g.name][1], g.covariance, g.modes)
            for g in found.groups
        ]
        joint = joint_covariance(x, names, found.weights, blocks, column, ASKED_ONE_BY_ONE)
        joint_names, joint_cov, wide = joint.names, joint.kept, joint.wide
        effects = {
            b.name: pd.DataFrame(
                {"effect": b.effects[:, 0], "std_error": joint.errors[b.name]},
                index=pd.Index(b.levels, name=b.name),
            )
            for b in blocks
        }
        for b in blocks:
            if b.effects.shape[1] > 1:
                effects[b.name]["slope"] = b.effects[:, 1]
    return MixedFit(
        names=tuple(names),
        beta=found.beta,
        cov=found.covariance,
        sd=sd,
        slope_sd=slope_sd,
        effects=effects,
        log_likelihood=found.log_likelihood,
        df=x.shape[1] + sum(1 if g.slope is None else 3 for g in groupings) + held,
        singular=tuple(g.name for g in found.groups if _is_singular(g)),
        joint_names=joint_names,
        joint_cov=joint_cov,
        joint_wide=wide,
    )


def idle_groupings(fit: MixedFit) -> tuple[str, ...]:
    """Groupings beside dog and source whose standard deviation was estimated as zero."""
    return tuple(name for name, sd in fit.sd.items() if sd == 0.0 and name not in ASKED_ONE_BY_ONE)


def _coded(labels: np.ndarray) -> tuple[np.ndarray, tuple[str, ...]]:
    codes, levels = pd.factorize(pd.Series(np.asarray(labels)).astype(str), sort=True)
    return codes, tuple(levels)


def _is_singular(group: GroupEffects) -> bool:
    """Whether a spread is zero, or intercept and slope go together perfectly."""
    return bool((np.diag(group.factor) == 0.0).any())
