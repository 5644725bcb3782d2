"""Errors and degrees of freedom that allow for few sources, and for sources or dogs that differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import sparse

from outcomes.analysis.finds.design import Design
from outcomes.analysis.finds.slopes import Slope
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.mixed_result import MixedFit

_COUNTLESS = 1e9  # degrees of freedom
_BETWEEN = 0.5  # a term whose variation lies this much between sources is judged on sources


def small_sample(design: Design) -> tuple[np.ndarray, np.ndarray]:
    """Degrees of freedom, and the factor on the model's error, per column of ``x``."""
    columns = design.x.shape[1]
    freedom, widening = np.full(columns, np.inf), np.ones(columns)
    if "source" not in design.groups:
        return freedom, widening
    codes, levels = pd.factorize(design.groups["source"])
    size = np.bincount(codes)
    judged = np.zeros(columns, dtype=bool)
    judged[0] = True
    for j in range(1, columns):
        column = design.x[:, j]
        means = np.bincount(codes, weights=column) / size
        share = (size * (means - column.mean()) ** 2).sum() / ((column - column.mean()) ** 2).sum()
        judged[j] = share > _BETWEEN or design.columns[j - 1].term in CYCLES_AND_AGE
    sources = len(levels)
    asked = 1 + sum(column.term in CYCLES_AND_AGE for column in design.columns)
    freedom[judged] = max(sources - int(judged.sum()), 1)
    widening[judged] = np.sqrt(sources / max(sources - asked, 1))
    return freedom, widening


def judged_on_sources(design: Design) -> tuple[float, float]:
    """Degrees of freedom, and the factor on the error, of one more term that is judged on sources.

    As cycles and age are in :func:`small_sample`; beyond count and 1 without sources.
    """
    if "source" not in design.groups:
        return _COUNTLESS, 1.0
    sources = len(set(design.groups["source"]))
    freedom = float(small_sample(design)[0][0])
    asked = 2 + sum(column.term in CYCLES_AND_AGE for column in design.columns)
    return max(freedom - 1.0, 1.0), float(np.sqrt(sources / max(sources - asked, 1)))


def slope_freedom(design: Design, slopes: Sequence[Slope], freedom: np.ndarray) -> np.ndarray:
    """Degrees of freedom where levels differ in slope: Satterthwaite's, if they are fewer.

    Only the part of the variance of a mean slope that comes from differing
    slopes rests on as few as levels - 1 degrees of freedom.

    References
    ----------
    Satterthwaite FE (1946). An approximate distribution of estimates of
    variance components. Biometrics Bulletin 2, 110-114.
    """
    freedom = freedom.copy()
    for slope in slopes:
        column = design.column_of(slope.exposure)
        levels = len(set(design.groups[slope.grouping]))
        share = 1.0 - (slope.common_error / slope.std_error) ** 2
        if column is not None and share > 0.0:
            freedom[column] = min(freedom[column], (levels - 1) / share**2)
    return freedom


def widened(
    design: Design,
    mixed: MixedFit,
    slopes: Sequence[Slope],
    widening: np.ndarray,
    *,
    likeliest: MixedFit | None = None,
) -> MixedFit:
    """The fit with errors that allow for few sources and for differing slopes.

    Errors of slopes are those of maximum likelihood. With ``likeliest`` the fit is that
    less its bias, and what slopes add is as much smaller as its errors are.

    Both steps keep the covariance positive semidefinite: rows and columns are
    multiplied, and one direction an exposure is added. That direction turns the
    line about the mean exposure, where the level is known whatever the slope.
    """
    p = len(widening)
    factor = np.append(widening, np.ones(len(mixed.joint_names) - p))
    cov = mixed.cov * np.outer(widening, widening)
    joint = mixed.joint_cov * np.outer(factor, factor)
    wide = mixed.joint_wide
    if wide is not None:
        # Its covariance with the fixed effects grows with their errors, its own stays.
        wide = replace(wide, cross=(wide.cross @ sparse.diags(1.0 / factor)).tocsr())
    for exposure in dict.fromkeys(slope.exposure for slope in slopes):
        column = design.column_of(exposure)
        assert column is not None
        error = max(slope.std_error for slope in slopes if slope.exposure == exposure)
        own = float(mixed.cov[column, column])
        common = own if likeliest is None else float(likeliest.cov[column, column])
        more = (error**2 - common) * own / common
        if more <= 0.0:
            continue
        turn = np.zeros(p)
        turn[0], turn[column] = -float(design.x[:, column].mean()), 1.0
        extra = more * widening[column] ** 2 * np.outer(turn, turn)
        cov = cov + extra
        joint[:p, :p] += extra
    return replace(mixed, cov=cov, joint_cov=joint, joint_wide=wide)
