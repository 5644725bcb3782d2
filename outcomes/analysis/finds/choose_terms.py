"""Which terms a model of finds can use, and what it must do without.

Joined trials in, a :class:`~outcomes.analysis.finds.design.Design` out. The rules are those of the
methods page: a term enters if its column is there, varies, is not missing too often, says something
new, and leaves at least five finds and five misses for every parameter. Whatever stays out is
returned with its reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import EXPOSURES, OF_THE_SOURCE, Column, Design
from outcomes.analysis.finds.terms import NUMBERS, ORDER, UNLOGGED, WORDS, values_of
from outcomes.analysis.finds.terms import unlogged_days as unlogged_days
from outcomes.analysis.finds.usable_trials import on_late_logs, usable_trials
from outcomes.analysis.results import ExposureName, LeftOut
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.separation import is_separated
from outcomes.text import count

PER_PARAMETER = 5
_MOST_MISSING = 0.10
_NEW_INFORMATION = 1e-6  # 1 - R² of a column on those before it; below this it is a copy
_SOURCES_BEYOND_TERMS = 4  # sources there must be beyond the terms that tell them apart
_TOO_FEW_SOURCES = (
    "too few sources: fewer than 4 would be left beyond the terms that tell them apart"
)
_SOURCES_FOR_USE_RATIO = 15  # a term that differs between sources alone is learnt from sources


def plan_design(
    trials: pd.DataFrame,
    *,
    exposures: Sequence[ExposureName] = EXPOSURES,
) -> Design:
    """Choose trials, terms and groupings for a model of finds.

    Parameters
    ----------
    trials
        Joined trials (contract columns, exposures, ``experience``, ``documented``).
    exposures
        Exposures asked about, in order of precedence.

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
        if name == UNLOGGED and not on_late_logs(frame).any():
            continue
        if name in WORDS:
            chosen.try_words(name)
        else:
            chosen.try_number(name, exposure=False)
    return chosen.design()


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
        columns: list[Column] = []
        values: list[pd.Series] = []
        for level in others:
            indicator = (levels == level).astype(float)
            alone = self.copy_of(indicator) is not None
            if alone or self.copy_of(indicator, [*zip(columns, values, strict=True)]) is not None:
                self.refuse(f"{name}: {level}", "carries the same information as other terms")
                # Two words left out in the same trials say the same once all levels but one
                # stand: with the other held the same, it is that level they stand against.
                reference = reference if alone else level
                continue
            columns.append(Column(f"{name}: {level}", name, "", 0.0, 1.0, (level, "")))
            values.append(indicator)
        named = [c.contrast[0] for c in columns if c.contrast is not None]
        against = [
            replace(column, unit=f"{level} against {reference}", contrast=(level, reference))
            for column, level in zip(columns, named, strict=True)
        ]
        self.accept(against, values)

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
            return f"missing in {count(int(values.isna().sum()), 'trial')} of {len(values):,}"
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

    def copy_of(
        self, values: pd.Series, beside: Sequence[tuple[Column, pd.Series]] = ()
    ) -> str | None:
        """Name of the term(s) accepted, or ``beside``, that already say the same; None: news."""
        together = [*zip(self.columns, self.values, strict=True), *beside]
        rows = ~(self.missing | values.isna())
        v = values[rows].to_numpy()
        v = v - v.mean()
        total = float(v @ v)
        if total == 0.0:
            return "the constant"
        if not together:
            return None
        before = np.column_stack([np.ones(len(v)), *(s[rows].to_numpy() for _, s in together)])
        left = v - before @ np.linalg.lstsq(before, v, rcond=None)[0]
        if float(left @ left) / total > _NEW_INFORMATION:
            return None
        for column, accepted in together:
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
            self.refuse(
                "trials", f"{count(int((~kept).sum()), 'trial')}: a condition in use is missing"
            )
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
