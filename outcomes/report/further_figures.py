"""Figures for a reader who checks, folded away on the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from matplotlib.figure import Figure

from outcomes.answers.facts import Facts
from outcomes.draw.lifetime_ratios_figure import draw_lifetime_ratios_figure
from outcomes.draw.rules_figure import draw_rules_figure
from outcomes.draw.save import compact_svg, describe_figure, render_figure


@dataclass(frozen=True, slots=True)
class FoldedFigure:
    """A figure on the page, or what there is to say in its place.

    Attributes
    ----------
    shows
        What it is about, in a few words.
    svg
        The drawing; None where there is nothing to draw.
    told
        What it shows, for who cannot see it; without a drawing, why there is none.
    """

    shows: str
    svg: bytes | None
    told: str


def _ratios(facts: Facts, footer: str) -> Figure:
    return draw_lifetime_ratios_figure(
        facts.part_of_lasting("weibull"),
        facts.part_of_lasting("cycles_at_age"),
        footer,
        confidence=1.0 - facts.settings.alpha,
    )


FOLDED: Mapping[str, tuple[str, Callable[[Facts, str], Figure], Callable[[Facts], str]]] = {
    "lifetime-ratios": (
        "What goes along with sources becoming unreliable sooner or later",
        _ratios,
        lambda facts: f"{facts.lasting.weibull.sentence} {facts.lasting.cycles_at_age.sentence}",
    ),
    "rules": (
        "Rules for unreliable side by side: what each calls, how often wrongly, and how soon",
        lambda facts, footer: draw_rules_figure(facts.part_of_lasting("rules"), footer),
        lambda facts: facts.lasting.rules.sentence,
    ),
}


def folded_figures(facts: Facts, footer: str) -> tuple[FoldedFigure, ...]:
    """All of them, in the order of ``FOLDED``.

    Parameters
    ----------
    facts
        The unit's facts.
    footer
        What stands behind a figure: unit and records.
    """
    made = []
    for shows, draw, sentence in FOLDED.values():
        figure = draw(facts, footer)
        if figure.axes:
            svg = compact_svg(render_figure(figure, "svg"))
            made.append(FoldedFigure(shows, svg, f"Figure: {describe_figure(figure)[0]}."))
        else:
            made.append(FoldedFigure(shows, None, sentence(facts)))
    return tuple(made)
