"""Cycles and age within sources, apart from what lies between sources, on finds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from outcomes.errors import FitError
from outcomes.models.laplace import Grouping
from outcomes.models.mixed_model import MixedModel, fit_mixed_model

FEWEST_GROUPS = 4
_FEWEST_FOR_KINDS = 6  # sources beyond the columns that differ between sources


@dataclass(frozen=True, slots=True)
class WithinTrials:
    """Trials on sources that are gone through again and again.

    Attributes
    ----------
    found
        1 or 0, shape (n,).
    exposure, other
        The exposure asked about and the one beside it, in their units, shape (n,).
    met
        Earlier meetings of this dog with this source, shape (n,).
    dog, source, kind
        Codes from 0, shape (n,).
    """

    found: np.ndarray
    exposure: np.ndarray
    other: np.ndarray
    met: np.ndarray
    dog: np.ndarray
    source: np.ndarray
    kind: np.ndarray


@dataclass(frozen=True, slots=True)
class WithinEffect:
    """The effect within sources.

    Attributes
    ----------
    log_odds, std_error
        Per unit of the exposure.
    freedom
        Sources whose exposure varies, less two.
    p
        Two-sided, by t.
    slopes_differ
        Whether the error allows for sources that differ in their slope.
    """

    log_odds: float
    std_error: float
    freedom: int
    p: float
    slopes_differ: bool


def fit_within(trials: WithinTrials, *, roughly: bool = False) -> WithinEffect:
    """The effect of the exposure within sources, given the other.

    Within and between are parted; how often dog and source met is in the model; sources may
    differ in their slope.

    Parameters
    ----------
    trials
        Past and planned trials.
    roughly
        Fit no closer than a simulation needs.

    Raises
    ------
    FitError
        Too few sources whose exposure varies, or no model.

    References
    ----------
    Neuhaus JM, Kalbfleisch JD (1998). Between- and within-cluster covariate effects in the
    analysis of clustered data. Biometrics 54:638-645.
    """
    codes = np.unique(trials.source, return_inverse=True)[1]
    count = int(codes.max()) + 1 if len(codes) else 0
    sizes = np.maximum(np.bincount(codes, minlength=count), 1)

    def parted(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        mean = (np.bincount(codes, values, count) / sizes)[codes]
        return values - mean, mean - values.mean()

    exposure, exposure_between = parted(trials.exposure)
    other, other_between = parted(trials.other)
    moved = int((np.bincount(codes, exposure**2, count) > 1e-9).sum())
    if moved < FEWEST_GROUPS:
        raise FitError(f"only {moved} sources went through more of it during these trials")
    columns = [np.ones(len(codes)), exposure]
    extra = [other, np.log2(1.0 + trials.met), exposure_between, other_between]
    kinds = np.unique(trials.kind)
    if count >= _FEWEST_FOR_KINDS + 2 + len(kinds):
        extra += [(trials.kind == kind).astype(float) for kind in kinds[1:]]
    for column in extra:
        # A column that others make up adds nothing.
        if np.linalg.matrix_rank(np.column_stack([*columns, column])) > len(columns):
            columns.append(column)
    x = np.column_stack(columns)
    model, differ = _fit(trials, x, codes, exposure, roughly)
    error = float(np.sqrt(model.covariance[1, 1]))
    effect, freedom = float(model.beta[1]), moved - 2
    p = float(2.0 * stats.t.sf(abs(effect) / error, freedom))
    return WithinEffect(effect, error, freedom, p, differ)


def _fit(
    trials: WithinTrials, x: np.ndarray, codes: np.ndarray, slope: np.ndarray, roughly: bool
) -> tuple[MixedModel, bool]:
    dogs = np.unique(trials.dog, return_inverse=True)[1]
    others = [Grouping("dog", dogs, int(dogs.max()) + 1)] if dogs.max() > 0 else []
    problem: FitError | None = None
    for own in (slope, None):
        groupings = [Grouping("source", codes, int(codes.max()) + 1, own), *others]
        try:
            model = fit_mixed_model(trials.found, x, groupings, curvature=False, roughly=roughly)
        except FitError as error:
            problem = problem or error
            continue
        return model, own is not None
    assert problem is not None
    raise problem
