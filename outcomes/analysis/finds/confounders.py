"""Four suspects for a change in finds, on equal footing.

Ice crystals (``cycles``), drying in the freezer (``open_frozen_days``), growth
of bacteria (``degree_hours``) and plain age (``age_days``): each alone and each
given the others, on the same trials and beside the same other terms.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.describe_terms import linear_predictor
from outcomes.analysis.finds.design import Column, Design, shaped_column
from outcomes.analysis.finds.model import LEAST_DOGS, LEAST_FINDS, LEAST_MISSES, LEAST_SOURCES
from outcomes.analysis.finds.shapes import LINE, Shape
from outcomes.analysis.finds.standard_errors import small_sample
from outcomes.analysis.results import ExposureName, FindEstimate, LeftOut
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import AGE, CYCLES, CYCLES_AND_AGE, exposure_of
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.distributions import f_tail, student_quantile
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.mixed import fit_mixed, idle_groupings
from outcomes.models.mixed_result import MixedFit
from outcomes.models.model_weights import (
    condition_indexes,
    information_criterion,
    support_weights,
    variance_inflation,
)
from outcomes.models.ratio import power
from outcomes.settings import DecisionSettings

SUSPECTS = ("cycles", "open_frozen_days", "degree_hours", "age_days")
SUSPECT_WORDS: Mapping[str, str] = {
    CYCLES.name: CYCLES.full_noun,
    "open_frozen_days": "time frozen unsealed (drying)",
    "degree_hours": "warmth so far (bacterial growth)",
    AGE.name: AGE.full_noun,
}
_UNITS: Mapping[str, tuple[str, float]] = {
    CYCLES.name: (CYCLES.unit, CYCLES.divisor),
    "open_frozen_days": ("30 days", 30.0),
    "degree_hours": ("doubling", 1.0),
    AGE.name: (AGE.unit, AGE.divisor),
}
_MOST_MISSING = 0.10
_COPY = 1e-6
_SLOPES_DIFFER = 2.0


@dataclass(frozen=True, slots=True)
class Suspect:
    """What the records say about one suspect.

    Attributes
    ----------
    exposure, unit
        Name of the exposure and what one step means.
    little, much
        10th and 90th percentile over the trials, in the exposure's own unit.
    alone, given_others
        Its effect as the only suspect in the model, and beside the others;
        None where that model could not be fitted. Their ``points`` are from the
        little exposed trials of this unit to the much exposed ones (``little``
        and ``much``): the same question put to every suspect.
    weight
        Share of the support among the models with one suspect or none.
    importance
        Share of the support of all models that hold it, over every combination.
    variance_inflation
        How much the others (suspects and terms) widen its variance, as a factor.
    most_like
        The suspect it goes with most, and their correlation; None if it is the only one.
    slopes_differ
        Sources differ in how they change with it, by the likelihood, so that
        the intervals, which take the change as common to all, are too narrow.
    shape
        Along which it was compared: a straight line but where the records reject that.
    """

    exposure: str
    unit: str
    little: float
    much: float
    alone: FindEstimate | None
    given_others: FindEstimate | None
    weight: float
    importance: float
    variance_inflation: float
    most_like: tuple[str, float] | None
    slopes_differ: bool
    shape: Shape = LINE


@dataclass(frozen=True, slots=True)
class ModelSupport:
    """One combination of suspects: its fit and its share of the support."""

    exposures: tuple[str, ...]
    log_likelihood: float
    parameters: int
    criterion: float
    difference: float
    weight: float


@dataclass(frozen=True, slots=True)
class Suspects:
    """The suspects compared.

    Attributes
    ----------
    n, finds, misses, dogs, sources
        The trials all models share, and what they rest on.
    suspects
        One entry a suspect that could be asked about, in the order of :data:`SUSPECTS`.
    models
        Every combination, best first.
    inflation
        What the log-likelihoods were divided by: S / (S - q) for S sources and
        q suspects and intercept.
    joint_p
        Whether any suspect matters: all against none. None without models.
    condition_index
        Largest condition index of the suspects and the intercept.
    left_out
        Suspects not compared, and trials not used, with the reason.
    alpha
        Tests are at this level, intervals at 1 - alpha.
    reason
        Why nothing was compared, or None.
    """

    n: int
    finds: int
    misses: int
    dogs: int
    sources: int
    suspects: tuple[Suspect, ...]
    models: tuple[ModelSupport, ...]
    inflation: float
    joint_p: float | None
    condition_index: float | None
    left_out: tuple[LeftOut, ...]
    alpha: float
    reason: str | None

    def suspect(self, exposure: str) -> Suspect | None:
        """The entry of an exposure; None if it could not be asked about."""
        return next((s for s in self.suspects if s.exposure == exposure), None)


def compare_suspects(
    trials: pd.DataFrame,
    settings: DecisionSettings,
    shapes: Mapping[ExposureName, Shape] | None = None,
) -> Suspects:
    """Weigh cycles, drying, warmth and age against one another.

    Parameters
    ----------
    trials
        Joined trials.
    settings
        ``alpha`` sets the level of tests and the confidence 1 - alpha of intervals.
    shapes
        Of cycles and age, where straight lines are rejected: a step judged along a line would
        leave its fall to whatever rises beside it. A knot counts as one parameter more.

    Returns
    -------
    Suspects
        With a ``reason`` and no models where the records cannot carry the comparison.

    Notes
    -----
    Degree-hours enter as log2(degree_hours + 1): bacteria multiply, so their
    number doubles with a constant amount of warmth only while food lasts, and
    stages of decomposition follow the logarithm of the warmth gathered
    (Megyesi et al. 2005). A straight line would also be decided by the few
    sources kept in the refrigerator for years. The other suspects enter as
    they are.

    Models are weighed by QAICc with n = trials. The number of sources is no
    usable n: there are often fewer sources than parameters. What few sources
    cost is in the inflation factor instead, S / (S - q) with q suspects and
    intercept, which divides every log-likelihood, as it widens the intervals of
    a fit. Tests compare twice the difference in log-likelihood, divided by the
    inflation and its degrees of freedom, with an F distribution on S - k
    degrees of freedom, k counting every term that varies mainly between sources.

    References
    ----------
    Burnham KP, Anderson DR (2002). Model Selection and Multimodel Inference,
    2nd edition. Springer, sections 2.5 (QAICc), 2.9 (weights) and 4.4 (sums of
    weights over a balanced set).

    Megyesi MS, Nawrocki SP, Haskell NH (2005). Using accumulated degree-days to
    estimate the postmortem interval from decomposed human remains. Journal of
    Forensic Sciences 50, 618-626.
    """
    base = _without(plan_design(trials), tuple(CYCLES_AND_AGE))
    along = dict(shapes or {})
    present, values, left_out = _usable(base.trials, along)
    kept = np.ones(len(base.y), dtype=bool)
    for column in values.values():
        kept &= np.isfinite(column)
    if not kept.all():
        left_out.append(
            LeftOut("trials", f"{int((~kept).sum()):,} without every suspect on record")
        )
        base = _rows(base, kept)
        values = {name: column[kept] for name, column in values.items()}
    base, dropped = _varying(base)
    left_out += [*base.left_out, *dropped]
    present = _not_copies(base, present, values, left_out)
    reason = _too_few(base)
    if reason is None and not present:
        reason = "none of the four varies between these trials"
    if reason is not None:
        return _nothing(base, tuple(left_out), settings.alpha, reason)
    comparison = _Comparison(base, present, values, settings, along)
    try:
        comparison.fit_all()
    except FitError as error:
        return _nothing(base, tuple(left_out), settings.alpha, str(error))
    return comparison.result(tuple(left_out))


def transformed(exposure: str, values: np.ndarray, shape: Shape = LINE) -> np.ndarray:
    """An exposure on the scale on which it enters the models, per unit.

    ``shape`` is of cycles or age.

    Examples
    --------
    >>> transformed("degree_hours", np.array([0.0, 1.0, 3.0]))
    array([0., 1., 2.])
    >>> transformed("age_days", np.array([60.0]))
    array([2.])
    """
    if exposure == "degree_hours":
        return np.log2(values + 1.0)
    if shape.bent:
        return _column(exposure, shape).at(values)
    return values / _UNITS[exposure][1]


def _column(exposure: str, shape: Shape) -> Column:
    known = exposure_of(exposure)
    if shape.bent and known is not None:
        return shaped_column(known.name, shape)
    unit, divisor = _UNITS[exposure]
    return Column(exposure, exposure, unit, 0.0, divisor, None)


def _without(design: Design, terms: Sequence[str]) -> Design:
    keep = [j for j, c in enumerate(design.columns, start=1) if c.term not in terms]
    return replace(
        design,
        x=design.x[:, [0, *keep]],
        columns=tuple(design.columns[j - 1] for j in keep),
        copies={},
        left_out=tuple(x for x in design.left_out if x.term not in terms),
    )


def _rows(design: Design, kept: np.ndarray) -> Design:
    return replace(
        design,
        trials=design.trials[kept],
        y=design.y[kept],
        x=design.x[kept],
        groups={name: labels[kept] for name, labels in design.groups.items()},
    )


def _varying(design: Design) -> tuple[Design, list[LeftOut]]:
    """The design without terms that the trials left no longer tell apart."""
    dropped: list[LeftOut] = []
    keep: list[int] = []
    for j, column in enumerate(design.columns, start=1):
        before = design.x[:, [0, *keep]]
        own = design.x[:, j]
        if len(own) == 0 or _is_copy(own, before):
            dropped.append(LeftOut(column.name, "says nothing new in the trials compared"))
        else:
            keep.append(j)
    if not dropped:
        return design, dropped
    columns = tuple(design.columns[j - 1] for j in keep)
    return replace(design, x=design.x[:, [0, *keep]], columns=columns), dropped


def _is_copy(values: np.ndarray, others: np.ndarray) -> bool:
    centred = values - values.mean()
    left = values - others @ np.linalg.lstsq(others, values, rcond=None)[0]
    return bool(left @ left <= _COPY * max(float(centred @ centred), 1e-12))


def _usable(
    trials: pd.DataFrame, shapes: Mapping[ExposureName, Shape]
) -> tuple[list[str], dict[str, np.ndarray], list[LeftOut]]:
    present: list[str] = []
    values: dict[str, np.ndarray] = {}
    left_out: list[LeftOut] = []
    for exposure in SUSPECTS:
        if exposure not in trials or trials[exposure].isna().all():
            reason = "packaging is not on record" if exposure == "open_frozen_days" else "not known"
            left_out.append(LeftOut(exposure, reason))
            continue
        raw = trials[exposure].to_numpy(dtype=float)
        missing = int(np.isnan(raw).sum())
        if missing > _MOST_MISSING * len(raw):
            left_out.append(LeftOut(exposure, f"missing in {missing:,} of {len(raw):,} trials"))
        elif np.nanmax(raw) == np.nanmin(raw):
            left_out.append(LeftOut(exposure, "the same in every trial used"))
        else:
            present.append(exposure)
            shape = next((s for e, s in shapes.items() if e == exposure), LINE)
            values[exposure] = transformed(exposure, raw, shape)
    return present, values, left_out


def _not_copies(
    base: Design,
    present: Sequence[str],
    values: Mapping[str, np.ndarray],
    left_out: list[LeftOut],
) -> list[str]:
    """Suspects that carry information of their own; the others with what they copy."""
    own: list[str] = []
    for exposure in present:
        if len(base.y) == 0 or _is_copy(values[exposure], base.x):
            left_out.append(LeftOut(exposure, "says nothing beyond the other terms on record"))
            continue
        same = [e for e in own if abs(_correlation(values[exposure], values[e])) > 1.0 - _COPY]
        if same:
            reason = f"carries the same information as {SUSPECT_WORDS[same[0]]} in these records"
            left_out.append(LeftOut(exposure, reason))
        elif own and _is_copy(
            values[exposure], np.column_stack([base.x, *(values[e] for e in own)])
        ):
            left_out.append(
                LeftOut(exposure, "carries the same information as the others together")
            )
        else:
            own.append(exposure)
    return own


def _correlation(a: np.ndarray, b: np.ndarray) -> float:
    a, b = a - a.mean(), b - b.mean()
    return float(a @ b / np.sqrt(float(a @ a) * float(b @ b)))


def _too_few(design: Design) -> str | None:
    finds = int(design.y.sum())
    have = (
        ("finds", finds, LEAST_FINDS),
        ("misses", len(design.y) - finds, LEAST_MISSES),
        ("sources", int(design.trials["source_id"].nunique()), LEAST_SOURCES),
        ("dogs", int(design.trials["dog_id"].nunique()), LEAST_DOGS),
    )
    short = [
        f"{number} {word} of at least {least}" for word, number, least in have if number < least
    ]
    return f"too few to compare: {', '.join(short)}" if short else None


def _nothing(design: Design, left_out: tuple[LeftOut, ...], alpha: float, reason: str) -> Suspects:
    finds = int(design.y.sum())
    return Suspects(
        n=len(design.y),
        finds=finds,
        misses=len(design.y) - finds,
        dogs=int(design.trials["dog_id"].nunique()),
        sources=int(design.trials["source_id"].nunique()),
        suspects=(),
        models=(),
        inflation=1.0,
        joint_p=None,
        condition_index=None,
        left_out=left_out,
        alpha=alpha,
        reason=reason,
    )


class _Comparison:
    """Every combination of suspects on one design: the state of one comparison."""

    def __init__(
        self,
        base: Design,
        present: Sequence[str],
        values: Mapping[str, np.ndarray],
        settings: DecisionSettings,
        shapes: Mapping[ExposureName, Shape],
    ) -> None:
        self.base = base
        self.shapes = {e: LINE for e in present} | {e: s for e, s in shapes.items() if e in present}
        self.present = tuple(present)
        self.values = {name: values[name] for name in self.present}
        self.alpha = settings.alpha
        full = self.design(self.present)
        # The intercept is always judged on sources: its freedom is that of every suspect.
        self.freedom = float(small_sample(full)[0][0])
        sources = int(self.base.trials["source_id"].nunique())
        self.inflation = sources / max(sources - 1 - len(self.present), 1)
        self.fits: dict[tuple[str, ...], MixedFit] = {}

    def design(self, exposures: Sequence[str]) -> Design:
        columns = [_column(name, self.shapes[name]) for name in exposures]
        return replace(
            self.base,
            x=np.column_stack([self.base.x, *(self.values[name] for name in exposures)]),
            columns=(*self.base.columns, *columns),
        )

    def fit_all(self) -> None:
        idle: tuple[str, ...] = ()
        for size in range(len(self.present) + 1):
            for exposures in combinations(self.present, size):
                design = self.design(exposures)
                details = size in (1, len(self.present))
                self.fits[exposures] = fit_mixed(
                    design.y,
                    design.x,
                    design.names,
                    design.groups,
                    details=details,
                    at_zero=idle,
                )
                # Without any suspect there is most left for hides to differ by.
                idle = idle or idle_groupings(self.fits[()])

    def test(self, small: tuple[str, ...], large: tuple[str, ...]) -> float:
        """p-value of the suspects in ``large`` that are not in ``small``."""
        gain = self.fits[large].log_likelihood - self.fits[small].log_likelihood
        df = self.parameters(large) - self.parameters(small)
        statistic = max(2.0 * gain, 0.0) / self.inflation / df
        return float(f_tail(statistic, df, self.freedom))

    def parameters(self, exposures: Sequence[str]) -> int:
        """Parameters of the exposures, a knot that was sought counted as one."""
        return sum(self.shapes[e].parameters for e in exposures)

    def support(self, exposures: Sequence[tuple[str, ...]]) -> tuple[ModelSupport, ...]:
        """The models' shares of the support, best first."""
        criteria = [
            information_criterion(
                self.fits[e].log_likelihood,
                self.fits[e].df + self.parameters(e) - len(e),
                len(self.base.y),
                inflation=self.inflation,
            )
            for e in exposures
        ]
        weights = support_weights(criteria)
        models = [
            ModelSupport(
                exposures=e,
                log_likelihood=self.fits[e].log_likelihood,
                parameters=self.fits[e].df + self.parameters(e) - len(e),
                criterion=criterion,
                difference=criterion - min(criteria),
                weight=float(weight),
            )
            for e, criterion, weight in zip(exposures, criteria, weights, strict=True)
        ]
        return tuple(sorted(models, key=lambda m: m.criterion))

    def effect(self, exposure: str, exposures: tuple[str, ...]) -> FindEstimate:
        design, mixed = self.design(exposures), self.fits[exposures]
        position = len(self.base.columns) + 1 + exposures.index(exposure)
        estimate = float(mixed.beta[position])
        error = float(np.sqrt(mixed.cov[position, position] * self.inflation))
        reach = float(student_quantile(1.0 - self.alpha / 2.0, self.freedom)) * error
        eta, spread = linear_predictor(design, mixed)
        own = self.values[exposure]
        # The line turns about the mean exposure, where the level is known whatever the slope.
        level = eta - estimate * (own - own.mean())
        little, much = np.quantile(own, [0.1, 0.9]) - own.mean()

        def points(slope: float) -> float:
            ends = (averaged_probability(level + slope * at, spread)[0] for at in (little, much))
            low_end, high_end = (float(p.mean()) for p in ends)
            return 100.0 * (high_end - low_end)

        limits = (estimate - reach, estimate + reach)
        rest = tuple(e for e in exposures if e != exposure)
        return FindEstimate(
            term=exposure,
            unit=_column(exposure, self.shapes[exposure]).unit,
            log_ratio=estimate,
            std_error=error,
            low=power(limits[0]),
            high=power(limits[1]),
            p=self.test(rest, exposures),
            points=points(estimate),
            points_low=points(limits[0]),
            points_high=points(limits[1]),
        )

    def slopes_differ(self, exposure: str) -> bool:
        """Whether sources differ in how they change with it (random slope by source)."""
        design = self.design((exposure,))
        x = design.x.copy()
        x[:, -1] -= x[:, -1].mean()
        groups = {k: v for k, v in design.groups.items() if k in ("dog", "source")}
        if "source" not in groups:
            return False
        try:
            plain = fit_mixed(design.y, x, design.names, groups, details=False)
            sloped = fit_mixed(
                design.y,
                x,
                design.names,
                groups,
                slope=("source", exposure),
                details=False,
            )
        except FitError:
            return False
        return likelihood_ratio(sloped.log_likelihood, plain.log_likelihood) > _SLOPES_DIFFER

    def result(self, left_out: tuple[LeftOut, ...]) -> Suspects:
        models = self.support(list(self.fits))
        single = self.support([e for e in self.fits if len(e) <= 1])
        weight = {m.exposures: m.weight for m in single}
        factors = variance_inflation(self.design(self.present).x)[-len(self.present) :]
        suspects = []
        for exposure, factor in zip(self.present, factors, strict=True):
            raw = self.base.trials[exposure].to_numpy(dtype=float)
            little, much = np.quantile(raw, [0.1, 0.9])
            alike = [
                (e, _correlation(self.values[exposure], self.values[e]))
                for e in self.present
                if e != exposure
            ]
            suspects.append(
                Suspect(
                    exposure=exposure,
                    unit=_column(exposure, self.shapes[exposure]).unit,
                    little=float(little),
                    much=float(much),
                    alone=self.effect(exposure, (exposure,)),
                    given_others=self.effect(exposure, self.present),
                    weight=weight[(exposure,)],
                    importance=sum(m.weight for m in models if exposure in m.exposures),
                    variance_inflation=float(factor),
                    most_like=max(alike, key=lambda pair: abs(pair[1]), default=None),
                    slopes_differ=self.slopes_differ(exposure),
                    shape=self.shapes[exposure],
                )
            )
        joint_p = self.test((), self.present)
        only = np.column_stack([np.ones(len(self.base.y)), *self.values.values()])
        finds = int(self.base.y.sum())
        return Suspects(
            n=len(self.base.y),
            finds=finds,
            misses=len(self.base.y) - finds,
            dogs=int(self.base.trials["dog_id"].nunique()),
            sources=int(self.base.trials["source_id"].nunique()),
            suspects=tuple(suspects),
            models=models,
            inflation=self.inflation,
            joint_p=joint_p,
            condition_index=float(condition_indexes(only).max()),
            left_out=left_out,
            alpha=self.alpha,
            reason=None,
        )
