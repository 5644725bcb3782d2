"""The model of finds refitted with other columns, and outcomes drawn from it without an effect."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from outcomes.analysis.finds.design import Design
from outcomes.models.laplace import Grouping
from outcomes.models.mixed_model import MixedModel, fit_mixed_model
from outcomes.models.score_test import Scores, efficient_scores


@dataclass(frozen=True, slots=True)
class Fitted:
    """One model fitted: its design, its groupings and what came out."""

    x: np.ndarray
    groupings: tuple[Grouping, ...]
    model: MixedModel

    @property
    def log_likelihood(self) -> float:
        """At the maximum."""
        return self.model.log_likelihood


class Refitter:
    """Trials of one design, to be fitted with one set of columns after another.

    Parameters
    ----------
    design
        Its groupings are used, its columns are not.
    idle
        Groupings whose spread is zero, and which are left away.
    """

    def __init__(self, design: Design, idle: tuple[str, ...] = ()) -> None:
        self.y = design.y
        self.groupings: list[Grouping] = []
        for name, labels in design.groups.items():
            codes, levels = pd.factorize(pd.Series(labels).astype(str), sort=True)
            if len(levels) > 1 and name not in idle:
                self.groupings.append(Grouping(name, codes, len(levels)))
        self._near: dict[bool, list[np.ndarray]] = {}

    def fit(
        self,
        x: np.ndarray,
        y: np.ndarray | None = None,
        slope: np.ndarray | None = None,
    ) -> Fitted:
        """Fit outcomes on columns; with ``slope`` sources may differ in its coefficient.

        Raises
        ------
        FitError
            No maximum could be certified.
        """
        groupings = tuple(
            Grouping(g.name, g.codes, g.levels, slope) if g.name == "source" else g
            for g in self.groupings
        )
        outcome = self.y if y is None else y
        near = self._near.get(slope is None)
        model = fit_mixed_model(
            outcome, x, groupings, curvature=False, near=near, roughly=y is not None
        )
        if y is None or near is None:
            self._near[slope is None] = [group.factor for group in model.groups]
        return Fitted(x, groupings, model)

    def scores(self, fitted: Fitted, extra: np.ndarray, y: np.ndarray | None = None) -> Scores:
        """Scores of columns that a fitted model does without."""
        outcome = self.y if y is None else y
        return efficient_scores(fitted.model, outcome, fitted.x, fitted.groupings, extra)


def draw_outcomes(fitted: Fitted, rng: np.random.Generator, widen: float) -> np.ndarray:
    """Outcomes from a fitted model with all random effects drawn anew, shape (n,).

    Parameters
    ----------
    fitted
        The model.
    rng
        Source of randomness.
    widen
        Factor on the spread between sources, which maximum likelihood takes as too small
        where sources are few.
    """
    eta = fitted.x @ fitted.model.beta
    for grouping, effects in zip(fitted.groupings, fitted.model.groups, strict=True):
        factor = effects.factor * (widen if grouping.name == "source" else 1.0)
        own = rng.normal(size=(grouping.levels, len(factor))) @ factor.T
        eta = eta + own[grouping.codes, 0]
        if grouping.slope is not None:
            eta = eta + own[grouping.codes, 1] * grouping.slope
    return np.asarray(rng.random(len(eta)) < special.expit(eta), dtype=float)
