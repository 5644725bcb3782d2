"""The next trials by lot."""

from __future__ import annotations

from dataclasses import asdict, fields, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.answers.planned import plan_request
from outcomes.api.result import Result, unknown
from outcomes.api.unit import Joined, facts_of
from outcomes.planning.document import Plan
from outcomes.planning.make import make_plan
from outcomes.planning.unit import unit_facts
from outcomes.settings import PlanSettings
from outcomes.wording.plan import with_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def plan(joined: Joined, *, floor: float | None = None, seed: int | None = None,
         **asked: Any) -> PlannedTrials:  # fmt: skip
    """Plan the next trials by lot, so that the records can answer.

    Parameters
    ----------
    joined
        What ``unit.join()`` gives.
    floor
        Finds that matter: the change looked for ends here; the unit's own (0.85) if not given.
    seed
        Of everything drawn; the unit's own if not given.
    asked
        Any field of :class:`~outcomes.settings.PlanSettings`, such as ``question`` (``"storage"``,
        ``"cycles"`` or ``"age"``), ``weeks``, ``trials_per_week``, ``design``, ``sources``; the
        unit's own where not given.

    Raises
    ------
    KeyError
        Something is asked that a plan does not have.
    PlanError
        The unit cannot carry out such a plan; the text says why and what would mend it.
    SettingValueError
        A value is out of bounds.

    Examples
    --------
    >>> import outcomes as oc
    >>> planned = oc.plan(oc.read("synthetic_data").join(), question="storage", weeks=12)
    >>> planned.power().columns.tolist()
    ['weeks', 'trials', 'power', 'low', 'high', 'std_error', 'smallest']
    """
    facts = facts_of(joined, Joined, "unit.join()")
    known = [field.name for field in fields(PlanSettings)]
    for name in asked:
        if name not in known:
            raise unknown("setting of a plan", name, known)
    wanted = replace(facts.plan_settings, **asked)
    decisions = facts.settings.with_options(floor=floor, seed=seed)
    unit = unit_facts(facts.records, facts.joined)
    return PlannedTrials(with_words(make_plan(unit, plan_request(wanted, decisions))))


class PlannedTrials(Result):
    """A plan: who searches what on which day, and how often such a plan would find the change.

    ``to_frame()`` holds which source lies where and how it is treated: it is the key. What is
    printed does not. The command ``outcomes plan`` writes the sheets for people.
    """

    def __init__(self, made: Plan) -> None:
        self._plan = made

    @property
    def sentence(self) -> str:
        """What the plan would show."""
        return self._plan.sentence

    def power(self) -> pd.DataFrame:
        """Power by weeks: the share of such plans that would find the change, with limits."""
        return pd.DataFrame([asdict(point) for point in self._plan.power])

    def to_frame(self) -> pd.DataFrame:
        """One row a planned trial, in order: the key."""
        return pd.DataFrame([asdict(trial) for trial in self._plan.trials])

    def _shown(self) -> pd.DataFrame:
        return self.power()

    def plot(self, ax: Axes | None = None, **style: Any) -> Axes:
        """Power over weeks, with the limits of the simulation.

        Parameters
        ----------
        ax
            Axes to draw into; the current ones if not given.
        style
            Handed to the line, as to ``Axes.plot``.
        """
        from outcomes.draw.on_axes import plot_power

        return plot_power(self._plan.power, ax, **style)
