"""What shape the change in finds has along an exposure: the simplest that will do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from outcomes.analysis.finds.design import PER_PARAMETER, Column, Design
from outcomes.analysis.finds.model import (
    FindFit,
    averaged_probability,
    linear_predictor,
    small_sample,
)
from outcomes.analysis.results import ExposureName, LeftOut
from outcomes.errors import FitError
from outcomes.models.distributions import f_tail
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.mixed import fit_mixed, idle_groupings
from outcomes.models.mixed_result import MixedFit
from outcomes.models.model_weights import information_criterion, support_weights
from outcomes.models.separation import is_separated
from outcomes.models.splines import natural_spline

CLEARLY_WORSE = 2.0
GRID = 61
_KNOTS = (0.05, 0.35, 0.65, 0.95)
_COPY = 1e-6
_ROWS = 2_000  # the average over trials is taken over at most this many of them


@dataclass(frozen=True, slots=True)
class ShapeFit:
    """One shape fitted.

    Attributes
    ----------
    shape
        One of :data:`SHAPES`.
    parameters
        Parameters of the shape itself: 0, 1 or 3.
    log_likelihood, criterion, difference, weight
        Fit, QAICc, its distance from the best, and the share of the support.
    p
        Test against no change (flat); None for flat itself.
    probability
        Find probability along ``Shapes.at``, averaged over the unit's trials.
    """

    shape: str
    parameters: int
    log_likelihood: float
    criterion: float
    difference: float
    weight: float
    p: float | None
    probability: np.ndarray


@dataclass(frozen=True, slots=True)
class Shapes:
    """The shapes compared.

    Attributes
    ----------
    exposure
        ``"cycles"`` or ``"age_days"``.
    at
        Exposure along the curves, shape (61,), from the lowest to the highest observed.
    candidates
        Shapes that could be fitted, simplest first.
    chosen
        The simplest that is not clearly worse than the best; None without a model.
    best
        The shape with the smallest criterion.
    bend_p
        Test of the spline against the straight line; None where it could not be fitted.
    knots
        Knots of the spline, in the exposure's own unit.
    left_out
        Shapes not fitted, with the reason.
    reason
        Why nothing was compared, or None.
    """

    exposure: ExposureName
    at: np.ndarray
    candidates: tuple[ShapeFit, ...]
    chosen: str | None
    best: str | None
    bend_p: float | None
    knots: tuple[float, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None

    def candidate(self, shape: str) -> ShapeFit | None:
        """The fit of one shape; None if it could not be fitted."""
        return next((c for c in self.candidates if c.shape == shape), None)


def compare_shapes(fit: FindFit, exposure: ExposureName) -> Shapes:
    """Compare shapes of the change in finds along an exposure.

    No change; a straight line on the log-odds; log2(exposure + 1), by which
    early steps count more than later ones; for cycles, a step after the first
    thaw (0 against 1 or more); and a natural cubic spline with three degrees
    of freedom. Everything else in the model stays as it is.

    Parameters
    ----------
    fit
        A fit of finds.
    exposure
        ``"cycles"`` or ``"age_days"``.

    Returns
    -------
    Shapes
        Without candidates where the fit has no model with the exposure.

    Notes
    -----
    The criterion is QAICc with n = trials; log-likelihoods are divided by the
    factor by which few sources widen the variances of the fit. A difference of
    2 or less leaves a model substantial support (Burnham & Anderson 2002,
    section 2.6). Tests are likelihood-ratio tests divided by the same factor,
    against an F distribution on the fit's degrees of freedom.

    References
    ----------
    Burnham KP, Anderson DR (2002). Model Selection and Multimodel Inference,
    2nd edition. Springer.

    Harrell FE (2015). Regression Modeling Strategies, 2nd edition. Springer,
    section 2.4.5, for the natural ("restricted") spline and its knots.
    """
    column = fit.design.column_of(exposure)
    if fit.mixed is None or column is None:
        why = fit.reason or next(
            (x.reason for x in fit.left_out if x.term == exposure), "it is not in the model"
        )
        return _nothing(exposure, why)
    values = fit.design.trials[exposure].to_numpy(dtype=float)
    plans, knots, left_out = _plan(exposure, values, fit.design.y)
    work = _Work(fit, exposure, column, values, knots)
    fits: dict[str, MixedFit] = {}
    for shape in plans:
        try:
            fits[shape] = work.fit(shape)
        except FitError as error:
            left_out.append(LeftOut(shape, str(error)))
    if "flat" not in fits or "straight" not in fits:
        return _nothing(exposure, "its model could not be fitted again", tuple(left_out))
    return work.result(fits, tuple(left_out))


def _plan(
    exposure: ExposureName, values: np.ndarray, y: np.ndarray
) -> tuple[list[str], tuple[float, ...], list[LeftOut]]:
    """Shapes worth fitting, the spline's knots, and what is left out with the reason."""
    shapes = ["flat", "straight", "logarithmic"]
    left_out: list[LeftOut] = []
    if exposure == "cycles":
        reason = _no_step(values, y)
        if reason is None:
            shapes.append("step")
        else:
            left_out.append(LeftOut("step", reason))
    knots = np.quantile(values, _KNOTS)
    if np.any(np.diff(knots) <= 0.0):
        # Many equal values, as of sources never thawed: the knots among the different ones.
        knots = np.quantile(np.unique(values), _KNOTS)
    misses = int(len(y) - y.sum())
    if len(np.unique(values)) < 2 * len(_KNOTS):
        left_out.append(LeftOut("spline", "too few different values"))
    elif min(misses, int(y.sum())) < PER_PARAMETER * (len(_KNOTS) + 2):
        left_out.append(LeftOut("spline", "too few finds or misses to bend a line"))
    else:
        shapes.append("spline")
    return shapes, tuple(float(k) for k in knots), left_out


def _no_step(values: np.ndarray, y: np.ndarray) -> str | None:
    for part, name in ((values < 1.0, "never thawed"), (values >= 1.0, "thawed")):
        finds = int(y[part].sum())
        if min(finds, int(part.sum()) - finds) < PER_PARAMETER:
            return f"fewer than {PER_PARAMETER} finds or {PER_PARAMETER} misses of sources {name}"
    return None


def _nothing(exposure: ExposureName, why: str, left_out: tuple[LeftOut, ...] = ()) -> Shapes:
    return Shapes(
        exposure=exposure,
        at=np.zeros(0),
        candidates=(),
        chosen=None,
        best=None,
        bend_p=None,
        knots=(),
        left_out=left_out,
        reason=why,
    )


class _Work:
    """One design with the exposure taken out, to be put back in one shape after another."""

    def __init__(
        self,
        fit: FindFit,
        exposure: ExposureName,
        column: int,
        values: np.ndarray,
        knots: tuple[float, ...],
    ) -> None:
        self.exposure = exposure
        self.alpha = fit.settings.alpha
        self.values = values
        self.knots = knots
        self.divisor = fit.design.columns[column - 1].divisor
        self.rest = replace(
            fit.design,
            x=np.delete(fit.design.x, column, axis=1),
            columns=tuple(c for j, c in enumerate(fit.design.columns, start=1) if j != column),
        )
        freedom, widening = small_sample(fit.design)
        self.freedom = float(freedom[0])
        self.inflation = float(widening[0]) ** 2
        self.idle: tuple[str, ...] = ()

    def basis(self, shape: str, values: np.ndarray) -> np.ndarray:
        """Columns of a shape at exposure values, shape (n, parameters)."""
        scaled = values / self.divisor
        if shape == "flat":
            return np.zeros((len(values), 0))
        if shape == "straight":
            return scaled[:, None]
        if shape == "logarithmic":
            return np.log2(scaled + 1.0)[:, None]
        if shape == "step":
            return (values >= 1.0).astype(float)[:, None]
        bends = natural_spline(scaled, [k / self.divisor for k in self.knots])
        return np.column_stack([scaled, bends])

    def design(self, shape: str) -> Design:
        basis = self.basis(shape, self.values)
        columns = [
            Column(f"{self.exposure} {k}", self.exposure, shape, 0.0, 1.0, None)
            for k in range(1, basis.shape[1] + 1)
        ]
        return replace(
            self.rest,
            x=np.column_stack([self.rest.x, basis]),
            columns=(*self.rest.columns, *columns),
        )

    def fit(self, shape: str) -> MixedFit:
        design = self.design(shape)
        if shape == "step" and self.is_known(design.x[:, -1]):
            raise FitError(
                "whether a source was ever thawed says the same as the other terms on record, "
                "such as the share of storage spent frozen"
            )
        if is_separated(design.y, design.x):
            raise FitError("finds and misses do not overlap along it")
        found = fit_mixed(design.y, design.x, design.names, design.groups, at_zero=self.idle)
        if shape == "flat":
            # Without the exposure there is most left for hides to differ by.
            self.idle = idle_groupings(found)
        return found

    def is_known(self, values: np.ndarray) -> bool:
        """Whether the other terms already give these values."""
        solved = np.linalg.lstsq(self.rest.x, values, rcond=None)[0]
        left = values - self.rest.x @ solved
        return bool(left @ left <= _COPY * float(((values - values.mean()) ** 2).sum()))

    def test(self, small: MixedFit, large: MixedFit) -> float:
        df = large.df - small.df
        gain = likelihood_ratio(large.log_likelihood, small.log_likelihood)
        return float(f_tail(gain / self.inflation / df, df, self.freedom))

    def curve(self, shape: str, mixed: MixedFit, at: np.ndarray) -> np.ndarray:
        """Find probability averaged over the trials, the exposure set to each of ``at``."""
        design = self.design(shape).logged_from_the_start()
        eta, spread = linear_predictor(design, mixed)
        own = mixed.beta[len(self.rest.columns) + 1 :]
        base = eta - design.x[:, len(self.rest.columns) + 1 :] @ own
        if len(base) > _ROWS:
            pick = np.argsort(base, kind="stable")[
                np.linspace(0, len(base) - 1, _ROWS).round().astype(int)
            ]
            base, spread = base[pick], spread[pick]
        steps = self.basis(shape, at) @ own
        return np.array([averaged_probability(base + s, spread)[0].mean() for s in steps])

    def result(self, fits: Mapping[str, MixedFit], left_out: tuple[LeftOut, ...]) -> Shapes:
        criteria = {
            shape: information_criterion(
                m.log_likelihood, m.df, len(self.values), inflation=self.inflation
            )
            for shape, m in fits.items()
        }
        least = min(criteria.values())
        weights = support_weights(list(criteria.values()))
        at = np.linspace(float(self.values.min()), float(self.values.max()), GRID)
        candidates = tuple(
            ShapeFit(
                shape=shape,
                parameters=m.df - fits["flat"].df,
                log_likelihood=m.log_likelihood,
                criterion=criteria[shape],
                difference=criteria[shape] - least,
                weight=float(weight),
                p=None if shape == "flat" else self.test(fits["flat"], m),
                probability=self.curve(shape, m, at),
            )
            for (shape, m), weight in zip(fits.items(), weights, strict=True)
        )
        chosen = next(c for c in candidates if c.difference <= CLEARLY_WORSE)
        best = min(candidates, key=lambda c: c.difference)
        spline = fits.get("spline")
        return Shapes(
            exposure=self.exposure,
            at=at,
            candidates=candidates,
            chosen=chosen.shape,
            best=best.shape,
            bend_p=None if spline is None else self.test(fits["straight"], spline),
            knots=() if spline is None else self.knots,
            left_out=left_out,
            reason=None,
        )
