"""``stock``: how many sources are usable ahead, and when each is to be replaced."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.analysis.decisions.stock import Rota, Stock
from outcomes.report.results.values import Number, filled


@dataclass(frozen=True, slots=True, kw_only=True)
class Usable:
    """Sources usable, and sources to find for as many to be usable as today."""

    sources_usable: Number
    low: Number
    high: Number
    to_find: int
    to_find_low: int
    to_find_high: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StockInMonths(Usable):
    """Sources still usable in so many months, as they are used now.

    Attributes
    ----------
    sources_usable, low, high
        Expected number, and limits of the number.
    to_find, to_find_low, to_find_high
        Sources to find by then for as many to be usable as today.
    other_rotas
        The same with thaws shared out in other ways.
    """

    in_months: int
    confidence: float
    other_rotas: dict[Rota, Usable]


def make_stock(stock: Stock) -> tuple[StockInMonths, ...] | None:
    """``stock``; null without a limit."""
    if not stock.at:
        return None
    return tuple(
        filled(
            StockInMonths,
            at,
            confidence=stock.confidence,
            other_rotas={one.rota: filled(Usable, one.at[k]) for one in stock.rotas},
        )
        for k, at in enumerate(stock.at)
    )


def replacement_days(stock: Stock) -> dict[str, dict[str, str | None]]:
    """Source → ``replace_by`` and its limits, of those that have a day."""
    found = {}
    for s in stock.dated:
        told = {"replace_by": s.days, "replace_from": s.low, "replace_until": s.high}
        days = {name: None if at is None else stock.day(at) for name, at in told.items()}
        found[s.source_id] = {
            name: None if day is None else f"{day:%Y-%m-%d}" for name, day in days.items()
        }
    return found
