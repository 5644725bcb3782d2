"""Draws of what the model does not know, and what each source would do under each of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from outcomes.analysis.finds.design import SET_BY_THE_SOURCE, Design
from outcomes.analysis.finds.model import FindFit, at_each_spread
from outcomes.analysis.finds.usable_trials import kinds_of
from outcomes.analysis.results import ExposureName
from outcomes.models.averaged_probability import normal_nodes
from outcomes.models.mixed_result import MixedFit
from outcomes.random_streams import random_stream

DRAWS = 1_000
_STANDING = 60  # trials that stand for the unit's dogs and conditions
_GRID = 41
_NODES = 7
_AT_ONCE = 100

Effects = dict[str, tuple[pd.Index, np.ndarray]]


@dataclass(frozen=True, slots=True)
class SourceDraws:
    """Draws from the joint distribution of fixed effects, dogs and sources.

    Attributes
    ----------
    design
        The design of the fit.
    own
        Columns of it that belong to the source, not to dog or conditions.
    beta
        Fixed effects, shape (draws, p).
    effects
        Grouping → its levels, and their effects, shape (draws, levels).
    others
        Log-odds that dog and conditions add in the standing trials, shape (draws, 60).
    spread
        Standard deviation of what remains open in a future trial (session or hide).
    """

    design: Design
    own: np.ndarray
    beta: np.ndarray
    effects: Effects
    others: np.ndarray
    spread: float

    def states(self, rows: np.ndarray, some: slice) -> np.ndarray:
        """Log-odds of the source in some trials of the design, shape (draws, rows)."""
        x = self.design.x[np.ix_(rows, self.own)]
        labels = group_labels(self.design, "source")[rows]
        return np.asarray(
            self.beta[some][:, self.own] @ x.T + effects_of(self.effects, "source", labels, some)
        )

    def averaged(self, rows: np.ndarray, some: slice) -> np.ndarray:
        """Find probability of the source in those trials, over all dogs and conditions."""
        return averaged_over(self.states(rows, some), self.others[some], self.spread)

    def averaged_along(self, states: Sequence[np.ndarray]) -> list[np.ndarray]:
        """Find probability at states of several sources, over all dogs and conditions.

        Parameters
        ----------
        states
            Of each source, shape (draws, k), as :meth:`along` gives them.
        """
        if not states:
            return []
        found = averaged_over(np.hstack(states), self.others, self.spread)
        return np.split(found, np.cumsum([one.shape[1] for one in states])[:-1], axis=1)

    def along(
        self,
        source: str,
        today: Mapping[str, float | None],
        exposure: ExposureName,
        at: np.ndarray,
    ) -> np.ndarray:
        """Log-odds of one source as one exposure goes on, shape (draws, len(at)).

        Parameters
        ----------
        source
            A source with trials in the design; kind and storage are those of the latest.
        today
            Its exposures now; the one asked about may be among them.
        exposure, at
            Which goes on, and its values, shape (k,).

        Returns
        -------
        ndarray
            To be averaged by :meth:`averaged_along`.
        """
        position = self.design.column_for(exposure, self._kind_of(source))
        assert position is not None
        plan = self.design.columns[position - 1]
        x = np.repeat(self._row_of(source, today)[None, :], len(at), axis=0)
        x[:, position] = plan.at(at)
        return self._states_of(source, x)

    def now(self, source: str, today: Mapping[str, float | None]) -> np.ndarray:
        """Find probability of one source as it is today, shape (draws,).

        Parameters
        ----------
        source, today
            As for :meth:`along`.
        """
        states = self._states_of(source, self._row_of(source, today)[None, :])
        return averaged_over(states, self.others, self.spread)[:, 0]

    def _row_of(self, source: str, today: Mapping[str, float | None]) -> np.ndarray:
        rows = np.flatnonzero(group_labels(self.design, "source") == source)
        started = self.design.trials["started_at"].to_numpy()[rows]
        row: np.ndarray = self.design.x[rows[int(np.argmax(started))]].copy()
        kind = self._kind_of(source)
        for name, value in today.items():
            column = self.design.column_for(name, kind)
            if column is not None and value is not None:
                plan = self.design.columns[column - 1]
                row[column] = float(plan.at(value))
        return row

    def _kind_of(self, source: str) -> str:
        rows = np.flatnonzero(group_labels(self.design, "source") == source)
        return str(kinds_of(self.design.trials.iloc[rows[:1]])[0])

    def _states_of(self, source: str, x: np.ndarray) -> np.ndarray:
        level = effects_of(self.effects, "source", np.array([source]), slice(None))
        return np.asarray(self.beta[:, self.own] @ x[:, self.own].T + level)


def draw_sources(fit: FindFit, draws: int = DRAWS) -> SourceDraws:
    """Draw fixed effects, dogs and sources together, for what is said of single sources.

    A multivariate t on sources minus two degrees of freedom, in antithetic pairs,
    seeded by the settings, at a plausible spread between sources
    (:attr:`~outcomes.analysis.finds.model.FindFit.each_source`), as the shelf is judged.

    Parameters
    ----------
    fit
        A fit with a model.
    draws
        How many.
    """
    assert fit.each_source is not None
    return _drawn(fit, ((1.0, fit.each_source),), draws)


def draw_over_spreads(fit: FindFit, draws: int = DRAWS) -> SourceDraws:
    """Draw them for what is summed over sources, such as how many are below the floor.

    The shelf asks them, too, how far limits of a single source must reach at least.

    As :func:`draw_sources`, but the spread between sources is drawn first, from what
    the records allow, and effects lie about the mean of what is open about them
    rather than about its peak (:func:`~outcomes.analysis.finds.model.at_each_spread`).

    Parameters
    ----------
    fit
        A fit with a model.
    draws
        How many.
    """
    return _drawn(fit, at_each_spread(fit), draws)


def _drawn(fit: FindFit, spreads: Sequence[tuple[float, MixedFit]], draws: int) -> SourceDraws:
    design = fit.design
    mixed = spreads[0][1] if len(spreads) == 1 else fit.mixed
    assert mixed is not None
    own = np.array(
        [j for j, c in enumerate(design.columns, start=1) if c.of in SET_BY_THE_SOURCE], dtype=int
    )
    rest = np.array([j for j in range(design.x.shape[1]) if j not in own])
    rng = random_stream(fit.settings.seed, "source spread")
    freedom = max(design.trials["source_id"].nunique() - 2, 1)
    pairs = _in_proportion((draws + 1) // 2, np.array([weight for weight, _ in spreads]))
    betas, some = [], []
    for (_, at_spread), number in zip(spreads, pairs.tolist(), strict=True):
        if number:
            drawn = draw_effects(at_spread, ("dog", "source"), freedom, 2 * number, rng)
            betas.append(drawn[0])
            some.append(drawn[1])
    beta = np.vstack(betas)[:draws]
    effects: Effects = {
        grouping: (levels, np.vstack([one[grouping][1] for one in some])[:draws])
        for grouping, (levels, _) in some[0].items()
    }
    dog = group_labels(design, "dog")
    standing = _evenly(design.x[:, rest] @ mixed.beta[rest] + _modes(mixed, "dog", dog))
    others = beta[:, rest] @ design.x[np.ix_(standing, rest)].T
    others = others + effects_of(effects, "dog", dog[standing], slice(None))
    spread = float(np.sqrt(sum(s**2 for g, s in mixed.sd.items() if g not in ("dog", "source"))))
    return SourceDraws(design, own, beta, effects, others, spread)


def _in_proportion(total: int, weight: np.ndarray) -> np.ndarray:
    """Whole numbers in proportion to the weights that add up to the total, shape of ``weight``."""
    return np.diff(np.round(total * np.append(0.0, np.cumsum(weight))).astype(int))


def group_labels(design: Design, grouping: str) -> np.ndarray:
    """Label of each trial; empty where the model does without the grouping."""
    return np.asarray(design.groups.get(grouping, np.full(len(design.y), "")))


def _modes(mixed: MixedFit, grouping: str, labels: np.ndarray) -> np.ndarray:
    if grouping not in mixed.effects:
        return np.zeros(len(labels))
    effects = mixed.effects[grouping]["effect"]
    return np.asarray(effects.reindex(pd.Index(labels)).fillna(0.0).to_numpy())


def _evenly(values: np.ndarray) -> np.ndarray:
    """Rows of at most 60 trials, evenly spaced in these values."""
    n, order = len(values), np.argsort(values, kind="stable")
    size = min(n, _STANDING)
    return np.asarray(order[((np.arange(size) + 0.5) * n / size).astype(int)])


def draw_effects(
    mixed: MixedFit,
    groupings: Sequence[str],
    freedom: float,
    draws: int,
    rng: np.random.Generator,
) -> tuple[np.ndarray, Effects]:
    """Fixed effects, shape (draws, p), and effects by grouping, shape (draws, levels).

    A grouping too large for the joint covariance is drawn level by level.
    """
    p = len(mixed.beta)
    rows = [k for k, (g, _) in enumerate(mixed.joint_names) if k < p or g in groupings]
    modes = [mixed.effects[g]["effect"].loc[level] for g, level in
             (mixed.joint_names[k] for k in rows[p:])]  # fmt: skip
    centre = np.concatenate([mixed.beta, modes])
    values, vectors = np.linalg.eigh(mixed.joint_cov[np.ix_(rows, rows)])
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    half = (draws + 1) // 2
    normal = rng.standard_normal((half, len(rows))) @ root.T
    normal *= np.sqrt(freedom / rng.chisquare(freedom, half))[:, None]
    drawn = centre + np.vstack([normal, -normal])[:draws]
    effects: Effects = {}
    for grouping in groupings:
        own = [i for i, k in enumerate(rows) if k >= p and mixed.joint_names[k][0] == grouping]
        if own:
            levels = pd.Index([mixed.joint_names[rows[i]][1] for i in own])
            effects[grouping] = levels, drawn[:, own]
        elif grouping in mixed.effects:
            frame = mixed.effects[grouping]
            some = rng.standard_normal((draws, len(frame))) * frame["std_error"].to_numpy()
            effects[grouping] = frame.index, frame["effect"].to_numpy() + some
    return drawn[:, :p], effects


def effects_of(effects: Effects, grouping: str, labels: np.ndarray, some: slice) -> np.ndarray:
    """Drawn effect of each label; 0 where the model does without the grouping."""
    if grouping not in effects:
        return np.zeros((1, len(labels)))
    levels, values = effects[grouping]
    return np.asarray(values[some][:, levels.get_indexer(pd.Index(labels))])


def averaged_over(states: np.ndarray, others: np.ndarray, spread: float) -> np.ndarray:
    """Find probability of each source state over all dogs and conditions, shape of ``states``.

    Smooth in the state: of more than 41, taken at 41 points and read off between them.
    """
    found = np.zeros(states.shape)
    for begin in range(0, len(states), _AT_ONCE):
        own, rest = states[begin : begin + _AT_ONCE], others[begin : begin + _AT_ONCE]
        if states.shape[1] <= _GRID:
            found[begin : begin + _AT_ONCE] = _mean_over(own, rest, spread)
            continue
        low, high = own.min(axis=1), own.max(axis=1)
        grid = np.linspace(low, np.maximum(high, low + 1e-9), _GRID, axis=1)
        rows = zip(own, grid, _mean_over(grid, rest, spread), strict=True)
        found[begin : begin + _AT_ONCE] = [np.interp(s, g, a) for s, g, a in rows]
    return found


def _mean_over(own: np.ndarray, rest: np.ndarray, spread: float) -> np.ndarray:
    """Mean find probability over the rest of the log-odds and a normal spread, shape of own."""
    nodes, weights = normal_nodes(_NODES if spread > 0.0 else 1)
    at = np.zeros(own.shape)
    for node, weight in zip(nodes, weights, strict=True):
        eta = own[:, :, None] + rest[:, None, :] + spread * node
        at += weight * special.expit(eta).mean(axis=2)
    return at
