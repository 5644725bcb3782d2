"""Every figure by its name, for a slide."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from matplotlib.figure import Figure

from outcomes.brief.answer_figure import draw_briefing_figure, figure_footer, records_footer
from outcomes.brief.facts import Facts
from outcomes.brief.further_figures import FOLDED
from outcomes.brief.further_words import named_exposures
from outcomes.brief.price_table import advised_points
from outcomes.draw.calibration_figure import draw_calibration_figure
from outcomes.draw.cycle_hazard_figure import draw_cycle_hazard_figure
from outcomes.draw.false_alerts_figure import draw_false_alerts_figure
from outcomes.draw.frontier_figure import draw_frontier_figure
from outcomes.draw.overlap_figure import draw_overlap_figure
from outcomes.draw.records_figure import draw_records_figure
from outcomes.draw.search_time_figure import draw_search_time_figure
from outcomes.draw.specification_figure import draw_specification_figure
from outcomes.draw.trade_off_figure import draw_trade_off_figure
from outcomes.draw.turnbull_figure import draw_turnbull_figure
from outcomes.draw.watch_chart import draw_watch_chart


@dataclass(frozen=True, slots=True)
class NamedFigure:
    """A figure that can be asked for by name.

    Attributes
    ----------
    shows
        What it shows, in a few words.
    draw
        Facts, and the exposure asked for → the figure.
    """

    shows: str
    draw: Callable[[Facts, str | None], Figure]


def _folded(name: str) -> Callable[[Facts, str | None], Figure]:
    """A figure that is also on the page, by the same name."""
    _, draw, _ = FOLDED[name]
    return lambda facts, _: draw(facts, figure_footer(facts))


def _no_longer_held(facts: Facts) -> frozenset[str]:
    held = {source.source_id for source in facts.shelf}
    return frozenset(c.name for c in facts.lasting.watched.sources if c.name not in held)


FIGURES: Mapping[str, NamedFigure] = {
    "main": NamedFigure(
        "finds against cycles or age, and how long sources stay reliable",
        lambda facts, _: draw_briefing_figure(facts),
    ),
    "price": NamedFigure(
        "what each retirement limit buys and costs",
        lambda facts, _: draw_trade_off_figure(
            facts.price,
            footer=figure_footer(facts),
            advised=advised_points(facts.price, facts.retirement),
        ),
    ),
    "floor": NamedFigure(
        "how much the limit depends on the floor",
        lambda facts, _: draw_frontier_figure(facts.frontiers, footer=figure_footer(facts)),
    ),
    "watch": NamedFigure(
        "sources and dogs missed more often of late than expected",
        lambda facts, _: draw_watch_chart(
            facts.lasting.watched, figure_footer(facts), gone=_no_longer_held(facts)
        ),
    ),
    "search-time": NamedFigure(
        "median search time by cycles",
        lambda facts, _: draw_search_time_figure(facts.search_time, figure_footer(facts)),
    ),
    "false-alerts": NamedFigure(
        "false alerts by dog",
        lambda facts, _: draw_false_alerts_figure(facts.false_alerts, figure_footer(facts)),
    ),
    "detection": NamedFigure(
        "how far each dog tells hides from blank areas, and how readily it alerts",
        _folded("detection"),
    ),
    "training-diet": NamedFigure(
        "false alerts against what the dog was trained on lately", _folded("training-diet")
    ),
    "lifetime": NamedFigure(
        "how long sources stay reliable",
        lambda facts, _: draw_turnbull_figure(facts.lasting.intervals, figure_footer(facts)),
    ),
    "lifetime-kind": NamedFigure(
        "how long sources of each kind stay reliable",
        lambda facts, _: draw_turnbull_figure(
            facts.lasting.intervals, figure_footer(facts), by="kind"
        ),
    ),
    "next-cycles": NamedFigure(
        "how many of 100 sources the next 5 cycles cost",
        lambda facts, _: draw_cycle_hazard_figure(
            facts.lasting.next_cycles, figure_footer(facts), confidence=1.0 - facts.settings.alpha
        ),
    ),
    "lifetime-ratios": NamedFigure(
        "what goes along with sources becoming unreliable sooner", _folded("lifetime-ratios")
    ),
    "rules": NamedFigure("rules for unreliable side by side", _folded("rules")),
    "overlap": NamedFigure(
        "where refrigerated and frozen sources can be compared",
        lambda facts, _: draw_overlap_figure(facts.overlap, footer=figure_footer(facts)),
    ),
    "records": NamedFigure(
        "where every source was when, and its trials",
        lambda facts, _: draw_records_figure(
            facts.joined.history, facts.joined.trials, records_footer(facts)
        ),
    ),
    "ways": NamedFigure(
        "the same question asked in other ways",
        lambda facts, exposure: draw_specification_figure(
            facts.ways, exposure or named_exposures(facts.verdict)[0], figure_footer(facts)
        ),
    ),
    "calibration": NamedFigure(
        "finds beside what was predicted",
        lambda facts, _: draw_calibration_figure(facts.quality, figure_footer(facts)),
    ),
}


def draw_named_figure(facts: Facts, name: str, exposure: str | None = None) -> Figure:
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
