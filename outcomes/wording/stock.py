"""The stock: which source reaches its limit when, and how many to find by when."""

from __future__ import annotations

from outcomes.analysis.decisions.stock import Rota, SourceAhead, Stock, StockAt
from outcomes.text import count
from outcomes.wording.exposure import whole_limit
from outcomes.wording.numbers import few, joined, percent

_FURTHEST_DAYS = 3 * 365.25
_ROTAS: dict[Rota, str] = {
    "half as often": "if thawed half as often",
    "in turn": "if thawed in turn, all alike",
    "on these alone": "if they take over the thaws of those no longer used",
}
STOCK_NOTE = (
    "A source counts as usable until it reaches the limit of its class; its own trials may show "
    "that it serves longer, or less long. Dates go by how often each was thawed in the last two "
    "years, among as many sources as now."
)


def describe_stock(stock: Stock) -> str:
    """How many sources are usable today and ahead, in one sentence or two."""
    if not stock.limits:
        return (
            "No source has a day to be replaced by: no limit is set from these records, so its "
            "rate of use leads to none."
        )
    held = len(stock.sources)
    text = f"Of {count(held, 'source')} held, {stock.usable:,} {_are(stock.usable)} usable"
    past = sum(s.standing == "at the limit" for s in stock.sources)
    if past:
        text += f"; {past:,} {_are(past)} at the limit ({_limits(stock)}) or past it"
    out = sum(s.standing == "retire" for s in stock.sources)
    if out:
        text += f"; {out:,} {_are(out)} to retire"
    if not stock.dated:
        return f"{text}. None of them is on its way to the limit."
    ahead = [f"{_interval(at)} in {at.in_months} months" for at in stock.at]
    return f"{text}. As they are used now, that will be {joined(ahead)}."


def describe_stock_in_short(stock: Stock) -> str:
    """The same as a title."""
    if not stock.dated:
        return "No source held has a day to be replaced by"
    year = stock.at[-1]
    return (
        f"{stock.usable:,} of {count(len(stock.sources), 'source')} usable today, about "
        f"{year.sources_usable:.0f} in {year.in_months} months as they are used now"
    )


def describe_to_find(stock: Stock) -> str | None:
    """How many sources to find by when, and how many a year; None where none has a date."""
    if not stock.dated:
        return None
    parts = [
        f"{at.to_find:,} ({_span(at.to_find_low, at.to_find_high)}) by {_day(stock, at)}"
        for at in stock.at
    ]
    text = f"To have {stock.usable:,} then, as today, find {joined(parts)} in all."
    if stock.needed_per_year is not None and stock.needed_per_year >= 0.05:
        year = few(stock.needed_per_year)
        text += (
            f" That is less while sources held have cycles left. Once they are used up, this rate "
            f"and limit take about {year} new {'source' if year == '1' else 'sources'} a year."
        )
    return text


def describe_next_dates(stock: Stock, most: int = 3) -> str | None:
    """The sources that reach the limit first, by name; None where none has a date."""
    soon = stock.dated[:most]
    if not soon:
        return None
    named = [f"{s.source_id} {describe_day(stock, s)}" for s in soon]
    return f"First to reach the limit: {joined(named)}."


def describe_rotas(stock: Stock) -> str | None:
    """What another rota would give in a year; None where none is asked."""
    if not stock.rotas:
        return None
    parts = [f"{_interval(rota.at[-1])} {_ROTAS[rota.rota]}" for rota in stock.rotas]
    return f"Usable in {stock.at[-1].in_months} months: {'; '.join(parts)}."


def stock_lines(stock: Stock) -> list[str]:
    """What follows the first sentence: names, how many to find, other rotas, who has no date."""
    if not stock.limits:
        return []
    lines = (
        describe_next_dates(stock),
        describe_to_find(stock),
        describe_rotas(stock),
        describe_no_dates(stock),
    )
    return [line for line in lines if line is not None]


def describe_no_dates(stock: Stock) -> str | None:
    """Sources that have no date, counted by why; None where there are none."""
    why = {
        "not thawed": "kept in the refrigerator, and the limit is of cycles",
        "no limit": "of a kind that has no limit",
        "not known": "without an exposure on record",
    }
    parts = []
    for standing, told in why.items():
        number = sum(s.standing == standing for s in stock.sources)
        if number:
            parts.append(f"{number:,} {told}")
    return f"Without a date: {joined(parts)}." if parts else None


def describe_stock_interval(stock: Stock) -> str:
    """Which intervals these are."""
    return f"In brackets: {percent(stock.confidence)} intervals. {STOCK_NOTE}"


def describe_day(stock: Stock, source: SourceAhead) -> str:
    """When one source reaches its limit: about then, from and to; or why it has no date."""
    if source.standing != "usable" or source.days is None:
        return {
            "at the limit": "at the limit or past it",
            "retire": "retire now",
            "no limit": "no limit for its kind",
            "not thawed": "not thawed: no date",
            "not known": "not known",
        }.get(source.standing, "not known")
    at, low, high = (_date(stock, days) for days in (source.days, source.low, source.high))
    if low == at == high and at is not None:
        return f"on {at}"
    if at is None:
        return "in over 3 years" if low is None else f"in over 3 years (not before {low})"
    return f"about {at} ({low} to {high or 'over 3 years'})"


def _date(stock: Stock, days: float | None) -> str | None:
    if days is None or days > _FURTHEST_DAYS:
        return None
    day = stock.day(days)
    return None if day is None else f"{day:%Y-%m-%d}"


def _day(stock: Stock, at: StockAt) -> str:
    return f"{stock.as_of + at.ahead:%Y-%m-%d}"


def _interval(at: StockAt) -> str:
    return f"{at.sources_usable:.0f} ({_span(at.low, at.high)})"


def _span(low: int, high: int) -> str:
    return f"{low:,}" if low == high else f"{low:,} to {high:,}"


def _are(number: int) -> str:
    return "is" if number == 1 else "are"


def _limits(stock: Stock) -> str:
    told = [
        f"{whole_limit(by, at)}{f' for {joined(kinds)}' if kinds else ''}"
        for by, several in stock.limits.items()
        for at, kinds in several
    ]
    return joined(told, "or")
