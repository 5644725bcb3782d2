"""What is decided on finds: the limit, the shelf, and refrigerator or freezer."""

from __future__ import annotations

import datetime as dt
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.answers.facts import Facts
from outcomes.api.finds import Finds
from outcomes.api.result import Result, unknown
from outcomes.api.unit import facts_of, facts_with
from outcomes.wording.limit import describe_retirement
from outcomes.wording.next_step import describe_next_step
from outcomes.wording.shelf import describe_advice, describe_shelf
from outcomes.wording.storage_compared import describe_storage_compared

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MADE_BY = "fit_finds(joined)"


def find_threshold(
    finds: Finds, *, floor: float | None = None, confidence: float | None = None
) -> Limit:
    """Set the limit at which sources are to be tested or retired, from the unit's own finds.

    Parameters
    ----------
    finds
        What ``fit_finds(joined)`` gives.
    floor
        The lowest acceptable find probability; the unit's own (0.85) if not given.
    confidence
        Of the two-sided interval; the unit's own (0.90) if not given.

    Returns
    -------
    Limit

    Raises
    ------
    SettingValueError
        A floor or a confidence is out of bounds.

    Examples
    --------
    >>> import outcomes as oc
    >>> finds = oc.fit_finds(oc.read("synthetic_data").join())
    >>> limit = oc.find_threshold(finds, floor=0.8)
    >>> limit.by
    'cycles'
    >>> oc.find_threshold(finds, floor=80)
    Traceback (most recent call last):
    ...
    outcomes.errors.SettingValueError: floor = 80 cannot be used. Give a number strictly \
between 0 and 1: perhaps 0.80.
    """
    return Limit(facts_with(facts_of(finds, Finds, _MADE_BY), floor=floor, confidence=confidence))


class Limit(Result):
    """The limits that the verdict supports, the leading one first; none where it supports none.

    ``by``, ``estimate``, ``low``, ``high`` and ``retire_after`` are those of the first limit, in
    cycles or days; None where there is none.
    """

    def __init__(self, facts: Facts) -> None:
        self._facts = facts

    @property
    def sentence(self) -> str:
        """The limit in words, or why there is none."""
        return describe_retirement(self._facts.verdict, self._facts.retirement)

    def _first(self, name: str) -> Any:
        limits = self._facts.retirement.thresholds
        return getattr(limits[0], name) if limits else None

    @property
    def by(self) -> str | None:
        """``"cycles"`` or ``"age_days"``."""
        return self._first("by")  # type: ignore[no-any-return]

    @property
    def estimate(self) -> float | None:
        """Where finds are expected to fall to the floor."""
        return self._first("estimate")  # type: ignore[no-any-return]

    @property
    def low(self) -> float | None:
        """Lower limit of :attr:`estimate`."""
        return self._first("low")  # type: ignore[no-any-return]

    @property
    def high(self) -> float | None:
        """Upper limit of :attr:`estimate`."""
        return self._first("high")  # type: ignore[no-any-return]

    @property
    def retire_after(self) -> int | None:
        """The advised limit: up to here the unit can be sure of the floor."""
        return self._first("retire_after")  # type: ignore[no-any-return]

    def to_frame(self) -> pd.DataFrame:
        """One row a limit."""
        names = ("by", "floor", "confidence", "estimate", "low", "high", "retire_after",
                 "observed_to", "outcome")  # fmt: skip
        limits = self._facts.retirement.thresholds
        return pd.DataFrame({name: [getattr(t, name) for t in limits] for name in names})

    def curve(self, by: str | None = None) -> pd.DataFrame:
        """The line that a limit is read from: ``at``, ``find_probability``, ``low``, ``high``.

        Parameters
        ----------
        by
            ``"cycles"`` or ``"age_days"``; None for the leading one.
        """
        curves = self._facts.retirement.curves
        known = [c.exposure for c in curves]
        if by is not None and by not in known:
            raise unknown("curve by", by, list(known))
        c = next(c for c in curves if by in (None, c.exposure))
        return pd.DataFrame(
            {"at": c.at, "find_probability": c.probability, "low": c.low, "high": c.high}
        )

    def plot(self, ax: Axes | None = None, **style: Any) -> Axes:
        """The leading curve with the floor and the limit.

        Parameters
        ----------
        ax
            Axes to draw into; the current ones if not given.
        style
            Handed to the line, as to ``Axes.plot``.
        """
        from outcomes.draw.on_axes import plot_find_curve

        limits = self._facts.retirement.thresholds
        curve = limits[0].curve if limits else self._facts.retirement.curves[0]
        return plot_find_curve(
            curve, ax, floor=self._facts.settings.floor, limit=self.retire_after, **style
        )


def shelf(finds: Finds, *, as_of: str | dt.date | pd.Timestamp | None = None,
          floor: float | None = None) -> Shelf:  # fmt: skip
    """Judge every source held on a day: keep, test or retire.

    Parameters
    ----------
    finds
        What ``fit_finds(joined)`` gives.
    as_of
        The day; that of the last trial if not given.
    floor
        The lowest acceptable find probability; the unit's own (0.85) if not given.

    Raises
    ------
    SettingValueError
        The floor is out of bounds.
    ValueError
        ``as_of`` is not a date.

    Examples
    --------
    >>> import outcomes as oc
    >>> finds = oc.fit_finds(oc.read("synthetic_data").join())
    >>> oc.shelf(finds).to_frame()["advice"].isin(["keep", "test", "retire"]).all().item()
    True
    """
    return Shelf(facts_with(facts_of(finds, Finds, _MADE_BY), as_of=as_of, floor=floor))


class Shelf(Result):
    """Every source held, with its advice, what to act on first on top."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts

    @property
    def sentence(self) -> str:
        """How many there are of each advice."""
        return describe_shelf(self._facts.shelf, self._facts.retirement)

    def to_frame(self) -> pd.DataFrame:
        """One row a source: its state, find probability with limits, advice, reason, next step."""
        floor = self._facts.settings.floor
        names = [f.name for f in fields(ShelfSource)]
        frame = pd.DataFrame([[getattr(s, n) for n in names] for s in self._facts.shelf])
        frame.columns = pd.Index(names)
        frame["reason"] = [describe_advice(s, floor) for s in self._facts.shelf]
        steps = {step.source_id: describe_next_step(step) for step in self._facts.next_steps}
        frame["next_step"] = [steps.get(s.source_id) for s in self._facts.shelf]
        return frame

    def _shown(self) -> pd.DataFrame:
        names = ["source_id", "kind", "cycles", "trials", "find_probability", "low", "high",
                 "advice"]  # fmt: skip
        frame = self.to_frame()
        return frame[names] if len(frame) else frame

    def plot(self, ax: Axes | None = None, **style: Any) -> Axes:
        """Each source's find probability with its limits, against the floor.

        Parameters
        ----------
        ax
            Axes to draw into; the current ones if not given.
        style
            Handed to the dots, as to ``Axes.plot``.
        """
        from outcomes.draw.on_axes import plot_shelf

        return plot_shelf(self._facts.shelf, self._facts.settings.floor, ax, **style)


def compare_storage(finds: Finds) -> Storage:
    """Compare refrigerated with frozen, over the unit's own trials.

    Parameters
    ----------
    finds
        What ``fit_finds(joined)`` gives.
    """
    return Storage(facts_of(finds, Finds, _MADE_BY))


class Storage(Result):
    """Refrigerated against frozen, as find probabilities; intervals at the unit's confidence."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts
        self._told = facts.comparison.at(facts.settings.confidence)

    @property
    def sentence(self) -> str:
        """The difference in words, or why there is none."""
        return describe_storage_compared(self._told)

    def to_frame(self) -> pd.DataFrame:
        """One row for all kinds compared, then one a kind; empty where nothing is compared."""
        c = self._told
        found = {} if c.difference is None else {"all kinds": c.difference, **c.by_kind}
        names = ("refrigerated", "frozen", "risk_difference", "low", "high", "p")
        frame = pd.DataFrame(
            {name: [getattr(d, name) for d in found.values()] for name in names}, dtype=float
        )
        frame.index = pd.Index(list(found), name="kind")
        return frame

    def plot(self, ax: Axes | None = None, **style: Any) -> Axes:
        """The difference with its interval, over all and by kind.

        Parameters
        ----------
        ax
            Axes to draw into; the current ones if not given.
        style
            Handed to the dots, as to ``Axes.plot``.
        """
        from outcomes.draw.on_axes import plot_storage

        return plot_storage(self._told, ax, **style)
