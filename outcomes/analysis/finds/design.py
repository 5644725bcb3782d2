"""Which trials and which terms a model of finds can use, and what it must do without.

Pure planning: a frame of joined trials in, a :class:`Design` out. The rules are
those of the methods page: a term enters if its column is there, varies, is not
missing too often, says something new, and leaves at least five finds and five
misses for every parameter. Whatever stays out is returned with its reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.shapes import LINE, Shape
from outcomes.analysis.finds.terms import NUMBERS, ORDER, WORDS, values_of
from outcomes.analysis.finds.terms import UNLOGGED as UNLOGGED
from outcomes.analysis.finds.terms import unlogged_days as unlogged_days
from outcomes.analysis.results import ExposureName, LeftOut
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.separation import is_separated
from outcomes.records.checking.rules import LATE_LOG_DAYS

EXPOSURES: tuple[ExposureName, ...] = tuple(CYCLES_AND_AGE)
# Of a trial's terms, those that belong to the source and not to dog or conditions.
OF_THE_SOURCE = (
    *CYCLES_AND_AGE,
    *(UNLOGGED, "frozen_share", "use_ratio", "kind", "first_mass_g", "freezer_c"),
)
OTHER_KINDS = "_of_other_kinds"
PER_PARAMETER = 5
_MOST_MISSING = 0.10
_NEW_INFORMATION = 1e-6  # 1 - R² of a column on those before it; below this it is a copy
_SOURCES_BEYOND_TERMS = 4  # sources there must be beyond the terms that tell them apart
_TOO_FEW_SOURCES = (
    "too few sources: fewer than 4 would be left beyond the terms that tell them apart"
)
_SOURCES_FOR_USE_RATIO = 15  # a term that differs between sources alone is learnt from sources


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


def on_late_logs(trials: pd.DataFrame) -> np.ndarray:
    """Trials on sources whose storage log begins late, shape (n,), bool.

    Parameters
    ----------
    trials
        Joined trials; without ``undocumented_days``, or where it is missing, none.

    Examples
    --------
    >>> on_late_logs(pd.DataFrame({"undocumented_days": [30.0, 31.0, np.nan]}))
    array([False,  True, False])
    """
    if UNLOGGED not in trials:
        return np.zeros(len(trials), dtype=bool)
    return np.asarray((trials[UNLOGGED] > LATE_LOG_DAYS).to_numpy(dtype=bool))


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


def kinds_of(trials: pd.DataFrame) -> np.ndarray:
    """Kind of each trial's source, shape (n,); "not recorded" where it is missing."""
    if "kind" not in trials:
        return np.full(len(trials), "not recorded", dtype=object)
    return np.asarray(trials["kind"].fillna("not recorded").astype(str).to_numpy())


def unassisted_hides(trials: pd.DataFrame) -> pd.DataFrame:
    """Trials with a source, of finds and misses, in which the dog was not helped."""
    hides = trials[trials["result"].isin(["find", "miss"]) & trials["source_id"].notna()]
    if "assisted" not in hides:
        return hides
    return hides[~hides["assisted"].astype("boolean").fillna(False).astype(bool)]


def usable_trials(trials: pd.DataFrame) -> tuple[pd.DataFrame, tuple[LeftOut, ...]]:
    """Hide trials that were not assisted and whose source's storage is on record.

    Parameters
    ----------
    trials
        Joined trials.

    Returns
    -------
    trials, left_out
        The trials that can tell about storage, and how many cannot, by reason.
    """
    hides = trials[trials["result"].isin(["find", "miss"]) & trials["source_id"].notna()]
    left_out: list[LeftOut] = []
    if "assisted" in hides:
        assisted = hides["assisted"].fillna(False).astype(bool)
        if assisted.any():
            left_out.append(LeftOut("trials", f"{_trials(assisted.sum())}: the dog was helped"))
            hides = hides[~assisted]
    documented = hides["documented"].fillna(False).astype(bool)
    if not documented.all():
        count = int((~documented).sum())
        reason = f"{_trials(count)}: the storage log does not say where the source was by then"
        left_out.append(LeftOut("trials", reason))
        hides = hides[documented]
    unknown = hides[list(CYCLES_AND_AGE)].isna().any(axis=1)
    if unknown.any():
        left_out.append(
            LeftOut("trials", f"{_trials(unknown.sum())}: cycles or age could not be derived")
        )
        hides = hides[~unknown]
    return hides, tuple(left_out)


def plan_design(
    trials: pd.DataFrame,
    *,
    exposures: Sequence[ExposureName] = EXPOSURES,
    without: Sequence[str] = (),
) -> Design:
    """Choose trials, terms and groupings for a model of finds.

    Parameters
    ----------
    trials
        Joined trials (contract columns, exposures, ``experience``, ``documented``).
    exposures
        Exposures asked about, in order of precedence.
    without
        Terms not to try, for questions asked in another way.

    Returns
    -------
    Design
        With an empty ``columns`` and ``y`` where no trial is usable.
    """
    frame, left_out = usable_trials(trials)
    chosen = _Chosen(frame, list(left_out))
    for exposure in exposures:
        chosen.try_number(exposure, exposure=True)
    for name in ORDER:
        if name in without or (name == UNLOGGED and not on_late_logs(frame).any()):
            continue
        if name in WORDS:
            chosen.try_words(name)
        else:
            chosen.try_number(name, exposure=False)
    return chosen.design()


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


def _trials(count: int) -> str:
    return "1 trial" if count == 1 else f"{int(count):,} trials"


class _Chosen:
    """Terms accepted so far: the working state of one call of :func:`plan_design`."""

    def __init__(self, frame: pd.DataFrame, left_out: list[LeftOut]) -> None:
        self.frame = frame
        self.left_out = left_out
        self.copies: dict[str, str] = {}
        self.columns: list[Column] = []
        self.values: list[pd.Series] = []
        self.missing = pd.Series(False, index=frame.index)
        finds = int((frame["result"] == "find").sum())
        self.budget = min(finds, len(frame) - finds) // PER_PARAMETER
        self.source_budget = int(frame["source_id"].nunique()) - 1 - _SOURCES_BEYOND_TERMS

    def refuse(self, term: str, reason: str) -> None:
        self.left_out.append(LeftOut(term, reason))

    def try_number(self, name: str, *, exposure: bool) -> None:
        if name not in self.frame:
            return
        plan = NUMBERS[name]
        values = values_of(name, self.frame)
        reason = self.unusable(name, values, plan.least_spread)
        if reason is not None:
            self.refuse(name, reason)
            return
        reference = plan.reference
        if reference is None:
            reference = float(np.round(values.median(), 2))
        scaled = (values - reference) / plan.divisor
        copy_of = self.copy_of(scaled)
        if copy_of is not None:
            if exposure:
                self.copies[name] = copy_of
            self.refuse(name, f"carries the same information as {copy_of} in these records")
            return
        column = Column(name, plan.term, plan.unit, reference, plan.divisor, None)
        self.accept([column], [scaled])

    def try_words(self, name: str) -> None:
        if name not in self.frame or self.frame[name].isna().all():
            return
        levels, reason = self.word_levels(name)
        if reason is not None:
            self.refuse(name, reason)
            return
        counts = levels.value_counts()
        ordered = sorted(counts.index, key=lambda level: (-counts[level], level))
        reference, others = ordered[0], ordered[1:]
        if len(others) > self.budget - len(self.columns):
            self.refuse(name, self.too_many(len(others)))
            return
        if self.too_few_sources(name, len(others)):
            self.refuse(name, _TOO_FEW_SOURCES)
            return
        columns, values = [], []
        for level in others:
            indicator = (levels == level).astype(float)
            if self.copy_of(indicator) is not None:
                self.refuse(f"{name}: {level}", "carries the same information as other terms")
                continue
            unit = f"{level} against {reference}"
            columns.append(Column(f"{name}: {level}", name, unit, 0.0, 1.0, (level, reference)))
            values.append(indicator)
        self.accept(columns, values)

    def word_levels(self, name: str) -> tuple[pd.Series, str | None]:
        """Levels with enough finds and misses; the others together, or a reason to leave out."""
        levels = self.frame[name].fillna("not recorded").astype(str)
        found = self.frame["result"] == "find"
        enough = [
            level
            for level, of_level in found.groupby(levels)
            if of_level.sum() >= PER_PARAMETER and (~of_level).sum() >= PER_PARAMETER
        ]
        small = ~levels.isin(enough)
        if small.any():
            merged = levels.where(~small, "any other")
            of_small = found[small]
            if min(of_small.sum(), (~of_small).sum()) < PER_PARAMETER:
                # Too few even together: counted with the commonest level, and said.
                commonest = levels[~small].mode()
                if commonest.empty:
                    return levels, "too few finds or misses in every category"
                merged = levels.where(~small, str(commonest.iloc[0]))
                names = ", ".join(sorted(levels[small].unique()))
                self.refuse(f"{name}: {names}", "fewer than 5 finds or 5 misses; not told apart")
            levels = merged
        if levels.nunique() < 2:
            return levels, "the same in every trial used" if not small.any() else (
                "fewer than 5 finds or 5 misses in all categories but one"
            )
        return levels, None

    def unusable(self, name: str, values: pd.Series, least_spread: float) -> str | None:
        if values.isna().all():
            return "not recorded"
        share = float(values.isna().mean())
        if share > _MOST_MISSING:
            return f"missing in {_trials(int(values.isna().sum()))} of {len(values):,}"
        if values.max() == values.min():
            return "the same in every trial used"
        told = values[self.frame[name].notna()]
        if least_spread and float(told.quantile(0.95) - told.quantile(0.05)) < least_spread:
            return "hardly varies between the trials used"
        if name == UNLOGGED and (short := self.too_few_late(~self.missing)):
            return short
        if name == "use_ratio" and self.frame["source_id"].nunique() < _SOURCES_FOR_USE_RATIO:
            return f"fewer than {_SOURCES_FOR_USE_RATIO} sources to learn it from"
        if self.budget - len(self.columns) < 1:
            return self.too_many(1)
        return _TOO_FEW_SOURCES if self.too_few_sources(name, 1) else None

    def too_few_late(self, kept: pd.Series) -> str | None:
        """Why sources whose log begins late cannot have a term, as a word could not; else None."""
        late = self.frame[kept.to_numpy() & on_late_logs(self.frame)]
        finds = int((late["result"] == "find").sum())
        if min(finds, len(late) - finds) < PER_PARAMETER:
            return "fewer than 5 finds or 5 misses on sources whose storage log begins late"
        if late["source_id"].nunique() < 2:
            return "only one source whose storage log begins late"
        return None

    def too_few_sources(self, name: str, wanted: int) -> bool:
        """Whether a term that tells sources apart would leave too few to learn it from.

        Exposures count, and are never refused: without them there is no question.
        """
        taken = sum(column.of in OF_THE_SOURCE for column in self.columns)
        tells = name in OF_THE_SOURCE and name not in CYCLES_AND_AGE
        return tells and taken + wanted > self.source_budget

    def too_many(self, wanted: int) -> str:
        return (
            f"would need {wanted} more parameter{'s' if wanted > 1 else ''} than "
            f"{PER_PARAMETER} finds and {PER_PARAMETER} misses for each allow"
        )

    def copy_of(self, values: pd.Series) -> str | None:
        """Name of the accepted term(s) that already say the same; None if it is news."""
        rows = ~(self.missing | values.isna())
        v = values[rows].to_numpy()
        v = v - v.mean()
        total = float(v @ v)
        if total == 0.0:
            return "the constant"
        if not self.values:
            return None
        before = np.column_stack([np.ones(len(v)), *(s[rows].to_numpy() for s in self.values)])
        left = v - before @ np.linalg.lstsq(before, v, rcond=None)[0]
        if float(left @ left) / total > _NEW_INFORMATION:
            return None
        for column, accepted in zip(self.columns, self.values, strict=True):
            w = accepted[rows].to_numpy()
            w = w - w.mean()
            if 1.0 - (v @ w) ** 2 / (total * float(w @ w)) <= _NEW_INFORMATION:
                return column.name
        return "the other terms together"

    def accept(self, columns: Sequence[Column], values: Sequence[pd.Series]) -> None:
        for column, series in zip(columns, values, strict=True):
            self.columns.append(column)
            self.values.append(series)
            self.missing = self.missing | series.isna()

    def settle(self) -> None:
        """Drop terms that the loss of trials with a missing condition left without ground.

        Terms are accepted one by one; the trials a later one costs may leave an
        earlier one constant, a copy, with one result only, or over the budget.
        """
        while self.columns:
            kept = ~self.missing
            bad = next(
                ((j, why) for j in range(len(self.columns)) if (why := self.spoilt(j, kept))), None
            )
            if bad is None:
                finds = int((self.frame.loc[kept, "result"] == "find").sum())
                self.budget = min(finds, int(kept.sum()) - finds) // PER_PARAMETER
                if len(self.columns) <= max(self.budget, 0):
                    return
                last = self.columns[-1].term
                dropped = [j for j, c in enumerate(self.columns) if c.term == last]
                self.refuse(last, self.too_many(len(dropped)))
            else:
                dropped = [bad[0]]
                self.refuse(self.columns[bad[0]].name, bad[1])
            self.columns = [c for j, c in enumerate(self.columns) if j not in dropped]
            self.values = [v for j, v in enumerate(self.values) if j not in dropped]
            self.missing = pd.Series(False, index=self.frame.index)
            for series in self.values:
                self.missing = self.missing | series.isna()

    def spoilt(self, j: int, kept: pd.Series) -> str | None:
        """Why a column says nothing among the trials kept; None if it does."""
        values = self.values[j][kept].to_numpy(dtype=float)
        if len(values) == 0 or values.max() == values.min():
            return "the same in every trial without a missing condition"
        if self.columns[j].term == UNLOGGED and (short := self.too_few_late(kept)):
            return short
        if self.columns[j].contrast is not None:
            found = (self.frame["result"] == "find")[kept].to_numpy()[values == 1.0]
            if found.all() or not found.any():
                return "found, or missed, in every trial without a missing condition"
        before = np.column_stack(
            [np.ones(len(values)), *(s[kept].to_numpy(dtype=float) for s in self.values[:j])]
        )
        centred = values - values.mean()
        left = centred - before @ np.linalg.lstsq(before, centred, rcond=None)[0]
        if float(left @ left) <= _NEW_INFORMATION * float(centred @ centred):
            return "carries the same information as other terms where no condition is missing"
        return None

    def design(self) -> Design:
        if self.missing.any():
            self.settle()
        kept = ~self.missing
        if not kept.all():
            self.refuse("trials", f"{_trials((~kept).sum())}: a condition in use is missing")
        frame = self.frame[kept]
        y = (frame["result"] == "find").to_numpy(dtype=float)
        ones = np.ones(len(frame))
        x = np.column_stack([ones, *(s[kept].to_numpy(dtype=float) for s in self.values)])
        groups = self.groups(frame)
        return Design(
            trials=frame,
            y=y,
            x=x,
            columns=tuple(self.columns),
            groups=groups,
            left_out=tuple(self.left_out),
            copies=self.copies,
            separated=is_separated(y, x),
        )

    def groups(self, frame: pd.DataFrame) -> dict[str, np.ndarray]:
        groups: dict[str, np.ndarray] = {}
        for name, column in (("dog", "dog_id"), ("source", "source_id")):
            labels = frame[column].astype(str).to_numpy()
            if len(set(labels)) > 1:
                groups[name] = labels
            else:
                self.refuse(f"differences between {name}s", f"only one {name} in the trials used")
        for name, column in (("hide", "hide_id"), ("session", "session_id")):
            if column not in frame or frame[column].isna().any():
                continue
            labels = frame[column].astype(str).to_numpy()
            sizes = pd.Series(labels).value_counts()
            shared = int(sizes[sizes > 1].sum())
            if len(sizes) < PER_PARAMETER or shared < len(frame) / 2:
                continue
            if any(_same_partition(labels, other) for other in groups.values()):
                continue
            groups[name] = labels
            break
        return groups


def _same_partition(a: np.ndarray, b: np.ndarray) -> bool:
    pairs = pd.DataFrame({"a": a, "b": b}).drop_duplicates()
    return len(pairs) == pairs["a"].nunique() == pairs["b"].nunique()


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
