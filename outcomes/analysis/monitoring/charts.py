"""Early warning: is a source, or a dog, missed more often of late than it should be?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import (
    UNLOGGED,
    Design,
    column_values,
    plan_design,
    unassisted_hides,
)
from outcomes.analysis.finds.model import averaged_probability
from outcomes.analysis.results import LeftOut
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.cusum import Healthy, chart_values, limit_for, miss_scores
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit
from outcomes.random_streams import random_stream
from outcomes.settings import DecisionSettings, EarlyWarning

BASELINE_MISSES = 40
BASELINE_FINDS = 40
BASELINE_SOURCES = 8
BASELINE_DOGS = 3
# What rises with the calendar would be carried far beyond the baseline it was learnt on, and
# how readily a source is taken is not known until it has been.
_NOT_KNOWN_BEFORE = ("frozen_share", "use_ratio")
_NOT_LEARNT = ("experience", UNLOGGED, *_NOT_KNOWN_BEFORE)


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
    in_baseline: bool


@dataclass(frozen=True, slots=True)
class Chart:
    """The chart of one source or one dog.

    Attributes
    ----------
    of, name
        ``"source"`` or ``"dog"``, and its id.
    limit
        Where the chart speaks.
    trials
        In order of time.
    misses, expected_misses
        Over all its trials.
    value
        After the last trial.
    past_since
        Trial by which the chart passed the limit and has stayed there since;
        None where it stands at or below it.
    ever_past
        Whether it was past the limit at any time.
    moved_by
        The misses since the chart last stood at zero, the heaviest first.
    """

    of: str
    name: str
    limit: float
    trials: tuple[WatchedTrial, ...]
    misses: int
    expected_misses: float
    value: float
    past_since: WatchedTrial | None
    ever_past: bool
    moved_by: tuple[WatchedTrial, ...]


@dataclass(frozen=True, slots=True)
class Watch:
    """Charts of every source and every dog.

    Attributes
    ----------
    sources, dogs
        Charts, in order of id.
    past
        Those past their limit now, the one that has been so longest first.
    odds_ratio
        The change the charts look for: odds of a miss so many times as high.
    false_call, within
        A chart on which nothing changes passes its limit within ``within``
        trials in this share of cases (by simulation).
    source_limit, dog_limit
        The limits; None without charts.
    baseline_trials, baseline_misses, baseline_from, baseline_to
        The first trials on record, by which the expected probabilities were set.
    learnt
        Terms of the model of those.
    left_out
        Terms and trials it does without, and why.
    reason
        Why there are no charts; None where there are.
    """

    sources: tuple[Chart, ...]
    dogs: tuple[Chart, ...]
    past: tuple[Chart, ...]
    odds_ratio: float
    false_call: float
    within: int
    source_limit: float | None
    dog_limit: float | None
    baseline_trials: int
    baseline_misses: int
    baseline_from: pd.Timestamp | None
    baseline_to: pd.Timestamp | None
    learnt: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None


def watch(
    trials: pd.DataFrame,
    settings: DecisionSettings,
) -> Watch:
    """Chart every source and every dog against what was to be expected.

    The unassisted hide trials, in order of time (at one time: of ``trial_id``).
    The first of them, up to the trial at which there are 40 misses, 40 finds, 8
    sources and 3 dogs, are the baseline: a logistic mixed model of those, without
    exposures and without what rises with the calendar, gives every trial its
    expected probability. It is never fitted again, so that records appended
    later give the same history and new points.

    A source is compared with a typical one of its kind, searched by the same
    dogs in the same conditions: its own effect is not in the expectation. Where
    the reliability rule asks for qualified dogs, so does its chart. A dog is
    compared with itself in the baseline, on the same sources; trials on a
    source that was past its limit by then are not held against it.

    Each trial adds the logarithm of the likelihood ratio of odds of a miss
    ``settings.early_warning.odds_ratio`` times as high; the chart does not fall below zero. The
    limit is set by simulation on blocks of the baseline's own trials, with sources
    and with sessions or hides that differ as the model says. How often
    charts pass it in units in which nothing changes is asked by
    ``tests/analysis/monitoring/test_watch.py``.

    Parameters
    ----------
    trials
        Joined trials.
    settings
        Its ``early_warning``, ``rule.qualified_only`` and ``seed`` are used.

    Returns
    -------
    Watch
        Without charts, and with the reason, while there is no baseline.

    References
    ----------
    Steiner, S. H., Cook, R. J., Farewell, V. T. and Treasure, T. (2000).
    Monitoring surgical performance using risk-adjusted cumulative sum charts.
    *Biostatistics* 1, 441-452.
    """
    asked = settings.early_warning
    hides = _charted(trials)
    cut = _baseline_end(hides)
    if isinstance(cut, str):
        return _nothing(asked, hides, cut)
    try:
        return _charts(hides, cut, _learn(hides.iloc[:cut]), settings)
    except FitError as error:
        return _nothing(asked, hides, str(error))


def learn_unchanging(trials: pd.DataFrame, settings: DecisionSettings) -> Healthy | None:
    """What the trials on sources are like where no source changes, and as many are finds.

    For rules that are not charts: from the 40 misses of the baseline, the spread
    between sessions and the effects of the conditions are hardly known, and how
    often a rule calls a source rises ever faster with both. Here they are learnt
    from all trials, with the exposures and the dogs' experience in the model, so
    that what changed is not taken for a spread; then each exposure is held at its
    mean, at the level at which as many trials are finds as on record: the unit's
    own proportion, whether or not it has fallen. A chart cannot use it: its past
    would change with every new record.

    Parameters
    ----------
    trials
        Joined trials, as for :func:`watch`.
    settings
        Its ``rule.qualified_only`` is used.

    Returns
    -------
    Healthy or None
        Of all trials that count, in blocks of one source and one session; None
        without a find or a miss among them, or where no model can be fitted.
    """
    hides = _charted(trials)
    used = _qualified(hides, settings)
    found = float((hides["result"] == "find").to_numpy()[used].mean()) if used.any() else 0.0
    if not 0.0 < found < 1.0:
        return None
    try:
        model = _fit(plan_design(hides, without=_NOT_KNOWN_BEFORE))
    except FitError:
        return None
    from scipy.optimize import brentq

    x = model.matrix(hides)
    for j, column in enumerate(model.design.columns, start=1):
        if column.term in (*CYCLES_AND_AGE, UNLOGGED):
            x[:, j] = x[used, j].mean()
    log_odds = x @ model.mixed.beta + model.effect("dog", hides["dog_id"])[0]
    between, within = model.sd("source"), model.session_sd
    rows, block = _blocks(hides, hides["source_id"].astype(str), used)
    log_odds = log_odds[rows]
    spread = np.full(len(rows), np.hypot(between, within))
    log_odds += brentq(
        lambda by: averaged_probability(log_odds + by, spread)[0].mean() - found, -20.0, 20.0
    )
    expected = 1.0 - averaged_probability(log_odds, spread)[0]
    return Healthy(log_odds, expected, block, between, within)


@dataclass(frozen=True, slots=True)
class _Model:
    design: Design
    mixed: MixedFit

    def sd(self, grouping: str) -> float:
        return float(self.mixed.sd.get(grouping, 0.0))

    @property
    def session_sd(self) -> float:
        """Standard deviation of what the trials of a session, or of a hide, have in common."""
        others = [v for k, v in self.mixed.sd.items() if k not in ("dog", "source")]
        return float(np.sqrt(np.sum(np.square(others))))

    def effect(self, grouping: str, labels: pd.Series) -> tuple[np.ndarray, np.ndarray]:
        """Effect and its standard error, per trial; 0 and the spread for one not yet known."""
        unknown = np.full(len(labels), self.sd(grouping))
        if grouping not in self.mixed.effects:
            return np.zeros(len(labels)), unknown
        effects = self.mixed.effects[grouping]
        effect = labels.astype(str).map(effects["effect"]).to_numpy(dtype=float)
        error = labels.astype(str).map(effects["std_error"]).to_numpy(dtype=float)
        return np.nan_to_num(effect, nan=0.0), np.where(np.isnan(error), unknown, error)

    def matrix(self, hides: pd.DataFrame) -> np.ndarray:
        """Design of any trials, held within the range the model was learnt on; shape (n, p)."""
        columns = [np.ones(len(hides))]
        for j, column in enumerate(self.design.columns, start=1):
            own = self.design.x[:, j]
            columns.append(np.clip(column_values(column, hides), own.min(), own.max()))
        return np.column_stack(columns)


def _charted(trials: pd.DataFrame) -> pd.DataFrame:
    hides = unassisted_hides(trials)
    return hides.sort_values(["started_at", "trial_id"], ignore_index=True)


def _baseline_end(hides: pd.DataFrame) -> int | str:
    """Number of first trials that make the baseline, or what is still lacking."""
    found = (hides["result"] == "find").to_numpy()
    counts = {
        ("miss", "misses", BASELINE_MISSES): (~found).cumsum(),
        ("find", "finds", BASELINE_FINDS): found.cumsum(),
        ("source", "sources", BASELINE_SOURCES): (~hides["source_id"].duplicated()).cumsum(),
        ("dog", "dogs", BASELINE_DOGS): (~hides["dog_id"].duplicated()).cumsum(),
    }
    enough = np.ones(len(hides), dtype=bool)
    short = []
    for (one, many, least), so_far in counts.items():
        values = np.asarray(so_far)
        enough &= values >= least
        have = int(values[-1]) if len(values) else 0
        if have < least:
            short.append(f"{have} {one if have == 1 else many} of {least}")
    if short:
        return f"the baseline is not complete ({', '.join(short)})"
    return int(np.argmax(enough)) + 1


def _learn(baseline: pd.DataFrame) -> _Model:
    return _fit(plan_design(baseline, exposures=(), without=_NOT_LEARNT))


def _fit(design: Design) -> _Model:
    finds, least = int(design.y.sum()), BASELINE_MISSES // 2
    misses = len(design.y) - finds
    if min(finds, misses) < least:
        raise FitError(
            f"of the baseline only {finds:,} finds and {misses:,} misses can be used, and "
            f"{least} of each are needed; outcomes brief says why trials are not used"
        )
    if design.separated:
        raise FitError("finds and misses of the baseline do not overlap along the conditions")
    return _Model(design, fit_mixed(design.y, design.x, design.names, design.groups))


def _charts(hides: pd.DataFrame, cut: int, model: _Model, settings: DecisionSettings) -> Watch:
    asked = settings.early_warning
    x = model.matrix(hides)
    fixed = x @ model.mixed.beta
    dog, dog_error = model.effect("dog", hides["dog_id"])
    source, source_error = model.effect("source", hides["source_id"])
    session = model.session_sd
    counts = _qualified(hides, settings)
    baseline = np.arange(len(hides)) < cut
    charts: dict[str, tuple[Chart, ...]] = {}
    limits: dict[str, float] = {}
    doubtful = np.zeros(len(hides), dtype=bool)
    for of, log_odds, known, chart_sd in (
        ("source", fixed + dog, dog_error, model.sd("source")),
        ("dog", fixed + dog + source, source_error, 0.0),
    ):
        if of == "dog":
            doubtful = _on_doubtful_source(hides, charts["source"])
        kept = counts if of == "source" else ~doubtful
        own = np.full(len(hides), chart_sd) if of == "source" else dog_error
        spread = np.sqrt(known**2 + own**2 + session**2)
        expected = averaged_probability(log_odds, spread)[0]
        grouped = hides[f"{of}_id"].astype(str)
        used = baseline & kept
        if not used.any():
            raise FitError("no trial of the baseline is by a qualified dog")
        rows, block = _blocks(hides, grouped, used)
        healthy = Healthy(log_odds[rows], 1.0 - expected[rows], block, chart_sd, session)
        limits[of] = limit_for(
            healthy,
            asked.odds_ratio,
            asked.false_call,
            asked.within,
            random_stream(settings.seed, "early warning"),
        )
        charts[of] = tuple(
            _chart(
                of,
                str(name),
                hides.iloc[rows],
                expected[rows],
                baseline[rows],
                limits[of],
                asked.odds_ratio,
            )
            for name, rows in _rows_of(grouped, kept).items()
        )
    past = sorted(
        (c for part in charts.values() for c in part if c.past_since is not None),
        key=lambda c: (c.past_since.started_at if c.past_since else pd.Timestamp.max, c.of, c.name),
    )
    first = hides.iloc[:cut]
    left_out = list(model.design.left_out)
    if not counts.all():
        number = int((~counts).sum())
        left_out.append(
            LeftOut("trials", f"{number:,} on no source's chart: dog not yet qualified")
        )
    if doubtful.any():
        number = int(doubtful.sum())
        left_out.append(
            LeftOut(
                "trials", f"{number:,} on no dog's chart: the source was past its limit by then"
            )
        )
    return Watch(
        sources=charts["source"],
        dogs=charts["dog"],
        past=tuple(past),
        odds_ratio=asked.odds_ratio,
        false_call=asked.false_call,
        within=asked.within,
        source_limit=limits["source"],
        dog_limit=limits["dog"],
        baseline_trials=cut,
        baseline_misses=int((first["result"] == "miss").sum()),
        baseline_from=first["started_at"].iloc[0],
        baseline_to=first["started_at"].iloc[-1],
        learnt=tuple(dict.fromkeys(column.term for column in model.design.columns)),
        left_out=tuple(left_out),
        reason=None,
    )


def _on_doubtful_source(hides: pd.DataFrame, charts: tuple[Chart, ...]) -> np.ndarray:
    """True where the source's chart stood past its limit before the trial, shape (n,)."""
    doubtful = np.zeros(len(hides), dtype=bool)
    source = hides["source_id"].astype(str).to_numpy()
    trial = hides["trial_id"].astype(str).to_numpy()
    for chart in charts:
        after = {t.trial_id: t.value > chart.limit for t in chart.trials}
        past = False
        for row in np.flatnonzero(source == chart.name):
            doubtful[row] = past
            past = after.get(trial[row], past)
    return doubtful


def _qualified(hides: pd.DataFrame, settings: DecisionSettings) -> np.ndarray:
    if not settings.rule.qualified_only or "qualified" not in hides:
        return np.ones(len(hides), dtype=bool)
    return np.asarray(hides["qualified"].astype("boolean").fillna(True).to_numpy(dtype=bool))


def _rows_of(grouped: pd.Series, kept: np.ndarray) -> Mapping[str, np.ndarray]:
    rows = np.flatnonzero(kept)
    return {
        str(name): rows[np.asarray(places)]
        for name, places in sorted(
            grouped.iloc[rows]
            .reset_index(drop=True)
            .groupby(grouped.iloc[rows].to_numpy())
            .indices.items()
        )
    }


def _blocks(
    hides: pd.DataFrame, grouped: pd.Series, used: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Rows of the trials used, in blocks of one chart and one session, and the block of each."""
    session = (
        hides["session_id"].astype("object")
        if "session_id" in hides
        else pd.Series(None, index=hides.index, dtype="object")
    )
    session = session.where(session.notna(), hides["started_at"].dt.normalize()).astype(str)
    labels = (grouped + "\n" + session).to_numpy()[used]
    order = np.argsort(labels, kind="stable")
    block = np.unique(labels, return_inverse=True)[1].reshape(-1)[order]
    return np.flatnonzero(used)[order], block


def _chart(
    of: str,
    name: str,
    own: pd.DataFrame,
    expected: np.ndarray,
    baseline: np.ndarray,
    limit: float,
    odds_ratio: float,
) -> Chart:
    missed = (own["result"] == "miss").to_numpy()
    scores = miss_scores(1.0 - expected, missed, odds_ratio)
    values = chart_values(scores)
    points = tuple(
        WatchedTrial(*fields)
        for fields in zip(
            own["trial_id"].astype(str).tolist(),
            own["started_at"].tolist(),
            own["source_id"].astype(str).tolist(),
            own["dog_id"].astype(str).tolist(),
            (~missed).tolist(),
            expected.tolist(),
            scores.tolist(),
            values.tolist(),
            baseline.tolist(),
            strict=True,
        )
    )
    at_zero = np.flatnonzero(values <= 0.0)
    run = points[int(at_zero[-1]) + 1 :] if len(at_zero) else points
    inside = np.flatnonzero(values <= limit)
    since = int(inside[-1]) + 1 if len(inside) else 0
    return Chart(
        of=of,
        name=name,
        limit=limit,
        trials=points,
        misses=int(missed.sum()),
        expected_misses=float((1.0 - expected).sum()),
        value=points[-1].value,
        past_since=points[since] if since < len(points) else None,
        ever_past=bool((values > limit).any()),
        moved_by=tuple(sorted((p for p in run if not p.found), key=lambda p: -p.score)),
    )


def _nothing(asked: EarlyWarning, hides: pd.DataFrame, reason: str) -> Watch:
    return Watch(
        sources=(),
        dogs=(),
        past=(),
        odds_ratio=asked.odds_ratio,
        false_call=asked.false_call,
        within=asked.within,
        source_limit=None,
        dog_limit=None,
        baseline_trials=len(hides),
        baseline_misses=int((hides["result"] == "miss").sum()),
        baseline_from=None,
        baseline_to=None,
        learnt=(),
        left_out=(),
        reason=reason,
    )
