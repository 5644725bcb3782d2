"""The reliability rule: where a source meets it, and how often a good source would.

The rule is the ``misses``-th miss within ``window`` consecutive trials of one
source (:class:`outcomes.settings.ReliabilityRule`). Any such rule calls a good
source unreliable, given enough trials; how soon is computed here exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from outcomes.errors import SettingsError

# Misses within trials, the stated ladder that a rule is chosen from.
LADDER = (
    *((2, 2), (2, 3), (3, 4), (3, 5), (4, 6), (4, 8)),
    *((5, 8), (5, 10), (6, 10), (6, 12), (7, 12), (8, 14)),
)
MOST_FALSE_CALLS = 0.10
SEEN_WITHIN = 20
_GOOD = 0.85  # found as often as this, a fall to 70 in 100 is looked for, else to 60
_MOST_STATES = 20_000


def check_rule(misses: int, window: int) -> None:
    """Refuse a rule that cannot be met or that is too wide to compute.

    Raises
    ------
    SettingsError
        If ``misses`` is below 1 or above ``window``.
    """
    if misses < 1:
        raise SettingsError(
            f"The reliability rule asks for {misses} misses. Set rule.misses to 1 or more."
        )
    if window < misses:
        raise SettingsError(
            f"The reliability rule asks for {misses} misses within {window} trials, which cannot "
            "happen. Set rule.window to at least rule.misses."
        )


def first_called(missed: Sequence[bool] | np.ndarray, misses: int, window: int) -> int | None:
    """Find the trial that shows a source to be unreliable by the rule.

    Parameters
    ----------
    missed
        Shape (n,): True where the trial was a miss, in order of time.
    misses, window
        The event is the ``misses``-th miss within ``window`` consecutive trials.

    Returns
    -------
    int or None
        Position (from 0) of the first trial at which the last ``window``
        trials, itself included, hold ``misses`` misses; None if there is none.

    Raises
    ------
    SettingsError
        If no source could meet the rule.

    Examples
    --------
    >>> first_called([True, False, True, True], misses=2, window=3)
    2
    >>> first_called([True, False, False, True], misses=2, window=3) is None
    True
    """
    check_rule(misses, window)
    at = np.flatnonzero(np.asarray(missed, dtype=bool))
    if len(at) < misses:
        return None
    last = at[misses - 1 :]
    spans = last - at[: len(last)]
    met = last[spans < window]
    return int(met[0]) if len(met) else None


def fall_looked_for(find_probability: float) -> float:
    """The find probability to which a fall is looked for, from the one given."""
    return 0.7 if find_probability >= _GOOD else 0.6


def choose_rule(find_probability: float, trials: int) -> tuple[int, int] | None:
    """Choose from :data:`LADDER` the rule that sees a real fall soonest and seldom errs.

    Of the rules that call at most 10 in 100 sources that never change within ``trials``, the
    one likeliest to call, within 20 trials, a source that is found 70 times in 100 (60 where
    ``find_probability`` is below 0.85).

    Parameters
    ----------
    find_probability
        Of a source that has not changed.
    trials
        The trials that half of the sources have.

    Returns
    -------
    tuple of int or None
        Misses and window; None where every rule calls too many.

    Examples
    --------
    >>> choose_rule(0.93, 50), choose_rule(0.8, 50), choose_rule(0.7, 50)
    ((3, 5), (6, 10), None)
    """
    fallen = fall_looked_for(find_probability)
    kept = [
        rule
        for rule in LADDER
        if rule_false_call(rule[0], rule[1], find_probability, trials) <= MOST_FALSE_CALLS
    ]
    if not kept or find_probability <= fallen:
        return None
    return max(kept, key=lambda rule: rule_false_call(rule[0], rule[1], fallen, SEEN_WITHIN))


@cache
def _transitions(misses: int, window: int) -> tuple[np.ndarray, np.ndarray]:
    """Next state after a find and after a miss, shape (states,); -1 stands for called.

    A state is the last ``window - 1`` results as bits, the latest lowest, 1 = miss.
    State 0 is the start: results before the first trial count as finds. Not to be written
    to: every caller gets the same arrays.
    """
    keep = (1 << (window - 1)) - 1
    number = {0: 0}
    order = [0]
    after_find: list[int] = []
    after_miss: list[int] = []
    for state in order:  # grows while it is read: every state reached is visited once
        for result, after in ((0, after_find), (1, after_miss)):
            if result and state.bit_count() + 1 >= misses:
                after.append(-1)
                continue
            following = ((state << 1) | result) & keep
            if following not in number:
                number[following] = len(order)
                order.append(following)
            after.append(number[following])
        if len(order) > _MOST_STATES:
            raise SettingsError(
                f"The reliability rule of {misses} misses within {window} trials is too wide to "
                "compute how often it errs. Choose a smaller rule.window."
            )
    return np.array(after_find), np.array(after_miss)


def rule_false_call(misses: int, window: int, find_probability: float, trials: int) -> float:
    """Probability that a source that never changes is called unreliable by the rule.

    Exact, by a Markov chain on the last ``window - 1`` results, for a source
    found independently with the same probability in every trial.

    Parameters
    ----------
    misses, window
        The source is called at its ``misses``-th miss within ``window``
        consecutive trials.
    find_probability
        Probability of a find in each trial, between 0 and 1.
    trials
        Number of trials the source goes through.

    Returns
    -------
    float
        Probability of having been called at or before trial ``trials``.

    Raises
    ------
    SettingsError
        If no source could meet the rule, or it is too wide to compute.
    ValueError
        If ``find_probability`` or ``trials`` is out of range.

    References
    ----------
    Fu, J. C. and Koutras, M. V. (1994). Distribution theory of runs: a Markov
    chain approach. *Journal of the American Statistical Association* 89,
    1050-1058.

    Examples
    --------
    Two misses running, each one time in ten:

    >>> round(rule_false_call(misses=2, window=2, find_probability=0.9, trials=2), 12)
    0.01
    """
    check_rule(misses, window)
    _check_probability(find_probability)
    if trials < 0:
        raise ValueError(f"trials is {trials}; it cannot be negative")
    after_find, after_miss = _transitions(misses, window)
    going_on = after_miss >= 0
    states: np.ndarray = np.zeros(len(after_find))
    states[0] = 1.0
    called = 0.0
    for _ in range(trials):
        called += float(states[~going_on].sum()) * (1.0 - find_probability)
        states = np.bincount(after_find, states * find_probability, len(states)) + np.bincount(
            after_miss[going_on], states[going_on] * (1.0 - find_probability), len(states)
        )
    return min(called, 1.0)


def mean_trials_to_call(misses: int, window: int, find_probability: float) -> float | None:
    """Mean number of trials until a source that never changes is called unreliable.

    Exact, by the same Markov chain as :func:`rule_false_call`.

    Parameters
    ----------
    misses, window
        The source is called at its ``misses``-th miss within ``window``
        consecutive trials.
    find_probability
        Probability of a find in each trial, between 0 and 1.

    Returns
    -------
    float or None
        Trials, the one that shows it included; None where it never happens
        (``find_probability`` of 1).

    Raises
    ------
    SettingsError
        If no source could meet the rule, or it is too wide to compute.
    ValueError
        If ``find_probability`` is out of range.

    Examples
    --------
    >>> mean_trials_to_call(misses=1, window=1, find_probability=0.75)
    4.0
    """
    from scipy.sparse import csc_array, identity
    from scipy.sparse.linalg import spsolve

    check_rule(misses, window)
    _check_probability(find_probability)
    if find_probability == 1.0:
        return None
    after_find, after_miss = _transitions(misses, window)
    n = len(after_find)
    here = np.arange(n)
    going_on = after_miss >= 0
    rows = np.concatenate([here, here[going_on]])
    columns = np.concatenate([after_find, after_miss[going_on]])
    values = np.concatenate(
        [np.full(n, find_probability), np.full(int(going_on.sum()), 1.0 - find_probability)]
    )
    stay = csc_array((values, (rows, columns)), shape=(n, n))
    mean = spsolve(csc_array(identity(n, format="csc") - stay), np.ones(n))
    return float(mean[0])


def _check_probability(find_probability: float) -> None:
    if not 0.0 <= find_probability <= 1.0:
        raise ValueError(f"find_probability is {find_probability}; it must be between 0 and 1")
