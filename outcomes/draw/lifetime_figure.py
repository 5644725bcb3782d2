"""How long sources stay reliable: a slide of its own, and the same within the page."""

from __future__ import annotations

from matplotlib.figure import Figure

from outcomes.analysis.results import Lifetime
from outcomes.draw.lifetime_panel import draw_lifetime_panel
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header
from outcomes.draw.theme import HEIGHT_IN, WIDTH_IN, Box, Sheet, theme
from outcomes.wording.lifetime import describe_lifetime, lifetime_title

_IN_PAGE = Sheet(13.0, 5.6, 0.1, 12.6, alone=False)


def draw_lifetime_figure(lifetime: Lifetime, footer: str) -> Figure:
    """Draw the step curves with the curve of chance alone.

    Parameters
    ----------
    lifetime
        What was estimated; without a curve the reason is written in its place.
    footer
        What stands behind the figure: unit and records.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        sentence = describe_lifetime(lifetime) if lifetime.curve else ""
        top = write_header(figure, lifetime_title(lifetime), sentence)
        bottom = write_footer(figure, footer)
        draw_lifetime_panel(
            figure, Box(MARGIN_IN, bottom, WIDTH_IN - 2 * MARGIN_IN, top - bottom), lifetime
        )
    return figure


def draw_wear_out_in_page(lifetime: Lifetime) -> Figure:
    """The same curves within the page, where heading and sentence stand beside them."""
    with theme():
        figure = Figure(figsize=(_IN_PAGE.width_in, _IN_PAGE.height_in))
        width = _IN_PAGE.width_in - 2 * _IN_PAGE.margin_in
        box = Box(_IN_PAGE.margin_in, 0.15, width, _IN_PAGE.height_in - 0.3)
        draw_lifetime_panel(figure, box, lifetime, _IN_PAGE)
    return figure
