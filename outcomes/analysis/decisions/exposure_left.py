"""How much each held source has left before its finds fall to the floor, and what to do first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from outcomes.analysis.decisions.curve import model_of, observed_to
from outcomes.analysis.decisions.rate_of_use import RateOfUse
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.source_draws import DRAWS, SourceDraws, draw_sources
from outcomes.analysis.decisions.threshold import crossing
from outcomes.analysis.finds.cycles_or_age import exposures_tied
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.results import Advice, ExposureName
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.rounding import rounded
from outcomes.settings import DecisionSettings
from outcomes.text import DAYS_PER_YEAR

_STEPS = 60
_TRIALS_OF_ITS_OWN = 10  # from here on a source's own trials speak for where it has been
_ADVICE: dict[Advice, int] = {"retire": 0, "test": 1, "keep": 2}


@dataclass(frozen=True, slots=True)
class ExposureLeft:
    """What one held source has left, by one exposure.

    Attributes
    ----------
    source_id
        The source.
    by
        ``"cycles"`` or ``"age_days"``; the other exposure stays as it is today.
    now
        Its exposure today; None where it is not on record.
    left, low, high
        Exposure still to go until its own predicted find probability, and the
        lower and the upper limit of it, fall to the floor; 0 where they are
        below it already. None where they do not within what was observed
        (``reason`` is then None too), or ``reason`` says why.
    observed_to
        Nothing is said beyond this exposure: what three sources have reached, or
        this one itself in ten trials or more.
    years_left
        ``left`` at this source's own rate of use; for age, as time. None where
        there is none, or the source is not being thawed.
    years_low
        The same of ``low``; where that is not reached within what was observed, of
        all there is up to there, for it lasts at least so long.
    below
        How sure it is, from 0 to 1, that the source is below the floor today.
    reason
        Why nothing can be said; None where something can.
    """

    source_id: str
    by: ExposureName
    now: float | None
    left: float | None
    low: float | None
    high: float | None
    observed_to: float
    years_left: float | None
    years_low: float | None
    below: float | None
    reason: str | None


def exposure_left(
    fit: FindFit,
    shelf: Sequence[ShelfSource],
    exposure: ExposureName,
    use: RateOfUse | None = None,
) -> tuple[ExposureLeft, ...]:
    """What each source on the shelf has left, read off its own predicted curve.

    The source's own level, its kind and storage are as they are; only the
    exposure goes on, and where cycles and age rise together it stands for both.
    Its find probability and limits start at those of the shelf and go on as the
    average, and the percentiles, over draws from the joint distribution of
    effects, dogs and sources.

    Parameters
    ----------
    fit
        Fit of finds; its settings give floor and confidence.
    shelf
        The sources held, with their exposure today.
    exposure
        ``"cycles"`` or ``"age_days"``.
    use
        The unit's rate of use, for ``years_left``.

    Returns
    -------
    tuple of ExposureLeft
        In the order of the shelf.
    """
    limit = observed_to(fit.design.trials, exposure) if fit.n else 0.0
    fit = _standing_for_both(fit, exposure)
    position = fit.design.column_of(exposure)
    rates = {} if use is None else dict(zip(use.source_ids, use.cycles_per_year, strict=True))
    known = fit.mixed is not None and position is not None
    drawn = draw_sources(fit, DRAWS) if known else None
    own = fit.design.trials.groupby("source_id")[exposure].agg(["size", "max"])
    reach = own["max"].where(own["size"] >= _TRIALS_OF_ITS_OWN, 0.0).clip(lower=limit)
    limits = {str(name): float(value) for name, value in reach.items()}
    going_on = [_going_on(s, exposure, limits.get(s.source_id, limit), drawn) for s in shelf]
    averaged = iter([] if drawn is None else drawn.averaged_along(
        [one.states for one in going_on if one.states is not None]
    ))  # fmt: skip
    return tuple(
        _nothing_to_say(fit, s, one, exposure, drawn is not None)
        if one.states is None
        else _read_off(fit.settings, s, one, exposure, next(averaged), rates.get(s.source_id))
        for s, one in zip(shelf, going_on, strict=True)
    )


def _standing_for_both(fit: FindFit, exposure: ExposureName) -> FindFit:
    """The fit, or where cycles and age rise together that of one in place of both.

    A step along one with the other held leaves the line the two share: a guess.
    """
    if not exposures_tied(fit.design):
        return fit
    design, mixed = model_of(fit, exposure, alone=True, each_source=True)
    return fit if mixed is None else replace(fit, design=design, each_source=mixed)


@dataclass(frozen=True, slots=True)
class _GoingOn:
    """One source as an exposure goes on from today.

    ``at`` are its exposures, shape (k,), and ``states`` drawn log-odds there, shape (draws, k);
    both None where nothing can be said. ``limit`` is as far as it is observed.
    """

    now: float | None
    limit: float
    at: np.ndarray | None = None
    states: np.ndarray | None = None


def _going_on(
    source: ShelfSource, exposure: ExposureName, limit: float, drawn: SourceDraws | None
) -> _GoingOn:
    now = CYCLES_AND_AGE[exposure].of(source)
    # A little past its own last trial is not a new country.
    beyond = source.ground == "beyond records" or (now is not None and now > 1.1 * limit)
    if drawn is None or now is None or beyond or source.find_probability is None:
        return _GoingOn(now, limit)
    today: dict[str, float | None] = {name: one.of(source) for name, one in CYCLES_AND_AGE.items()}
    at = np.linspace(now, limit, _STEPS) if limit > now else np.array([now])
    return _GoingOn(now, limit, at, drawn.along(source.source_id, today, exposure, at))


def _nothing_to_say(
    fit: FindFit, source: ShelfSource, one: _GoingOn, exposure: ExposureName, known: bool
) -> ExposureLeft:
    if not known:
        reason = fit.reason or f"the model has no effect of {CYCLES_AND_AGE[exposure].noun}"
    elif source.ground != "beyond records" and (source.find_probability is None or one.now is None):
        reason = "it cannot be predicted"
    else:
        reason = "it is beyond what three sources, or its own trials, have shown"
    return ExposureLeft(
        source.source_id, exposure, one.now, None, None, None, one.limit, None, None, None, reason
    )


def _read_off(
    settings: DecisionSettings,
    source: ShelfSource,
    one: _GoingOn,
    exposure: ExposureName,
    probability: np.ndarray,
    rate: float | None,
) -> ExposureLeft:
    now, limit, at = one.now, one.limit, one.at
    assert now is not None
    assert at is not None
    tails = [0.5 - settings.confidence / 2.0, 0.5 + settings.confidence / 2.0]
    lower, upper = np.quantile(probability, tails, axis=0)
    floor = settings.floor
    told = (source.find_probability, source.low, source.high)
    along = (probability.mean(axis=0), lower, upper)
    left, low, high = (
        _to_go(at, _from_today(values, now_told), floor)
        for values, now_told in zip(along, told, strict=True)
    )
    return ExposureLeft(
        source_id=source.source_id,
        by=exposure,
        now=now,
        left=left,
        low=low,
        high=high,
        observed_to=limit,
        years_left=_years(left, exposure, rate),
        years_low=_years(max(limit - now, 0.0) if low is None else low, exposure, rate),
        below=float((probability[:, 0] < floor).mean()),
        reason=None,
    )


def _from_today(values: np.ndarray, today: float | None) -> np.ndarray:
    """A curve that starts at what the shelf tells today and goes on as the draws do, in log-odds.

    Two ways of averaging over what is open differ a little; one source has one probability.
    """
    if today is None:
        return values
    log_odds = special.logit(np.clip(np.append(values, today), 1e-9, 1.0 - 1e-9))
    moved: np.ndarray = special.expit(log_odds[:-1] - log_odds[0] + log_odds[-1])
    return moved


def _to_go(at: np.ndarray, values: np.ndarray, floor: float) -> float | None:
    """Exposure from the first point to where the values fall below the floor."""
    under = rounded(values) < rounded(floor)
    if under[0]:
        return 0.0
    # The first time: a curve that rises again says nothing about what lies between.
    below = np.flatnonzero(under)
    if len(below) == 0:
        return None
    last = int(below[0]) + 1
    where = crossing(at[:last], values[:last], floor)
    assert where is not None
    return where - float(at[0])


def _years(left: float | None, exposure: ExposureName, rate: float | None) -> float | None:
    if left is None:
        return None
    if exposure == "age_days":
        return left / DAYS_PER_YEAR
    return left / rate if rate else None


def first_things(
    shelf: Sequence[ShelfSource], left: Sequence[ExposureLeft]
) -> tuple[ShelfSource, ...]:
    """The shelf in the order of what to do first.

    First the sources advised to be retired, then those to be tested, then those
    to be kept. Among those to be retired, the one most surely below the floor
    comes first. Among those to be tested, first those that trials would settle,
    the one most likely below the floor leading; then those that have never been
    tried or cannot be judged. Among those to be kept, first the one whose lower
    limit of what is left is soonest reached at its own rate of use
    (``years_low``); those that are not being thawed, or have no rate, come last.

    Parameters
    ----------
    shelf
        The sources held.
    left
        What each has left, by one exposure, in the order of the shelf.
    """
    by_name = {item.source_id: item for item in left}

    def order(source: ShelfSource) -> tuple[int, int, float, str]:
        item = by_name.get(source.source_id)
        below = item.below if item is not None and item.below is not None else 0.5
        if source.advice == "keep":
            time = np.inf if item is None or item.years_low is None else item.years_low
            return 2, 0, time, source.source_id
        cannot = int(source.advice == "test" and source.find_probability is None)
        return _ADVICE[source.advice], cannot, -below, source.source_id

    return tuple(sorted(shelf, key=order))
