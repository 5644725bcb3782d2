"""Which terms a model of false alerts can carry, beside the dogs.

It compares trials within dogs; so a term is news only if it varies within them. What stays out is
returned with its reason.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from outcomes.analysis.finds.terms import UNLOGGED, unlogged_days
from outcomes.analysis.finds.usable_trials import on_late_logs
from outcomes.analysis.results import LeftOut
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE

EVENTS_PER_TERM = 10
_LEAST_PER_WORD = 5
_MOST_MISSING = 0.10
_NEW_INFORMATION = (
    1e-6  # share of a term's variation within dogs that the terms before it leave over
)


def _as_is(values: pd.Series) -> pd.Series:
    return values.astype(float)


def _doublings_of_minutes(values: pd.Series) -> pd.Series:
    minutes = values.astype(float).clip(lower=1.0)
    return pd.Series(np.log2(minutes.to_numpy()), index=values.index)


def _doublings_of_trials(values: pd.Series) -> pd.Series:
    return pd.Series(np.log2(values.astype(float).to_numpy() + 1.0), index=values.index)


# Column → (unit of one step, size of that step, scale). Exposures first, then what is most
# often entangled with storage; the units are those of the model of finds.
_NUMBERS: dict[str, tuple[str, float, Callable[[pd.Series], pd.Series]]] = {
    **{e.name: (e.unit, e.divisor, _as_is) for e in CYCLES_AND_AGE.values()},
    UNLOGGED: ("30 days", 30.0, unlogged_days),
    "frozen_share": ("0.1", 0.1, _as_is),
    "set_min": ("doubling", 1.0, _doublings_of_minutes),
    "temperature_c": ("10 °C", 10.0, _as_is),
    "humidity_pct": ("10 %", 10.0, _as_is),
    "wind_m_s": ("1 m/s", 1.0, _as_is),
    "experience": ("doubling", 1.0, _doublings_of_trials),
}
_WORDS = ("kind", "blinding", "setting", "placement")
_ORDER = (
    *CYCLES_AND_AGE,
    UNLOGGED,
    "kind",
    "frozen_share",
    "set_min",
    "blinding",
    "setting",
    "placement",
    "temperature_c",
    "humidity_pct",
    "wind_m_s",
    "experience",
)


@dataclass(frozen=True, slots=True)
class Condition:
    """One column of the design: the contract's term, and what one step of it means."""

    term: str
    unit: str


@dataclass(frozen=True, slots=True)
class Conditions:
    """Terms that a model can carry.

    Attributes
    ----------
    trials
        The n trials with every condition in use on record, in the order handed over.
    columns
        The p terms, exposures first.
    x
        Their values, shape (n, p), centred at their means.
    left_out
        Terms and trials the model does without, and why.
    copies
        Exposure → term that carries the same information within dogs.
    """

    trials: pd.DataFrame
    columns: tuple[Condition, ...]
    x: np.ndarray
    left_out: tuple[LeftOut, ...]
    copies: dict[str, str]


@dataclass(slots=True)
class _Chosen:
    """Terms accepted so far: the working state of one call of :func:`choose_conditions`."""

    dogs: pd.Series
    informative: pd.Series
    room: int
    columns: list[Condition] = field(default_factory=list)
    accepted: list[pd.Series] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    copies: dict[str, str] = field(default_factory=dict)

    def refuse(self, term: str, reason: str) -> None:
        self.left_out.append(LeftOut(term, reason))

    def within_dogs(self, values: pd.Series, rows: pd.Series) -> np.ndarray:
        kept = values[rows]
        return (kept - kept.groupby(self.dogs[rows]).transform("mean")).to_numpy()

    def copy_of(self, values: pd.Series) -> str | None:
        """What already says the same within dogs; None if it is news."""
        rows = values.notna()
        for before in self.accepted:
            rows &= before.notna()
        own = self.within_dogs(values, rows)
        total = float(((values[rows] - values[rows].mean()) ** 2).sum())
        if float(own @ own) <= _NEW_INFORMATION * total or total == 0.0:
            return "the dog"
        if not self.accepted:
            return None
        others = np.column_stack([self.within_dogs(v, rows) for v in self.accepted])
        left = own - others @ np.linalg.lstsq(others, own, rcond=None)[0]
        if float(left @ left) > _NEW_INFORMATION * float(own @ own):
            return None
        for column, other in zip(self.columns, others.T, strict=True):
            both = (own @ own) * (other @ other)
            if both and (own @ other) ** 2 >= (1 - _NEW_INFORMATION) * both:
                return column.term
        return "the other terms together"

    def try_number(self, name: str, values: pd.Series) -> None:
        unit, step, scale = _NUMBERS[name]
        missing = int(values.isna().sum())
        if missing == len(values):
            self.refuse(name, "not recorded")
            return
        if missing > _MOST_MISSING * len(values):
            self.refuse(name, f"missing in {missing:,} of {len(values):,} trials")
            return
        scaled = scale(values) / step
        if scaled.max() == scaled.min():
            self.refuse(name, "the same in every trial used")
            return
        if self.room < 1:
            self.refuse(name, self.no_room(1))
            return
        other = self.copy_of(scaled)
        if other is not None:
            self.refuse(name, f"carries the same information as {other} in these records")
            if name in CYCLES_AND_AGE:
                self.copies[name] = other
            return
        self.accept(Condition(name, unit), scaled)

    def try_words(self, name: str, values: pd.Series) -> None:
        if values.isna().all():
            self.refuse(name, "not recorded")
            return
        words = values.fillna("not recorded").astype(str)
        counts = words[self.informative].value_counts()
        levels = sorted(words.unique(), key=lambda word: (-int(counts.get(word, 0)), word))
        enough = [word for word in levels if counts.get(word, 0) >= _LEAST_PER_WORD]
        if len(levels) < 2:
            self.refuse(name, "the same in every trial used")
            return
        if len(enough) < 2:
            self.refuse(name, f"fewer than {_LEAST_PER_WORD} results in all words but one")
            return
        if len(enough) - 1 > self.room:
            self.refuse(name, self.no_room(len(enough) - 1))
            return
        reference = enough[0]
        few = [word for word in levels if word not in enough]
        if few:
            self.refuse(
                f"{name}: {', '.join(sorted(few))}",
                f"fewer than {_LEAST_PER_WORD} results; counted with {reference}",
            )
        for word in enough[1:]:
            indicator = (words == word).astype(float)
            other = self.copy_of(indicator)
            if other is not None:
                self.refuse(f"{name}: {word}", f"carries the same information as {other}")
                continue
            self.accept(Condition(name, f"{word} against {reference}"), indicator)

    def no_room(self, wanted: int) -> str:
        parameters = "one more term" if wanted == 1 else f"{wanted} more terms"
        return f"would need {parameters} than {EVENTS_PER_TERM} results for each allow"

    def accept(self, column: Condition, values: pd.Series) -> None:
        self.columns.append(column)
        self.accepted.append(values)
        self.room -= 1


def _too_few_late(trials: pd.DataFrame) -> str | None:
    late = trials[on_late_logs(trials)]
    if len(late) < _LEAST_PER_WORD:
        return f"fewer than {_LEAST_PER_WORD} results on sources whose storage log begins late"
    if late["source_id"].nunique() < 2:
        return "only one source whose storage log begins late"
    return None


def choose_conditions(trials: pd.DataFrame, informative: pd.Series) -> Conditions:
    """Choose the terms that these trials can tell about, exposures first.

    A term enters if its column is there, is missing in at most one trial in
    ten, varies within dogs, is not a copy of terms before it, and leaves ten
    informative trials to every term. A word that fewer than five of them bear
    is counted with the commonest one.

    Parameters
    ----------
    trials
        Joined trials with ``dog_id``; an exposure that is missing leaves its
        trial out.
    informative
        True for the trials that carry a result (a false alert), same index.

    Returns
    -------
    Conditions
    """
    chosen = _Chosen(
        dogs=trials["dog_id"],
        informative=informative,
        room=int(informative.sum()) // EVENTS_PER_TERM,
    )
    for name in _ORDER:
        if name not in trials or (name == UNLOGGED and not on_late_logs(trials).any()):
            continue
        if name == UNLOGGED and (short := _too_few_late(trials[informative.to_numpy()])):
            chosen.refuse(name, short)
            continue
        if name in _WORDS:
            chosen.try_words(name, trials[name])
        else:
            chosen.try_number(name, trials[name].astype(float))
    complete = pd.Series(True, index=trials.index)
    for values in chosen.accepted:
        complete &= values.notna()
    lacking = int((~complete).sum())
    if lacking:
        chosen.refuse("trials", f"{lacking:,} of them: a condition in use is missing")
    x = np.column_stack(
        [np.zeros((int(complete.sum()), 0)), *(v[complete].to_numpy() for v in chosen.accepted)]
    )
    return Conditions(
        trials=trials[complete],
        columns=tuple(chosen.columns),
        x=x - x.mean(axis=0) if len(x) else x,
        left_out=tuple(chosen.left_out),
        copies=chosen.copies,
    )
