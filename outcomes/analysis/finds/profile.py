"""The interval of an exposure's effect from its profile likelihood.

The usual interval, estimate plus and minus a multiple of its error, takes the
likelihood for a parabola. Here the effect is held at one value after another
and everything else is fitted again, so that an interval may reach farther to
one side than to the other.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.results import ExposureName
from outcomes.errors import FitError
from outcomes.models.distributions import normal_quantile, student_quantile
from outcomes.models.mixed import fit_mixed, idle_groupings
from outcomes.models.mixed_result import MixedFit

_ROOT_TOLERANCE = 1e-3  # of the signed root: 0.02 % of an interval's length
_MOST_STEPS = 12
_MOST_ERRORS_AWAY = 30.0


@dataclass(frozen=True, slots=True)
class ProfileInterval:
    """Limits of one effect from the profile likelihood, beside those of its error.

    Attributes
    ----------
    exposure, unit
        What the effect is of, and the step it is per.
    confidence
        Two-sided.
    estimate, low, high
        Log-odds per ``unit``, the estimate by maximum likelihood; a limit is None where
        ``reason`` says why.
    wald_low, wald_high
        Estimate plus and minus the same multiple of its error.
    critical
        The multiple used: of Student's t where sources are few.
    refits
        Models fitted to find the limits.
    reason
        Why there is no limit, or None.
    """

    exposure: ExposureName
    unit: str
    confidence: float
    estimate: float
    low: float | None
    high: float | None
    wald_low: float
    wald_high: float
    critical: float
    refits: int
    reason: str | None

    @property
    def odds_ratio(self) -> tuple[float, float | None, float | None]:
        """Estimate and limits as odds ratios."""
        low = None if self.low is None else math.exp(self.low)
        high = None if self.high is None else math.exp(self.high)
        return math.exp(self.estimate), low, high


def profile_interval(
    fit: FindFit,
    exposure: ExposureName,
    confidence: float | None = None,
    *,
    few_sources: bool = True,
) -> ProfileInterval:
    """Interval of an exposure's effect from its profile likelihood.

    Parameters
    ----------
    fit
        A fit with a model in which the exposure is a term.
    exposure
        ``"cycles"`` or ``"age_days"``.
    confidence
        Two-sided; 1 - alpha of the settings if not given.
    few_sources
        Allow for few sources as the fit's own interval does: Student's t and
        the factor of :func:`outcomes.analysis.finds.describe_terms.describe_terms`. Without it,
        the limits are where twice the fall in log-likelihood reaches the
        chi-square quantile.

    Returns
    -------
    ProfileInterval
        Without limits where sources or dogs differ in slope: the interval of
        the term allows for that, a profile with a common slope would not.

    Raises
    ------
    FitError
        The fit has no model, or the exposure is not among its terms.

    Notes
    -----
    The signed root of the likelihood-ratio statistic is nearly a straight line
    in the effect, so that its crossing of the critical value is found by a few
    secant steps, each one refit with the effect as an offset.

    A profile is no cure for few sources: how often each kind of limits holds the
    truth in simulated units is on a page made by ``tests/studies/intervals.py``.

    References
    ----------
    Venzon DJ, Moolgavkar SH (1988). A method for computing
    profile-likelihood-based confidence intervals. Applied Statistics 37, 87-94.
    """
    term = fit.term(exposure)
    column = fit.design.column_of(exposure)
    if fit.mixed is None or term is None or column is None:
        raise FitError(f"{exposure} has no effect to put an interval on: {_why_not(fit, exposure)}")
    level = 1.0 - fit.settings.alpha if confidence is None else confidence
    estimate = float(fit.mixed.beta[column])
    error = float(np.sqrt(fit.mixed.cov[column, column]))
    critical = float(normal_quantile(0.5 + level / 2.0))
    widening = 1.0
    if few_sources:
        widening = float(fit.widening[column])
        if np.isfinite(fit.freedom[column]):
            critical = float(student_quantile(0.5 + level / 2.0, fit.freedom[column]))
    else:
        error /= float(fit.widening[column])
    reach = critical * error
    critical *= widening
    low: float | None = None
    high: float | None = None
    reason: str | None = None
    design = fit.design
    profile = _Profile(design.y, design.x, design.names, design.groups, column, fit.mixed)
    if any(slope.exposure == exposure for slope in fit.slopes):
        reason = (
            "sources or dogs differ in how they change with it, which the interval of the term "
            "allows for and a profile with a common slope would not"
        )
    else:
        try:
            low, high = (profile.crossing(side * critical) for side in (-1.0, 1.0))
        except FitError as failure:
            reason = str(failure)
    return ProfileInterval(
        exposure=exposure,
        unit=term.unit,
        confidence=level,
        estimate=estimate,
        low=low,
        high=high,
        wald_low=estimate - reach,
        wald_high=estimate + reach,
        critical=critical,
        refits=profile.refits,
        reason=reason,
    )


def _why_not(fit: FindFit, exposure: ExposureName) -> str:
    if fit.reason is not None:
        return fit.reason
    return next(
        (left.reason for left in fit.left_out if left.term == exposure), "not a term of the model"
    )


def profile_limits(
    y: np.ndarray,
    x: np.ndarray,
    names: Sequence[str],
    groups: Mapping[str, np.ndarray],
    column: int,
    critical: float,
) -> tuple[float, float]:
    """Limits of one coefficient of a logistic mixed model from its profile likelihood.

    Parameters
    ----------
    y, x, names, groups
        As for :func:`outcomes.models.mixed.fit_mixed`.
    column
        Position of the coefficient in ``x``, not the intercept's.
    critical
        Multiple of the standard normal distribution, 1.96 for 95 %.

    Returns
    -------
    low, high

    Raises
    ------
    FitError
        The model cannot be fitted, or the likelihood has no such limit.
    """
    mixed = fit_mixed(y, x, names, groups, details=False)
    profile = _Profile(y, x, names, groups, column, mixed)
    return profile.crossing(-critical), profile.crossing(critical)


class _Profile:
    """Signed root of the likelihood ratio of one coefficient, by refits."""

    def __init__(
        self,
        y: np.ndarray,
        x: np.ndarray,
        names: Sequence[str],
        groups: Mapping[str, np.ndarray],
        column: int,
        mixed: MixedFit,
    ) -> None:
        self.y = y
        self.fixed = np.delete(x, column, axis=1)
        self.moved = x[:, column]
        self.names = [name for j, name in enumerate(names) if j != column]
        idle = idle_groupings(mixed)
        self.groups = {name: labels for name, labels in groups.items() if name not in idle}
        self.estimate = float(mixed.beta[column])
        self.log_likelihood = mixed.log_likelihood
        self.error = float(np.sqrt(mixed.cov[column, column]))
        self.last: MixedFit | None = None
        self.refits = 0

    def signed_root(self, value: float) -> float:
        """Square root of twice the loss of log-likelihood, with the sign of the distance."""
        self.last = fit_mixed(
            self.y,
            self.fixed,
            self.names,
            self.groups,
            details=False,
            offset=value * self.moved,
        )
        self.refits += 1
        lost = max(2.0 * (self.log_likelihood - self.last.log_likelihood), 0.0)
        return math.copysign(math.sqrt(lost), value - self.estimate)

    def crossing(self, wanted: float) -> float:
        """The value whose signed root is ``wanted``, by secants kept within a bracket."""
        inside, root_inside = self.estimate, 0.0
        outside: float | None = None
        root_outside = math.inf
        value = self.estimate + wanted * self.error
        for _ in range(_MOST_STEPS):
            root = self.signed_root(value)
            if abs(root - wanted) < _ROOT_TOLERANCE:
                # The rest of the way along the last secant costs no refit.
                return float(self._on_the_way(inside, root_inside, value, root, wanted))
            if abs(root) < abs(wanted):
                inside, root_inside = value, root
            else:
                outside, root_outside = value, root
            if outside is None:
                slope = (value - self.estimate) / root if root else self.error
                step = 1.05 * slope * (wanted - root)
                value += math.copysign(max(abs(step), 0.05 * self.error), wanted)
                if abs(value - self.estimate) > _MOST_ERRORS_AWAY * self.error:
                    raise FitError("the likelihood hardly falls to one side: no limit can be given")
            else:
                share = (wanted - root_inside) / (root_outside - root_inside)
                value = inside + min(max(share, 0.02), 0.98) * (outside - inside)
        raise FitError("the limit was not found in a reasonable number of refits")

    @staticmethod
    def _on_the_way(
        inside: float, root_inside: float, value: float, root: float, wanted: float
    ) -> float:
        if root == root_inside:
            return value
        return value + (wanted - root) * (value - inside) / (root - root_inside)
