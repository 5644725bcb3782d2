"""How well the model of finds predicts: sources it has not seen, and what it leaves over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import Design
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.specifications import restrict
from outcomes.analysis.finds.standard_errors import judged_on_sources
from outcomes.errors import FitError
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.distributions import (
    chi_square_tail,
    f_tail,
    student_quantile,
    wilson_interval,
)
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.mixed import fit_mixed, idle_groupings
from outcomes.models.mixed_result import MixedFit
from outcomes.models.prediction import Area, Calibration, area_under_curve, brier_score, calibrate
from outcomes.models.splines import natural_spline, spline_knots
from outcomes.random_streams import random_stream

MOST_FOLDS = 10
MONTH_DAYS = 30.0
_COPY = 1e-6


@dataclass(frozen=True, slots=True)
class Residual:
    """Finds of one dog, source or month beside those predicted.

    ``points`` is observed minus predicted find probability in percentage
    points, with the interval of its number of trials alone; ``outside`` whether
    that leaves out 0.
    """

    group: str
    n: int
    finds: int
    predicted: float
    points: float
    low: float
    high: float
    outside: bool


@dataclass(frozen=True, slots=True)
class Drift:
    """Whether finds changed over calendar time in a way the model does not explain.

    Attributes
    ----------
    log_odds, std_error, low, high
        Change in log-odds per 30 calendar days, cycles, age and the rest held;
        None where it could not be asked.
    p, curve_p
        Tests of a straight line over the calendar against none, and of a smooth curve beyond
        that line.
    explained
        Share of the variation of calendar time that the other terms account for (R²).
    tied_to_age
        Correlation of calendar time with age over the trials; None without age.
    reason
        Why it could not be asked; None otherwise.
    """

    log_odds: float | None
    std_error: float | None
    low: float | None
    high: float | None
    p: float | None
    curve_p: float | None
    explained: float | None
    tied_to_age: float | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class Quality:
    """How well the model predicts trials on sources that had no part in it.

    Attributes
    ----------
    n, sources, folds
        Trials and sources predicted, and the groups of sources left out in turn.
    not_predicted
        Trials in groups whose model could not be fitted.
    brier, brier_of_average
        Mean squared error of the predictions, and of the unit's average alone
        (the average too is taken without the group left out).
    area
        Discrimination, its error clustered by source.
    calibration
        Calibration.
    by
        ``"dog"``, ``"source"``, ``"month"`` → finds beside predictions.
    drift
        Change over the calendar.
    predictions
        Trials in the order of the design: ``predicted`` and ``found``; missing
        where not predicted. Indexed as the trials.
    alpha
        Intervals are at 1 - alpha.
    reason
        Why nothing was checked; None otherwise.
    """

    n: int
    sources: int
    folds: int
    not_predicted: int
    brier: float | None
    brier_of_average: float | None
    area: Area | None
    calibration: Calibration | None
    by: Mapping[str, tuple[Residual, ...]]
    drift: Drift | None
    predictions: pd.DataFrame
    alpha: float
    reason: str | None


def check_quality(fit: FindFit) -> Quality:
    """Check the model of finds against sources it has not seen, and for drift.

    Sources are dealt into at most ten groups; each group is predicted by the
    model fitted to the others, a source that was not seen adding its spread.

    Parameters
    ----------
    fit
        The model of finds. Its seed deals the groups.

    Returns
    -------
    Quality
        With a ``reason`` and no numbers where there is no model.

    Notes
    -----
    A dog's effect is known from its trials on the other sources. Residuals use
    these predictions too: a source's own trials would otherwise pull its
    prediction towards them.

    References
    ----------
    Steyerberg EW (2019). Clinical Prediction Models, 2nd ed., ch. 15. Springer.
    """
    alpha = fit.settings.alpha
    empty = pd.DataFrame({"predicted": np.zeros(0), "found": np.zeros(0)})
    if fit.mixed is None:
        reason = fit.reason or "no model could be fitted"
        return Quality(
            0, 0, 0, 0, None, None, None, None, {}, None, empty, alpha, reason
        )  # fmt: skip
    predicted, average, folds = predict_unseen(fit)
    design = fit.design
    told = np.isfinite(predicted)
    drift = find_drift(fit)
    frame = pd.DataFrame(
        {"predicted": predicted, "found": np.where(told, design.y, np.nan)},
        index=design.trials.index,
    )
    if not told.any() or design.y[told].min() == design.y[told].max():
        reason = "no group of sources could be left out and predicted from the others"
        return Quality(
            0, 0, folds, int((~told).sum()), None, None, None, None, {}, drift, frame, alpha,
            reason,
        )  # fmt: skip
    y, p = design.y[told], predicted[told]
    sources = design.trials["source_id"].astype(str).to_numpy()[told]
    area = area_under_curve(y, p, sources, alpha=alpha)
    calibration = calibrate(y, p, sources, alpha=alpha)
    month = design.trials["started_at"].dt.strftime("%Y-%m").to_numpy()[told]
    dogs = design.trials["dog_id"].astype(str).to_numpy()[told]
    by = {
        name: beside_predictions(labels, y, p, alpha)
        for name, labels in (("dog", dogs), ("source", sources), ("month", month))
    }
    brier, of_average = brier_score(y, p), brier_score(y, average[told])
    count = len(set(sources))
    return Quality(
        n=len(y),
        sources=count,
        folds=folds,
        not_predicted=int((~told).sum()),
        brier=brier,
        brier_of_average=of_average,
        area=area,
        calibration=calibration,
        by=by,
        drift=drift,
        predictions=frame,
        alpha=alpha,
        reason=None,
    )


def predict_unseen(fit: FindFit) -> tuple[np.ndarray, np.ndarray, int]:
    """Find probability of every trial from a model without its source.

    Returns
    -------
    predicted, average, folds
        Shape (n,) each: the prediction, and the proportion of finds among the
        trials it was made from; missing where the model could not be fitted.
        Then the number of groups of sources.
    """
    assert fit.mixed is not None
    design = fit.design
    sources = design.trials["source_id"].astype(str).to_numpy()
    levels = np.unique(sources)
    folds = min(MOST_FOLDS, len(levels))
    rng = random_stream(fit.settings.seed, "cross-validation")
    # Largest sources first, each to the group with the fewest trials: groups of like size.
    size = pd.Series(sources).value_counts()
    order = sorted(rng.permutation(levels), key=lambda s: -int(size[s]))
    load = np.zeros(folds)
    fold_of = {}
    for source in order:
        fold_of[source] = int(np.argmin(load))
        load[fold_of[source]] += size[source]
    fold = np.array([fold_of[s] for s in sources])
    idle = idle_groupings(fit.mixed)
    predicted, average = np.full(len(sources), np.nan), np.full(len(sources), np.nan)
    for k in range(folds):
        out = fold == k
        if folds < 2 or design.y[~out].min() == design.y[~out].max():
            continue
        kept = restrict(design, ~out)
        try:
            mixed = fit_mixed(
                kept.y,
                kept.x,
                kept.names,
                kept.groups,
                details=True,
                at_zero=idle,
            )
        except FitError:
            continue
        predicted[out] = _predict(design, out, kept, mixed)
        average[out] = design.y[~out].mean()
    return predicted, average, folds


def _predict(design: Design, rows: np.ndarray, kept: Design, mixed: MixedFit) -> np.ndarray:
    """Probabilities under a model that has not seen the sources of these rows."""
    columns = [0, *(j for j, name in enumerate(design.names) if j and name in kept.names)]
    eta = design.x[rows][:, columns] @ mixed.beta
    variance = np.zeros(len(eta))
    for grouping, labels in design.groups.items():
        if grouping not in mixed.sd:
            continue
        if grouping == "dog" and grouping in mixed.effects:
            effects = mixed.effects["dog"]
            place = effects.index.get_indexer(pd.Index(labels[rows]))
            seen = place >= 0
            eta = eta + np.where(seen, effects["effect"].to_numpy()[place], 0.0)
            known = effects["std_error"].to_numpy()[place] ** 2
            variance += np.where(seen, known, mixed.sd["dog"] ** 2)
        else:
            variance += mixed.sd[grouping] ** 2
    return averaged_probability(eta, np.sqrt(variance))[0]


def beside_predictions(
    labels: np.ndarray, y: np.ndarray, p: np.ndarray, alpha: float
) -> tuple[Residual, ...]:
    """Observed minus predicted by group, in order of its name.

    The interval is Wilson's, shifted: it allows for the number of trials alone.
    Groups that differ beyond what the predictions know lie outside it more often
    than in ``alpha`` of all cases.

    Parameters
    ----------
    labels
        Group of each trial, shape (n,).
    y
        Outcomes 0 or 1, shape (n,).
    p
        Predicted probabilities, shape (n,).
    alpha
        Intervals are at 1 - alpha.

    Returns
    -------
    tuple of Residual

    References
    ----------
    Wilson EB (1927). Probable inference, the law of succession, and statistical
    inference. Journal of the American Statistical Association 22, 209-212.
    """
    rows = []
    for label in np.unique(labels):
        own = labels == label
        n, finds = int(own.sum()), int(y[own].sum())
        expected = float(p[own].mean())
        limits = wilson_interval(finds, n, 1.0 - alpha)
        low, high = (100.0 * (v - expected) for v in limits)
        rows.append(
            Residual(
                group=str(label),
                n=n,
                finds=finds,
                predicted=expected,
                points=100.0 * (finds / n - expected),
                low=low,
                high=high,
                outside=low > 0.0 or high < 0.0,
            )
        )
    return tuple(rows)


def find_drift(fit: FindFit) -> Drift:
    """Whether finds changed over calendar time in a way that the model does not explain.

    Parameters
    ----------
    fit
        A fit of finds with a model.
    """
    design, mixed = fit.design, fit.mixed
    assert mixed is not None
    started = design.trials["started_at"]
    days = ((started - started.min()) / pd.Timedelta(days=1)).to_numpy(dtype=float)
    months = (days - days.mean()) / MONTH_DAYS
    tied = _correlation(months, design)
    explained = _explained(months, design.x)
    if explained is None or 1.0 - explained < _COPY:
        reason = "calendar time carries the same information as the other terms in these records"
        return _no_drift(reason, explained, tied)
    try:
        line = _with(design, months[:, None])
        knots = spline_knots(months)
        curve = None
        if knots:
            bends = natural_spline(months, knots)
            curve = _with(design, np.column_stack([months, bends]))
    except FitError as error:
        return _no_drift(str(error), explained, tied)
    # Sources come and go over the calendar, so a line along it is judged on them, as cycles and age
    # are; the bends beyond it go up and down within each.
    freedom, widening = judged_on_sources(design)
    p = float(f_tail(_ratio(line, mixed) / widening**2, 1, freedom))
    curve_p = None
    if curve is not None:
        curve_p = float(chi_square_tail(_ratio(curve, line), len(knots) - 2))
    estimate = float(line.beta[-1])
    spread = float(np.sqrt(line.cov[-1, -1])) * widening
    reach = float(student_quantile(1.0 - fit.settings.alpha / 2.0, freedom)) * spread
    return Drift(
        log_odds=estimate,
        std_error=spread,
        low=estimate - reach,
        high=estimate + reach,
        p=p,
        curve_p=curve_p,
        explained=explained,
        tied_to_age=tied,
        reason=None,
    )


def _with(design: Design, columns: np.ndarray) -> MixedFit:
    names = [*design.names, *(f"calendar {k}" for k in range(columns.shape[1]))]
    return fit_mixed(design.y, np.column_stack([design.x, columns]), names, design.groups)


def _ratio(larger: MixedFit, smaller: MixedFit) -> float:
    return likelihood_ratio(larger.log_likelihood, smaller.log_likelihood)


def _explained(values: np.ndarray, x: np.ndarray) -> float | None:
    """R² of values on the columns of x; None where they do not vary."""
    centred = values - values.mean()
    total = float(centred @ centred)
    if total == 0.0:
        return None
    left = centred - x @ np.linalg.lstsq(x, centred, rcond=None)[0]
    return 1.0 - float(left @ left) / total


def _correlation(months: np.ndarray, design: Design) -> float | None:
    age = design.trials["age_days"].to_numpy(dtype=float)
    if len(age) < 3 or age.max() == age.min() or months.max() == months.min():
        return None
    return float(np.corrcoef(months, age)[0, 1])


def _no_drift(reason: str, explained: float | None, tied: float | None) -> Drift:
    return Drift(None, None, None, None, None, None, explained, tied, reason)
