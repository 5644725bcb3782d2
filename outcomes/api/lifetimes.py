"""How long sources stay reliable."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.answers.facts import Facts
from outcomes.api.result import Result
from outcomes.api.unit import Joined, facts_of
from outcomes.wording.lifetime import describe_lifetime

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def fit_lifetimes(joined: Joined) -> Lifetimes:
    """Follow each source until it counts as unreliable (Kaplan-Meier, with late entry).

    Parameters
    ----------
    joined
        What ``unit.join()`` gives.

    Examples
    --------
    >>> import outcomes as oc
    >>> curve = oc.fit_lifetimes(oc.read("synthetic_data").join()).to_frame()
    >>> bool(curve["reliable"].between(0.0, 1.0).all())
    True
    """
    return Lifetimes(facts_of(joined, Joined, "unit.join()"))


class Lifetimes(Result):
    """The share of sources still reliable, by days held and by how they are kept.

    Some meet the rule for unreliable by chance alone: the sentence says how many would.
    """

    def __init__(self, facts: Facts) -> None:
        self._facts = facts

    @property
    def sentence(self) -> str:
        """How many met the rule, how many would by chance, and when half of each group had."""
        return describe_lifetime(self._facts.lifetime)

    @property
    def followed(self) -> pd.DataFrame:
        """One row a source followed: days and cycles at entry and exit, and how it ended."""
        return self._facts.lifetime.followed.copy()

    def to_frame(self) -> pd.DataFrame:
        """The curves: a row for each step of each group."""
        points = self._facts.lifetime.curve
        names = {"group": "group", "time": "days_held", "probability": "reliable", "low": "low",
                 "high": "high", "at_risk": "at_risk"}  # fmt: skip
        return pd.DataFrame({ours: [getattr(p, of) for p in points] for of, ours in names.items()})

    def plot(self, ax: Axes | None = None, **style: Any) -> Axes:
        """The curves as steps, with their bands.

        Parameters
        ----------
        ax
            Axes to draw into; the current ones if not given.
        style
            Handed to the lines, as to ``Axes.step``.
        """
        from outcomes.draw.on_axes import plot_lifetimes

        return plot_lifetimes(self._facts.lifetime, ax, **style)
