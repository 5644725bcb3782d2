"""An interval of an exposure's effect that holds at every look, for a unit that asks again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.analysis.finds.model import (
    LEAST_DOGS,
    LEAST_FINDS,
    LEAST_MISSES,
    LEAST_SOURCES,
    FindFit,
    fit_finds,
)
from outcomes.analysis.finds.usable_trials import unassisted_hides
from outcomes.analysis.results import ExposureName, Verdict
from outcomes.models.distributions import normal_tail, student_quantile

# The information, as a multiple of that at the first look, at which the interval is narrowest.
_NARROWEST_AT = 9.67


@dataclass(frozen=True, slots=True)
class AskedAgain:
    """The effect of an exposure, with an interval that holds at every look together.

    Attributes
    ----------
    exposure
        The one the verdict names; cycles where it names both or none.
    log_odds
        Change in log-odds, per cycle or per 30 days.
    log_odds_low, log_odds_high
        The interval that holds at every look at 1 - alpha.
    std_error, first_std_error
        Now, and at the first look at which there was enough evidence.
    first_look
        The end of the month of that look.
    wider
        How many times as wide as the ordinary interval.
    stands
        Whether the verdict would stand for a unit that asks every month; None where it
        rests on more than one effect's test.
    """

    exposure: ExposureName
    log_odds: float
    log_odds_low: float
    log_odds_high: float
    std_error: float
    first_std_error: float
    first_look: pd.Timestamp
    wider: float
    stands: bool | None


def sequence_multiplier(
    std_error: float, first_std_error: float, alpha: float, freedom: float
) -> float:
    """Standard errors on either side of an estimate, so that it holds at every look.

    Parameters
    ----------
    std_error, first_std_error
        Of the estimate now, and at the first look.
    alpha
        The chance that the interval ever misses the truth.
    freedom
        Degrees of freedom of the error.

    Returns
    -------
    float
        That of an asymptotic confidence sequence, narrowest where there is about ten times
        the information of the first look; the quantile of Student's t of the same tail.

    References
    ----------
    Waudby-Smith I, Arbour D, Sinha R, Kennedy EH, Ramdas A (2021). Time-uniform central limit
    theory and asymptotic confidence sequences. arXiv:2103.06476.

    Examples
    --------
    >>> round(sequence_multiplier(1.0, 1.0, 0.05, float("inf")), 2)
    3.82
    """
    least = -2.0 * np.log(alpha)
    r = (least + np.log1p(least)) / _NARROWEST_AT * (first_std_error / std_error) ** 2
    reach = float(np.sqrt((1.0 + 1.0 / r) * np.log((1.0 + r) / alpha**2)))
    return float(student_quantile(1.0 - normal_tail(reach), freedom))


def ask_again(fit: FindFit, verdict: Verdict, trials: pd.DataFrame) -> AskedAgain | None:
    """Ask whether the answer would hold for a unit that has asked at the end of every month.

    The first look is the end of the first month by which a model of finds could be fitted;
    its error is worked out again from the trials up to then.

    Parameters
    ----------
    fit
        A fit of finds.
    verdict
        On the same fit.
    trials
        The joined trials it was fitted to.

    Returns
    -------
    AskedAgain or None
        None without a model, without the exposure's term in it, where finds do not change along a
        line, and where the first look leaves the effect without an error.
    """
    exposure: ExposureName = "age_days" if verdict == "age" else "cycles"
    term, column = fit.term(exposure), fit.design.column_of(exposure)
    if term is None or column is None or fit.design.columns[column - 1].shape.bent:
        return None
    first = _first_look(fit, trials, exposure)
    if first is None:
        return None
    look, first_error = first
    alpha, freedom = fit.settings.alpha, max(fit.sources - 1.0, 1.0)
    freedom = min(freedom, float(fit.freedom[column])) if fit.slopes else freedom
    reach = sequence_multiplier(term.std_error, first_error, alpha, freedom) * term.std_error
    if not np.isfinite(reach):
        return None
    low, high = term.log_ratio - reach, term.log_ratio + reach
    stands: bool | None = low > 0.0 or high < 0.0
    if verdict == "no change detected":
        stands = True  # nothing was claimed that many looks could have found by chance
    elif verdict not in ("cycles", "age"):
        stands = None
    ordinary = np.log(term.high / term.low) / 2.0
    return AskedAgain(
        exposure=exposure,
        log_odds=term.log_ratio,
        log_odds_low=low,
        log_odds_high=high,
        std_error=term.std_error,
        first_std_error=first_error,
        first_look=look,
        wider=float(reach / ordinary),
        stands=stands,
    )


def _first_look(
    fit: FindFit, trials: pd.DataFrame, exposure: ExposureName
) -> tuple[pd.Timestamp, float] | None:
    """End of the first month with a model of finds, and the error of the effect by then."""
    started = trials["started_at"]
    ends = pd.date_range(started.min().normalize(), started.max(), freq="ME")
    for end in ends:
        known = trials[started < end + pd.Timedelta(days=1)]
        if not _enough(known):
            continue
        term = fit_finds(known, fit.settings).term(exposure)
        if term is not None:
            return end, term.std_error
    term = fit.term(exposure)
    return None if term is None else (started.max().normalize(), term.std_error)


def _enough(trials: pd.DataFrame) -> bool:
    """Whether a fit is worth trying: as :func:`outcomes.analysis.finds.model.fit_finds` asks."""
    hides = unassisted_hides(trials)
    finds = int((hides["result"] == "find").sum())
    return (
        finds >= LEAST_FINDS
        and len(hides) - finds >= LEAST_MISSES
        and hides["source_id"].nunique() >= LEAST_SOURCES
        and hides["dog_id"].nunique() >= LEAST_DOGS
    )
