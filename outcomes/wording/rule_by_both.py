"""What retiring by cycles or age, whichever comes first, buys and costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from outcomes.analysis.decisions.trade_off import (
    PresentPractice,
    TradeOff,
    TradeOffPoint,
    alone,
    price_at_floors,
    two_sided_rule,
)
from outcomes.answers.facts import Facts
from outcomes.answers.floor_grid import FloorPoint
from outcomes.text import DAYS_PER_MONTH
from outcomes.wording.numbers import bare_in_100, exactly, few, floor_in_100, in_100, percent


def describe_rule_by_both(price: TradeOff, cycles: float, months: float) -> str:
    """What a rule by both buys and costs beside each limit alone, or why it has no price."""
    name = f"{exactly(cycles, 'cycle')} or {exactly(months, 'month')}"
    if price.reason is not None:
        return f"The rule “{name}, whichever comes first” has no price: {price.reason}."
    if not price.combined or price.present is None:
        return (
            f"The rule “{name}, whichever comes first” has no price: too few trials of these "
            "records, or none of the sources taken in, are within it."
        )
    (point,), now = price.combined, price.present
    confidence = percent(price.confidence)
    return (
        f"Retire after {name}, whichever comes first: about {_a_year(point.sources_per_year)} "
        f"({confidence} interval {few(point.sources_low)} to {few(point.sources_high)}), "
        f"{in_100(point.find_probability)} finds in the trials still run "
        f"({bare_in_100(point.low)} to {bare_in_100(point.high)}), and "
        f"{in_100(point.share_below_floor)} of those trials on sources below "
        f"{floor_in_100(price.floor)}.{_each_alone(price, point)} "
        f"As now: {_a_year(now.sources_per_year)} discarded, "
        f"{in_100(now.find_probability)} finds in all trials as run, "
        f"{in_100(now.share_below_floor)} of them on such sources."
    )


def _each_alone(price: TradeOff, point: TradeOffPoint) -> str:
    parts = [
        f"{limit} alone: about {_a_year(one.sources_per_year)}, "
        f"{in_100(one.find_probability)} finds"
        for limit, one in zip(_limits(point), alone(price, point), strict=True)
        if one is not None
    ]
    return f" After {'; after '.join(parts)}." if parts else ""


def _limits(point: TradeOffPoint) -> tuple[str, str]:
    """Both limits of a rule by both, as they are priced."""
    months = (point.age_days or 0.0) / DAYS_PER_MONTH
    return exactly(point.cycles or 0.0, "cycle"), exactly(months, "month")


@dataclass(frozen=True, slots=True)
class EitherRow:
    """One rule in the small table on the page: all of it as text."""

    rule: str
    sources: str
    finds: str
    below: str


def either_rule(facts: Facts) -> tuple[float, float] | None:
    """Cycles and months of the rule by both that is priced; None where there is none."""
    rule = two_sided_rule(facts.retirement, facts.asked.either)
    return None if rule is None else (rule[0], rule[1] / DAYS_PER_MONTH)


def describe_rule_by_both_on_page(facts: Facts) -> str | None:
    """The price of the rule by both, for the page; None where there is no such rule."""
    return _either_told(facts.price, either_rule(facts), facts.asked.either is not None)


def _either_told(price: TradeOff, rule: tuple[float, float] | None, asked: bool) -> str | None:
    if rule is None or (not asked and not price.combined):
        return None
    said = describe_rule_by_both(price, *rule)
    if asked:
        return said
    return f"The two limits together, at the floor of {floor_in_100(price.floor)}. {said}"


@dataclass(frozen=True, slots=True)
class EitherAtFloor:
    """The rule by both at one floor: the sentence, the small table, and what stands over it."""

    sentence: str
    rows: tuple[EitherRow, ...]
    caption: str


def either_at_floors(facts: Facts, grid: Sequence[FloorPoint]) -> list[EitherAtFloor]:
    """The rule by both at every floor a reader of the page may choose.

    Parameters
    ----------
    facts
        The unit's facts.
    grid
        The answers at each floor.

    Returns
    -------
    list of EitherAtFloor
        One for each point of ``grid``; at the unit's own floor what
        :func:`describe_rule_by_both_on_page` and :func:`either_rows` say.
    """
    asked = facts.asked.either
    rules = [two_sided_rule(point.retirement, asked) for point in grid]
    other = [
        (point.floor, rule)
        for point, rule in zip(grid, rules, strict=True)
        if point.floor != facts.settings.floor
    ]
    prices: dict[float, TradeOff] = {facts.settings.floor: facts.price}
    if any(rule is not None for _, rule in other):
        made = price_at_floors(facts.fit, facts.price, facts.use, other, drawn=facts.drawn)
        prices |= {price.floor: price for price in made}
    told = []
    for point, rule in zip(grid, rules, strict=True):
        price = prices.get(point.floor)
        if rule is None or price is None:
            told.append(EitherAtFloor("", (), ""))
            continue
        months = (rule[0], rule[1] / DAYS_PER_MONTH)
        told.append(
            EitherAtFloor(
                _either_told(price, months, asked is not None) or "",
                tuple(_rows_of(price)),
                either_caption(price),
            )
        )
    return told


def either_caption(price: TradeOff) -> str:
    """What stands over the small table."""
    return (
        f"Whichever comes first, against each alone ({percent(price.confidence)} "
        f"interval); the floor is {floor_in_100(price.floor)}."
    )


def either_rows(facts: Facts) -> list[EitherRow]:
    """That rule, each of its limits alone, and present practice, row by row."""
    return _rows_of(facts.price)


def _rows_of(price: TradeOff) -> list[EitherRow]:
    if not price.combined or price.present is None:
        return []
    (point,) = price.combined
    by_cycles, by_age = alone(price, point)
    cycles, months = _limits(point)
    rows = (
        (f"{cycles} or {months}, whichever comes first", point),
        (f"{cycles} alone", by_cycles),
        (f"{months} alone", by_age),
        ("as now", price.present),
    )
    return [_either_row(name, one) for name, one in rows if one is not None]


def _either_row(name: str, one: TradeOffPoint | PresentPractice) -> EitherRow:
    return EitherRow(
        rule=name,
        sources=f"{few(one.sources_per_year)} ({few(one.sources_low)} to {few(one.sources_high)})",
        finds=f"{bare_in_100(one.find_probability)} "
        f"({bare_in_100(one.low)} to {bare_in_100(one.high)})",
        below=f"{bare_in_100(one.share_below_floor)} "
        f"({bare_in_100(one.share_low)} to {bare_in_100(one.share_high)})",
    )


def _a_year(number: float) -> str:
    shown = few(number)
    return f"{shown} {'source' if shown == '1' else 'sources'} a year"
