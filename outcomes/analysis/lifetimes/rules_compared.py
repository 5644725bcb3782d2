"""Other rules for "unreliable": what each calls, and how often each errs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from outcomes.analysis.lifetimes.kaplan_meier import FALSE_CALL_TRIALS, counting_trials
from outcomes.analysis.lifetimes.rule import describe_rule, first_called, rule_false_call
from outcomes.analysis.monitoring.charts import Watch, learn_unchanging
from outcomes.errors import SettingsError
from outcomes.models.cusum import Healthy, simulate_highest, simulate_misses
from outcomes.models.distributions import beta_quantile
from outcomes.settings import DecisionSettings

MOST_WINDOW = 14
WORSE = 2.0
TOLD_TRIALS = 20
CUMULATIVE_SUM = "cumulative sum"
_CHARTS = 4000


@dataclass(frozen=True, slots=True)
class CalledSource:
    """A source that a rule calls unreliable, and the trial that showed it."""

    source_id: str
    trial_id: str
    started_at: pd.Timestamp
    held_days: float


@dataclass(frozen=True, slots=True)
class RuleOutcome:
    """What one rule calls, and its operating characteristic.

    Attributes
    ----------
    name
        ``"misses within trials"``, ``"moving proportion"`` or ``"cumulative sum"``.
    rule
        In words.
    called
        Sources called, in order of time.
    sources
        Sources with a trial that counts.
    false_call
        Number of trials → share of sources called within so many although
        nothing changes: exact at the unit's own proportion of finds; for the
        cumulative sum by simulation of trials like those of its baseline.
    called_if_worse
        The same where the odds of a miss are twice as high from the first trial on.
    false_call_as_searched
        The same as ``false_call``, by simulation on sources that differ and are
        searched as here: several dogs at one hide, good days and bad ones (see
        :func:`outcomes.analysis.monitoring.charts.learn_unchanging`). Empty where too little
        is known of them.
    called_if_worse_as_searched
        The same as ``called_if_worse``, by that simulation.
    reason
        Why it cannot be applied; None where it can.
    """

    name: str
    rule: str
    called: tuple[CalledSource, ...]
    sources: int
    false_call: Mapping[int, float]
    called_if_worse: Mapping[int, float]
    reason: str | None
    false_call_as_searched: Mapping[int, float] = field(default_factory=dict)
    called_if_worse_as_searched: Mapping[int, float] = field(default_factory=dict)

    @property
    def told(self) -> tuple[Mapping[int, float], Mapping[int, float]]:
        """The two shares to tell, of fine and of worse sources: always of one reckoning."""
        if self.false_call_as_searched and self.called_if_worse_as_searched:
            return self.false_call_as_searched, self.called_if_worse_as_searched
        return self.false_call, self.called_if_worse


@dataclass(frozen=True, slots=True)
class RuleComparison:
    """The unit's rule and two others on the same trials.

    Attributes
    ----------
    baseline
        Proportion of finds among the trials that count; None without any.
    rules
        The unit's own first.
    by_all, by_any
        Sources called by every rule that can be applied, and by at least one.
    sentence
        What can be said, in words.
    simulated_finds
        Proportion of finds in the simulation of sources searched as here, while
        nothing changes; None where too little is known of them.
    """

    baseline: float | None
    rules: tuple[RuleOutcome, ...]
    by_all: tuple[str, ...]
    by_any: tuple[str, ...]
    sentence: str
    simulated_finds: float | None = None

    @property
    def shares_rest_on(self) -> str:
        """How the shares told were reckoned, and at what proportion of finds; "" without any."""
        charted = any(r.name == CUMULATIVE_SUM and r.reason is None for r in self.rules)
        if self.simulated_finds is not None:
            return (
                "by simulation of sources that differ and are searched as here, "
                f"with {100 * self.simulated_finds:.0f} finds in 100 trials while nothing changes"
                + (" (the cumulative sum's: of the first trials on record)" if charted else "")
            )
        if self.baseline is not None:
            return (
                "for trials that are all alike and independent, "
                f"with {100 * self.baseline:.0f} finds in 100 while nothing changes"
            )
        return ""


def compare_rules(
    trials: pd.DataFrame, watched: Watch, settings: DecisionSettings
) -> RuleComparison:
    """Apply three rules for "unreliable" to the same trials.

    The unit's own rule; a moving proportion of finds, over a source's last
    ``settings.unreliable.proportion_window`` trials or as many as there are,
    whose exact upper limit is below the floor; and the source's risk-adjusted
    cumulative sum. (A *lower* limit below the floor would call every source:
    12 finds of 12 have a lower limit of 0.78.)

    Parameters
    ----------
    trials
        Joined trials, as for :func:`outcomes.analysis.lifetimes.kaplan_meier.fit_lifetime`.
    watched
        Of the same trials, by :func:`outcomes.analysis.monitoring.charts.watch`.
    settings
        Its ``rule``, ``unreliable.proportion_window`` (2 to 14), ``floor`` and
        ``confidence`` (two-sided) are used.

    Returns
    -------
    RuleComparison

    Raises
    ------
    SettingsError
        If the window is out of range, or the unit's rule cannot be met.

    References
    ----------
    Clopper, C. J. and Pearson, E. S. (1934). The use of confidence or fiducial
    limits illustrated in the case of the binomial. *Biometrika* 26, 404-413.
    """
    window = settings.unreliable.proportion_window
    if not 2 <= window <= MOST_WINDOW:
        raise SettingsError(
            f"A moving proportion over {window} trials is out of range. Choose 2 to {MOST_WINDOW}."
        )
    rule = settings.rule
    counted, _ = counting_trials(trials, rule)
    baseline = float(counted["found"].mean()) if len(counted) else None
    lacking = _lacking(baseline)
    needed = misses_needed(window, settings.floor, settings.confidence)
    healthy = learn_unchanging(trials, settings)
    own = RuleOutcome(
        name="misses within trials",
        rule=describe_rule(rule),
        called=_called(counted, lambda missed: first_called(missed, rule.misses, rule.window)),
        sources=int(counted["source_id"].nunique()),
        false_call=_within(baseline, lambda p, n: rule_false_call(rule.misses, rule.window, p, n)),
        called_if_worse=_within(
            _worse(baseline), lambda p, n: rule_false_call(rule.misses, rule.window, p, n)
        ),
        reason=lacking,
        false_call_as_searched=_as_searched(
            healthy, settings.seed, _constant(rule.misses, rule.window)
        ),
        called_if_worse_as_searched=_as_searched(
            _made_worse(healthy), settings.seed, _constant(rule.misses, rule.window)
        ),
    )
    rules = (
        own,
        _proportion(counted, baseline, needed, healthy, settings),
        _cumulative(counted, watched, settings.seed),
    )
    usable = [{c.source_id for c in r.called} for r in rules if r.reason is None]
    by_all = tuple(sorted(set.intersection(*usable))) if usable else ()
    by_any = tuple(sorted(set.union(*usable))) if usable else ()
    found = RuleComparison(
        baseline,
        rules,
        by_all,
        by_any,
        sentence="",
        simulated_finds=_simulated_finds(healthy, settings.seed),
    )
    return replace(found, sentence=_sentence(found))


def misses_needed(window: int, floor: float, confidence: float) -> tuple[int | None, ...]:
    """Misses among 1, 2, … ``window`` trials that put the upper limit below the floor.

    Parameters
    ----------
    window
        The most trials looked at.
    floor
        Lowest acceptable find probability.
    confidence
        Of the exact two-sided interval.

    Returns
    -------
    tuple of int or None
        For each number of trials; None where not even all misses would do.

    Examples
    --------
    >>> misses_needed(5, floor=0.85, confidence=0.90)
    (None, 2, 3, 3, 3)
    """
    found = []
    for n in range(1, window + 1):
        finds = np.arange(n)  # upper limits of 0 to n - 1 finds
        upper = beta_quantile((1.0 + confidence) / 2.0, finds + 1, n - finds)
        low_enough = np.flatnonzero(upper < floor)
        found.append(int(n - low_enough[-1]) if len(low_enough) else None)
    return tuple(found)


def first_below(missed: np.ndarray, needed: tuple[int | None, ...]) -> int | None:
    """Find the trial at which the moving proportion's upper limit falls below the floor.

    Parameters
    ----------
    missed
        Shape (n,): True where the trial was a miss, in order of time.
    needed
        From :func:`misses_needed`; its length is the window.

    Returns
    -------
    int or None
        Position from 0; None if there is none.
    """
    window = len(needed)
    for place in range(len(missed)):
        seen = missed[max(0, place + 1 - window) : place + 1]
        least = needed[len(seen) - 1]
        if least is not None and int(np.sum(seen)) >= least:
            return place
    return None


def proportion_false_call(
    needed: tuple[int | None, ...], find_probability: float, trials: int
) -> float:
    """Probability that a source that never changes is called by the moving proportion.

    Exact, by a Markov chain on the last ``window - 1`` results.

    Parameters
    ----------
    needed
        From :func:`misses_needed`.
    find_probability
        Of each trial, independently.
    trials
        Number of trials the source goes through.

    Returns
    -------
    float

    References
    ----------
    Fu, J. C. and Koutras, M. V. (1994). Distribution theory of runs: a Markov
    chain approach. *Journal of the American Statistical Association* 89,
    1050-1058.
    """
    window = len(needed)
    states = 1 << (window - 1)
    code = np.arange(states)
    misses = np.array([int(c).bit_count() for c in code])
    after_find = (code << 1) & (states - 1)
    after_miss = after_find | (1 if window > 1 else 0)
    weight = np.zeros(states)
    weight[0] = 1.0
    called = 0.0
    for place in range(trials):
        least = needed[min(place, window - 1)]
        following = np.zeros(states)
        for result, after, chance in (
            (0, after_find, find_probability),
            (1, after_miss, 1.0 - find_probability),
        ):
            now = weight * chance
            # A find can call too: it fills the window, and what counts is how full it is.
            stops = np.zeros(states, bool) if least is None else misses + result >= least
            called += float(now[stops].sum())
            np.add.at(following, after[~stops], now[~stops])
        weight = following
    return min(called, 1.0)


def _called(
    counted: pd.DataFrame, find: Callable[[np.ndarray], int | None]
) -> tuple[CalledSource, ...]:
    rows = []
    for source_id, own in counted.groupby("source_id", sort=True):
        place = find(~own["found"].to_numpy())
        if place is not None:
            row = own.iloc[place]
            rows.append(
                CalledSource(
                    str(source_id), str(row["trial_id"]), row["started_at"], float(row["held_days"])
                )
            )
    return tuple(sorted(rows, key=lambda c: (c.started_at, c.source_id)))


def _lacking(baseline: float | None) -> str | None:
    """Why nothing can be said by a rule on misses; None where something can."""
    if baseline is None:
        return "no trial counts for it"
    return "no trial that counts for it is a miss" if baseline == 1.0 else None


def _within(probability: float | None, share: Callable[[float, int], float]) -> dict[int, float]:
    if probability is None or probability == 1.0:
        return {}
    return {n: float(share(probability, n)) for n in FALSE_CALL_TRIALS}


def _worse(probability: float | None) -> float | None:
    """Probability of a find once the odds of a miss are twice as high."""
    if probability is None:
        return None
    return probability / (probability + WORSE * (1.0 - probability))


def _proportion(
    counted: pd.DataFrame,
    baseline: float | None,
    needed: tuple[int | None, ...],
    healthy: Healthy | None,
    settings: DecisionSettings,
) -> RuleOutcome:
    window = len(needed)
    most = needed[-1]
    reason = _lacking(baseline)
    if most is None:
        reason = f"not even {window} misses in {window} trials would show a source below the floor"
    return RuleOutcome(
        name="moving proportion",
        rule=(
            f"the exact upper limit ({100 * settings.confidence:g} %, two-sided) of the finds "
            f"among a source's last {window} trials is below the floor of "
            f"{100 * settings.floor:g} in 100"
            + ("" if most is None else f" ({most} misses in {window})")
        ),
        called=_called(counted, lambda missed: first_below(missed, needed)),
        sources=int(counted["source_id"].nunique()),
        false_call=_within(baseline, lambda p, n: proportion_false_call(needed, p, n)),
        called_if_worse=_within(_worse(baseline), lambda p, n: proportion_false_call(needed, p, n)),
        reason=reason,
        false_call_as_searched=_as_searched(healthy, settings.seed, needed),
        called_if_worse_as_searched=_as_searched(_made_worse(healthy), settings.seed, needed),
    )


def _constant(misses: int, window: int) -> tuple[int | None, ...]:
    """Misses needed among 1, 2, … trials by a rule that always needs the same."""
    return tuple(misses if n >= misses else None for n in range(1, window + 1))


def _made_worse(healthy: Healthy | None) -> Healthy | None:
    """The same trials with the odds of a miss twice as high."""
    if healthy is None:
        return None
    return replace(healthy, log_odds=healthy.log_odds - np.log(WORSE))


def _as_searched(
    healthy: Healthy | None, seed: int, needed: tuple[int | None, ...]
) -> dict[int, float]:
    if healthy is None:
        return {}
    most = max(FALSE_CALL_TRIALS)
    missed, _ = simulate_misses(healthy, most, _CHARTS, np.random.default_rng(seed + 2))
    total = np.concatenate([np.zeros((_CHARTS, 1), int), missed.cumsum(axis=1)], axis=1)
    met = np.zeros(missed.shape, dtype=bool)
    for place in range(most):
        seen = min(place + 1, len(needed))
        least = needed[seen - 1]
        if least is not None:
            met[:, place] = total[:, place + 1] - total[:, place + 1 - seen] >= least
    return {n: float(met[:, :n].any(axis=1).mean()) for n in FALSE_CALL_TRIALS}


def _simulated_finds(healthy: Healthy | None, seed: int) -> float | None:
    """Proportion of finds in the very trials that the shares as searched are counted in."""
    if healthy is None:
        return None
    most = max(FALSE_CALL_TRIALS)
    missed, _ = simulate_misses(healthy, most, _CHARTS, np.random.default_rng(seed + 2))
    return float(1.0 - missed.mean())


def _cumulative(counted: pd.DataFrame, watched: Watch, seed: int) -> RuleOutcome:
    held = dict(zip(counted["trial_id"].astype(str), counted["held_days"], strict=True))
    rows = []
    for chart in watched.sources:
        first = next((t for t in chart.trials if t.value > chart.limit), None)
        if first is not None:
            days = float(held.get(first.trial_id, np.nan))
            rows.append(CalledSource(chart.name, first.trial_id, first.started_at, days))
    limit = watched.source_limit
    fine = _past_limit(watched.source_healthy, watched, seed)
    worse = _past_limit(_made_worse(watched.source_healthy), watched, seed)
    return RuleOutcome(
        name=CUMULATIVE_SUM,
        rule=(
            "the source's misses beyond those expected, added up trial by trial (a cumulative "
            "sum), pass "
            + ("its limit" if limit is None else f"{limit:.1f}")
            + f", set so that {100 * watched.false_call:g} of 100 sources that do not change do so "
            f"within {watched.within} trials"
        ),
        called=tuple(sorted(rows, key=lambda c: (c.started_at, c.source_id))),
        sources=len(watched.sources),
        false_call=fine,
        called_if_worse=worse,
        reason=watched.reason,
        false_call_as_searched=fine,
        called_if_worse_as_searched=worse,
    )


def _past_limit(healthy: Healthy | None, watched: Watch, seed: int) -> dict[int, float]:
    """Share of charts past the limit within some numbers of trials."""
    if healthy is None or watched.source_limit is None:
        return {}
    shares = {}
    for n in FALSE_CALL_TRIALS:
        rng = np.random.default_rng(seed + 1)
        highest = simulate_highest(healthy, watched.odds_ratio, n, _CHARTS, rng)
        shares[n] = float((highest > watched.source_limit).mean())
    return shares


def _sentence(found: RuleComparison) -> str:
    parts = []
    for rule in found.rules:
        if rule.reason is not None:
            parts.append(f"by {rule.name} nothing can be said ({rule.reason})")
            continue
        fine, worse = rule.told
        parts.append(
            f"by {rule.name} {len(rule.called)} of {rule.sources}, and within {TOLD_TRIALS} trials "
            f"{100 * fine[TOLD_TRIALS]:.0f} of 100 that never change and "
            f"{100 * worse[TOLD_TRIALS]:.0f} of 100 with twice the odds of a miss"
        )
    text = f"Sources called unreliable: {'; '.join(parts)}."
    usable = sum(rule.reason is None for rule in found.rules)
    if usable > 1:
        text += f" {len(found.by_any)} by at least one rule, {len(found.by_all)} by every one."
    if usable:
        text += f" The shares are {found.shares_rest_on}."
    return text
