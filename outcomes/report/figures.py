"""Every figure by its name, for a slide; each works out, and loads, what it shows and no more."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from outcomes.answers.facts import Facts
    from outcomes.exposure.cycles_and_age import ExposureName


@dataclass(frozen=True, slots=True)
class NamedFigure:
    """A figure that can be asked for by name.

    Attributes
    ----------
    shows
        What it shows, in a few words.
    draw
        Facts, and the exposure asked for → the figure.
    loads
        Modules that a second process should load meanwhile, where it takes a part; else none.
    """

    shows: str
    draw: Callable[[Facts, ExposureName | None], Figure]
    loads: tuple[str, ...] = ()


def _main(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.report.answer_figure import draw_briefing_figure

    return draw_briefing_figure(facts)


def _price(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.draw.trade_off_figure import draw_trade_off_figure
    from outcomes.report.answer_figure import figure_footer
    from outcomes.report.price_table import advised_points

    advised = advised_points(facts.price, facts.retirement)
    return draw_trade_off_figure(facts.price, figure_footer(facts), advised=advised)


def _watch(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.analysis.decisions.shelf import held_sources
    from outcomes.draw.watch_chart import draw_watch_chart
    from outcomes.report.answer_figure import figure_footer

    watched = facts.watched
    held = held_sources(facts.records.sources, facts.joined.history, facts.as_of)
    gone = frozenset(c.name for c in watched.sources if c.name not in held)
    return draw_watch_chart(watched, figure_footer(facts), gone=gone)


def _search_time(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.draw.search_time_figure import draw_search_time_figure
    from outcomes.report.answer_figure import figure_footer

    return draw_search_time_figure(facts.search_time, facts.side_tests, figure_footer(facts))


def _false_alerts(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.draw.false_alerts_figure import draw_false_alerts_figure
    from outcomes.report.answer_figure import figure_footer

    return draw_false_alerts_figure(facts.false_alerts, figure_footer(facts))


def _next_cycles(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.draw.cycle_hazard_figure import draw_cycle_hazard_figure
    from outcomes.report.answer_figure import figure_footer

    return draw_cycle_hazard_figure(
        facts.lasting.next_cycles,
        facts.side_tests,
        figure_footer(facts),
        confidence=1.0 - facts.settings.alpha,
    )


def _storage(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.draw.storage_figure import draw_storage_figure
    from outcomes.report.answer_figure import figure_footer

    return draw_storage_figure(facts.comparison.at(facts.settings.confidence), figure_footer(facts))


def _shelf(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.draw.shelf_figure import LATEST, draw_shelf_figure
    from outcomes.report.answer_figure import figure_footer
    from outcomes.report.shelf_rows import trials_by_source

    latest = {
        name: own["result"].tail(LATEST).tolist() for name, own in trials_by_source(facts).items()
    }
    settings = facts.settings
    return draw_shelf_figure(
        facts.shelf,
        facts.next_steps,
        latest,
        settings.floor,
        settings.confidence,
        figure_footer(facts),
        facts.counted_by,
    )


def _stock(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.draw.stock_figure import draw_stock_figure
    from outcomes.report.answer_figure import figure_footer

    return draw_stock_figure(facts.stock, figure_footer(facts))


def _wear_out(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.draw.lifetime_figure import draw_lifetime_figure
    from outcomes.report.answer_figure import figure_footer

    return draw_lifetime_figure(facts.lifetime, figure_footer(facts))


def _records(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.draw.records_figure import draw_records_figure
    from outcomes.report.answer_figure import records_footer

    joined = facts.joined
    return draw_records_figure(joined.history, joined.trials, records_footer(facts))


def _ways(facts: Facts, exposure: ExposureName | None) -> Figure:
    facts.ask_ways_meanwhile()
    from outcomes.draw.specification_figure import draw_specification_figure
    from outcomes.report.answer_figure import figure_footer
    from outcomes.wording.sensitivity import named_exposures

    shown = exposure or named_exposures(facts.verdict)[0]
    return draw_specification_figure(facts.ways, shown, figure_footer(facts))


def _calibration(facts: Facts, _: ExposureName | None) -> Figure:
    from outcomes.draw.calibration_figure import draw_calibration_figure
    from outcomes.report.answer_figure import figure_footer

    return draw_calibration_figure(facts.quality, figure_footer(facts))


FIGURES: Mapping[str, NamedFigure] = {
    "main": NamedFigure("finds against cycles or age, and refrigerated against frozen", _main),
    "shelf": NamedFigure("each source against the floor, and what to do next", _shelf),
    "stock": NamedFigure("each source as a line to the day it reaches its limit", _stock),
    "storage": NamedFigure("finds had all sources been refrigerated, or all frozen", _storage),
    "wear-out": NamedFigure("how long sources stay reliable", _wear_out),
    "price": NamedFigure("what each retirement limit buys and costs", _price),
    "watch": NamedFigure("sources and dogs missed more often of late than expected", _watch),
    "search-time": NamedFigure("share found by every minute, by cycles", _search_time),
    "false-alerts": NamedFigure("false alerts by dog", _false_alerts),
    "next-cycles": NamedFigure("how many of 100 sources the next 5 cycles cost", _next_cycles),
    "records": NamedFigure("where every source was when, and its trials", _records),
    "ways": NamedFigure(
        "the same question asked in other ways",
        _ways,
        ("outcomes.answers.sensitivity", "statsmodels.genmod.generalized_estimating_equations"),
    ),
    "calibration": NamedFigure("finds beside what was predicted", _calibration),
}


def draw_named_figure(facts: Facts, name: str, exposure: ExposureName | None = None) -> Figure:
    """Draw a figure.

    Parameters
    ----------
    facts
        The unit's facts.
    name
        A key of ``FIGURES``.
    exposure
        ``"cycles"`` or ``"age_days"``; None for the one the verdict names first.
    """
    return FIGURES[name].draw(facts, exposure)
