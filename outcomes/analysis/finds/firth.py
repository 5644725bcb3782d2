"""A penalised model for records in which finds and misses part without overlap.

There a mixed model has no finite answer. Firth's penalty gives one, at a price
that is told with it.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np

from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.results import LeftOut
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.ratio import Estimate, power

_PER_TERM = 3
_MOST_ITERATIONS = 200


@dataclass(frozen=True, slots=True)
class FirthFit:
    """Coefficients, shape (p,), and of the first k: limits (k, 2), errors and p-values (k,).

    Limits are of the penalised profile likelihood, NaN where one is not reached;
    p-values of its ratio test, and errors what would give these p-values.
    """

    beta: np.ndarray
    limits: np.ndarray
    errors: np.ndarray
    p: np.ndarray


@dataclass(frozen=True, slots=True)
class Penalised:
    """The penalised answer.

    Attributes
    ----------
    terms
        One per exposure, with limits of the penalised profile likelihood.
    n, sources, dogs
        What it rests on.
    left_out
        Terms of the usual model that this one does without.
    """

    terms: tuple[Estimate, ...]
    n: int
    sources: int
    dogs: int
    left_out: tuple[LeftOut, ...]


def fit_penalised(fit: FindFit) -> Penalised | None:
    """Direction of the change in finds where only a penalty makes it finite.

    Parameters
    ----------
    fit
        A fit of finds.

    Returns
    -------
    Penalised or None
        None unless there were trials enough and finds and misses parted, or
        where no exposure is left to ask about.

    Notes
    -----
    The exposures come first, then dogs, then the other terms, as long as there
    are three of the rarer outcome for each. The limits ignore that trials of
    one source are alike, so they are too narrow; no verdict is built on them.

    References
    ----------
    Firth D (1993). Bias reduction of maximum likelihood estimates. Biometrika
    80, 27-38.

    Heinze G, Schemper M (2002). A solution to the problem of separation in
    logistic regression. Statistics in Medicine 21, 2409-2419.
    """
    design = fit.design
    asked = [e for e in CYCLES_AND_AGE if design.column_of(e) is not None]
    if fit.too_few or not design.separated or not asked:
        return None
    rare = int(min(fit.finds, fit.misses))
    first = [c for c in (design.column_of(e) for e in asked) if c is not None]
    columns: list[np.ndarray] = [design.x[:, c] for c in first]
    left_out: list[LeftOut] = []
    dogs = design.trials["dog_id"].astype(str).to_numpy()
    levels = sorted(set(dogs))[1:]
    _add(columns, [(dogs == d).astype(float) for d in levels], "dog", rare, left_out)
    others: dict[str, list[np.ndarray]] = {}
    for j, column in enumerate(design.columns, start=1):
        if column.term not in CYCLES_AND_AGE:
            others.setdefault(column.term, []).append(design.x[:, j])
    for term, own in others.items():
        _add(columns, own, term, rare, left_out)
    values = np.column_stack(columns)
    centre, scale = values.mean(axis=0), values.std(axis=0)
    found = _firth((values - centre) / scale, design.y, len(first), fit.settings.alpha)
    terms = tuple(
        Estimate(
            term=exposure,
            unit=design.columns[column - 1].unit,
            log_ratio=float(found.beta[k] / scale[k]),
            std_error=float(found.errors[k] / scale[k]),
            low=_limit(found.limits[k, 0] / scale[k], 0.0),
            high=_limit(found.limits[k, 1] / scale[k], np.inf),
            p=float(found.p[k]),
        )
        for k, (exposure, column) in enumerate(zip(asked, first, strict=True))
    )
    return Penalised(
        terms=terms,
        n=fit.n,
        sources=fit.sources,
        dogs=fit.dogs,
        left_out=tuple(left_out),
    )


def _add(
    columns: list[np.ndarray],
    own: list[np.ndarray],
    term: str,
    rare: int,
    left_out: list[LeftOut],
) -> None:
    """Take a term's columns in, if there is evidence for them and they say something new."""
    if not own:
        return
    if rare < _PER_TERM * (len(columns) + len(own)):
        reason = f"fewer than {_PER_TERM} of the rarer outcome for each term"
        left_out.append(LeftOut(term, reason))
        return
    tried = np.column_stack([np.ones(len(own[0])), *columns, *own])
    tried = tried / np.linalg.norm(tried, axis=0).clip(1e-12)
    if np.linalg.matrix_rank(tried, tol=1e-8) < tried.shape[1]:
        left_out.append(LeftOut(term, "cannot be told from the other terms"))
        return
    columns.extend(own)


def _firth(x: np.ndarray, y: np.ndarray, asked: int, alpha: float) -> FirthFit:
    """The penalised fit, with limits and tests of the first ``asked`` columns."""
    from firthmodels import FirthLogisticRegression

    model = FirthLogisticRegression(
        backend="numpy", max_iter=_MOST_ITERATIONS, gtol=1e-8, xtol=1e-8
    )
    with warnings.catch_warnings():
        # A limit that is not reached comes back as NaN, and is told as such.
        warnings.simplefilter("ignore")
        model.fit(x, y.astype(int))
        limits = model.conf_int(
            alpha=alpha, method="pl", features=list(range(asked)), max_iter=_MOST_ITERATIONS
        )
        model.lrt(features=list(range(asked)))
    return FirthFit(
        beta=np.asarray(model.coef_, dtype=float),
        limits=np.asarray(limits, dtype=float)[:asked],
        errors=np.asarray(model.lrt_bse_, dtype=float)[:asked],
        p=np.asarray(model.lrt_pvalues_, dtype=float)[:asked],
    )


def _limit(log_ratio: float, not_reached: float) -> float:
    return power(float(log_ratio)) if np.isfinite(log_ratio) else not_reached
