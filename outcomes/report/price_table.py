"""What limits buy and cost, limit by limit, as a small table for people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass

from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.decisions.trade_off import PresentPractice, TradeOff, TradeOffPoint
from outcomes.analysis.results import ExposureName
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.text import count, table
from outcomes.wording.limit import limits_set
from outcomes.wording.numbers import few, finds_in_100
from outcomes.wording.price import describe_price_table

MOST_LIMITS = 8
# Every how many cycles, or months, a limit stands in the table.
_STEPS = (1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 24, 30, 50, 60, 100)
HEADINGS = ("Retire after", "Finds in 100", "Below the floor in 100", "Sources a year")


@dataclass(frozen=True, slots=True)
class PriceRow:
    """One limit, or present practice: all of it as text."""

    limit: str
    finds: str
    below: str
    sources: str


def advised_points(price: TradeOff, retirement: Retirement) -> tuple[TradeOffPoint, ...]:
    """The unit's own advised limits among those priced, the leading one first.

    Parameters
    ----------
    price
        What limits buy and cost.
    retirement
        The unit's thresholds; one without a limit, or whose limit has no price, gives nothing.
    """
    found = []
    for threshold in retirement.thresholds:
        if threshold.retire_after is None:
            continue
        rules = price.by_cycles if threshold.by == "cycles" else price.by_age
        # A limit by age is priced in whole months, the last one gone by.
        wanted = _steps_of(threshold.by, threshold.retire_after)
        found += [p for p in rules if _steps(p, threshold.by) == wanted]
    return tuple(found)


def price_rows(price: TradeOff, retirement: Retirement) -> list[PriceRow]:
    """A few limits by the leading exposure, the advised one among them, and present practice.

    Parameters
    ----------
    price, retirement
        As for :func:`advised_points`.

    Returns
    -------
    list of PriceRow
        At most ``MOST_LIMITS`` limits; empty where nothing is priced, or no limit can be set.
    """
    if price.present is None or not retirement.thresholds:
        return []
    by = retirement.thresholds[0].by
    rules = price.by_cycles if by == "cycles" else price.by_age
    # A table of limits would take back that none can be set.
    unsure = any(t.outcome in ("never sure", "no model") for t in retirement.thresholds)
    if unsure and not limits_set(retirement):
        return []
    advised = [p for p in advised_points(price, retirement) if p in rules]
    if not rules:
        return []
    rows = [
        _row(_name(p, by) + (" (advised)" if p in advised else ""), p)
        for p in _some(rules, by, advised)
    ]
    return [*rows, _row("as now", price.present)]


def price_lines(price: TradeOff, retirement: Retirement) -> Iterator[str]:
    """The table for a terminal; nothing where nothing is priced."""
    rows = price_rows(price, retirement)
    if not rows:
        return
    yield f"{describe_price_table(price, retirement)}."
    yield from table([HEADINGS, *(astuple(row) for row in rows)])


def _steps_of(by: ExposureName, limit: float) -> int:
    return int(limit / CYCLES_AND_AGE[by].step_size + 1e-9)


def _steps(point: TradeOffPoint, by: ExposureName) -> int:
    return _steps_of(by, CYCLES_AND_AGE[by].of(point) or 0.0)


def _some(
    rules: Sequence[TradeOffPoint], by: ExposureName, advised: Sequence[TradeOffPoint]
) -> list[TradeOffPoint]:
    for step in _STEPS:
        some = [p for p in rules if _steps(p, by) % step == 0 or p in advised]
        if len(some) <= MOST_LIMITS:
            return some
    return list(advised)


def _name(point: TradeOffPoint, by: ExposureName) -> str:
    return count(_steps(point, by), CYCLES_AND_AGE[by].step)


def _row(name: str, one: TradeOffPoint | PresentPractice) -> PriceRow:
    return PriceRow(
        limit=name,
        finds=_of_100(one.find_probability, one.low, one.high),
        below=_of_100(one.share_below_floor, one.share_low, one.share_high),
        sources=f"{few(one.sources_per_year)} ({few(one.sources_low)} to {few(one.sources_high)})",
    )


def _of_100(middle: float, low: float, high: float) -> str:
    return f"{finds_in_100(middle)} ({finds_in_100(low)} to {finds_in_100(high)})"
