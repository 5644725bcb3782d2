"""What predicts a find: the logistic mixed model with crossed dog and source intercepts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.describe_terms import describe_terms, linear_predictor
from outcomes.analysis.finds.design import EXPOSURES, Design
from outcomes.analysis.finds.shapes import Shape
from outcomes.analysis.finds.slopes import Slope, find_slopes
from outcomes.analysis.finds.standard_errors import slope_freedom, small_sample, widened
from outcomes.analysis.finds.usable_trials import kinds_of
from outcomes.analysis.results import ExposureName, FindEstimate, LeftOut
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models import mixed_variance as source_spread
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_bias import held_at, reduce_bias
from outcomes.models.mixed_posterior_mean import at_the_mean
from outcomes.models.mixed_result import MixedFit
from outcomes.models.mixed_search import SpreadError
from outcomes.models.mixed_variance import Posterior
from outcomes.settings import DecisionSettings

LEAST_MISSES = 30
LEAST_FINDS = 30
LEAST_SOURCES = 8
LEAST_DOGS = 3
# Log-odds: of 100 levels, 95 would reach from 1 find in 3,000 to 1 miss in 3,000.
_WIDEST_SPREAD = 4.0
_TOO_FAR_APART = (
    "differences between dogs or sources come out larger than any that could be: finds and misses "
    "hardly overlap between them, so no finite size can be put on the effects"
)
_MOST_FOR_SPREAD = 20_000  # trials; beyond, sources are known well enough one by one


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
    slopes
        Where sources or dogs may differ in how they change with an exposure. The
        errors of that term, and of every curve along it, then allow for it; only
        where they :attr:`~Slope.seem_to_differ` is it said.
    freedom, widening
        Per column of the design: degrees of freedom of its t distribution and
        the factor on its model error (see :func:`describe_terms`), shape (p,).
    design, mixed
        The design, and the model fitted by maximum likelihood (None where ``reason``
        says why).
    reduced
        The model as effects and curves are told of: less the bias that maximum
        likelihood has in small sets (:mod:`outcomes.models.mixed_bias`). As ``mixed`` over
        20,000 trials; None where that is None.
    each_source
        The model as it is asked about single sources: the spread between them at a
        plausible value, not the likeliest (:mod:`outcomes.models.mixed_variance`), cycles and
        age at their effects in ``reduced``, all else following. ``mixed`` itself over
        20,000 trials; None where that is None.
    source_spread
        What the records allow for the spread between sources; None without a model,
        with too few sources, or over 20,000 trials.
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
    terms: tuple[FindEstimate, ...]
    sd: Mapping[str, float]
    left_out: tuple[LeftOut, ...]
    slopes: tuple[Slope, ...]
    freedom: np.ndarray
    widening: np.ndarray
    design: Design
    mixed: MixedFit | None
    reduced: MixedFit | None
    each_source: MixedFit | None
    source_spread: Posterior | None
    reason: str | None
    too_few: Mapping[str, tuple[int, int]]
    settings: DecisionSettings

    @property
    def log_likelihood(self) -> float | None:
        """Maximised log-likelihood; None without a model."""
        return None if self.mixed is None else self.mixed.log_likelihood

    def term(self, name: str) -> FindEstimate | None:
        """The row of a numeric term; None if the model does without it."""
        return next((t for t in self.terms if t.term == name), None)


def fit_finds(
    trials: pd.DataFrame,
    settings: DecisionSettings,
    *,
    exposures: Sequence[ExposureName] = EXPOSURES,
    shapes: Mapping[ExposureName, Shape] | None = None,
    cycles_in: Sequence[str] = (),
) -> FindFit:
    """Fit the probability of a find against cycles and age, with what else is on record.

    Hide trials that were not assisted; crossed random intercepts for dog and
    source, and for hide or session where trials share one; terms by the rules
    of :mod:`outcomes.analysis.finds.choose_terms`.

    Parameters
    ----------
    trials
        Joined trials.
    settings
        ``alpha`` sets the confidence of the intervals, 1 - alpha.
    exposures
        Exposures to put into the model.
    shapes
        Exposures that have another shape there than a straight line.
    cycles_in
        Kinds of source that have a term of cycles of their own, beside one for the other kinds.

    Returns
    -------
    FindFit
        With ``mixed`` None and a ``reason`` where these records cannot carry a model.
    """
    design = plan_design(trials, exposures=exposures)
    if shapes:
        design = design.with_shapes(shapes)
    if cycles_in:
        design = design.with_kinds("cycles", cycles_in)
    n = len(design.y)
    finds = int(design.y.sum())
    sources, dogs = (int(design.trials[of].nunique()) for of in ("source_id", "dog_id"))
    counts = _counts(n - finds, finds, sources, dogs)
    too_few = {word: pair for word, pair in counts.items() if pair[0] < pair[1]}
    mixed, reason, runaway = _fit(design, bool(too_few))
    if runaway is not None:
        design = _without_grouping(design, runaway)
        mixed, reason, _ = _fit(design, bool(too_few))
    if mixed is not None and max(mixed.sd.values(), default=0.0) > _WIDEST_SPREAD:
        mixed, reason = None, _TOO_FAR_APART
    slopes: tuple[Slope, ...] = ()
    untried: tuple[LeftOut, ...] = ()
    if mixed is not None:
        slopes, untried = find_slopes(design)
    freedom, widening = small_sample(design)
    reduced = None if mixed is None else less_biased(design, mixed)
    each_source = mixed
    posterior: Posterior | None = None
    if mixed is not None and n <= _MOST_FOR_SPREAD:
        known = design.y, design.x, design.groups, mixed
        posterior = source_spread.posterior_of_spread(*known)
        spread = source_spread.with_plausible_spread(*known, posterior=posterior)
        each_source = widened(design, _with_effects_of(design, spread, reduced), slopes, widening)
    if mixed is not None and reduced is not None:
        reduced = widened(design, reduced, slopes, widening, likeliest=mixed)
        mixed = widened(design, mixed, slopes, widening)
        freedom = slope_freedom(design, slopes, freedom)
        each_source = mixed if n > _MOST_FOR_SPREAD else each_source
    return FindFit(
        n=n,
        finds=finds,
        misses=n - finds,
        dogs=counts["dogs"][0],
        sources=counts["sources"][0],
        terms=() if reduced is None else describe_terms(design, reduced, freedom, settings.alpha),
        sd={} if mixed is None else dict(mixed.sd),
        left_out=(*design.left_out, *untried),
        slopes=slopes,
        freedom=freedom,
        widening=widening,
        design=design,
        mixed=mixed,
        reduced=reduced,
        each_source=each_source,
        source_spread=posterior,
        reason=reason,
        too_few=too_few,
        settings=settings,
    )


def _runaway(mixed: MixedFit) -> str | None:
    """Session or hide, where its spread ran away; None where it did not."""
    runaway = (
        g for g, sd in mixed.sd.items() if sd > _WIDEST_SPREAD and g not in ("dog", "source")
    )
    return next(runaway, None)


def _without_grouping(design: Design, grouping: str) -> Design:
    """The design without the random intercept of a grouping, and why."""
    reason = "its differences come out larger than any that could be: too few trials in each"
    return replace(
        design,
        groups={name: labels for name, labels in design.groups.items() if name != grouping},
        left_out=(*design.left_out, LeftOut(grouping, reason)),
    )


def counts_needed(fit: FindFit) -> dict[str, tuple[int, int]]:
    """Misses, finds, sources and dogs: how many there are, and how many a model takes."""
    return _counts(fit.misses, fit.n - fit.misses, fit.sources, fit.dogs)


def _counts(misses: int, finds: int, sources: int, dogs: int) -> dict[str, tuple[int, int]]:
    return {
        "misses": (misses, LEAST_MISSES),
        "finds": (finds, LEAST_FINDS),
        "sources": (sources, LEAST_SOURCES),
        "dogs": (dogs, LEAST_DOGS),
    }


def _fit(design: Design, too_few: bool) -> tuple[MixedFit | None, str | None, str | None]:
    """The model, or why there is none; and session or hide, where its spread ran away."""
    if too_few:
        return None, "too few trials to fit a model that could be trusted", None
    if design.separated:
        return (
            None,
            (
                "finds and misses do not overlap along the terms of the model, "
                "so no finite size can be put on the effects"
            ),
            None,
        )
    try:
        mixed = fit_mixed(design.y, design.x, design.names, design.groups)
    except SpreadError as error:
        return None, _TOO_FAR_APART, None if error.grouping in ("dog", "source") else error.grouping
    except FitError as error:
        return None, str(error), None
    return mixed, None, _runaway(mixed)


def less_biased(design: Design, mixed: MixedFit) -> MixedFit:
    """The fit with its exposures' effects less their bias, where that is more than nothing."""
    if len(design.y) > _MOST_FOR_SPREAD:
        return mixed
    return reduce_bias(design.x, design.groups, mixed, _exposure_columns(design))


def _exposure_columns(design: Design) -> list[int]:
    return [k for e in CYCLES_AND_AGE if (k := design.column_of(e)) is not None]


def _with_effects_of(design: Design, mixed: MixedFit, reduced: MixedFit | None) -> MixedFit:
    """The fit with its exposures' effects as they are told of, so that no two pages differ."""
    columns = _exposure_columns(design)
    if reduced is None or not columns:
        return mixed
    return held_at(mixed, columns, reduced.beta[columns])


def refit(design: Design, *, slopes: bool, each_source: bool = False) -> MixedFit:
    """A changed design fitted anew, less the bias, with errors that allow for few sources.

    Parameters
    ----------
    design
        A design with some terms exchanged or left away.
    slopes
        Also let the errors allow for levels that differ in slope, where they do.
    each_source
        As it is asked about single sources: see :attr:`FindFit.each_source`.

    Raises
    ------
    FitError
        The model cannot be fitted.
    """
    likeliest = fit_mixed(design.y, design.x, design.names, design.groups)
    mixed = less_biased(design, likeliest)
    found = find_slopes(design)[0] if slopes else ()
    widening = small_sample(design)[1]
    if each_source and len(design.y) <= _MOST_FOR_SPREAD:
        known = design.y, design.x, design.groups, likeliest
        spread = source_spread.with_plausible_spread(*known)
        return widened(design, _with_effects_of(design, spread, mixed), found, widening)
    return widened(design, mixed, found, widening, likeliest=likeliest)


def at_each_spread(fit: FindFit) -> tuple[tuple[float, MixedFit], ...]:
    """The model at each spread between sources that the records allow, with its weight.

    For what is summed over sources: effects are at the mean of what is open about
    them (:mod:`outcomes.models.mixed_posterior_mean`), so that sums agree with the finds observed;
    those of cycles and age as in :attr:`FindFit.reduced`, the others following.

    Parameters
    ----------
    fit
        A fit with a model.

    Returns
    -------
    tuple of (float, MixedFit)
        Weights that sum to 1, with errors that allow for few sources; the model
        alone where it has too many trials for it to matter.
    """
    design, mixed = fit.design, fit.mixed
    assert mixed is not None
    if fit.source_spread is None:
        return ((1.0, mixed),)
    spreads = source_spread.at_each_spread(
        design.y, design.x, design.groups, mixed, posterior=fit.source_spread
    )
    found = []
    for weight, one in spreads:
        mean = _with_effects_of(design, at_the_mean(design.x, design.groups, one), fit.reduced)
        found.append((weight, widened(design, mean, fit.slopes, fit.widening)))
    return tuple(found)


def change_along(
    fit: FindFit, exposure: ExposureName, step: float
) -> tuple[float, float, float] | None:
    """Change in finds if every trial's source had met so much more of an exposure.

    Along the curve itself: a straight line could fall by more than there is to lose.

    Parameters
    ----------
    fit
        Fit of finds.
    exposure
        ``"cycles"`` or ``"age_days"``.
    step
        Cycles, or 30 days.

    Returns
    -------
    tuple of float or None
        Percentage points over the unit's own trials: by the estimate, and by the
        lower and the upper limit of the term; None where the model has no such term, or not
        as a straight line.
    """
    term = fit.term(exposure)
    if term is None or fit.reduced is None or exposure in fit.design.shapes:
        return None
    eta, spread = linear_predictor(fit.design, fit.reduced)
    kinds = fit.design.kinds_along(exposure)
    if kinds is not None:
        rows = np.isin(kinds_of(fit.design.trials), kinds)
        eta, spread = eta[rows], spread[rows]
    now = averaged_probability(eta, spread)[0].mean()
    slopes = (term.log_ratio, float(np.log(term.low)), float(np.log(term.high)))
    change = [averaged_probability(eta + step * s, spread)[0].mean() - now for s in slopes]
    return float(100.0 * change[0]), float(100.0 * change[1]), float(100.0 * change[2])
