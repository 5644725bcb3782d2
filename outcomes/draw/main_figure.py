"""The one figure of the briefing: finds by cycles or age, and refrigerated against frozen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from outcomes.analysis.decisions.compare import Comparison
from outcomes.analysis.results import FindCurve
from outcomes.draw.find_panel import (
    COUNTS_IN,
    below_in,
    draw_find_panel,
    lane_words,
    lowest_shown,
    within_observed,
)
from outcomes.draw.needed_panel import draw_needed_panel, needed_panel_height_in
from outcomes.draw.storage_panel import (
    LEAST_ROW_IN,
    ROW_IN,
    draw_storage_panel,
    storage_panel_height_in,
)
from outcomes.draw.theme import (
    ALONE,
    FITTED,
    HEADING_PT,
    INK,
    LABEL_PT,
    MUTED,
    SUBTITLE_PT,
    TITLE_PT,
    Box,
    Sheet,
    lines_height_in,
    size_in,
    text_width_in,
    theme,
    wrap_to_width,
    write,
)
from outcomes.wording.threshold_on_figure import ThresholdMark, plain_in_100

__all__ = [
    "CAUTION",
    "IN_COLUMN",
    "IN_PAGE",
    "Needed",
    "ThresholdMark",
    "draw_main_figure",
    "draw_stacked_figure",
]

CAUTION = "Association in one unit's records, not proof of cause."
HEADING = "Finds in 100 trials"
NO_CURVE = "No curve of find probability can be drawn"

# Printed 188 mm wide, labels are 8 points and the smallest words 7.2.
IN_PAGE = Sheet(13.0, 4.9, 0.1, 12.6, alone=False)
# On a phone 390 pixels wide the smallest words are 11 pixels; the height follows what is drawn.
IN_COLUMN = Sheet(5.25, 0.0, 0.08, 12.6, alone=False)
STACKED_DATA_IN = 2.9
LEAST_DATA_IN = 1.9  # of a panel within the page, which is made higher where it must be
BETWEEN_IN = 0.3

SCALE_ROOM_IN = 0.95
FLOOR_ROOM_IN = 0.75
KEY_IN = 0.36
EDGE_IN = 0.1  # above and below, within a page
FOOTER_LINES = 3
STORAGE_IN = {True: {0: 6.4, 1: 5.4, 2: 4.6}, False: {0: 6.0, 1: 4.5, 2: 3.4}}
REFUSED_IN = 0.8  # less, where nothing is compared
LEAST_STORAGE_IN = 3.4  # its heading's width
BESIDE_IN = 0.3


@dataclass(frozen=True, slots=True)
class Needed:
    """What there is where it is too little to draw a curve.

    Attributes
    ----------
    counts
        Word → how many there are, and how many it takes.
    found
        Finds, and trials.
    """

    counts: Mapping[str, tuple[int, int]]
    found: tuple[int, int]


def draw_main_figure(
    title: str,
    subtitle: str,
    curves: Sequence[FindCurve],
    floor: float,
    thresholds: Mapping[str, ThresholdMark | None],
    comparison: Comparison,
    footer: str,
    *,
    note: str = "",
    sheet: Sheet = ALONE,
    other_floors: Sequence[tuple[float, Mapping[str, ThresholdMark | None]]] = (),
    needed: Needed | None = None,
) -> Figure:
    """Draw the briefing's figure.

    Parameters
    ----------
    title
        One sentence saying what was found; it is wrapped, and set smaller
        where it would fill more than three lines.
    subtitle
        What stands behind it; with no curve, the reason why there is none.
    curves
        One curve per exposure, at most two. A curve may have bins alone.
    floor
        The lowest acceptable find probability.
    thresholds
        Exposure → its threshold; ``None`` or missing where nothing is to be said.
    comparison
        Refrigerated against frozen.
    footer
        Where the figures come from: trials, sources, dogs. That this is an
        association and not proof of cause is added unless it is said there.
        Not written within a page.
    note
        What is to be known of a circle, in small print before the footer where
        the two take no more than ``FOOTER_LINES`` lines; else it is left out.
    sheet
        What it is drawn on: a slide of 16 × 9 inches, or ``IN_PAGE``, which is made higher
        where its words would leave the data too little room.
    other_floors
        Further floors with the thresholds at each: nothing of them is drawn,
        but there is room for their words
        (:func:`outcomes.draw.floor_layer.floor_layer`).
    needed
        Drawn in place of curves where there is too little for any.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.

    Raises
    ------
    ValueError
        For more than two curves.
    """
    if len(curves) > 2:
        raise ValueError(f"{len(curves)} curves do not fit on one sheet; give at most two")
    with theme():
        storage_width = STORAGE_IN[sheet.alone][len(curves)]
        if curves and comparison.difference is None:
            storage_width = max(storage_width - REFUSED_IN, LEAST_STORAGE_IN)
        left_of_storage = sheet.width_in - sheet.margin_in - storage_width
        width = left_of_storage - BESIDE_IN - sheet.margin_in
        plan = _plan_finds(curves, ((floor, thresholds), *other_floors), width)
        if not sheet.alone:
            least = 2 * EDGE_IN + storage_panel_height_in(
                comparison, storage_width, sheet, LEAST_ROW_IN
            )
            height = sheet.height_in
            if needed is not None and not curves:
                height = 2 * EDGE_IN + needed_panel_height_in(needed.counts, width)
            higher = max(height, plan.least_height_in if curves else 0.0, least)
            sheet = replace(sheet, height_in=higher)
        figure = Figure(figsize=(sheet.width_in, sheet.height_in))
        top = _write_header(figure, sheet, title, subtitle if curves or needed else "")
        bottom = _write_footer(figure, sheet, footer, note) if sheet.alone else EDGE_IN
        body = Box(sheet.margin_in, bottom, width, top - bottom)
        if curves:
            _draw_finds(figure, body, curves, floor, thresholds, plan, sheet)
        elif needed is not None:
            draw_needed_panel(figure, body, needed.counts, needed.found)
        else:
            _write_reason(figure, body, subtitle)
        beside = Box(left_of_storage, bottom, storage_width, top - bottom)
        draw_storage_panel(figure, beside, comparison, sheet)
    return figure


def draw_stacked_figure(
    curves: Sequence[FindCurve],
    floor: float,
    thresholds: Mapping[str, ThresholdMark | None],
    comparison: Comparison,
    *,
    other_floors: Sequence[tuple[float, Mapping[str, ThresholdMark | None]]] = (),
    needed: Needed | None = None,
) -> Figure:
    """Draw the same panels one above the other, for a screen too narrow for them side by side.

    Parameters
    ----------
    curves, floor, thresholds, comparison, other_floors, needed
        As for :func:`draw_main_figure`.

    Returns
    -------
    matplotlib.figure.Figure
        As wide as ``IN_COLUMN`` and as high as its panels need.
    """
    sheet = IN_COLUMN
    room = sheet.width_in - 2 * sheet.margin_in
    width = room - SCALE_ROOM_IN - FLOOR_ROOM_IN
    heading = wrap_to_width(_finds_heading(curves, floor), room, HEADING_PT, "bold", even=True)
    lanes = [
        max(
            _lane_height(curve, marks.get(curve.exposure), at, width)
            for at, marks in ((floor, thresholds), *other_floors)
        )
        for curve in curves
    ]
    heights = [
        COUNTS_IN + STACKED_DATA_IN + lane + below_in(curve, width)
        for curve, lane in zip(curves, lanes, strict=True)
    ]
    last = storage_panel_height_in(comparison, room, sheet, ROW_IN[sheet.alone])
    head = lines_height_in(len(heading), HEADING_PT) + 0.04 if curves else 0.0
    if needed is not None and not curves:
        head = needed_panel_height_in(needed.counts, room) + BETWEEN_IN
    height = 2 * EDGE_IN + head + sum(heights) + BETWEEN_IN * len(curves) + last
    with theme():
        figure = Figure(figsize=(sheet.width_in, height))
        top = height - EDGE_IN
        if curves:
            write(figure, sheet.margin_in, top, heading, HEADING_PT,
                  gid="finds-heading", weight="bold")  # fmt: skip
            top -= head
        elif needed is not None:
            panel = Box(sheet.margin_in, top - head + BETWEEN_IN, room, head - BETWEEN_IN)
            draw_needed_panel(figure, panel, needed.counts, needed.found)
        for curve, lane, high in zip(curves, lanes, heights, strict=True):
            mark = thresholds.get(curve.exposure)
            draw_find_panel(
                figure,
                Box(sheet.margin_in + SCALE_ROOM_IN, top - high, width, high),
                curve,
                floor,
                None if mark is None else within_observed(mark, curve),
                lowest=lowest_shown(curves, floor),
                lane_height=lane,
                first=True,
                small_pt=sheet.small_pt,
            )
            top -= high + BETWEEN_IN
        box = Box(sheet.margin_in, EDGE_IN, room, last)
        draw_storage_panel(figure, box, comparison, sheet)
    return figure


def _write_header(figure: Figure, sheet: Sheet, title: str, subtitle: str) -> float:
    if not title and not subtitle:
        return sheet.height_in - EDGE_IN
    width = sheet.width_in - 2 * sheet.margin_in
    size = TITLE_PT
    lines = wrap_to_width(title, width, size, "bold", even=True)
    while len(lines) > 3 and size > 16:
        size -= 1
        lines = wrap_to_width(title, width, size, "bold", even=True)
    top = sheet.height_in - 0.35
    top -= write(figure, sheet.margin_in, top, lines, size, gid="title", weight="bold") + 0.06
    under = wrap_to_width(subtitle, width, SUBTITLE_PT)
    top -= write(figure, sheet.margin_in, top, under, SUBTITLE_PT, gid="subtitle", color=MUTED)
    return top - 0.25


def _write_footer(figure: Figure, sheet: Sheet, footer: str, note: str) -> float:
    words = " ".join(footer.split())
    if CAUTION.rstrip(".").lower() not in words.lower():
        words = f"{words} {CAUTION}".strip()
    size, width = sheet.small_pt, sheet.width_in - 2 * sheet.margin_in
    lines = wrap_to_width(words, width, size)
    noted = (*wrap_to_width(note, width, size), *lines)
    if note and len(noted) <= FOOTER_LINES:
        lines = noted
    height = lines_height_in(len(lines), size)
    write(figure, sheet.margin_in, 0.25 + height, lines, size, gid="footer", color=MUTED)
    return 0.25 + height + 0.2


def _write_reason(figure: Figure, body: Box, reason: str) -> None:
    width = body.width - 0.8
    top = body.top
    top -= (
        write(
            figure,
            body.left,
            top,
            wrap_to_width(NO_CURVE, width, HEADING_PT, "bold"),
            HEADING_PT,
            gid="finds-heading",
            weight="bold",
        )
        + 0.15
    )
    write(
        figure,
        body.left,
        top,
        wrap_to_width(reason, width, HEADING_PT),
        HEADING_PT,
        gid="finds-reason",
    )


@dataclass(frozen=True, slots=True)
class _FindsPlan:
    """Where panels side by side stand, inches; ``lane`` and ``below`` are under the data."""

    pitch: float
    width: float
    lane: float
    below: float

    @property
    def least_height_in(self) -> float:
        """The sheet's height within a page at which the data keep room enough."""
        heading = lines_height_in(1, HEADING_PT) + 0.04
        return 2 * EDGE_IN + heading + COUNTS_IN + LEAST_DATA_IN + self.lane + self.below


def _plan_finds(
    curves: Sequence[FindCurve],
    floors: Sequence[tuple[float, Mapping[str, ThresholdMark | None]]],
    width_in: float,
) -> _FindsPlan:
    pitch = (width_in - SCALE_ROOM_IN) / max(len(curves), 1)
    width = pitch - FLOOR_ROOM_IN - 0.1
    lanes = [
        _lane_height(c, marks.get(c.exposure), at, width) for at, marks in floors for c in curves
    ]
    # A name in two lines under one panel would set its data higher than the other's, and the one
    # scale of finds, written at the left alone, would be read wrongly off the other panel.
    below = max((below_in(curve, width) for curve in curves), default=0.0)
    return _FindsPlan(pitch, width, max(lanes, default=0.0), below)


def _draw_finds(
    figure: Figure,
    body: Box,
    curves: Sequence[FindCurve],
    floor: float,
    thresholds: Mapping[str, ThresholdMark | None],
    plan: _FindsPlan,
    sheet: Sheet,
) -> None:
    lowest = lowest_shown(curves, floor)
    heading = _finds_heading(curves, floor)
    top = body.top
    top -= (
        write(figure, body.left, top, [heading], HEADING_PT, gid="finds-heading", weight="bold")
        + 0.04
    )
    if sheet.alone:
        _write_key(figure, body.left, top - KEY_IN / 2, curves)
        top -= KEY_IN
    for number, curve in enumerate(curves):
        mark = thresholds.get(curve.exposure)
        left = body.left + SCALE_ROOM_IN + number * plan.pitch
        draw_find_panel(
            figure,
            Box(left, body.bottom, plan.width, top - body.bottom),
            curve,
            floor,
            None if mark is None else within_observed(mark, curve),
            lowest=lowest,
            lane_height=plan.lane,
            first=number == 0,
            small_pt=sheet.small_pt,
            below=plan.below,
        )


def _finds_heading(curves: Sequence[FindCurve], floor: float) -> str:
    lowest = lowest_shown(curves, floor)
    return HEADING if lowest == 0.0 else f"{HEADING} (scale starts at {plain_in_100(lowest)})"


def _lane_height(
    curve: FindCurve, mark: ThresholdMark | None, floor: float, width_in: float
) -> float:
    shown = None if mark is None else within_observed(mark, curve)
    return lane_words(curve, shown, floor, width_in).height


def _write_key(figure: Figure, left: float, middle: float, curves: Sequence[FindCurve]) -> None:
    """Say beside a sample of each what the points and the line are."""
    sheet_width, sheet_height = size_in(figure)
    half = lines_height_in(1, LABEL_PT) / 2

    def sample(xs: Sequence[float], **look: object) -> None:
        ys = [middle / sheet_height] * len(xs)
        figure.add_artist(
            Line2D([x / sheet_width for x in xs], ys, gid="key", **look)  # type: ignore[arg-type]
        )

    if any(c.bins for c in curves):
        sample(
            [left + 0.1],
            marker="o",
            markersize=10,
            markerfacecolor="white",
            markeredgecolor=INK,
            markeredgewidth=2,
            linestyle="none",
        )
        words = f"observed, with its {100 * curves[0].confidence:g} % interval"
        write(figure, left + 0.28, middle + half, [words], LABEL_PT, gid="key-observed")
        left += 0.28 + text_width_in(words, LABEL_PT) + 0.4
    fitted = [c for c in curves if c.at.size]
    if fitted:
        sample([left, left + 0.45], color=FITTED, linewidth=4)
        words = f"fitted, with its {100 * fitted[0].confidence:g} % band"
        write(figure, left + 0.55, middle + half, [words], LABEL_PT, gid="key-fitted")
