"""The terms of a model of finds as odds ratios, and as changes in finds of 100."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import Design
from outcomes.analysis.results import FindEstimate
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.distributions import student_quantile, student_tail
from outcomes.models.mixed_result import MixedFit
from outcomes.models.ratio import power


def describe_terms(
    design: Design, mixed: MixedFit, freedom: np.ndarray, alpha: float
) -> tuple[FindEstimate, ...]:
    """Every fixed effect after the intercept, with intervals at 1 - ``alpha``.

    A maximum-likelihood model takes the spread between sources as a little too
    small when sources are few. The error of an exposure, and of any term that
    varies mainly between sources, is therefore multiplied by sqrt(S / (S - q))
    and judged against Student's t with S - k degrees of freedom, for S sources,
    k such terms and q of them asked about: the intercept and the exposures.
    (Widened by k, the intervals of cycles and age held the truth too often in
    simulated units.) Where levels differ in slope the degrees of freedom are
    fewer, by Satterthwaite's rule. Other terms are judged against the normal
    distribution.
    """
    eta, spread = linear_predictor(design, mixed)
    mean_slope = float(averaged_probability(eta, spread)[1].mean())
    rows = []
    for position, column in enumerate(design.columns, start=1):
        estimate = float(mixed.beta[position])
        error = float(np.sqrt(mixed.cov[position, position]))
        reach = float(student_quantile(1.0 - alpha / 2.0, freedom[position])) * error
        steps = (estimate, estimate - reach, estimate + reach)
        if column.contrast is None:
            points = [100.0 * step * mean_slope for step in steps]
        else:
            own = [j for j, c in enumerate(design.columns, start=1) if c.term == column.term]
            at_reference = eta - design.x[:, own] @ mixed.beta[own]
            points = _contrast_points(at_reference, spread, steps)
        rows.append(
            FindEstimate(
                term=column.term,
                unit=column.unit,
                log_ratio=estimate,
                std_error=error,
                low=power(estimate - reach),
                high=power(estimate + reach),
                p=float(2.0 * student_tail(abs(estimate) / error, freedom[position])),
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
            place = effects.index.get_indexer(pd.Index(labels))
            eta = eta + effects["effect"].to_numpy()[place]
            variance += effects["std_error"].to_numpy()[place] ** 2
        else:
            variance += mixed.sd[grouping] ** 2
    return eta, np.sqrt(variance)


def _contrast_points(base: np.ndarray, spread: np.ndarray, steps: Sequence[float]) -> list[float]:
    """Average change in percentage points between a category and its reference."""
    reference = averaged_probability(base, spread)[0].mean()
    return [
        float(100.0 * (averaged_probability(base + step, spread)[0].mean() - reference))
        for step in steps
    ]
