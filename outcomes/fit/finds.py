"""What predicts a find: the logistic mixed model with crossed dog and source intercepts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import FitError
from outcomes.fit.mixed import fit_mixed
from outcomes.fit.result import LeftOut, MixedFit, Term
from outcomes.fit.terms import EXPOSURES, Design, plan_design
from outcomes.settings import Settings

LEAST_MISSES = 30
LEAST_FINDS = 30
LEAST_SOURCES = 8
LEAST_DOGS = 3
_BETWEEN = 0.9  # a term whose variation lies this much between sources is judged on sources
_NODES = 25


@dataclass(frozen=True, slots=True)
class FindFit:
    """What predicts a find in a unit's hide trials.

    Attributes
    ----------
    n, finds, misses, dogs, sources
        What it rests on.
    terms
        One row per fixed effect after the intercept; empty where no model was fitted.
    sd
        Grouping → SD of its random intercept, log-odds.
    left_out
        Terms, groupings and trials the model does without, and why.
    design, mixed
        The design, and the fitted model (None where ``reason`` says why).
    reason
        Why there is no model; None where there is one.
    too_few
        What is short of the least amount of evidence: word → (have, need).
    settings
        The settings used.
    """

    n: int
    finds: int
    misses: int
    dogs: int
    sources: int
    terms: tuple[Term, ...]
    sd: Mapping[str, float]
    left_out: tuple[LeftOut, ...]
    design: Design
    mixed: MixedFit | None
    reason: str | None
    too_few: Mapping[str, tuple[int, int]]
    settings: Settings

    @property
    def log_likelihood(self) -> float | None:
        """Maximised log-likelihood; None without a model."""
        return None if self.mixed is None else self.mixed.log_likelihood

    def term(self, name: str) -> Term | None:
        """The row of a numeric term; None if the model does without it."""
        return next((t for t in self.terms if t.term == name), None)


def fit_finds(
    trials: pd.DataFrame, settings: Settings, *, exposures: Sequence[str] = EXPOSURES
) -> FindFit:
    """Fit the probability of a find against cycles and age, with what else is on record.

    Hide trials that were not assisted; crossed random intercepts for dog and
    source, and for hide or session where trials share one; terms by the rules
    of :mod:`outcomes.fit.terms`.

    Parameters
    ----------
    trials
        Joined trials.
    settings
        ``alpha`` sets the confidence of the intervals, 1 - alpha.
    exposures
        Exposures to put into the model.

    Returns
    -------
    FindFit
        With ``mixed`` None and a ``reason`` where these records cannot carry a model.
    """
    design = plan_design(trials, exposures=exposures)
    n = len(design.y)
    finds = int(design.y.sum())
    counts = {
        "misses": (n - finds, LEAST_MISSES),
        "finds": (finds, LEAST_FINDS),
        "sources": (int(design.trials["source_id"].nunique()), LEAST_SOURCES),
        "dogs": (int(design.trials["dog_id"].nunique()), LEAST_DOGS),
    }
    too_few = {word: pair for word, pair in counts.items() if pair[0] < pair[1]}
    mixed, reason = _fit(design, bool(too_few))
    return FindFit(
        n=n,
        finds=finds,
        misses=n - finds,
        dogs=counts["dogs"][0],
        sources=counts["sources"][0],
        terms=() if mixed is None else describe_terms(design, mixed, settings.alpha),
        sd={} if mixed is None else dict(mixed.sd),
        left_out=design.left_out,
        design=design,
        mixed=mixed,
        reason=reason,
        too_few=too_few,
        settings=settings,
    )


def _fit(design: Design, too_few: bool) -> tuple[MixedFit | None, str | None]:
    if too_few:
        return None, "too few trials to fit a model that could be trusted"
    if design.separated:
        return None, (
            "finds and misses do not overlap along the terms of the model, "
            "so no finite size can be put on the effects"
        )
    try:
        return fit_mixed(design.y, design.x, design.names, design.groups), None
    except FitError as error:
        return None, str(error)


def describe_terms(design: Design, mixed: MixedFit, alpha: float) -> tuple[Term, ...]:
    """Every fixed effect after the intercept, with intervals at 1 - ``alpha``.

    A term that varies almost only between sources is judged against Student's
    t with sources minus such terms minus one degrees of freedom, as in a
    between-cluster comparison; a term that varies within sources against the
    normal distribution.
    """
    freedom = _degrees_of_freedom(design)
    eta, spread = linear_predictor(design, mixed)
    mean_slope = float(averaged_probability(eta, spread)[1].mean())
    rows = []
    for position, column in enumerate(design.columns, start=1):
        estimate = float(mixed.beta[position])
        error = float(np.sqrt(mixed.cov[position, position]))
        reference = stats.t(freedom[position]) if np.isfinite(freedom[position]) else stats.norm()
        reach = float(reference.ppf(1.0 - alpha / 2.0)) * error
        steps = (estimate, estimate - reach, estimate + reach)
        if column.contrast is None:
            points = [100.0 * step * mean_slope for step in steps]
        else:
            own = [j for j, c in enumerate(design.columns, start=1) if c.term == column.term]
            at_reference = eta - design.x[:, own] @ mixed.beta[own]
            points = _contrast_points(at_reference, spread, steps)
        rows.append(
            Term(
                term=column.term,
                unit=column.unit,
                log_odds=estimate,
                std_error=error,
                odds_ratio=float(np.exp(estimate)),
                low=float(np.exp(estimate - reach)),
                high=float(np.exp(estimate + reach)),
                p=float(2.0 * reference.sf(abs(estimate) / error)),
                points=points[0],
                points_low=points[1],
                points_high=points[2],
            )
        )
    return tuple(rows)


def linear_predictor(design: Design, mixed: MixedFit) -> tuple[np.ndarray, np.ndarray]:
    """Log-odds of each trial with its own dog's and source's effect, and what is left to vary.

    Returns
    -------
    eta, spread
        Shape (n,) each. ``spread`` is the standard deviation, on the log-odds
        scale, of what ``eta`` does not fix: the session (or hide) of a future
        trial, and how far the dog's and the source's effect are still unknown.
    """
    eta = design.x @ mixed.beta
    variance = np.zeros(len(eta))
    for grouping, labels in design.groups.items():
        if grouping in ("dog", "source"):
            effects = mixed.effects[grouping]
            place = effects.index.get_indexer(labels)
            eta = eta + effects["effect"].to_numpy()[place]
            variance += effects["std_error"].to_numpy()[place] ** 2
        else:
            variance += mixed.sd[grouping] ** 2
    return eta, np.sqrt(variance)


def averaged_probability(
    eta: np.ndarray, spread: np.ndarray | float
) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the logistic function, and of its slope, over a normal spread around ``eta``.

    Gauss-Hermite quadrature, shape of ``eta`` each.

    Examples
    --------
    >>> p, slope = averaged_probability(np.array([0.0, 2.0]), 0.0)
    >>> p.round(4), slope.round(4)
    (array([0.5   , 0.8808]), array([0.25 , 0.105]))
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    eta, spread = np.broadcast_arrays(np.asarray(eta, dtype=float), np.asarray(spread, float))
    probability = np.zeros(eta.shape)
    slope = np.zeros(eta.shape)
    for node, weight in zip(nodes, weights, strict=True):
        p = 1.0 / (1.0 + np.exp(-(eta + spread * node)))
        probability += weight * p
        slope += weight * p * (1.0 - p)
    return probability, slope


def _contrast_points(base: np.ndarray, spread: np.ndarray, steps: Sequence[float]) -> list[float]:
    """Average change in percentage points between a category and its reference."""
    reference = averaged_probability(base, spread)[0].mean()
    return [
        float(100.0 * (averaged_probability(base + step, spread)[0].mean() - reference))
        for step in steps
    ]


def _degrees_of_freedom(design: Design) -> np.ndarray:
    """Degrees of freedom per column of ``x``; infinite where a term varies within sources."""
    freedom = np.full(design.x.shape[1], np.inf)
    if "source" not in design.groups:
        return freedom
    codes, levels = pd.factorize(design.groups["source"])
    size = np.bincount(codes)
    between = np.zeros(design.x.shape[1], dtype=bool)
    for j in range(1, design.x.shape[1]):
        column = design.x[:, j]
        means = np.bincount(codes, weights=column) / size
        share = (size * (means - column.mean()) ** 2).sum() / ((column - column.mean()) ** 2).sum()
        between[j] = share > _BETWEEN
    left = max(len(levels) - int(between.sum()) - 1, 1)
    freedom[between] = left
    freedom[0] = left
    return freedom
