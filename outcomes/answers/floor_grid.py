"""The answers that hang on the floor, for every floor a reader of the page may choose.

Nothing is fitted or predicted again: thresholds are read off the curves there
are, and advice follows from the predictions there are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from outcomes.analysis.decisions.curve import reach_of
from outcomes.analysis.decisions.shelf import ShelfSource, advice_at, recent_finds
from outcomes.analysis.decisions.threshold import Retirement, Threshold, read_threshold
from outcomes.analysis.results import Advice, Ground
from outcomes.answers.facts import Facts

FLOORS = tuple(round(0.50 + 0.01 * k, 2) for k in range(46))
_WHATEVER_THE_FLOOR: tuple[Ground, ...] = (
    "beyond records",
    "no trials",
    "no model",
    "not documented",
)
_ADVICE: dict[Advice, int] = {"retire": 0, "test": 1, "keep": 2}


@dataclass(frozen=True, slots=True)
class FloorPoint:
    """The answers at one floor.

    Attributes
    ----------
    floor
        The lowest acceptable find probability.
    retirement
        Thresholds at this floor; the curves are the same at each.
    shelf
        Advice for every source held, what to act on first on top: by advice,
        then as at the unit's own floor.
    """

    floor: float
    retirement: Retirement
    shelf: tuple[ShelfSource, ...]


def floor_grid(facts: Facts) -> tuple[FloorPoint, ...]:
    """The answers at floors from 0.50 to 0.95 by 0.01, and at the unit's own.

    Parameters
    ----------
    facts
        The unit's facts.

    Returns
    -------
    tuple of FloorPoint
        In rising order of the floor. The point at the unit's own floor holds the
        thresholds and the shelf of ``facts`` themselves.
    """
    own = facts.settings.floor
    recent = recent_finds(facts.fit, facts.as_of)
    reach = reach_of(facts.fit.design, facts.settings.confidence) if facts.fit.mixed else 0.0
    return tuple(
        FloorPoint(own, facts.retirement, facts.shelf)
        if floor == own
        else _at(facts, floor, recent, reach)
        for floor in sorted({*FLOORS, own})
    )


def _at(facts: Facts, floor: float, recent: Mapping[str, float], reach: float) -> FloorPoint:
    advised = [advise(s, floor, recent.get(s.source_id, 0.0), reach) for s in facts.shelf]
    retirement = Retirement(
        tuple(_threshold(t, floor) for t in facts.retirement.thresholds), facts.retirement.curves
    )
    return FloorPoint(
        floor, retirement, tuple(sorted(advised, key=lambda source: _ADVICE[source.advice]))
    )


def _threshold(threshold: Threshold, floor: float) -> Threshold:
    if len(threshold.curve.at) == 0:
        return replace(threshold, floor=floor)
    return read_threshold(threshold.curve, floor, threshold.observed_to)


def advise(source: ShelfSource, floor: float, recent: float, reach: float) -> ShelfSource:
    """Advice on one source at another floor, by the rules of the shelf.

    Parameters
    ----------
    source
        The source as advised at the unit's own floor
        (:func:`outcomes.analysis.decisions.shelf.review_shelf`).
    floor
        The other floor.
    recent
        Share of finds in its own latest 20 usable trials.
    reach
        Standard errors to either limit of its prediction.
    """
    probability, low, high = source.find_probability, source.low, source.high
    if source.ground in _WHATEVER_THE_FLOOR or probability is None or low is None or high is None:
        return source
    advice, ground, settle = advice_at(
        floor, (probability, low, high), source.trials_used or 0, recent, reach
    )
    return replace(source, advice=advice, ground=ground, trials_to_settle=settle)
