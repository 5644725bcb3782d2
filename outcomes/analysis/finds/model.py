"""What predicts a find: the logistic mixed model with crossed dog and source intercepts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd
from scipy import sparse, special

from outcomes.analysis.finds.design import EXPOSURES, Design, kinds_of, plan_design
from outcomes.analysis.finds.shapes import Shape
from outcomes.analysis.results import ExposureName, FindEstimate, LeftOut
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models import mixed_variance as source_spread
from outcomes.models.distributions import chi_square_tail, student_quantile, student_tail
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_bias import held_at, reduce_bias
from outcomes.models.mixed_posterior_mean import at_the_mean
from outcomes.models.mixed_result import MixedFit
from outcomes.models.mixed_search import SpreadError
from outcomes.models.mixed_variance import Posterior
from outcomes.models.ratio import power
from outcomes.settings import DecisionSettings

LEAST_MISSES = 30
LEAST_FINDS = 30
LEAST_SOURCES = 8
LEAST_DOGS = 3
_BETWEEN = 0.5  # a term whose variation lies this much between sources is judged on sources
_ALLOW_FOR_SLOPES = 2.0  # likelihood-ratio statistic from which errors allow for differing slopes
_SAY_SLOPES_DIFFER = 4.0  # and from which it is said that they differ
_PLAINLY, _SLOPES_TRIED = 0.05, 4  # sources and dogs, with cycles and with age
_MOST_SLOPES = 500  # levels; beyond, a fit takes minutes
_NODES = 25
# Log-odds: of 100 levels, 95 would reach from 1 find in 3,000 to 1 miss in 3,000.
_WIDEST_SPREAD = 4.0
_TOO_FAR_APART = (
    "differences between dogs or sources come out larger than any that could be: finds and misses "
    "hardly overlap between them, so no finite size can be put on the effects"
)
_MOST_FOR_SPREAD = 20_000  # trials; beyond, sources are known well enough one by one


@dataclass(frozen=True, slots=True)
class Slope:
    """Levels of a grouping that may differ in how they change with an exposure.

    ``sd`` is the standard deviation of their slopes (log-odds per unit),
    ``statistic`` the likelihood-ratio statistic against a common slope,
    ``std_error`` that of the mean slope once they may differ, and
    ``common_error`` that of a slope taken to be common.
    """

    grouping: str
    exposure: ExposureName
    sd: float
    statistic: float
    std_error: float
    common_error: float

    @property
    def seem_to_differ(self) -> bool:
        """Whether there is enough for saying so: beyond what a common slope gives by chance.

        Errors allow for differing slopes sooner, from a statistic of 2, which one of
        four terms often exceeds where all slopes are alike.
        """
        return self.statistic > _SAY_SLOPES_DIFFER

    @property
    def plainly_differ(self) -> bool:
        """Whether they differ beyond chance even as one of four such tests, at 5 in 100 together.

        References
        ----------
        Self SG, Liang KY (1987). Asymptotic properties of maximum likelihood
        estimators and likelihood ratio tests under nonstandard conditions.
        Journal of the American Statistical Association 82, 605-610.
        """
        # A variance at its edge, and with it a correlation: an even mixture of 1 and 2 degrees.
        p = 0.5 * (chi_square_tail(self.statistic, 1) + chi_square_tail(self.statistic, 2))
        return bool(p < _PLAINLY / _SLOPES_TRIED)


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
    of :mod:`outcomes.analysis.finds.design`.

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
    counts = {
        "misses": (n - finds, LEAST_MISSES),
        "finds": (finds, LEAST_FINDS),
        "sources": (int(design.trials["source_id"].nunique()), LEAST_SOURCES),
        "dogs": (int(design.trials["dog_id"].nunique()), LEAST_DOGS),
    }
    too_few = {word: pair for word, pair in counts.items() if pair[0] < pair[1]}
    mixed, reason, wild = _fit(design, bool(too_few))
    if wild is not None:
        design = without_grouping(design, wild)
        mixed, reason, _ = _fit(design, bool(too_few))
    if mixed is not None and max(mixed.sd.values(), default=0.0) > _WIDEST_SPREAD:
        mixed, reason = None, _TOO_FAR_APART
    slopes: tuple[Slope, ...] = ()
    untried: tuple[LeftOut, ...] = ()
    if mixed is not None:
        slopes, untried = _try_slopes(design)
    freedom, widening = small_sample(design)
    reduced = None if mixed is None else less_biased(design, mixed)
    each_source = mixed
    posterior: Posterior | None = None
    if mixed is not None and n <= _MOST_FOR_SPREAD:
        known = design.y, design.x, design.groups, mixed
        posterior = source_spread.posterior_of_spread(*known)
        spread = source_spread.with_plausible_spread(*known, posterior=posterior)
        each_source = _widened(design, _as_told(design, spread, reduced), slopes, widening)
    if mixed is not None and reduced is not None:
        reduced = _widened(design, reduced, slopes, widening, likeliest=mixed)
        mixed = _widened(design, mixed, slopes, widening)
        freedom = _slope_freedom(design, slopes, freedom)
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


def _beyond_measure(mixed: MixedFit) -> str | None:
    """Session or hide, where its spread ran away; None where it did not."""
    wild = (g for g, sd in mixed.sd.items() if sd > _WIDEST_SPREAD and g not in ("dog", "source"))
    return next(wild, None)


def without_grouping(design: Design, grouping: str) -> Design:
    """The design without the random intercept of a grouping, and why."""
    reason = "its differences come out larger than any that could be: too few trials in each"
    return replace(
        design,
        groups={name: labels for name, labels in design.groups.items() if name != grouping},
        left_out=(*design.left_out, LeftOut(grouping, reason)),
    )


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
    return mixed, None, _beyond_measure(mixed)


def less_biased(design: Design, mixed: MixedFit) -> MixedFit:
    """The fit with its exposures' effects less their bias, where that is more than nothing."""
    if len(design.y) > _MOST_FOR_SPREAD:
        return mixed
    return reduce_bias(design.x, design.groups, mixed, _asked_about(design))


def _asked_about(design: Design) -> list[int]:
    return [k for e in CYCLES_AND_AGE if (k := design.column_of(e)) is not None]


def _as_told(design: Design, mixed: MixedFit, told: MixedFit | None) -> MixedFit:
    """The fit with its exposures' effects as they are told of, so that no two pages differ."""
    asked = _asked_about(design)
    return mixed if told is None or not asked else held_at(mixed, asked, told.beta[asked])


def refit(
    design: Design, *, slopes: bool, each_source: bool = False, reduced: bool = True
) -> MixedFit:
    """A changed design fitted anew, with errors that allow for few sources.

    Parameters
    ----------
    design
        A design with some terms exchanged or left away.
    slopes
        Also let the errors allow for levels that differ in slope, where they do.
    each_source
        As it is asked about single sources: see :attr:`FindFit.each_source`.
    reduced
        Less the bias of the exposures' effects: see :attr:`FindFit.reduced`.

    Raises
    ------
    FitError
        The model cannot be fitted.
    """
    likeliest = fit_mixed(design.y, design.x, design.names, design.groups)
    mixed = less_biased(design, likeliest) if reduced else likeliest
    found = find_slopes(design) if slopes else ()
    widening = small_sample(design)[1]
    if each_source and len(design.y) <= _MOST_FOR_SPREAD:
        known = design.y, design.x, design.groups, likeliest
        spread = source_spread.with_plausible_spread(*known)
        return _widened(design, _as_told(design, spread, mixed), found, widening)
    return _widened(design, mixed, found, widening, likeliest=likeliest)


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
        mean = _as_told(design, at_the_mean(design.x, design.groups, one), fit.reduced)
        found.append((weight, _widened(design, mean, fit.slopes, fit.widening)))
    return tuple(found)


def find_slopes(design: Design) -> tuple[Slope, ...]:
    """Where sources, or dogs, may differ in how they change with an exposure.

    A random slope beside the random intercept, tried for each exposure and
    grouping, in the model without sessions or hides (with them it takes
    minutes in a large unit); kept where twice the gain in log-likelihood
    exceeds 2, and never taken to make the error smaller. (By Akaike's criterion
    it would have to exceed 4, a variance and a correlation being added: an error
    too wide does less harm here than one too narrow.)
    """
    return _try_slopes(design)[0]


def _try_slopes(design: Design) -> tuple[tuple[Slope, ...], tuple[LeftOut, ...]]:
    """The slopes found, and those that could not be tried, with the reason."""
    groups = {name: labels for name, labels in design.groups.items() if name in ("dog", "source")}
    found: list[Slope] = []
    untried: list[LeftOut] = []
    for exposure in CYCLES_AND_AGE:
        column = design.column_of(exposure)
        if column is None:
            continue
        # Centred, so that the intercepts are those at the usual exposure.
        centred = design.x.copy()
        centred[:, column] -= centred[:, column].mean()
        plain: MixedFit | None = None
        for grouping in groups:
            slope = (grouping, design.names[column])
            if len(set(groups[grouping])) > _MOST_SLOPES:
                reason = f"more than {_MOST_SLOPES} {grouping}s: too many to try"
                untried.append(LeftOut(f"differences between {grouping}s in {exposure}", reason))
                continue
            try:
                if plain is None:
                    plain = fit_mixed(design.y, centred, design.names, groups, details=False)
                fit = fit_mixed(design.y, centred, design.names, groups, slope=slope, details=False)
            except FitError as error:
                name = f"differences between {grouping}s in {exposure}"
                untried.append(LeftOut(name, str(error)))
                continue
            statistic = likelihood_ratio(fit.log_likelihood, plain.log_likelihood)
            if statistic > _ALLOW_FOR_SLOPES:
                # Errors that allow for the slopes take the curvature, which few fits need.
                fit = fit_mixed(design.y, centred, design.names, groups, slope=slope)
                errors = (float(np.sqrt(f.cov[column, column])) for f in (fit, plain))
                found.append(Slope(grouping, exposure, fit.slope_sd[grouping], statistic, *errors))
    return tuple(found), tuple(untried)


def _slope_freedom(design: Design, slopes: Sequence[Slope], freedom: np.ndarray) -> np.ndarray:
    """Degrees of freedom where levels differ in slope: Satterthwaite's, if they are fewer.

    Only the part of the variance of a mean slope that comes from differing
    slopes rests on as few as levels - 1 degrees of freedom.

    References
    ----------
    Satterthwaite FE (1946). An approximate distribution of estimates of
    variance components. Biometrics Bulletin 2, 110-114.
    """
    freedom = freedom.copy()
    for slope in slopes:
        column = design.column_of(slope.exposure)
        levels = len(set(design.groups[slope.grouping]))
        share = 1.0 - (slope.common_error / slope.std_error) ** 2
        if column is not None and share > 0.0:
            freedom[column] = min(freedom[column], (levels - 1) / share**2)
    return freedom


def _widened(
    design: Design,
    mixed: MixedFit,
    slopes: Sequence[Slope],
    widening: np.ndarray,
    *,
    likeliest: MixedFit | None = None,
) -> MixedFit:
    """The fit with errors that allow for few sources and for differing slopes.

    Errors of slopes are those of maximum likelihood. With ``likeliest`` the fit is that
    less its bias, and what slopes add is as much smaller as its errors are.

    Both steps keep the covariance positive semidefinite: rows and columns are
    multiplied, and one direction an exposure is added. That direction turns the
    line about the mean exposure, where the level is known whatever the slope.
    """
    p = len(widening)
    factor = np.append(widening, np.ones(len(mixed.joint_names) - p))
    cov = mixed.cov * np.outer(widening, widening)
    joint = mixed.joint_cov * np.outer(factor, factor)
    wide = mixed.joint_wide
    if wide is not None:
        # Its covariance with the fixed effects grows with their errors, its own stays.
        wide = replace(wide, cross=(wide.cross @ sparse.diags(1.0 / factor)).tocsr())
    for exposure in dict.fromkeys(slope.exposure for slope in slopes):
        column = design.column_of(exposure)
        assert column is not None
        error = max(slope.std_error for slope in slopes if slope.exposure == exposure)
        own = float(mixed.cov[column, column])
        common = own if likeliest is None else float(likeliest.cov[column, column])
        more = (error**2 - common) * own / common
        if more <= 0.0:
            continue
        turn = np.zeros(p)
        turn[0], turn[column] = -float(design.x[:, column].mean()), 1.0
        extra = more * widening[column] ** 2 * np.outer(turn, turn)
        cov = cov + extra
        joint[:p, :p] += extra
    return replace(mixed, cov=cov, joint_cov=joint, joint_wide=wide)


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


@cache
def normal_nodes(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights of a Gauss-Hermite mean over a standard normal, shape (count,) each.

    Not to be written to: every caller gets the same arrays.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return nodes, weights / weights.sum()


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
    nodes, weights = normal_nodes(_NODES)
    eta, spread = np.broadcast_arrays(np.asarray(eta, dtype=float), np.asarray(spread, float))
    probability = np.zeros(eta.shape)
    slope = np.zeros(eta.shape)
    for node, weight in zip(nodes, weights, strict=True):
        p = special.expit(eta + spread * node)
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


def small_sample(design: Design) -> tuple[np.ndarray, np.ndarray]:
    """Degrees of freedom, and the factor on the model's error, per column of ``x``."""
    columns = design.x.shape[1]
    freedom, widening = np.full(columns, np.inf), np.ones(columns)
    if "source" not in design.groups:
        return freedom, widening
    codes, levels = pd.factorize(design.groups["source"])
    size = np.bincount(codes)
    judged = np.zeros(columns, dtype=bool)
    judged[0] = True
    for j in range(1, columns):
        column = design.x[:, j]
        means = np.bincount(codes, weights=column) / size
        share = (size * (means - column.mean()) ** 2).sum() / ((column - column.mean()) ** 2).sum()
        judged[j] = share > _BETWEEN or design.columns[j - 1].term in CYCLES_AND_AGE
    sources = len(levels)
    asked = 1 + sum(column.term in CYCLES_AND_AGE for column in design.columns)
    freedom[judged] = max(sources - int(judged.sum()), 1)
    widening[judged] = np.sqrt(sources / max(sources - asked, 1))
    return freedom, widening
