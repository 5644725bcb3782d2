"""The trials and the columns of a model of finds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.shapes import LINE, Shape
from outcomes.analysis.finds.terms import NUMBERS, UNLOGGED, values_of
from outcomes.analysis.finds.usable_trials import kinds_of
from outcomes.analysis.results import ExposureName, LeftOut
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.separation import is_separated

EXPOSURES: tuple[ExposureName, ...] = tuple(CYCLES_AND_AGE)
# Of a trial's terms, those that belong to the source and not to dog or conditions.
OF_THE_SOURCE = (
    *CYCLES_AND_AGE,
    *(UNLOGGED, "frozen_share", "use_ratio", "kind", "first_mass_g", "freezer_c"),
)
# What a prediction for one source takes from its own records: a source that is never thawed has
# no hours since a thaw, whatever the trials were that stand for dogs and conditions.
SET_BY_THE_SOURCE = (*OF_THE_SOURCE, "hours_since_thaw")
OTHER_KINDS = "_of_other_kinds"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the design: (value - reference) / divisor of a transformed covariate.

    ``term`` is the contract's name, ``unit`` what one step of the column means;
    ``contrast`` is None for numbers, else (level, reference level); ``shape`` is what an
    exposure's values are put into first, ``kinds`` the kinds of source it is of (None: all; 0 for
    the others).
    """

    name: str
    term: str
    unit: str
    reference: float
    divisor: float
    contrast: tuple[str, str] | None
    shape: Shape = LINE
    kinds: tuple[str, ...] | None = None

    @property
    def of(self) -> str:
        """The covariate it is of: of a column for other kinds, the exposure itself."""
        return self.term.removesuffix(OTHER_KINDS)

    def includes(self, kind: object) -> bool:
        """Whether it is of this kind of source; a missing kind is "not recorded"."""
        if self.kinds is None:
            return True
        missing = kind is None or kind is pd.NA or kind != kind
        return ("not recorded" if missing else str(kind)) in self.kinds

    def at(self, exposure: np.ndarray | float) -> np.ndarray:
        """The column where the exposure it is of has these values, in their form."""
        return np.asarray((self.shape.values(exposure) - self.reference) / self.divisor)


@dataclass(frozen=True, slots=True)
class Design:
    """Trials and terms of a model of finds.

    Attributes
    ----------
    trials
        The n trials used, in the order handed over.
    y
        1 = find, 0 = miss, shape (n,).
    x
        Design matrix, shape (n, 1 + columns), intercept first.
    columns
        Its columns after the intercept.
    groups
        Grouping → label per trial; groupings that can be estimated, widest question first.
    left_out
        Terms, groupings and trials the model does without, with the reason.
    copies
        Exposures that carry exactly the same information as another: name → that other.
    separated
        Whether some combination of columns parts finds from misses without overlap.
    """

    trials: pd.DataFrame
    y: np.ndarray
    x: np.ndarray
    columns: tuple[Column, ...]
    groups: Mapping[str, np.ndarray]
    left_out: tuple[LeftOut, ...]
    copies: Mapping[str, str]
    separated: bool

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns of ``x``."""
        return ("(Intercept)", *(c.name for c in self.columns))

    def column_of(self, term: str) -> int | None:
        """Position in ``x`` of a term with a single column; None if it is not there."""
        for position, column in enumerate(self.columns, start=1):
            if column.term == term and column.contrast is None:
                return position
        return None

    @property
    def shapes(self) -> dict[ExposureName, Shape]:
        """Exposures that are in the model in a shape other than a straight line."""
        return {e: c.shape for e in EXPOSURES for c in self.columns if c.term == e and c.shape.bent}

    def with_shapes(self, shapes: Mapping[ExposureName, Shape]) -> Design:
        """The same with exposures in other shapes; those it does without are passed over."""
        x, columns = self.x.copy(), list(self.columns)
        kinds = kinds_of(self.trials)
        for position, old in enumerate(self.columns, start=1):
            shape = next((s for e, s in shapes.items() if e == old.of), None)
            if shape is None or old.contrast is not None:
                continue
            made = shaped_column(old.of, shape)  # type: ignore[arg-type]
            column = replace(made, name=old.name, term=old.term, kinds=old.kinds)
            columns[position - 1] = column
            own = True if old.kinds is None else np.isin(kinds, old.kinds)
            x[:, position] = column.at(self.trials[old.of].to_numpy(dtype=float)) * own
        return replace(self, x=x, columns=tuple(columns), separated=is_separated(self.y, x))

    def with_kinds(self, exposure: ExposureName, kinds: Sequence[str]) -> Design:
        """The same with an exposure's column for these kinds of source and one for all others."""
        position = self.column_of(exposure)
        if position is None:
            return self
        of_trials = kinds_of(self.trials)
        others = tuple(sorted(set(of_trials.tolist()) - set(kinds)))
        both = [
            replace(self.columns[position - 1], kinds=tuple(kinds)),
            replace(
                self.columns[position - 1],
                name=exposure + OTHER_KINDS,
                term=exposure + OTHER_KINDS,
                kinds=others,
            ),
        ]
        values = self.x[:, position]
        of_kinds = [np.isin(of_trials, names) for names in (list(kinds), list(others))]
        split = np.column_stack([values * own for own in of_kinds])
        x = np.hstack([self.x[:, :position], split, self.x[:, position + 1 :]])
        columns = (*self.columns[: position - 1], *both, *self.columns[position:])
        return replace(self, x=x, columns=columns, separated=is_separated(self.y, x))

    def kinds_along(self, exposure: ExposureName) -> tuple[str, ...] | None:
        """Kinds that the exposure's own column is of; None where it is of all."""
        position = self.column_of(exposure)
        return None if position is None else self.columns[position - 1].kinds

    def column_for(self, exposure: str, kind: object) -> int | None:
        """Position in ``x`` of an exposure for a kind of source; None if it is not there."""
        for position, column in enumerate(self.columns, start=1):
            if column.of == exposure and column.contrast is None and column.includes(kind):
                return position
        return None

    def logged_from_the_start(self) -> Design:
        """The same trials as if no storage log began late: for what is told of a new source."""
        column = self.column_of(UNLOGGED)
        if column is None:
            return self
        x = self.x.copy()
        x[:, column] = 0.0
        return replace(self, x=x)


EXPOSURE_COLUMNS: Mapping[str, Column] = {
    name: Column(name, name, NUMBERS[name].unit, 0.0, NUMBERS[name].divisor, None)
    for name in CYCLES_AND_AGE
}


def shaped_column(exposure: ExposureName, shape: Shape) -> Column:
    """The column of an exposure in a shape, and what one step of it is."""
    line, knot = EXPOSURE_COLUMNS[exposure], shape.knot
    if shape.kind == "line":
        return line
    if knot is None:
        counted = "cycles" if exposure == "cycles" else "days of age"
        return replace(line, unit=f"doubling of 1 + {counted}", divisor=1.0, shape=shape)
    at = f"{knot:g} cycles" if exposure == "cycles" else f"{knot:.0f} days of age"
    if shape.kind == "step":
        return replace(line, unit=f"past {at}", divisor=1.0, shape=shape)
    until = "up to" if shape.kind == "levels off" else "past"
    return replace(line, unit=f"{line.unit}, {until} {at}", shape=shape)


@dataclass(frozen=True, slots=True)
class Counted:
    """The trials that a model of finds rests on.

    Attributes
    ----------
    n, misses, dogs, sources
        Trials, misses among them, and the dogs and sources they are of.
    """

    n: int
    misses: int
    dogs: int
    sources: int


def count_design(design: Design) -> Counted:
    """Count the trials of a design, fitted or not."""
    return Counted(
        n=len(design.y),
        misses=len(design.y) - int(design.y.sum()),
        dogs=int(design.trials["dog_id"].nunique()),
        sources=int(design.trials["source_id"].nunique()),
    )


def column_values(column: Column, trials: pd.DataFrame) -> np.ndarray:
    """Give a column of a design to any trials, shape (n,).

    Parameters
    ----------
    column
        Of a design planned before, on other trials perhaps.
    trials
        Joined trials.

    Returns
    -------
    numpy.ndarray
        0, the reference, where the value is missing or the column is not
        there; a word that was merged with others when the design was planned
        counts as the reference.

    Examples
    --------
    >>> wind = Column("wind_m_s", "wind_m_s", "1 m/s", 2.0, 1.0, None)
    >>> column_values(wind, pd.DataFrame({"wind_m_s": [5.0, np.nan]}))
    array([3., 0.])
    """
    if column.term not in trials:
        return np.zeros(len(trials))
    if column.contrast is not None:
        words = trials[column.term].fillna("not recorded").astype(str)
        return np.asarray((words == column.contrast[0]).to_numpy(dtype=float))
    values = values_of(column.term, trials).to_numpy(dtype=float)
    return np.asarray(np.nan_to_num(column.at(values), nan=0.0))
