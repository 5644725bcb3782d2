"""The same question asked in other ways: does find probability change with cycles, with age?

One row a way and exposure, so that a reader can see whether the answer hangs
on how the question was put, on which trials were used, or on a single source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy import special

from outcomes.analysis.finds.design import PER_PARAMETER, Column, Design, on_late_logs, plan_design
from outcomes.analysis.finds.model import FindFit, less_biased, linear_predictor, small_sample
from outcomes.analysis.finds.unlogged_thaws import add_thaws, exposures_of, history_of
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, ExposureName
from outcomes.models.clustered import ClusteredFit, fit_clustered, fit_conditional, fit_gee
from outcomes.models.distributions import chi_square_tail, f_tail, normal_quantile, student_quantile
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.mixed import fit_mixed, idle_groupings
from outcomes.models.mixed_result import MixedFit
from outcomes.models.splines import natural_spline, spline_knots
from outcomes.random_streams import random_stream
from outcomes.records.tables import Records
from outcomes.text import count

MAIN = "the main model"
LEAST_SOURCES = 5
UNLOGGED = (0.10, 0.20, 0.30)
LOGGED_FROM_THE_START = "sources logged from the start only"
_DRAWS = 5
_TRIALS_REFITTED = 400_000  # trials times refits spent on leaving out sources, and on dogs
_MANY_TRIALS = 20_000
_COPY = 1e-6
_PER_BEND = 10
_FEW_CLUSTERS = 40
_YEAR = pd.Timedelta(365, "D")


@dataclass(frozen=True, slots=True)
class Specification:
    """One way of asking, and its answer for one exposure.

    Attributes
    ----------
    name
        The way, in words.
    family
        Ways of one kind: ``"main"``, ``"model"`` (another model), ``"records"``
        (other trials or another reading of the log), ``"kind"``, ``"source"`` or
        ``"dog"`` (one of them left out).
    term, unit
        The exposure and what one step of it is.
    log_odds, std_error, low, high
        Change in log-odds per ``unit``, with its interval at 1 - alpha on the
        same scale; None where there is a ``reason``.
    n, sources
        Trials and sources used; 0 where that was not settled.
    note
        What must be known to read it; empty if nothing.
    reason
        Why it could not be asked; None where it was.
    shift
        For one source, dog or kind left out: change of the estimate, in
        standard errors of the main one; None otherwise.
    curve_p
        For a smooth curve: the p-value against a straight line; None otherwise.
    """

    name: str
    family: str
    term: ExposureName
    unit: str
    log_odds: float | None
    std_error: float | None
    low: float | None
    high: float | None
    n: int
    sources: int
    note: str = ""
    reason: str | None = None
    shift: float | None = None
    curve_p: float | None = None


@dataclass(frozen=True, slots=True)
class SmoothTest:
    """Whether a smooth curve tells more than a straight line.

    ``p`` is of the likelihood-ratio ``statistic`` against the F distribution
    after dividing by ``df`` and by the allowance for few sources. ``at`` and
    ``log_odds`` are the curve, shape (k,), 0 at its first point.
    """

    term: ExposureName
    statistic: float
    df: int
    p: float
    knots: tuple[float, ...]
    at: np.ndarray
    log_odds: np.ndarray


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far the ways of asking agree on one exposure.

    Attributes
    ----------
    term
        The exposure.
    rising
        Whether the main estimate is positive.
    clear
        Whether the main interval leaves out "no change".
    ways
        Other ways that could be asked. Leaving out each source in turn is one
        way, and so are dogs; they hold if they do whichever is left out.
    same_sign, clear_too
        How many of them have the sign of the main estimate, and how many an
        interval that leaves out "no change" on that side as well.
    unsure
        Names of those with the same sign whose interval includes "no change".
    against
        Names of those with the other sign.
    """

    term: ExposureName
    rising: bool
    clear: bool
    ways: int
    same_sign: int
    clear_too: int
    unsure: tuple[str, ...]
    against: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Specifications:
    """All ways of asking.

    Attributes
    ----------
    rows
        Every specification, main first; those that could not be asked too.
    agreement
        Exposure → how far they agree; empty where there is no main model.
    smooth
        Exposure → test of a smooth curve; missing where it could not be made.
    alpha
        Intervals are at 1 - alpha.
    notes
        What was not tried for lack of time, and other limits.
    reason
        Why nothing was asked; None otherwise.
    """

    rows: tuple[Specification, ...]
    agreement: Mapping[ExposureName, Agreement]
    smooth: Mapping[ExposureName, SmoothTest]
    alpha: float
    notes: tuple[str, ...]
    reason: str | None

    def of(self, term: str) -> tuple[Specification, ...]:
        """Rows of one exposure, in the order made."""
        return tuple(row for row in self.rows if row.term == term)

    def shown(self, term: str) -> tuple[Specification, ...]:
        """Rows for a table or figure, from the lowest estimate to the highest.

        Of the sources left out one by one only the most influential has a row,
        and of the dogs; what could not be asked comes last.
        """
        rows = [row for row in self.of(term) if row.family not in ("source", "dog")]
        for family in ("source", "dog"):
            one = most_influential(self.of(term), family)
            if one is not None:
                rows.append(one)
        asked = sorted(
            (r for r in rows if r.log_odds is not None), key=lambda r: (r.log_odds, r.name)
        )
        return (*asked, *(r for r in rows if r.log_odds is None))


def most_influential(rows: Iterable[Specification], family: str) -> Specification | None:
    """The row of a left-out source (or dog, or kind) that moves the estimate most."""
    moved = [r for r in rows if r.family == family and r.shift is not None]
    return max(moved, key=lambda r: (abs(r.shift or 0.0), r.name), default=None)


@dataclass(slots=True)
class _Asked:
    """Rows so far, and what every way needs: the working state of one call."""

    fit: FindFit
    terms: tuple[ExposureName, ...]
    factor: Mapping[str, float]
    rows: list[Specification] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def design(self) -> Design:
        return self.fit.design

    def overstated(self, term: str) -> float:
        """By how much maximum likelihood overstates an effect in the main model, log-odds."""
        column = self.design.column_of(term)
        assert column is not None
        assert self.fit.mixed is not None
        assert self.fit.reduced is not None
        return float(self.fit.mixed.beta[column] - self.fit.reduced.beta[column])

    def add(
        self,
        name: str,
        family: str,
        term: ExposureName,
        answer: tuple[float, float, float],
        size: tuple[int, int],
        note: str = "",
        *,
        relative: bool = False,
    ) -> None:
        """One answer: (estimate, standard error, degrees of freedom); size: (trials, sources)."""
        estimate, error, freedom = answer
        normal = not np.isfinite(freedom)
        quantile = 1.0 - self.fit.settings.alpha / 2.0
        reach = float(normal_quantile(quantile) if normal else student_quantile(quantile, freedom))
        main = self.fit.term(term)
        shift = None
        if relative and main is not None:
            shift = (estimate - main.log_ratio) / main.std_error
        self.rows.append(
            Specification(
                name=name,
                family=family,
                term=term,
                unit=_unit(self.design, term),
                log_odds=estimate,
                std_error=error,
                low=estimate - reach * error,
                high=estimate + reach * error,
                n=size[0],
                sources=size[1],
                note=note,
                shift=shift,
            )
        )

    def refuse(
        self, name: str, family: str, reason: str, terms: Sequence[ExposureName] = ()
    ) -> None:
        for term in terms or self.terms:
            unit = _unit(self.design, term)
            self.rows.append(
                Specification(name, family, term, unit, None, None, None, None, 0, 0, reason=reason)
            )

    def add_mixed(
        self, name: str, family: str, design: Design, note: str = "", *, quick: bool = False
    ) -> None:
        """The mixed model on another design; every exposure it still has."""
        try:
            mixed = _refit(design, self.fit.mixed, quick=quick)
        except FitError as error:
            self.refuse(name, family, str(error))
            return
        size = _size(design)
        for term in self.terms:
            answer = self.mixed_answer(design, mixed, term)
            if answer is None:
                self.refuse(name, family, _NO_TERM[term], (term,))
                continue
            relative = family in ("kind", "source", "dog")
            self.add(name, family, term, answer, size, note, relative=relative)

    def mixed_answer(
        self, design: Design, mixed: MixedFit, term: str
    ) -> tuple[float, float, float] | None:
        """Estimate, error allowing for few sources and differing slopes, degrees of freedom.

        The estimate is less its bias, in a quick fit less that of the main model.
        """
        column = design.column_of(term)
        if column is None:
            return None
        freedom, widening = small_sample(design)
        error = float(np.sqrt(mixed.cov[column, column])) * float(widening[column])
        main = self.fit.design.column_of(term)
        left = float(freedom[column])
        if main is not None:
            left = min(left, float(self.fit.freedom[main]))
        if mixed.effects:
            estimate = float(less_biased(design, mixed).beta[column])
        else:
            estimate = float(mixed.beta[column]) - self.overstated(term)
        return estimate, error * self.factor[term], left

    def add_clustered(
        self,
        name: str,
        fit: ClusteredFit,
        columns: Mapping[ExposureName, int | None],
        note: str,
        n: int,
    ) -> None:
        for term in self.terms:
            column = columns.get(term)
            if column is None:
                self.refuse(name, "model", _NO_TERM[term], (term,))
                continue
            error = float(np.sqrt(max(fit.cov[column, column], 0.0)))
            if error == 0.0:
                self.refuse(name, "model", "its errors could not be computed", (term,))
                continue
            answer = (float(fit.beta[column]), error, fit.freedom)
            self.add(name, "model", term, answer, (fit.n, n), note)


_NO_TERM = {
    "cycles": "cycles cannot be told from the other terms there, or do not vary",
    "age_days": "age cannot be told from the other terms there, or does not vary",
}


def try_specifications(fit: FindFit, records: Records | None = None) -> Specifications:
    """Ask in many ways whether find probability changes with cycles and with age.

    Parameters
    ----------
    fit
        The main model. Its trials, terms and settings are the starting point
        of every other way, and its seed that of everything random.
    records
        The records behind it, for the ways that read the storage log anew;
        without them those are listed with that reason.

    Returns
    -------
    Specifications
        With no rows and a ``reason`` where there is no main model.

    Notes
    -----
    A mixed model on other trials keeps the terms of the main one where they
    can still be told apart. For blind trials, qualified dogs, the last 12 months
    and the strict reading of the log, terms are chosen anew by the main model's
    rules. Errors allow for few sources as the main ones do; where sources or
    dogs differ in how fast they change, every error of a mixed model is
    multiplied by the factor that this makes in the main one.

    Models without random effects give changes averaged over sources, which
    are a little nearer to nil than those for one source.

    References
    ----------
    Mundlak Y (1978). On the pooling of time series and cross section data.
    Econometrica 46, 69-85, for the split within and between sources.
    Rubin DB (1987). Multiple Imputation for Nonresponse in Surveys, ch. 3.
    Wiley, for adding up refits with random thaws.
    """
    design = fit.design
    terms: tuple[ExposureName, ...] = tuple(
        t for t in CYCLES_AND_AGE if fit.mixed is not None and fit.term(t) is not None
    )
    if fit.mixed is None or not terms:
        reason = fit.reason or "neither cycles nor age varies between these trials"
        return Specifications((), {}, {}, fit.settings.alpha, (), reason)
    asked = _Asked(fit, terms, _slope_factors(fit))
    for term in terms:
        column = design.column_of(term)
        assert column is not None
        main = fit.term(term)
        assert main is not None
        answer = (main.log_ratio, main.std_error, float(fit.freedom[column]))
        asked.add(MAIN, "main", term, answer, (fit.n, fit.sources))
        # Its interval is the one reported everywhere, however that was found.
        limits = {"low": float(np.log(main.low)), "high": float(np.log(main.high))}
        asked.rows[-1] = replace(asked.rows[-1], **limits)  # type: ignore[arg-type]
    _other_models(asked)
    smooth = _smooth(asked)
    _other_trials(asked, records)
    _more_thaws(asked, records)
    _leave_out(asked)
    rows = tuple(asked.rows)
    agreement: dict[ExposureName, Agreement] = {
        term: _agree(term, [r for r in rows if r.term == term]) for term in terms
    }
    return Specifications(rows, agreement, smooth, fit.settings.alpha, tuple(asked.notes), None)


def _unit(design: Design, term: str) -> str:
    column = design.column_of(term)
    return "" if column is None else design.columns[column - 1].unit


def _size(design: Design) -> tuple[int, int]:
    return len(design.y), int(design.trials["source_id"].nunique())


def _slope_factors(fit: FindFit) -> dict[str, float]:
    """Exposure → what differing slopes make of its error: main error over one without them."""
    factors: dict[str, float] = dict.fromkeys(CYCLES_AND_AGE, 1.0)
    if not fit.slopes:
        return factors
    assert fit.mixed is not None
    design = fit.design
    try:
        plain = fit_mixed(design.y, design.x, design.names, design.groups)
    except FitError:
        return factors
    for exposure in {slope.exposure for slope in fit.slopes}:
        column = design.column_of(exposure)
        term = fit.term(exposure)
        if column is None or term is None:
            continue
        common = float(np.sqrt(plain.cov[column, column]) * fit.widening[column])
        factors[exposure] = max(term.std_error / common, 1.0)
    return factors


def _refit(design: Design, start: MixedFit | None, *, quick: bool) -> MixedFit:
    if len(design.y) == 0 or design.y.min() == design.y.max():
        raise FitError("every trial left had the same result")
    idle = idle_groupings(start) if quick and start is not None else ()
    return fit_mixed(
        design.y,
        design.x,
        design.names,
        design.groups,
        details=not quick,
        at_zero=idle,
    )


def restrict(design: Design, keep: np.ndarray) -> Design:
    """The design on some of its trials, without terms that no longer say anything.

    Parameters
    ----------
    design
        A design.
    keep
        Trials to keep, bool, shape (n,).

    Returns
    -------
    Design
        Terms that do not vary among the trials kept, that repeat those before
        them, or that have finds alone or misses alone, are gone. Separation is
        not looked for.
    """
    return _with_columns(
        design,
        design.trials[keep],
        design.y[keep],
        design.x[keep],
        design.columns,
        {name: labels[keep] for name, labels in design.groups.items()},
    )


def _with_columns(
    design: Design,
    trials: pd.DataFrame,
    y: np.ndarray,
    x: np.ndarray,
    columns: Sequence[Column],
    groups: Mapping[str, np.ndarray],
) -> Design:
    usable = _usable_columns(y, x, columns)
    return replace(
        design,
        trials=trials,
        y=y,
        x=x[:, [0, *usable]],
        columns=tuple(columns[j - 1] for j in usable),
        groups=groups,
    )


def _usable_columns(y: np.ndarray, x: np.ndarray, columns: Sequence[Column]) -> list[int]:
    usable = []
    for j, column in enumerate(columns, start=1):
        if column.contrast is not None:
            of_level = y[x[:, j] == 1.0]
            if not len(of_level) or of_level.min() == of_level.max():
                continue
        usable.append(j)
    return [usable[k] for k in _news(x[:, usable])]


def _news(x: np.ndarray) -> list[int]:
    """Positions of the columns that say something beside a constant and those before them."""
    if not len(x) or not x.shape[1]:
        return []
    centred = x - x.mean(axis=0)
    total = (centred**2).sum(axis=0)
    scaled = centred / np.sqrt(np.where(total > 0.0, total, 1.0))
    # Without pivoting, the k-th diagonal entry is what the columns before it leave of a column.
    left = np.zeros(x.shape[1])
    diagonal = np.diag(np.linalg.qr(scaled, mode="r"))
    left[: len(diagonal)] = diagonal**2
    return [int(k) for k in np.flatnonzero((total > 1e-12) & (left > _COPY))]


def _other_models(asked: _Asked) -> None:
    design = asked.design
    sources = design.trials["source_id"].astype(str).to_numpy()
    dogs = design.trials["dog_id"].astype(str).to_numpy()
    found = pd.Series(design.y).groupby(dogs).transform("mean").to_numpy()
    told = (found > 0.0) & (found < 1.0)
    y, x = design.y[told], design.x[told]
    # Dogs last: a term that the dogs already carry must not cost a dog, nor an exposure.
    indicators = pd.get_dummies(pd.Series(dogs[told]), dtype=float).to_numpy()[:, 1:]
    full = np.column_stack([x, indicators])
    columns = [*design.columns, *[_DOG] * indicators.shape[1]]
    usable = _usable_columns(y, full, columns)
    wide = full[:, [0, *usable]]
    places = {t: _place(design.column_of(t), usable, 1) for t in asked.terms}
    note = "averaged over sources"
    if not told.all():
        note += "; trials of dogs with finds alone or misses alone are left out"
    session = _sessions(design.trials)[told]
    in_source = sources[told]
    clusters = len(set(in_source))
    if clusters < _FEW_CLUSTERS:
        few = (
            f"; with {count(clusters, 'source')} such errors are rough, and more often too small "
            "than not"
        )
    else:
        few = ""
    ways: list[tuple[str, np.ndarray | None]] = [
        ("no source effects, errors by source", None),
        ("no source effects, errors by source and session", session),
    ]
    for name, second in ways:
        try:
            made = fit_clustered(y, wide, in_source, second)
        except FitError as error:
            asked.refuse(name, "model", str(error))
        else:
            asked.add_clustered(name, made, places, note + few, clusters)
    name = "averages over sources (GEE)"
    # Without dog terms: an error corrected for few sources needs more sources than terms.
    own = _usable_columns(y, x, design.columns)
    places = {t: _place(design.column_of(t), own, 1) for t in asked.terms}
    try:
        made = fit_gee(y, x[:, [0, *own]], in_source)
    except FitError as error:
        asked.refuse(name, "model", str(error))
    else:
        errors = f"{note}; {made.errors} errors"
        asked.add_clustered(name, made, places, errors, clusters)
    _within_sources(asked, sources)
    _split(asked, sources)
    _without_use_ratio(asked)


_DOG = Column("dog", "dog", "", 0.0, 1.0, None)


def _place(column: int | None, usable: Sequence[int], offset: int) -> int | None:
    return None if column is None or column not in usable else usable.index(column) + offset


def _sessions(trials: pd.DataFrame) -> np.ndarray:
    """Session of each trial; its day where none is given."""
    day = trials["started_at"].dt.strftime("%Y-%m-%d")
    if "session_id" not in trials:
        return np.asarray(day, dtype=object)
    session = trials["session_id"].where(trials["session_id"].notna(), day)
    return np.asarray(session.astype(str), dtype=object)


def _within_sources(asked: _Asked, sources: np.ndarray) -> None:
    """Conditional logistic regression, with dog terms, on what varies within sources."""
    name = "each source against itself (conditional)"
    design = asked.design
    codes = pd.factorize(sources)[0]
    size = np.bincount(codes)
    share = (np.bincount(codes, weights=design.y) / size)[codes]
    told = (share > 0.0) & (share < 1.0)
    if not told.any():
        asked.refuse(name, "model", "no source has both finds and misses")
        return
    dogs = pd.get_dummies(design.trials["dog_id"][told].astype(str), dtype=float).to_numpy()
    x = np.column_stack([design.x[told], dogs[:, 1:]])
    columns = [*design.columns, *[_DOG] * (dogs.shape[1] - 1)]
    y, codes = design.y[told], codes[told]
    separable = []
    for j, column in enumerate(columns, start=1):
        result = y[x[:, j] == 1.0] if column.contrast is not None or column is _DOG else y
        if len(result) and result.min() < result.max():
            separable.append(j)
    within = x[:, separable] - _means(x[:, separable], codes)
    usable = [separable[k] for k in _news(within)]
    if not usable:
        asked.refuse(name, "model", "nothing varies within sources")
        return
    try:
        made = fit_conditional(y, x[:, usable], codes)
    except FitError as error:
        asked.refuse(name, "model", str(error))
        return
    places = {t: _place(design.column_of(t), usable, 0) for t in asked.terms}
    note = "sources with both finds and misses only"
    asked.add_clustered(name, made, places, note, made.clusters)


def _means(x: np.ndarray, codes: np.ndarray) -> np.ndarray:
    """Mean over each row's cluster, same shape."""
    size = np.bincount(codes).astype(float)
    totals = np.column_stack([np.bincount(codes, weights=column) for column in x.T])
    means: np.ndarray = (totals / np.where(size == 0.0, 1.0, size)[:, None])[codes]
    return means


def split_within(
    x: np.ndarray, positions: Sequence[int], codes: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """A design whose exposures are split into own deviation and mean of the cluster.

    Parameters
    ----------
    x
        Design, shape (n, p).
    positions
        Columns to split.
    codes
        Cluster of each row, integers from 0, shape (n,).

    Returns
    -------
    within, means
        The design with those columns as deviations from their cluster's mean,
        shape (n, p), and the means, shape (n, len(positions)).
    """
    means = _means(x[:, list(positions)], codes)
    within = x.copy()
    within[:, list(positions)] -= means
    return within, means


def _split(asked: _Asked, sources: np.ndarray) -> None:
    """Within/between-source split in the mixed model; the change within sources is reported."""
    name = "own change of each source (Mundlak)"
    design = asked.design
    positions = [c for c in (design.column_of(t) for t in asked.terms) if c is not None]
    within, means = split_within(design.x, positions, pd.factorize(sources)[0])
    between = [
        Column(
            f"{CYCLES_AND_AGE[t].noun} of the source",
            f"{t}: mean of the source",
            "",
            0.0,
            1.0,
            None,
        )
        for t in asked.terms
    ]
    # The means follow the exposures at once: what they carry is not left to later terms.
    own = [j for j in range(within.shape[1]) if j not in positions and j != 0]
    x = np.column_stack([within[:, [0, *positions]], means, within[:, own]])
    columns = [
        *(design.columns[j - 1] for j in positions),
        *between,
        *(design.columns[j - 1] for j in own),
    ]
    made = _with_columns(design, design.trials, design.y, x, columns, design.groups)
    note = "sources with more cycles or greater age are not compared with others"
    asked.add_mixed(name, "model", made, note)


def _without_use_ratio(asked: _Asked) -> None:
    """The main model, blind to which sources were taken more readily."""
    name = "without how readily sources are taken"
    design = asked.design
    column = design.column_of("use_ratio")
    if column is None:
        asked.refuse(name, "model", "the main model does without it")
        return
    keep = [j for j in range(1, design.x.shape[1]) if j != column]
    columns = [design.columns[j - 1] for j in keep]
    x = design.x[:, [0, *keep]]
    asked.add_mixed(
        name,
        "model",
        _with_columns(design, design.trials, design.y, x, columns, design.groups),
        "if strong sources were used more, these hide a part of the change",
    )


def _smooth(asked: _Asked) -> dict[ExposureName, SmoothTest]:
    """A natural spline instead of each exposure's straight line, and the test of it."""
    tests = {}
    for term in asked.terms:
        name = f"a smooth curve for {CYCLES_AND_AGE[term].noun} (average slope)"
        made = _curve(asked, term)
        if isinstance(made, str):
            asked.refuse(name, "model", made, (term,))
            continue
        answer, tests[term] = made
        asked.add(name, "model", term, answer, _size(asked.design))
        asked.rows[-1] = replace(asked.rows[-1], curve_p=tests[term].p)
    return tests


def _curve(
    asked: _Asked, term: ExposureName
) -> tuple[tuple[float, float, float], SmoothTest] | str:
    design, main = asked.design, asked.fit.mixed
    assert main is not None
    column = design.column_of(term)
    assert column is not None
    values = design.x[:, column]
    knots = spline_knots(values)
    if not knots:
        return "too few different values for a curve"
    bends = natural_spline(values, knots)
    rare = int(min(design.y.sum(), len(design.y) - design.y.sum()))
    if rare < _PER_BEND * (bends.shape[1] + 1):
        return f"a curve would need {_PER_BEND} finds and misses for each of its terms"
    x = np.column_stack([design.x, bends])
    if len(_news(x[:, 1:])) < x.shape[1] - 1:
        return "a curve cannot be told from the other terms"
    try:
        mixed = fit_mixed(
            design.y, x, [*design.names, *(f"bend {k}" for k in range(bends.shape[1]))],
            design.groups,
        )  # fmt: skip
    except FitError as error:
        return str(error)
    statistic = likelihood_ratio(mixed.log_likelihood, main.log_likelihood)
    df = bends.shape[1]
    freedom, widening = small_sample(design)
    ratio = statistic / df / float(widening[column]) ** 2
    finite = np.isfinite(freedom[column])
    p = float(f_tail(ratio, df, freedom[column]) if finite else chi_square_tail(statistic, df))
    # The average slope over the trials: a fixed combination of the coefficients.
    step = 1e-4 * float(values.max() - values.min())
    slopes = (natural_spline(values + step, knots) - natural_spline(values - step, knots)).mean(
        axis=0
    ) / (2.0 * step)
    weights = np.zeros(x.shape[1])
    weights[column] = 1.0
    weights[-df:] = slopes
    estimate = float(weights @ mixed.beta) - asked.overstated(term)
    spread = float(np.sqrt(weights @ mixed.cov @ weights) * widening[column]) * asked.factor[term]
    divisor = design.columns[column - 1].divisor
    at = np.linspace(float(values.min()), float(values.max()), 41)
    curve = at * mixed.beta[column] + natural_spline(at, knots) @ mixed.beta[-df:]
    test = SmoothTest(
        term=term,
        statistic=statistic,
        df=df,
        p=p,
        knots=tuple(k * divisor for k in knots),
        at=at * divisor,
        log_odds=curve - curve[0],
    )
    return (estimate, spread, float(freedom[column])), test


def _other_trials(asked: _Asked, records: Records | None) -> None:
    trials = asked.design.trials
    name = "thaws that the log lacks not inferred"
    if records is None:
        asked.refuse(name, "records", "needs the records")
    elif records.settings.unlogged_thaws == "strict":
        asked.refuse(name, "records", "the main model already reads the log this way")
    else:
        history = history_of(
            records, records.storage, replace(records.settings, unlogged_thaws="strict")
        )
        exposures = exposures_of(history, trials)
        frozen = exposures["place"].eq("freezer").to_numpy()
        other = trials.copy()
        for column in exposures:
            other[column] = exposures[column]
        note = "trials while the log says freezer left out"
        _ask_anew(asked, name, other[~frozen], note)
    if "blinding" not in trials or trials["blinding"].isna().all():
        asked.refuse("blind trials only", "records", "blinding is not recorded")
    else:
        blind = trials["blinding"].isin(["single", "double"])
        _ask_anew(asked, "blind trials only", trials[blind])
    if "qualified" not in trials or trials["qualified"].isna().all():
        reason = "when the dogs qualified is not recorded"
        asked.refuse("qualified dogs only", "records", reason)
    else:
        qualified = trials["qualified"].fillna(False).astype(bool)
        _ask_anew(asked, "qualified dogs only", trials[qualified])
    unlogged = on_late_logs(trials)
    if unlogged.any():
        _ask_anew(asked, LOGGED_FROM_THE_START, trials[~unlogged])
    late = trials["started_at"] > trials["started_at"].max() - _YEAR
    _ask_anew(asked, "last 12 months only", trials[late])


def _ask_anew(asked: _Asked, name: str, trials: pd.DataFrame, note: str = "") -> None:
    """The mixed model on some of the trials, its terms chosen anew."""
    if len(trials) == asked.fit.n and not note:
        asked.refuse(name, "records", "that is every trial: the main model")
        return
    found = trials["result"].eq("find")
    least = len(asked.terms) * PER_PARAMETER
    have = {
        "find": (int(found.sum()), least),
        "miss": (int((~found).sum()), least),
        "source": (int(trials["source_id"].nunique()), LEAST_SOURCES),
    }
    for word, (number, needed) in have.items():
        if number < needed:
            many = "misses" if word == "miss" else f"{word}s"
            counted = f"{number:,} {word if number == 1 else many}"
            asked.refuse(name, "records", f"only {counted} left, {needed} needed")
            return
    design = plan_design(trials)
    if design.separated:
        asked.refuse(name, "records", "finds and misses do not overlap along the terms")
        return
    asked.add_mixed(name, "records", design, note)


def _more_thaws(asked: _Asked, records: Records | None) -> None:
    """Refits with thaws added at random to the time in the freezer."""
    names = {share: f"{100 * share:.0f} % more thaws, at random" for share in UNLOGGED}
    if "cycles" not in asked.terms or records is None:
        reason = "needs the records" if records is None else "cycles are not in the main model"
        for name in names.values():
            asked.refuse(name, "records", reason)
        return
    history = history_of(records, records.storage, records.settings)
    draws = _DRAWS if asked.fit.n <= _MANY_TRIALS else 1
    for number, share in enumerate(UNLOGGED):
        rng = random_stream(asked.fit.settings.seed, "unlogged thaws", number)
        _with_thaws(asked, records, names[share], [
            add_thaws(records, history, share, rng) for _ in range(draws)
        ])  # fmt: skip


def _with_thaws(
    asked: _Asked, records: Records, name: str, logs: Sequence[tuple[pd.DataFrame, int]]
) -> None:
    design = asked.design
    column = design.column_of("cycles")
    assert column is not None
    step = design.columns[column - 1]
    added = logs[0][1]
    if not added:
        reason = "no thaw was counted, or no source was in the freezer long enough for more"
        asked.refuse(name, "records", reason)
        return
    answers: dict[ExposureName, list[tuple[float, float, float]]] = {t: [] for t in asked.terms}
    for storage, _ in logs:
        history = history_of(records, storage, records.settings)
        cycles = exposures_of(history, design.trials)["cycles"].to_numpy()
        x = design.x.copy()
        x[:, column] = (cycles - step.reference) / step.divisor
        other = replace(design, x=x)
        try:
            mixed = _refit(other, asked.fit.mixed, quick=True)
        except FitError:
            continue
        for term in asked.terms:
            answer = asked.mixed_answer(other, mixed, term)
            if answer is not None:
                answers[term].append(answer)
    for term, found in answers.items():
        if not found:
            asked.refuse(name, "records", "the model could not be fitted", (term,))
            continue
        table = np.array(found)
        m = len(table)
        spread = float(table[:, 0].var(ddof=1)) if m > 1 else 0.0
        total = float(np.sqrt((table[:, 1] ** 2).mean() + (1.0 + 1.0 / m) * spread))
        average = "" if m == 1 else f"; average of {m} draws"
        note = f"{added:,} thaws added to the log, evenly over the time frozen{average}"
        answer = (float(table[:, 0].mean()), total, float(table[0, 2]))
        asked.add(name, "records", term, answer, _size(design), note)


def _leave_out(asked: _Asked) -> None:
    """Without each kind, each source, each dog."""
    trials = asked.design.trials
    kinds = np.array([], dtype=object)
    if "kind" in trials:
        kinds = trials["kind"].fillna("not recorded").astype(str).to_numpy()
    levels = sorted(set(kinds))
    if len(levels) > 1:
        for kind in levels:
            asked.add_mixed(f"without {kind}", "kind", restrict(asked.design, kinds != kind))
    for family, column in (("source", "source_id"), ("dog", "dog_id")):
        labels = trials[column].astype(str).to_numpy()
        every = sorted(set(labels))
        if len(every) < 3:
            continue
        chosen = _to_refit(asked, labels, every)
        if len(chosen) < len(every):
            asked.notes.append(
                f"of {len(every):,} {family}s only the {len(chosen)} that seem to weigh most "
                "were left out in turn"
            )
        for label in chosen:
            asked.add_mixed(
                f"without {family} {label}",
                family,
                restrict(asked.design, labels != label),
                quick=True,
            )


def _to_refit(asked: _Asked, labels: np.ndarray, every: Sequence[str]) -> list[str]:
    """Which levels to leave out: all, or in a large unit those whose one-step influence is most."""
    room = max(_TRIALS_REFITTED // max(len(labels), 1), 3)
    if len(every) <= room:
        return list(every)
    design, mixed = asked.design, asked.fit.mixed
    assert mixed is not None
    eta, _ = linear_predictor(design, mixed)
    scores = design.x * (design.y - special.expit(eta))[:, None]
    codes = pd.Categorical(labels, categories=list(every)).codes
    pull = np.zeros(len(every))
    for term in asked.terms:
        column = design.column_of(term)
        moved = scores @ mixed.cov[:, column] / np.sqrt(mixed.cov[column, column])
        pull = np.maximum(pull, np.abs(np.bincount(codes, weights=moved, minlength=len(every))))
    order = np.argsort(-pull, kind="stable")[:room]
    return [every[k] for k in sorted(order)]


def _agree(term: ExposureName, rows: Sequence[Specification]) -> Agreement:
    main = rows[0]
    assert main.log_odds is not None
    assert main.low is not None
    assert main.high is not None
    rising = main.log_odds > 0.0
    ways: list[tuple[str, list[Specification]]] = []
    for row in rows[1:]:
        if row.log_odds is not None and row.family not in ("source", "dog"):
            ways.append((row.name, [row]))
    for family in ("source", "dog"):
        members = [r for r in rows if r.family == family and r.log_odds is not None]
        if members:
            ways.append((f"without each {family} in turn", members))
    against = tuple(name for name, members in ways if not all(_same(r, rising) for r in members))
    clear_too = sum(all(_clear(r, rising) for r in members) for _, members in ways)
    same = len(ways) - len(against)
    unsure = tuple(
        name
        for name, members in ways
        if name not in against and not all(_clear(r, rising) for r in members)
    )
    clear = _clear(main, rising)
    return Agreement(term, rising, clear, len(ways), same, clear_too, unsure, against)


def _same(row: Specification, rising: bool) -> bool:
    return row.log_odds is not None and (row.log_odds > 0.0) == rising


def _clear(row: Specification, rising: bool) -> bool:
    limit = row.low if rising else row.high
    return limit is not None and (limit > 0.0 if rising else limit < 0.0)
