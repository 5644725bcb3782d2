"""An effect whose sign was drawn by lot within pairs: a test of what each pair adds to it.

The model is fitted without the effect; a pair's part is the sum of the contrast times what the
model leaves. Under no effect each part is as likely as its opposite, whatever the model lacks, so
that a t test of the parts, or all signs turned over, holds its level.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats
from scipy.special import expit

from outcomes.errors import FitError
from outcomes.models.laplace import Grouping
from outcomes.models.mixed_model import MixedModel, fit_mixed_model

FEWEST_FOR_EXACT = 8
"""Pairs; below 6 no assignment by lot can reach 5 %, and below 8 hardly."""

_MOST_ENUMERATED = 14
_DRAWN = 16384
_WIDEST = 8.0  # log-odds over the whole contrast; no effect is larger
_TIE = 1e-9


@dataclass(frozen=True, slots=True)
class PairedTrials:
    """Trials on pairs of which one side was drawn by lot.

    Attributes
    ----------
    found
        1 or 0, shape (n,).
    contrast
        Half the planned difference within the pair, positive on one side of the lot, shape (n,).
    fixed
        Design without the contrast, intercept first, shape (n, p).
    dog, pair, side
        Codes from 0, shape (n,): ``side`` numbers the 2 x pairs members of pairs.
    """

    found: np.ndarray
    contrast: np.ndarray
    fixed: np.ndarray
    dog: np.ndarray
    pair: np.ndarray
    side: np.ndarray

    @property
    def pairs(self) -> int:
        """Number of pairs with trials."""
        return len(np.unique(self.pair))


@dataclass(frozen=True, slots=True)
class LotEstimate:
    """An effect as assigned by lot.

    Attributes
    ----------
    log_odds
        Per unit of the contrast: where the parts sum to nothing. None: out of reach.
    low, high
        Effects that the t test does not reject; None: out of reach.
    t, p, freedom
        The t test of no effect.
    exact_p
        By all signs that could have been drawn; None below 8 pairs.
    """

    log_odds: float | None
    low: float | None
    high: float | None
    t: float
    p: float
    freedom: int
    exact_p: float | None


def pair_parts(trials: PairedTrials, effect: float = 0.0, *, roughly: bool = False) -> np.ndarray:
    """What each pair adds to the contrast beyond an effect of this size.

    Parameters
    ----------
    trials
        The trials.
    effect
        Log-odds per unit of the contrast, held in the model as known.
    roughly
        Fit no closer than a simulation needs.

    Returns
    -------
    numpy.ndarray
        Shape (pairs,), pairs in order of code.

    Raises
    ------
    FitError
        No model can be fitted: all were found, or none.
    """
    offset = effect * trials.contrast
    model, groupings = _fit(trials, offset, roughly)
    eta = trials.fixed @ model.beta + offset
    for group, grouping in zip(model.groups, groupings, strict=True):
        eta = eta + group.modes[grouping.codes, 0]
    left = trials.contrast * (trials.found - expit(eta))
    codes = np.unique(trials.pair, return_inverse=True)[1]
    return np.bincount(codes, left)


def _fit(
    trials: PairedTrials, offset: np.ndarray, roughly: bool
) -> tuple[MixedModel, list[Grouping]]:
    """The model with all of its groupings; with fewer where it cannot be certified."""
    wanted = (("side", "dog", "pair"), ("side", "dog"), ("pair", "dog"), ("dog",), ("pair",))
    codes = {name: getattr(trials, name) for name in ("dog", "pair", "side")}
    problem: FitError | None = None
    for names in wanted:
        groupings = []
        for name in names:
            found, levels = np.unique(codes[name], return_inverse=True)
            if len(found) > 1:
                groupings.append(Grouping(name, levels, len(found)))
        try:
            model = fit_mixed_model(
                trials.found,
                trials.fixed,
                groupings,
                offset=offset,
                curvature=False,
                roughly=roughly,
            )
        except FitError as error:
            problem = problem or error
            continue
        return model, groupings
    assert problem is not None
    raise problem


def t_of_parts(parts: np.ndarray) -> tuple[float, float]:
    """The t value of the parts and its two-sided p, at their number less one."""
    n = len(parts)
    spread = parts.std(ddof=1) if n > 1 else 0.0
    if spread <= _TIE:
        return 0.0, 1.0
    t = float(parts.mean() / (spread / np.sqrt(n)))
    return t, float(2.0 * stats.t.sf(abs(t), n - 1))


def exact_p_of_parts(parts: np.ndarray, rng: np.random.Generator) -> float:
    """Share of all assignments by lot whose parts sum to as much.

    Up to 14 pairs all are gone through, beyond 16,384 are drawn.

    Parameters
    ----------
    parts
        Shape (pairs,).
    rng
        For the draws.
    """
    n = len(parts)
    reached = abs(parts.sum()) - _TIE * np.abs(parts).sum()
    if n > _MOST_ENUMERATED:
        signs = rng.choice([-1.0, 1.0], (_DRAWN, n))
        return float((1 + (np.abs(signs @ parts) >= reached).sum()) / (_DRAWN + 1))
    # The sign of the first may be held: its opposite gives the same absolute sum.
    bits = np.arange(2 ** (n - 1))[:, None] >> np.arange(n)
    return float((np.abs((1 - 2 * (bits & 1)) @ parts) >= reached).mean())


def estimate_by_lot(trials: PairedTrials, alpha: float, rng: np.random.Generator) -> LotEstimate:
    """The effect of the contrast as it was assigned by lot, with limits.

    Parameters
    ----------
    trials
        At least two pairs.
    alpha
        Limits are at 1 - ``alpha``, two-sided.
    rng
        For the exact test of many pairs.

    Returns
    -------
    LotEstimate

    Raises
    ------
    FitError
        No model can be fitted, or there are fewer than two pairs.

    References
    ----------
    Small DS, Ten Have TR, Rosenbaum PR (2008). Randomization inference in a group-randomized
    trial of treatments for depression. Journal of the American Statistical Association
    103:271-279, for residuals of a model without the effect and limits by inversion.
    """
    parts = pair_parts(trials)
    n = len(parts)
    if n < 2:
        raise FitError("there are trials on fewer than two pairs")
    t, p = t_of_parts(parts)
    limit = float(stats.t.isf(alpha / 2.0, n - 1))
    known: dict[float, float] = {0.0: t}

    def t_at(effect: float) -> float:
        if effect not in known:
            known[effect] = t_of_parts(pair_parts(trials, effect))[0]
        return known[effect]

    widest = _WIDEST / float(np.ptp(trials.contrast))
    return LotEstimate(
        log_odds=_crossing(t_at, 0.0, widest),
        low=_crossing(t_at, limit, widest),
        high=_crossing(t_at, -limit, widest),
        t=t,
        p=p,
        freedom=n - 1,
        exact_p=exact_p_of_parts(parts, rng) if n >= FEWEST_FOR_EXACT else None,
    )


def _crossing(t_at: Callable[[float], float], value: float, widest: float) -> float | None:
    """Where the falling t value passes ``value``; None where that is out of reach."""
    start = t_at(0.0) - value
    if start == 0.0:
        return 0.0
    near, far = 0.0, np.copysign(widest / 32.0, start)
    while (t_at(far) - value) * start > 0.0:
        if abs(far) >= widest:
            return None
        near, far = far, 2.0 * far
    try:
        return float(
            optimize.brentq(lambda b: t_at(float(b)) - value, near, far, xtol=1e-7 * widest)
        )
    except FitError:
        return None
