"""One question asked in other ways: what each way gave, and how a model is refitted for it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import Column, Design
from outcomes.analysis.finds.model import FindFit, less_biased
from outcomes.analysis.finds.standard_errors import small_sample
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, ExposureName
from outcomes.models.clustered import ClusteredFit
from outcomes.models.distributions import normal_quantile, student_quantile
from outcomes.models.mixed import fit_mixed, idle_groupings
from outcomes.models.mixed_result import MixedFit

TOGETHER = 0.8  # correlation from which cycles and meetings are said to go together
_COPY = 1e-6
_NO_TERM = {
    "cycles": "cycles cannot be told from the other terms there, or do not vary",
    "age_days": "age cannot be told from the other terms there, or does not vary",
}


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
class Memory:
    """Earlier meetings of dog and source beside cycles.

    Attributes
    ----------
    log_odds, low, high, p
        Change in log-odds of a find per doubling of (1 + earlier meetings), with its interval at
        1 - alpha, in the main model with that term beside.
    cycles_with_it
        The effect of cycles there; None where the main model has none.
    correlation
        Of cycles and the logarithm of 1 + earlier meetings, in trials of sources that were thawed
        at all; None without cycles.
    changes_answer
        Whether the interval of cycles leaves out no change with meetings and not without, or the
        other way round, or on the other side.
    """

    log_odds: float
    low: float
    high: float
    p: float
    cycles_with_it: Specification | None
    correlation: float | None
    changes_answer: bool

    @property
    def together(self) -> bool:
        """Whether cycles and meetings go together so closely that they can hardly be told apart."""
        return self.correlation is not None and abs(self.correlation) >= TOGETHER


@dataclass(frozen=True, slots=True)
class Specifications:
    """All ways of asking.

    Attributes
    ----------
    rows
        Every specification, main first; those that could not be asked too.
    agreement
        Exposure → how far they agree; empty where there is no main model.
    alpha
        Intervals are at 1 - alpha.
    notes
        What was not tried for lack of time, and other limits.
    reason
        Why nothing was asked; None otherwise.
    memory
        Earlier meetings of dog and source beside cycles; None where that could not be asked.
    """

    rows: tuple[Specification, ...]
    agreement: Mapping[ExposureName, Agreement]
    alpha: float
    notes: tuple[str, ...]
    reason: str | None
    memory: Memory | None = None

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
class Asked:
    """Rows so far, and what every way needs: the working state of one call."""

    fit: FindFit
    terms: tuple[ExposureName, ...]
    factor: Mapping[str, float]
    rows: list[Specification] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def design(self) -> Design:
        """The main model's."""
        return self.fit.design

    def reach(self, freedom: float) -> float:
        """Half the width of an interval, in standard errors; normal where freedom is infinite."""
        quantile = 1.0 - self.fit.settings.alpha / 2.0
        if np.isfinite(freedom):
            return float(student_quantile(quantile, freedom))
        return float(normal_quantile(quantile))

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
        reach = self.reach(freedom)
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
        """Note a way that could not be asked, with the reason."""
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
            mixed = refit_other(design, self.fit.mixed, quick=quick)
        except FitError as error:
            self.refuse(name, family, str(error))
            return
        self.add_fitted(name, family, design, mixed, note)

    def add_fitted(
        self, name: str, family: str, design: Design, mixed: MixedFit, note: str = ""
    ) -> None:
        """A mixed model that was fitted; every exposure it still has."""
        size = size_of(design)
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
        """Add a way whose errors allow for clusters."""
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


def _unit(design: Design, term: str) -> str:
    column = design.column_of(term)
    return "" if column is None else design.columns[column - 1].unit


def size_of(design: Design) -> tuple[int, int]:
    """Trials and sources of a design."""
    return len(design.y), int(design.trials["source_id"].nunique())


def slope_factors(fit: FindFit) -> dict[str, float]:
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


def refit_other(design: Design, start: MixedFit | None, *, quick: bool) -> MixedFit:
    """The main model on another design; without errors, and faster, where ``quick``."""
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
    return with_columns(
        design,
        design.trials[keep],
        design.y[keep],
        design.x[keep],
        design.columns,
        {name: labels[keep] for name, labels in design.groups.items()},
    )


def with_columns(
    design: Design,
    trials: pd.DataFrame,
    y: np.ndarray,
    x: np.ndarray,
    columns: Sequence[Column],
    groups: Mapping[str, np.ndarray],
) -> Design:
    """A design of these trials and values, less the columns that say nothing among them."""
    usable = usable_columns(y, x, columns)
    return replace(
        design,
        trials=trials,
        y=y,
        x=x[:, [0, *usable]],
        columns=tuple(columns[j - 1] for j in usable),
        groups=groups,
    )


def usable_columns(y: np.ndarray, x: np.ndarray, columns: Sequence[Column]) -> list[int]:
    """Columns that vary and do not part finds from misses by themselves."""
    usable = []
    for j, column in enumerate(columns, start=1):
        if column.contrast is not None:
            of_level = y[x[:, j] == 1.0]
            if not len(of_level) or of_level.min() == of_level.max():
                continue
        usable.append(j)
    return [usable[k] for k in independent_columns(x[:, usable])]


def independent_columns(x: np.ndarray) -> list[int]:
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


def place_of(column: int | None, usable: Sequence[int], offset: int) -> int | None:
    """Where a column stands among the usable ones; None where it does not."""
    return None if column is None or column not in usable else usable.index(column) + offset


def means_by_source(x: np.ndarray, codes: np.ndarray) -> np.ndarray:
    """Mean over each row's cluster, same shape."""
    size = np.bincount(codes).astype(float)
    totals = np.column_stack([np.bincount(codes, weights=column) for column in x.T])
    means: np.ndarray = (totals / np.where(size == 0.0, 1.0, size)[:, None])[codes]
    return means
