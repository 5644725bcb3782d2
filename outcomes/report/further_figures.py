"""Figures for a reader who checks, folded away on the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from matplotlib.figure import Figure

from outcomes.answers.facts import Facts
from outcomes.draw.detection_figure import draw_detection_figure
from outcomes.draw.save import compact_svg, describe_figure, render_figure
from outcomes.draw.training_diet_figure import draw_training_diet_figure


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


def _detection(facts: Facts, footer: str) -> Figure:
    return draw_detection_figure(facts.detection, footer, confidence=1.0 - facts.settings.alpha)


def _training_diet(facts: Facts, footer: str) -> Figure:
    confidence = 1.0 - facts.settings.alpha
    return draw_training_diet_figure(facts.training_diet, footer, confidence=confidence)


FOLDED: Mapping[str, tuple[str, Callable[[Facts, str], Figure], Callable[[Facts], str]]] = {
    "detection": (
        "How far each dog tells hides from blank areas, and how readily it alerts",
        _detection,
        lambda facts: facts.detection.sentence,
    ),
    "training-diet": (
        "False alerts on blank areas against what the dog was trained on lately",
        _training_diet,
        lambda facts: facts.training_diet.sentence,
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
