"""What every sheet has: a title sentence with what stands behind it, and a footer."""

from __future__ import annotations

from matplotlib.figure import Figure

from outcomes.draw.theme import (
    FOOTER_PT,
    HEADING_PT,
    MUTED,
    SUBTITLE_PT,
    TITLE_PT,
    lines_height_in,
    size_in,
    wrap_to_width,
    write,
)

CAUTION = "Association in one unit's records, not proof of cause."
MARGIN_IN = 0.45
_LEAST_TITLE_PT = 16.0
_MOST_TITLE_LINES = 2
_MOST_SUBTITLE_LINES = 3


def write_header(figure: Figure, title: str, subtitle: str) -> float:
    """Write title and subtitle on top of the sheet; return the height below them, inches."""
    sheet_width, sheet_height = size_in(figure)
    width = sheet_width - 2 * MARGIN_IN
    size = TITLE_PT
    lines = wrap_to_width(title, width, size, "bold", even=True)
    while len(lines) > _MOST_TITLE_LINES and size > _LEAST_TITLE_PT:
        size -= 1
        lines = wrap_to_width(title, width, size, "bold", even=True)
    top = sheet_height - 0.35
    top -= write(figure, MARGIN_IN, top, lines, size, gid="title", weight="bold") + 0.06
    size = SUBTITLE_PT
    under = wrap_to_width(subtitle, width, size)
    while len(under) > _MOST_SUBTITLE_LINES and size > FOOTER_PT:
        size -= 1
        under = wrap_to_width(subtitle, width, size)
    return top - write(figure, MARGIN_IN, top, under, size, gid="subtitle", color=MUTED) - 0.22


def write_footer(figure: Figure, footer: str, caution: str = CAUTION) -> float:
    """Write the footer, with the caution unless it has it; return the height above, inches."""
    words = " ".join(footer.split())
    if caution.rstrip(".").lower() not in words.lower():
        words = f"{words} {caution}".strip()
    lines = wrap_to_width(words, size_in(figure)[0] - 2 * MARGIN_IN, FOOTER_PT)
    height = lines_height_in(len(lines), FOOTER_PT)
    write(figure, MARGIN_IN, 0.25 + height, lines, FOOTER_PT, gid="footer", color=MUTED)
    return 0.25 + height + 0.2


def write_reason(figure: Figure, title: str, sentence: str, footer: str) -> None:
    """Write why there is nothing to draw on an empty sheet."""
    top = write_header(figure, title, "")
    write_footer(figure, footer)
    lines = wrap_to_width(sentence, size_in(figure)[0] - 2 * MARGIN_IN, HEADING_PT)
    write(figure, MARGIN_IN, top, lines, HEADING_PT, gid="reason")
