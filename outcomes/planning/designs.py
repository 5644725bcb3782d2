"""The designs behind one face: laid out, their error, their power by simulation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np
import pandas as pd

from outcomes.errors import PlanError
from outcomes.models.power import detectable
from outcomes.planning.document import Arm, Kind, Per, Question, Rates
from outcomes.planning.layout import Effort, Search
from outcomes.planning.lot import Lot
from outcomes.planning.members import FEWEST_PAIRS, Member, Pair
from outcomes.planning.paired_design import PairedLayout, hides_of, lay_out_pairs
from outcomes.planning.power import Hides, expected_error, information_share, simulate_power
from outcomes.planning.shelf_design import DAYS_OF_AGE, Shelf, ShelfLayout, lay_out_shelf, shelf_of
from outcomes.planning.shelf_rows import (
    ShelfRows,
    freedom_of,
    rows_of,
    shelf_power,
    weight_of,
)
from outcomes.planning.shelf_rows import information_share as shelf_share
from outcomes.planning.unit import HeldSource, UnitFacts
from outcomes.text import count

Chance = tuple[float, float, float]
"""A share and its Monte Carlo limits."""

_MOST_PAIRS = 24
_AS_GOOD = 1.03  # times the smallest effect found, for which no more pairs are taken
_YEAR_DAYS = 365.25


class LaidOut(Protocol):
    """A plan of one design for one effort, as numbers."""

    @property
    def effort(self) -> Effort:
        """What it takes."""

    @property
    def searches(self) -> tuple[Search, ...]:
        """Every search in order."""

    @property
    def thaws(self) -> tuple[tuple[int, ...], ...]:
        """By unit, days on which it is thawed."""

    @property
    def per(self) -> Per:
        """What the effect is of."""

    @property
    def span(self) -> float:
        """Largest difference that it sets apart: cycles, 30 days; 1 for storage."""

    @property
    def freedom(self) -> int:
        """Of the t test."""

    def arm_of(self, unit: int) -> Arm | None:
        """The arm of a unit."""

    def std_error(self, effect: float) -> float:
        """Expected, at the planning values."""

    def power(self, effect: float, level: float, runs: int, rng: np.random.Generator) -> Chance:
        """By simulation."""

    def share_by(self, effect: float) -> Callable[[int], float]:
        """Share of the information that stands at the end of a day."""


class Designer(Protocol):
    """A question and a design for one unit."""

    @property
    def question(self) -> Question:
        """What is asked."""

    @property
    def kind(self) -> Kind:
        """The design."""

    @property
    def members(self) -> tuple[Member, ...]:
        """The units in order of their number."""

    @property
    def size(self) -> int:
        """Pairs, or sources on the shelf."""

    def lay_out(self, effort: Effort, size: int | None = None) -> LaidOut:
        """Lay out an effort, with another number of pairs where one is given."""


@dataclass(frozen=True, eq=False)
class PairedOut:
    """A plan of pairs as numbers."""

    layout: PairedLayout
    question: Question
    rates: Rates

    @cached_property
    def hides(self) -> Hides:
        """Its hide trials."""
        return hides_of(self.layout, self.question)

    @property
    def effort(self) -> Effort:
        """What it takes."""
        return self.layout.effort

    @property
    def searches(self) -> tuple[Search, ...]:
        """Every search in order."""
        return self.layout.searches

    @property
    def thaws(self) -> tuple[tuple[int, ...], ...]:
        """By unit, days on which it is thawed."""
        return self.layout.thaws

    @property
    def per(self) -> Per:
        """What the effect is of."""
        return "freezer" if self.question == "storage" else "cycle"

    @property
    def span(self) -> float:
        """Largest difference between arms."""
        return float(self.hides.apart.max())

    @property
    def freedom(self) -> int:
        """Pairs less one."""
        return len(self.layout.often) - 1

    def arm_of(self, unit: int) -> Arm | None:
        """By the side that the lot drew."""
        first = self.layout.often[unit // 2] == unit % 2
        if self.question == "storage":
            return "freezer" if first else "refrigerator"
        return "often" if first else "seldom"

    def std_error(self, effect: float) -> float:
        """Expected, at the planning values."""
        return expected_error(self.hides, self.rates, effect)

    def power(self, effect: float, level: float, runs: int, rng: np.random.Generator) -> Chance:
        """By simulation."""
        return simulate_power(self.hides, self.rates, effect, level, runs, rng)

    def share_by(self, effect: float) -> Callable[[int], float]:
        """Share of the information that stands at the end of a day."""
        hides = self.hides
        return lambda day: information_share(hides, hides.until(day), self.rates, effect)


@dataclass(frozen=True)
class PairedDesigner:
    """Pairs by lot: portions of a source, or like sources."""

    question: Question
    kind: Kind
    pairs: tuple[Pair, ...]
    rates: Rates
    seed: int

    @property
    def members(self) -> tuple[Member, ...]:
        """The units in order of their number."""
        return tuple(member for pair in self.pairs for member in pair)

    @property
    def size(self) -> int:
        """Number of pairs."""
        return len(self.pairs)

    def lay_out(self, effort: Effort, size: int | None = None) -> PairedOut:
        """Lay out an effort, with another number of pairs where one is given.

        Raises
        ------
        PlanError
            Thaws allowed are too few to use the sources, or to set the arms apart.
        """
        layout = lay_out_pairs(Lot(self.seed), effort, size or self.size, self.question)
        out = PairedOut(layout, self.question, self.rates)
        if out.span <= 0.0:
            raise PlanError(
                f"A source may be thawed {count(effort.thaws_a_month, 'time')} in four weeks and "
                "is used as often, so that both of a pair would be thawed alike. "
                "Allow more thaws, or plan fewer trials a week or more sources."
            )
        return out

    def with_best(
        self, effort: Effort, effect_of: Callable[[LaidOut], float], alpha: float
    ) -> PairedDesigner:
        """As many of the pairs as find the smallest effect, by formula; fewer where more do little.

        Parameters
        ----------
        effort
            Of the plan.
        effect_of
            What a layout looks for.
        alpha
            Two-sided level.

        Raises
        ------
        PlanError
            No number of them can be laid out.
        """
        most = min(self.size, _MOST_PAIRS)
        tried: list[tuple[float, int]] = []
        problem: PlanError | None = None
        # What is looked for must not depend on the number of pairs that look for it.
        effect: float | None = None
        for number in sorted({*range(FEWEST_PAIRS, most, 2), most}, reverse=True):
            try:
                out = self.lay_out(effort, number)
            except PlanError as refused:
                problem = refused
                continue
            effect = effect_of(out) if effect is None else effect
            tried.append((detectable(out.std_error(effect), out.freedom, alpha), number))
        if not tried:
            assert problem is not None
            raise problem
        best = min(smallest for smallest, _ in tried)
        enough = min(number for smallest, number in tried if smallest <= best * _AS_GOOD)
        return replace(self, pairs=self.pairs[:enough])


@dataclass(frozen=True, eq=False)
class ShelfOut:
    """A plan of a shelf as numbers."""

    layout: ShelfLayout
    shelf: Shelf
    past: pd.DataFrame
    rates: Rates
    dogs: tuple[str, ...]

    @cached_property
    def rows(self) -> ShelfRows:
        """Past and planned hide trials."""
        planned = []
        for search in self.layout.searches:
            if search.unit < 0:
                continue
            source = self.shelf.sources[search.unit]
            thaws = sum(day <= search.day for day in self.layout.thaws[search.unit])
            planned.append(
                (
                    source.source_id,
                    self.dogs[search.dog],
                    source.cycles + thaws,
                    source.age_days + self.shelf.lead + search.day,
                    search.day,
                )
            )
        names = ["source_id", "dog_id", "cycles", "age_days", "day"]
        kinds = {source.source_id: source.kind for source in self.shelf.sources}
        return rows_of(self.past, pd.DataFrame(planned, columns=names), kinds, self.shelf.lead)

    @property
    def effort(self) -> Effort:
        """What it takes."""
        return self.layout.effort

    @property
    def searches(self) -> tuple[Search, ...]:
        """Every search in order."""
        return self.layout.searches

    @property
    def thaws(self) -> tuple[tuple[int, ...], ...]:
        """By source, days on which it is thawed."""
        return self.layout.thaws

    @property
    def per(self) -> Per:
        """What the effect is of."""
        return "cycle" if self.shelf.target == 0 else "30 days"

    @property
    def span(self) -> float:
        """Most cycles that a source goes through in the plan; a year of age."""
        if self.shelf.target == 1:
            return _YEAR_DAYS / DAYS_OF_AGE
        return float(max(map(len, self.layout.thaws)))

    @property
    def freedom(self) -> int:
        """Sources that go through more of it, less two."""
        return freedom_of(self.shelf, self.layout.thaws, self.shelf.target)

    def arm_of(self, unit: int) -> Arm | None:
        """None is drawn."""
        return None

    def std_error(self, effect: float) -> float:
        """Expected from within-source information."""
        return self.layout.std_error

    def power(self, effect: float, level: float, runs: int, rng: np.random.Generator) -> Chance:
        """By simulation."""
        return shelf_power(self.rows, self.shelf.target, self.rates, effect, level, runs, rng)

    def share_by(self, effect: float) -> Callable[[int], float]:
        """Share of the information that the plan adds which stands at the end of a day."""
        rows, target = self.rows, self.shelf.target
        return lambda day: shelf_share(rows, rows.until(day), target)


@dataclass(frozen=True, eq=False)
class ShelfDesigner:
    """The shelf, on days chosen so that cycles and age come apart."""

    question: Question
    shelf: Shelf
    past: pd.DataFrame
    rates: Rates
    seed: int
    dogs: tuple[str, ...]
    kind: Kind = "shelf"

    @property
    def members(self) -> tuple[Member, ...]:
        """The sources."""
        return tuple(
            Member(source_id=source.source_id, parent=source, is_portion=False)
            for source in self.shelf.sources
        )

    @property
    def size(self) -> int:
        """Number of sources."""
        return len(self.shelf.sources)

    def lay_out(self, effort: Effort, size: int | None = None) -> ShelfOut:
        """Lay out an effort; the shelf holds what it holds.

        Raises
        ------
        PlanError
            Another number of sources is asked for.
        """
        if size not in (None, self.size):
            raise PlanError("What other sources would have been through is not known.")
        layout = lay_out_shelf(Lot(self.seed), effort, self.shelf)
        return ShelfOut(layout, self.shelf, self.past, self.rates, self.dogs)


def shelf_designer(
    unit: UnitFacts,
    question: Question,
    sources: tuple[HeldSource, ...],
    dogs: tuple[str, ...],
    lead: int,
    seed: int,
) -> ShelfDesigner:
    """The shelf design of these sources and dogs of a unit."""
    target = 0 if question == "cycles" else 1
    shelf = shelf_of(sources, unit.past, target, weight_of(unit.rates), lead)
    return ShelfDesigner(question, shelf, unit.past, unit.rates, seed, dogs)
