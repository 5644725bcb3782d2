"""Early warning: is a source, or a dog, missed more often of late than it should be?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.results import LeftOut
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.cusum import (
    ALIKE,
    CHARTS,
    Charted,
    chart_values,
    limit_for,
    miss_scores,
    simulate_highest,
)
from outcomes.models.mixed_result import MixedFit
from outcomes.models.one_effect import posterior_of_effect
from outcomes.random_streams import random_stream
from outcomes.settings import DecisionSettings, EarlyWarning
from outcomes.text import count

FEWEST_TRIALS = 10  # of one source or dog; on fewer a chart could say nothing
# Log-odds: a spread estimated as nothing is not known to be nothing.
_LEAST_SPREAD = 0.3
_MOST_EARLIER = 1000  # trials that its own effect is learnt from: more tell nothing new


@dataclass(frozen=True, slots=True)
class WatchedTrial:
    """One trial on a chart.

    ``expected`` is the probability of a find had nothing changed, ``score``
    what it adds to the chart, ``value`` the chart after it.
    """

    trial_id: str
    started_at: pd.Timestamp
    source_id: str
    dog_id: str
    found: bool
    expected: float
    score: float
    value: float


@dataclass(frozen=True, slots=True)
class Chart:
    """The chart of one source or one dog, over its last trials.

    Attributes
    ----------
    of, name
        ``"source"`` or ``"dog"``, and its id.
    limit
        Where the chart speaks.
    trials
        In order of time; at most ``within`` of them.
    earlier
        Number of trials before those, by which its own effect is known.
    misses, expected_misses
        Over the trials charted.
    value
        After the last trial.
    past_since
        Trial by which the chart first passed the limit; None where it did not.
    moved_by
        The misses that took the chart to its highest value, the heaviest first.
    by_chance, seen
        Share of simulated runs of these trials that pass the limit: while nothing
        changes, and where the odds of a find are divided by the change looked for.
    """

    of: str
    name: str
    limit: float
    trials: tuple[WatchedTrial, ...]
    earlier: int
    misses: int
    expected_misses: float
    value: float
    past_since: WatchedTrial | None
    moved_by: tuple[WatchedTrial, ...]
    by_chance: float
    seen: float

    @property
    def back_below(self) -> bool:
        """Whether it passed its limit and has come back."""
        return self.past_since is not None and self.value <= self.limit


@dataclass(frozen=True, slots=True)
class Watch:
    """Charts of every source and every dog.

    Attributes
    ----------
    sources, dogs
        Charts, in order of id.
    past
        Those that passed their limit: sources, then dogs, in order of id.
    odds_ratio
        The change the charts look for: odds of a miss so many times as high.
    false_call, within
        A chart on which nothing changes passes its limit within ``within``
        trials in at most this share of cases (by simulation).
    left_out
        Charts and trials it does without, and why.
    reason
        Why there are no charts; None where there are.
    """

    sources: tuple[Chart, ...]
    dogs: tuple[Chart, ...]
    past: tuple[Chart, ...]
    odds_ratio: float
    false_call: float
    within: int
    left_out: tuple[LeftOut, ...]
    reason: str | None

    @property
    def charts(self) -> tuple[Chart, ...]:
        """All of them, sources first."""
        return (*self.sources, *self.dogs)

    @property
    def by_chance(self) -> float:
        """How many charts would pass their limit if nothing changed."""
        return sum(chart.by_chance for chart in self.charts)

    def seen(self, of: str) -> float | None:
        """Share of changes looked for that the charts would see; None without a chart."""
        own = [chart.seen for chart in self.charts if chart.of == of]
        return float(np.mean(own)) if own else None


def watch(fit: FindFit) -> Watch:
    """Chart the last trials of every source and every dog against what was to be expected.

    What is expected of a trial comes from the model of finds with everything in it:
    cycles and age, conditions, sources and dogs. For the chart of a dog all of it is
    taken as it stands but the dog's own effect, which is learnt from the dog's trials
    before those on its chart; so worn sources do not make a dog look bad. For the
    chart of a source the roles are exchanged: what is worn as others of its cycles
    and age is expected, and what goes beyond that is charted.

    Each trial adds the logarithm of the likelihood ratio of odds of a miss
    ``odds_ratio`` times as high; the chart begins at zero and does not fall below. Its
    limit is set by 600 simulated runs of the same trials, with the effect drawn from
    its posterior and with sessions, or hides, that differ as the model says. Where the
    reliability rule asks for qualified dogs, so does the chart of a source; trials on a
    source that had passed its limit by then are not held against a dog.

    Parameters
    ----------
    fit
        A fit of finds; its ``settings.early_warning``, ``rule.qualified_only`` and
        ``seed`` are used.

    Returns
    -------
    Watch
        Without charts, and with the reason, where there is no model.

    References
    ----------
    Steiner, S. H., Cook, R. J., Farewell, V. T. and Treasure, T. (2000).
    Monitoring surgical performance using risk-adjusted cumulative sum charts.
    *Biostatistics* 1, 441-452.
    """
    asked = fit.settings.early_warning
    if fit.reduced is None:
        return _nothing(asked, fit.reason or "no model of finds could be fitted")
    hides = _Hides.of(fit, fit.reduced)
    counts = _qualified(hides.trials, fit.settings)
    sources, few_sources = _charts(hides, "source", counts, fit.settings)
    doubtful = _on_doubtful_source(hides.trials, sources)
    dogs, few_dogs = _charts(hides, "dog", ~doubtful, fit.settings)
    left_out = [
        LeftOut("charts", f"{count(number, of)} with fewer than {FEWEST_TRIALS} trials")
        for of, number in (("source", few_sources), ("dog", few_dogs))
        if number
    ]
    for number, why in (
        (int((~counts).sum()), "on no source's chart: dog not yet qualified"),
        (int(doubtful.sum()), "on no dog's chart: the source had passed its limit by then"),
    ):
        if number:
            left_out.append(LeftOut("trials", f"{count(number, 'trial')} {why}"))
    if not sources and not dogs:
        return _nothing(asked, f"no source and no dog has {FEWEST_TRIALS} trials that count")
    return Watch(
        sources=sources,
        dogs=dogs,
        past=tuple(c for c in (*sources, *dogs) if c.past_since is not None),
        odds_ratio=asked.odds_ratio,
        false_call=asked.false_call,
        within=asked.within,
        left_out=tuple(left_out),
        reason=None,
    )


@dataclass(frozen=True, slots=True)
class _Hides:
    """Trials of the model in order of time, and what it says of each.

    ``without`` is the log-odds of a find but for the effect of the source, or the dog;
    ``block`` codes the session or hide, with ``block_sd`` what its trials have in common.
    """

    trials: pd.DataFrame
    found: np.ndarray
    without: dict[str, np.ndarray]
    spread: dict[str, float]
    block: np.ndarray
    block_sd: float

    @classmethod
    def of(cls, fit: FindFit, mixed: MixedFit) -> _Hides:
        design = fit.design
        trials = design.trials.reset_index(drop=True)
        order = trials.sort_values(["started_at", "trial_id"]).index.to_numpy()
        fixed = design.x @ mixed.beta
        effect = {of: np.zeros(len(fixed)) for of in ("dog", "source")}
        spread = {of: _LEAST_SPREAD for of in effect}
        block, block_sd = np.arange(len(fixed)), 0.0
        for grouping, labels in design.groups.items():
            if grouping in effect:
                own = mixed.effects.get(grouping)
                if own is not None:
                    effect[grouping] = own["effect"].reindex(labels).fillna(0.0).to_numpy()
                # The likeliest spread is of what the terms leave open, as the charts are.
                spread[grouping] = max(mixed.sd[grouping], _LEAST_SPREAD)
            elif mixed.sd[grouping] > 0.0:
                block = np.unique(labels, return_inverse=True)[1].reshape(-1)
                block_sd = mixed.sd[grouping]
        without = {"dog": fixed + effect["source"], "source": fixed + effect["dog"]}
        return cls(
            trials=trials.iloc[order].reset_index(drop=True),
            found=design.y[order],
            without={of: log_odds[order] for of, log_odds in without.items()},
            spread=spread,
            block=block[order],
            block_sd=block_sd,
        )


def _charts(
    hides: _Hides, of: str, kept: np.ndarray, settings: DecisionSettings
) -> tuple[tuple[Chart, ...], int]:
    """A chart for each with trials enough, in order of name; and how many have too few."""
    labels = hides.trials[f"{of}_id"].astype(str).to_numpy()
    charts = []
    names = sorted(set(labels))
    for number, name in enumerate(names):
        rows = np.flatnonzero((labels == name) & kept)
        if len(rows) >= FEWEST_TRIALS:
            rng = random_stream(settings.seed, "early warning", int(of == "dog"), number)
            charts.append(_chart(hides, of, name, rows, settings.early_warning, rng))
    return tuple(charts), len(names) - len(charts)


def _chart(
    hides: _Hides,
    of: str,
    name: str,
    rows: np.ndarray,
    asked: EarlyWarning,
    rng: np.random.Generator,
) -> Chart:
    before, rows = rows[: -asked.within][-_MOST_EARLIER:], rows[-asked.within :]
    log_odds = hides.without[of]
    own = posterior_of_effect(
        hides.found[before], log_odds[before], hides.block[before], hides.block_sd, hides.spread[of]
    )
    mean = float((own.at * own.weight).sum())
    sd = float(np.sqrt(((own.at - mean) ** 2 * own.weight).sum()))
    expected = averaged_probability(log_odds[rows] + mean, np.hypot(sd, hides.block_sd))[0]
    block = np.unique(hides.block[rows], return_inverse=True)[1].reshape(-1)
    charted = Charted(log_odds[rows], 1.0 - expected, block, hides.block_sd, own.draw(CHARTS, rng))
    limit, by_chance = limit_for(charted, asked.odds_ratio, asked.false_call, rng)
    worse = simulate_highest(charted, asked.odds_ratio, -np.log(asked.odds_ratio), rng)
    missed = hides.found[rows] < 0.5
    scores = miss_scores(1.0 - expected, missed, asked.odds_ratio)
    values = chart_values(scores)
    points = _points(hides.trials.iloc[rows], missed, expected, scores, values)
    beyond = np.flatnonzero(values > limit + ALIKE)
    highest = int(values.argmax())
    at_zero = np.flatnonzero(values[: highest + 1] <= 0.0)
    begun = int(at_zero[-1]) + 1 if len(at_zero) else 0
    run = points[begun : highest + 1]
    return Chart(
        of=of,
        name=name,
        limit=limit,
        trials=points,
        earlier=len(before),
        misses=int(missed.sum()),
        expected_misses=float((1.0 - expected).sum()),
        value=points[-1].value,
        past_since=points[int(beyond[0])] if len(beyond) else None,
        moved_by=tuple(sorted((p for p in run if not p.found), key=lambda p: -p.score)),
        by_chance=by_chance,
        seen=float((worse > limit + ALIKE).mean()),
    )


def _points(
    own: pd.DataFrame, missed: np.ndarray, *numbers: np.ndarray
) -> tuple[WatchedTrial, ...]:
    return tuple(
        WatchedTrial(*fields)
        for fields in zip(
            own["trial_id"].astype(str).tolist(),
            own["started_at"].tolist(),
            own["source_id"].astype(str).tolist(),
            own["dog_id"].astype(str).tolist(),
            (~missed).tolist(),
            *(column.tolist() for column in numbers),
            strict=True,
        )
    )


def _on_doubtful_source(hides: pd.DataFrame, charts: Sequence[Chart]) -> np.ndarray:
    """True where the source's chart had passed its limit before the trial, shape (n,)."""
    doubtful = np.zeros(len(hides), dtype=bool)
    source = hides["source_id"].astype(str).to_numpy()
    trial = hides["trial_id"].astype(str).to_numpy()
    for chart in charts:
        if chart.past_since is not None:
            passed = int(np.flatnonzero(trial == chart.past_since.trial_id)[0])
            doubtful |= (source == chart.name) & (np.arange(len(hides)) > passed)
    return doubtful


def _qualified(hides: pd.DataFrame, settings: DecisionSettings) -> np.ndarray:
    if not settings.rule.qualified_only or "qualified" not in hides:
        return np.ones(len(hides), dtype=bool)
    return np.asarray(hides["qualified"].astype("boolean").fillna(True).to_numpy(dtype=bool))


def _nothing(asked: EarlyWarning, reason: str) -> Watch:
    return Watch(
        sources=(),
        dogs=(),
        past=(),
        odds_ratio=asked.odds_ratio,
        false_call=asked.false_call,
        within=asked.within,
        left_out=(),
        reason=reason,
    )
