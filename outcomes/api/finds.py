"""What predicts finds: the fit, and the verdict on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from outcomes.analysis.finds.line_tests import RatioTest
from outcomes.analysis.finds.predict import predict_finds
from outcomes.analysis.results import FindEstimate
from outcomes.answers.facts import Facts
from outcomes.api.result import Result, unknown
from outcomes.api.unit import Joined, facts_of
from outcomes.models.distributions import student_quantile
from outcomes.text import count
from outcomes.wording.verdict import describe_verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEVEL = 0.95


def fit_finds(joined: Joined) -> Finds:
    """Fit what predicts a find: a logistic mixed model with crossed dog and source intercepts.

    Parameters
    ----------
    joined
        What ``unit.join()`` gives.

    Returns
    -------
    Finds

    Raises
    ------
    TypeError
        Anything else was given, such as a frame.

    Examples
    --------
    >>> import outcomes as oc
    >>> finds = oc.fit_finds(oc.read("synthetic_data").join())
    >>> bool(finds.params["cycles"] < 0)
    True
    """
    return Finds(facts_of(joined, Joined, "unit.join()"))


class Finds(Result):
    """What goes along with finds in a unit's hide trials.

    Effects are log-odds of a find; intervals are at 95 % unless another level is asked for.
    """

    def __init__(self, facts: Facts) -> None:
        self._facts = facts

    @property
    def sentence(self) -> str:
        """What the fit rests on, or why there is none."""
        fit = self._facts.fit
        if fit.mixed is None:
            return f"No model of finds: {fit.reason}."
        spread = ", ".join(f"{name} {sd:.2f}" for name, sd in fit.sd.items())
        return (
            f"Finds in {count(fit.n, 'hide trial')} ({count(fit.misses, 'miss', 'misses')}) of "
            f"{count(fit.dogs, 'dog')} and {count(fit.sources, 'source')}; log-odds with 95 % "
            f"intervals; standard deviations between: {spread}."
        )

    def term(self, name: str) -> FindEstimate:
        """One term, as ``finds.term("cycles")``.

        Raises
        ------
        KeyError
            The model has no such term; the message names the likely one.
        """
        for term in self._facts.fit.terms:
            if term.term == name:
                return term
        raise unknown("term", name, [t.term for t in self._facts.fit.terms])

    @property
    def params(self) -> pd.Series:
        """Log-odds of each term per its unit."""
        return self._series("log_ratio", "params")

    @property
    def bse(self) -> pd.Series:
        """Standard errors of :attr:`params`."""
        return self._series("std_error", "bse")

    @property
    def pvalues(self) -> pd.Series:
        """p-value of each term."""
        return self._series("p", "pvalues")

    def _series(self, of: str, name: str) -> pd.Series:
        terms = self._facts.fit.terms
        names = [column.name for column in self._facts.fit.design.columns][: len(terms)]
        return pd.Series([getattr(t, of) for t in terms], index=names, name=name, dtype=float)

    def conf_int(self, level: float = LEVEL) -> pd.DataFrame:
        """Limits of :attr:`params` at a level, columns ``low`` and ``high``.

        Parameters
        ----------
        level
            Between 0 and 1.

        Raises
        ------
        ValueError
            The level is not between 0 and 1.
        """
        if not 0.0 < level < 1.0:
            hint = f" Did you mean {level / 100:g}?" if 1.0 < level < 100.0 else ""
            raise ValueError(f"level {level:g} is not between 0 and 1.{hint}")
        freedom = self._facts.fit.freedom[1 : len(self.params) + 1]
        reach = np.asarray(student_quantile((1.0 + level) / 2.0, freedom)) * self.bse
        return pd.DataFrame({"low": self.params - reach, "high": self.params + reach})

    def predict(self, frame: pd.DataFrame | None = None) -> pd.Series:
        """Find probability of each trial; of the trials fitted if no frame is given.

        Parameters
        ----------
        frame
            With columns of joined trials: what is missing counts at its reference, a dog or a
            source that is missing or not known is averaged over.
        """
        fit = self._facts.fit
        return predict_finds(fit, fit.design.trials if frame is None else frame)

    def to_frame(self) -> pd.DataFrame:
        """One row a term: ``term``, ``unit``, log-odds, error, limits, p and finds of 100."""
        limits = self.conf_int()
        terms = self._facts.fit.terms
        return pd.DataFrame(
            {
                "term": [t.term for t in terms],
                "unit": [t.unit for t in terms],
                "log_odds": self.params,
                "std_error": self.bse,
                "low": limits["low"],
                "high": limits["high"],
                "p": self.pvalues,
                "finds_of_100": [t.points for t in terms],
            }
        )

    def _shown(self) -> pd.DataFrame:
        return self.to_frame().drop(columns=["term"])

    def summary(self) -> str:
        """The fit as text: every term, and what the model does without and why."""
        lines = [*self._lines()]
        lines += [f"left out: {x.term}: {x.reason}" for x in self._facts.fit.left_out]
        return "\n".join(lines)

    def plot(self, exposure: str | None = None, ax: Axes | None = None, **style: Any) -> Axes:
        """Finds against an exposure: the fitted line with its band, and what was observed.

        Parameters
        ----------
        exposure
            ``"cycles"`` or ``"age_days"``; None for the one the verdict names first.
        ax
            Axes to draw into; the current ones if not given.
        style
            Handed to the line, as to ``Axes.plot``.
        """
        from outcomes.draw.on_axes import plot_find_curve

        curves = self._facts.retirement.curves
        known = [curve.exposure for curve in curves]
        if exposure is not None and exposure not in known:
            raise unknown("curve by", exposure, list(known))
        shown = next(c for c in curves if exposure in (None, c.exposure))
        return plot_find_curve(shown, ax, **style)


def which_predicts(finds: Finds) -> Verdict:
    """Whether cycles or age goes along with changes in finds, both, or neither that can be told.

    Parameters
    ----------
    finds
        What :func:`fit_finds` gives.

    Examples
    --------
    >>> import outcomes as oc
    >>> verdict = oc.which_predicts(oc.fit_finds(oc.read("synthetic_data").join()))
    >>> verdict.verdict
    'cycles'
    """
    return Verdict(facts_of(finds, Finds, "fit_finds(joined)"))


class Verdict(Result):
    """Which of cycles and age predicts finds."""

    def __init__(self, facts: Facts) -> None:
        self._facts = facts

    @property
    def verdict(self) -> str:
        """``"cycles"``, ``"age"``, ``"both"``, ``"no change detected"``, and so on."""
        return self._facts.verdict.verdict

    @property
    def sentence(self) -> str:
        """The verdict in words."""
        return describe_verdict(self._facts.fit, self._facts.verdict, self._facts.retirement)

    def to_frame(self) -> pd.DataFrame:
        """The p-values behind it, one row."""
        v = self._facts.verdict

        def p_of(test: RatioTest | None) -> float:
            return np.nan if test is None else test.p

        return pd.DataFrame(
            {
                "verdict": [v.verdict],
                "joint_p": [p_of(v.joint)],
                "cycles_given_age_p": [p_of(v.cycles_given_age)],
                "age_given_cycles_p": [p_of(v.age_given_cycles)],
                "correlation": [v.correlation],
            }
        )
