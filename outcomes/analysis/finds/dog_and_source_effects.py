"""Each dog's and each source's own part in the finds, with what it was up against.

So that a source's fault is not laid on a dog, nor the other way round: every
dog is set beside what an average dog would have found in the same trials, and
every source beside what its exposure explains.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from outcomes.analysis.finds.design import Design
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.results import FindEstimate, LeftOut
from outcomes.errors import FitError
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.distributions import chi_square_tail, exact_interval, student_quantile
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit

FEW_TRIALS = 20
EXPERIENCE_POINTS = 13
_RESPONSES = ("cycles", "age_days", "experience")
_LEVELS = ("dog", "source")


@dataclass(frozen=True, slots=True)
class OwnEffect:
    """A dog or a source beside the others, everything else in the model held the same.

    Attributes
    ----------
    of, name
        ``"dog"`` or ``"source"``, and its id.
    trials, finds, misses
        Usable hide trials.
    expected_finds
        Finds that an average dog would have made in the same trials (for a
        source: finds of an average source with the same exposure).
    effect, std_error
        Conditional mode less the average of the unit's modes, log-odds,
        partially pooled, and the error of that difference.
    find_probability, low, high
        Find probability averaged over all the unit's trials, as if every one
        had been this dog's (this source's), with limits at 1 - alpha. From the
        dog's own proportion and an exact interval where ``observed_only``.
    observed_only
        The model finds no spread between them to work with.
    differs
        ``"more"`` or ``"fewer"`` finds than the others where the limits of the
        effect exclude 0, else None.
    few
        Fewer than 20 trials.
    """

    of: str
    name: str
    trials: int
    finds: int
    misses: int
    expected_finds: float
    effect: float
    std_error: float
    find_probability: float
    low: float
    high: float
    observed_only: bool
    differs: str | None
    few: bool


@dataclass(frozen=True, slots=True)
class Response:
    """Whether dogs differ in how they change with an exposure or with experience.

    Attributes
    ----------
    term
        ``cycles``, ``age_days`` or ``experience``.
    sd
        Standard deviation of the dogs' slopes, log-odds per unit of the term.
    statistic, p
        Likelihood-ratio test against one slope for all dogs.
    slopes
        Dog → its own slope, mean slope included, partially pooled.
    """

    term: str
    sd: float
    statistic: float
    p: float
    slopes: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class ExperienceCurve:
    """A dog's find probability against its trials so far, averaged over the unit's trials."""

    dog: str
    at: np.ndarray
    probability: np.ndarray


@dataclass(frozen=True, slots=True)
class DogReview:
    """Dogs and sources beside their likes.

    Attributes
    ----------
    dogs, sources
        In order of name, never of merit; empty without a model.
    dogs_differ_p, sources_differ_p
        Likelihood-ratio test of any spread at all; None where there is one only.
    responses
        Whether dogs differ in how they change, where it could be fitted.
    experience
        Curves by dog; with a slope of its own where dogs differ in it. Empty
        where experience is not in the model.
    left_out
        What could not be fitted, and why.
    of_experience
        The change with a dog's trials so far; None where it is not in the model.
    alpha
        Tests are at this level, intervals at 1 - alpha.
    reason
        Why there is nothing, or None.
    """

    dogs: tuple[OwnEffect, ...]
    sources: tuple[OwnEffect, ...]
    dogs_differ_p: float | None
    sources_differ_p: float | None
    responses: tuple[Response, ...]
    experience: tuple[ExperienceCurve, ...]
    left_out: tuple[LeftOut, ...]
    of_experience: FindEstimate | None
    alpha: float
    reason: str | None

    def dog(self, name: str) -> OwnEffect | None:
        """One dog's entry."""
        return next((d for d in self.dogs if d.name == name), None)

    def response(self, term: str) -> Response | None:
        """Whether dogs differ in how they change with a term."""
        return next((r for r in self.responses if r.term == term), None)


def review_dogs(fit: FindFit) -> DogReview:
    """Set each dog, and each source, beside its likes.

    Parameters
    ----------
    fit
        A fit of finds.

    Returns
    -------
    DogReview
        With a ``reason`` and nothing else where the fit has no model.

    Notes
    -----
    Own effects are the conditional modes of the mixed model: drawn towards the
    average the more, the fewer the trials behind them. Where that is done,
    picking out the ones whose interval excludes 0 needs no further correction
    for having looked at all of them (Gelman, Hill & Yajima 2012). The limits of
    a find probability are by the delta method on the log-odds of the average,
    from the joint covariance of fixed effects and modes.

    A variance is tested at the edge of what it can be: the statistic is set
    against an even mixture of chi-square distributions (Self & Liang 1987).

    References
    ----------
    Gelman A, Hill J, Yajima M (2012). Why we (usually) don't have to worry
    about multiple comparisons. Journal of Research on Educational
    Effectiveness 5, 189-211.

    Self SG, Liang KY (1987). Asymptotic properties of maximum likelihood
    estimators and likelihood ratio tests under nonstandard conditions. Journal
    of the American Statistical Association 82, 605-610.
    """
    if fit.mixed is None:
        return DogReview(
            (), (), None, None, (), (), (), None, fit.settings.alpha,
            fit.reason or "no model was fitted",
        )  # fmt: skip
    left_out: list[LeftOut] = []
    own = {grouping: _own_effects(fit, grouping) for grouping in _LEVELS}
    differ = {grouping: _differ(fit, grouping) for grouping in _LEVELS}
    responses: list[Response] = []
    for term in _RESPONSES:
        response = _response(fit, term)
        if isinstance(response, LeftOut):
            left_out.append(response)
        elif response is not None:
            responses.append(response)
    return DogReview(
        dogs=own["dog"],
        sources=own["source"],
        dogs_differ_p=differ["dog"],
        sources_differ_p=differ["source"],
        responses=tuple(responses),
        experience=_experience(fit, responses),
        left_out=tuple(left_out),
        of_experience=fit.term("experience"),
        alpha=fit.settings.alpha,
        reason=None,
    )


def _effects(fit: FindFit) -> tuple[np.ndarray, dict[str, np.ndarray], dict[str, np.ndarray]]:
    """Fixed part of each trial's log-odds; effect and conditional variance per grouping."""
    assert fit.mixed is not None
    fixed = fit.design.x @ fit.mixed.beta
    effect: dict[str, np.ndarray] = {}
    variance: dict[str, np.ndarray] = {}
    for grouping, labels in fit.design.groups.items():
        if grouping in _LEVELS:
            frame = fit.mixed.effects[grouping]
            place = frame.index.get_indexer(pd.Index(labels))
            effect[grouping] = frame["effect"].to_numpy()[place]
            variance[grouping] = frame["std_error"].to_numpy()[place] ** 2
        else:
            effect[grouping] = np.zeros(len(fixed))
            variance[grouping] = np.full(len(fixed), fit.mixed.sd[grouping] ** 2)
    return fixed, effect, variance


def _own_effects(fit: FindFit, grouping: str) -> tuple[OwnEffect, ...]:
    design, mixed = fit.design, fit.mixed
    if mixed is None or grouping not in design.groups:
        return ()
    fixed, effect, variance = _effects(fit)
    rest = fixed + sum((v for g, v in effect.items() if g != grouping), np.zeros(len(fixed)))
    rest_variance = sum((v for g, v in variance.items() if g != grouping), np.zeros(len(fixed)))
    spread = np.sqrt(rest_variance)
    average = averaged_probability(rest, np.sqrt(rest_variance + mixed.sd[grouping] ** 2))[0]
    labels = design.groups[grouping]
    # Nothing is known of the spread between levels: the model would make all of them alike.
    observed_only = grouping in mixed.singular
    freedom = max(len(set(labels)) - 1, 1)
    reach = float(student_quantile(1.0 - fit.settings.alpha / 2.0, freedom))
    index = {name: i for i, name in enumerate(mixed.joint_names)}
    other = "source" if grouping == "dog" else "dog"
    modes = mixed.effects[grouping].sort_index()
    entries = []
    for name, row in modes.iterrows():
        own = labels == name
        trials, finds = int(own.sum()), int(design.y[own].sum())
        mode = float(row["effect"])
        place = index.get((grouping, str(name)))
        apart = mode - float(modes["effect"].mean())
        error = _error_apart(mixed, grouping, str(name), float(row["std_error"]))
        if observed_only:
            low, high = exact_interval(finds, trials, 1.0 - fit.settings.alpha)
            probability, low, high = finds / trials, low, high
        else:
            p, slope = averaged_probability(rest + mode, spread)
            gradient = _gradient(mixed, design, slope, other)
            if place is not None:
                gradient[place] = slope.mean()
            probability = float(p.mean())
            low, high = _limits(probability, gradient @ mixed.joint_cov @ gradient, reach)
        differs = None
        if not observed_only and abs(apart) > reach * error:
            differs = "more" if apart > 0.0 else "fewer"
        expected = float(average[own].sum())
        entries.append(
            OwnEffect(
                of=grouping,
                name=str(name),
                trials=trials,
                finds=finds,
                misses=trials - finds,
                expected_finds=expected,
                effect=apart,
                std_error=error,
                find_probability=probability,
                low=low,
                high=high,
                observed_only=observed_only,
                differs=differs,
                few=trials < FEW_TRIALS,
            )
        )
    return tuple(entries)


def _error_apart(mixed: MixedFit, grouping: str, name: str, conditional: float) -> float:
    """Error of a mode less the average mode of its grouping."""
    own = [i for i, (g, _) in enumerate(mixed.joint_names) if g == grouping]
    if (grouping, name) not in mixed.joint_names:
        return conditional
    contrast = np.full(len(own), -1.0 / len(own))
    contrast[own.index(mixed.joint_names.index((grouping, name)))] += 1.0
    cov = mixed.joint_cov[np.ix_(own, own)]
    return float(np.sqrt(max(float(contrast @ cov @ contrast), 0.0)))


def _gradient(mixed: MixedFit, design: Design, slope: np.ndarray, other: str) -> np.ndarray:
    """Derivative of the average probability by fixed effects and the other grouping's modes."""
    gradient = np.zeros(len(mixed.joint_names))
    gradient[: len(mixed.names)] = slope @ design.x / len(slope)
    if other in design.groups:
        levels, codes = np.unique(design.groups[other], return_inverse=True)
        sums = np.bincount(codes, weights=slope) / len(slope)
        index = {name: i for i, name in enumerate(mixed.joint_names)}
        for level, value in zip(levels, sums, strict=True):
            place = index.get((other, str(level)))
            if place is not None:
                gradient[place] = value
    return gradient


def _limits(mean: float, variance: float, reach: float) -> tuple[float, float]:
    mean = min(max(mean, 1e-9), 1.0 - 1e-9)
    error = float(np.sqrt(max(variance, 0.0))) / (mean * (1.0 - mean))
    centre = float(special.logit(mean))
    low, high = (float(special.expit(centre + side * reach * error)) for side in (-1.0, 1.0))
    return low, high


def _differ(fit: FindFit, grouping: str) -> float | None:
    """p-value of any spread between the levels of a grouping."""
    design, mixed = fit.design, fit.mixed
    if mixed is None or grouping not in design.groups:
        return None
    groups = {g: labels for g, labels in design.groups.items() if g != grouping}
    try:
        without = fit_mixed(design.y, design.x, design.names, groups, details=False)
    except FitError:
        return None
    statistic = likelihood_ratio(mixed.log_likelihood, without.log_likelihood)
    return 0.5 * float(chi_square_tail(statistic, 1)) if statistic > 0.0 else 1.0


def _response(fit: FindFit, term: str) -> Response | LeftOut | None:
    """Random slope of a term by dog; None where the question does not arise."""
    design = fit.design
    column = design.column_of(term)
    if column is None or "dog" not in design.groups:
        return None
    # Centred, so that the dogs' intercepts are those at the usual value.
    x = design.x.copy()
    x[:, column] -= x[:, column].mean()
    groups = {g: labels for g, labels in design.groups.items() if g in _LEVELS}
    name = design.names[column]
    try:
        plain = fit_mixed(design.y, x, design.names, groups, details=False)
        sloped = fit_mixed(design.y, x, design.names, groups, slope=("dog", name))
    except FitError as error:
        return LeftOut(f"differences between dogs in {term}", str(error))
    statistic = likelihood_ratio(sloped.log_likelihood, plain.log_likelihood)
    p = 0.5 * float(chi_square_tail(statistic, 1) + chi_square_tail(statistic, 2))
    slopes = sloped.effects["dog"]["slope"] + sloped.beta[column]
    return Response(
        term=term,
        sd=sloped.slope_sd["dog"],
        statistic=statistic,
        p=p,
        slopes={str(dog): float(slope) for dog, slope in slopes.items()},
    )


def _experience(fit: FindFit, responses: Sequence[Response]) -> tuple[ExperienceCurve, ...]:
    design, mixed = fit.design, fit.mixed
    column = design.column_of("experience")
    if mixed is None or column is None or "dog" not in design.groups:
        return ()
    fixed, effect, variance = _effects(fit)
    rest = fixed - design.x[:, column] * mixed.beta[column]
    rest = rest + sum((v for g, v in effect.items() if g != "dog"), np.zeros(len(rest)))
    spread = np.sqrt(sum((v for g, v in variance.items() if g != "dog"), np.zeros(len(rest))))
    plan = design.columns[column - 1]
    centre = float(design.x[:, column].mean())
    own = next((r for r in responses if r.term == "experience" and r.p < fit.settings.alpha), None)
    curves = []
    for dog, row in mixed.effects["dog"].sort_index().iterrows():
        trials = design.trials.loc[design.groups["dog"] == dog, "experience"].astype(float)
        at = np.unique(
            np.round(np.geomspace(trials.min() + 1.0, trials.max() + 1.0, EXPERIENCE_POINTS)) - 1.0
        )
        scaled = (np.log2(at + 1.0) - plan.reference) / plan.divisor
        slope = float(mixed.beta[column])
        steps = slope * scaled
        if own is not None:
            # The dog's own line turns where experience is usual, as its slope was fitted.
            steps = slope * centre + own.slopes[str(dog)] * (scaled - centre)
        base = rest + float(row["effect"])
        probability = np.array([averaged_probability(base + s, spread)[0].mean() for s in steps])
        curves.append(ExperienceCurve(str(dog), at, probability))
    return tuple(curves)
