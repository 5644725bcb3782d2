"""Likelihood-ratio tests of straight lines along cycles and age, calibrated where they matter."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from scipy import special

from outcomes.analysis.finds.design import Design
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.results import ExposureName
from outcomes.errors import FitError
from outcomes.models.calibrated_test import Calibrated
from outcomes.models.distributions import chi_square_tail, f_tail
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.mixed import fit_mixed, idle_groupings
from outcomes.models.mixed_result import MixedFit
from outcomes.random_streams import random_stream

_BATCH = 10  # refits between looks at whether more could change the answer
_SETTLED = 3.0  # standard errors of the mean statistic
_FEW_SOURCES = 100  # from here on the chi-square reference is used as it stands
_MOST_TRIALS_TO_REFIT = 20_000
_WORTH_SHARING = 400_000  # trials times refits: below, starting processes costs more than it saves


@dataclass(frozen=True, slots=True)
class RatioTest:
    """One test of the verdict.

    Attributes
    ----------
    statistic, df
        Twice the difference in log-likelihood of straight lines, and the parameters it tests;
        None for a test of any shape.
    p_chi_square
        Against the chi-square distribution; None likewise.
    inflation
        Mean of the statistic over refits of data simulated without the effect,
        divided by ``df`` (at least 1); 1 where it was not simulated.
    refits
        Simulated data sets behind ``inflation``.
    p
        The p-value used: of ``statistic / inflation``.
    p_most
        What ``p`` could be at most, three standard errors of that mean up: simulating
        stops when the answer is settled, not when ``p`` is known; ``p`` itself for a test of
        any shape. None where nothing was simulated.
    """

    statistic: float | None
    df: int | None
    p_chi_square: float | None
    inflation: float
    refits: int
    p: float
    p_most: float | None = None

    @classmethod
    def of_any_shape(cls, found: Calibrated) -> RatioTest:
        """The test that allowed for other shapes than a line."""
        most = found.p if found.refits else None
        return cls(None, None, None, 1.0, found.refits, found.p, most)


class LineTests:
    """Likelihood-ratio tests on one design, each simulated only when it matters."""

    def __init__(
        self,
        fit: FindFit,
        refits: int,
        jobs: int = 1,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        assert fit.mixed is not None
        assert fit.reduced is not None
        self.jobs, self.progress = jobs, progress
        self.design = fit.design
        self.full, self.told = fit.mixed, fit.reduced
        self.slopes = fit.slopes
        self.freedom = fit.freedom
        self.alpha = fit.settings.alpha
        self.rng = random_stream(fit.settings.seed, "verdict")
        sources = len(set(fit.design.groups.get("source", np.array([]))))
        few = sources < _FEW_SOURCES and len(fit.design.y) <= _MOST_TRIALS_TO_REFIT
        self.refits = refits if few else 0
        self.by_sources = refits > 0 and not few
        self.widening = fit.widening

    def drop(self, exposures: tuple[ExposureName, ...]) -> RatioTest:
        """Test of the exposures, everything else kept."""
        keep = self.columns_without(exposures)
        try:
            null = _fit_columns(self.design, self.design.y, keep)
        except FitError:
            return self.wald(keep)
        statistic = likelihood_ratio(self.full.log_likelihood, null.log_likelihood)
        df = len(exposures)
        plain = float(chi_square_tail(statistic, df))
        if plain >= self.alpha or not (self.refits or self.by_sources):
            return RatioTest(statistic, df, plain, 1.0, 0, plain)
        if self.by_sources:
            return self.held_against_sources(statistic, exposures)
        found = self.without_effect(null, keep, statistic, df)
        if len(found) < 2:
            return RatioTest(statistic, df, plain, 1.0, len(found), plain)
        inflation = max(float(np.mean(found)) / df, 1.0)
        p = float(chi_square_tail(statistic / inflation, df))
        most = _p_of_means(found, statistic, df)[1]
        return RatioTest(statistic, df, plain, inflation, len(found), p, most)

    def held_against_sources(
        self, statistic: float, exposures: tuple[ExposureName, ...]
    ) -> RatioTest:
        """The p-value by the rule of the intervals: widened for few sources, F for t."""
        columns = [c for e in exposures if (c := self.design.column_of(e)) is not None]
        df = len(exposures)
        inflation = float(self.widening[columns].max()) ** 2
        p = float(f_tail(statistic / df / inflation, df, float(self.freedom[columns].min())))
        return RatioTest(statistic, df, float(chi_square_tail(statistic, df)), inflation, 0, p)

    def wald(self, keep: list[int]) -> RatioTest:
        """The same question from the full model alone, where the other cannot be fitted."""
        tested = [j for j in range(len(self.full.beta)) if j not in keep]
        beta, cov = self.full.beta[tested], self.full.cov[np.ix_(tested, tested)]
        statistic = float(beta @ np.linalg.solve(cov, beta))
        df = len(tested)
        # The errors are widened already; their degrees of freedom belong to them.
        p = float(f_tail(statistic / df, df, float(self.freedom[tested].min())))
        return RatioTest(statistic, df, float(chi_square_tail(statistic, df)), 1.0, 0, p)

    def single(self, exposure: ExposureName, present: tuple[ExposureName, ...]) -> RatioTest | None:
        """Test of one exposure given the other; None where there is no other."""
        return self.drop((exposure,)) if len(present) > 1 else None

    def with_slopes(self, exposure: ExposureName) -> RatioTest | None:
        """The same question where levels differ in slope; None where they do not.

        The effect over its error, squared, as told of, with the degrees of freedom of
        the reported interval, which allow for the slopes and for few sources: the two
        cannot disagree.
        """
        if all(s.exposure != exposure for s in self.slopes):
            return None
        return self.by_interval(exposure)

    def by_interval(self, exposure: ExposureName) -> RatioTest:
        """The question as the reported interval answers it: p < alpha where that holds no 0."""
        column = self.design.column_of(exposure)
        assert column is not None
        statistic = float(self.told.beta[column] ** 2 / self.told.cov[column, column])
        p = float(f_tail(statistic, 1, self.freedom[column]))
        return RatioTest(statistic, 1, float(chi_square_tail(statistic, 1)), 1.0, 0, p)

    def seen_to_differ(self, allowed: list[ExposureName]) -> tuple[ExposureName, ...]:
        """Those exposures for which it can be said that levels differ in slope."""
        return tuple(
            e for e in allowed if any(s.exposure == e and s.seem_to_differ for s in self.slopes)
        )

    def no_common_course(self, allowed: list[ExposureName]) -> str:
        """Why an exposure that passed its test does not pass it with differing slopes."""
        slopes = [s for s in self.slopes if s.exposure in allowed]
        seen = [s for s in slopes if s.seem_to_differ]
        who = " and ".join(sorted({f"{s.grouping}s" for s in seen or slopes}, reverse=True))
        if seen:
            return f"{who} differ so much in how they change that no common course is established"
        return (
            f"{who} may differ in how they change; allowing for that, no common course is "
            "established"
        )

    def columns_without(self, exposures: tuple[ExposureName, ...]) -> list[int]:
        """Columns of the design that are none of these exposures'."""
        dropped = {self.design.column_of(e) for e in exposures}
        return [j for j in range(self.design.x.shape[1]) if j not in dropped]

    def without_effect(
        self, null: MixedFit, keep: list[int], statistic: float, df: int
    ) -> np.ndarray:
        """The statistic in data simulated without the effect, as often as settles the answer."""
        eta = self.design.x[:, keep] @ null.beta
        codes = {
            g: np.unique(labels, return_inverse=True) for g, labels in self.design.groups.items()
        }
        # All drawn here and in order: how many cores refit them changes nothing.
        drawn = []
        for _ in range(self.refits):
            log_odds = eta.copy()
            for grouping, (levels, place) in codes.items():
                log_odds += self.rng.normal(0.0, null.sd[grouping], len(levels))[place]
            drawn.append(self.rng.random(len(log_odds)) < special.expit(log_odds))
        found: list[float] = []
        number = 0
        for begin in range(0, self.refits, _BATCH):
            for number, value in enumerate(
                self.refitted(drawn[begin : begin + _BATCH], keep, null), start=begin + 1
            ):
                if value is not None:
                    found.append(value)
                if self.progress is not None:
                    self.progress(number, self.refits)
            if _settled(np.array(found), statistic, df, self.alpha):
                if self.progress is not None and number < self.refits:
                    self.progress(self.refits, self.refits)
                break
        return np.array(found)

    def refitted(
        self, drawn: list[np.ndarray], keep: list[int], null: MixedFit
    ) -> Iterable[float | None]:
        """Statistics of simulated outcomes, in their order, from as many processes as pay."""
        if self.jobs > 1 and len(self.design.y) * self.refits >= _WORTH_SHARING:
            from joblib import Parallel, delayed

            shared: Iterable[float | None] = Parallel(n_jobs=self.jobs, return_as="generator")(
                delayed(_statistic)(self.design, y, keep, null) for y in drawn
            )
            return shared
        return (_statistic(self.design, y, keep, null) for y in drawn)


def _settled(found: np.ndarray, statistic: float, df: int, alpha: float) -> bool:
    """Whether the answer is the same all the way along the mean's error, three each way."""
    if len(found) < _BATCH // 2:
        return False
    low, high = _p_of_means(found, statistic, df)
    return (low < alpha) == (high < alpha)


def _p_of_means(found: np.ndarray, statistic: float, df: int) -> tuple[float, float]:
    """The p-value at either end of what the mean of the simulated statistics may be."""
    error = float(found.std(ddof=1)) / math.sqrt(len(found))
    means = np.mean(found) + np.array([-_SETTLED, _SETTLED]) * error
    low, high = chi_square_tail(statistic / np.maximum(means / df, 1.0), df)
    return float(low), float(high)


def _statistic(design: Design, y: np.ndarray, keep: list[int], null: MixedFit) -> float | None:
    """Likelihood-ratio statistic on one simulated outcome; None where a model cannot be fitted."""
    outcome = y.astype(float)
    try:
        # Simulated without differences between hides, they are refitted without them.
        idle = idle_groupings(null)
        small = _fit_columns(design, outcome, keep, idle)
        large = _fit_columns(design, outcome, list(range(design.x.shape[1])), idle)
    except FitError:
        return None
    return likelihood_ratio(large.log_likelihood, small.log_likelihood)


def _fit_columns(
    design: Design,
    y: np.ndarray,
    keep: list[int],
    at_zero: tuple[str, ...] = (),
) -> MixedFit:
    names, x = [design.names[j] for j in keep], design.x[:, keep]
    return fit_mixed(y, x, names, design.groups, details=False, at_zero=at_zero)
