"""The briefing's figure, by the data it draws and the room its words take."""

import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PathCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from outcomes.draw.find_panel import lowest_shown, within_observed
from outcomes.draw.floor_layer import floor_layer, size_pt
from outcomes.draw.main_figure import (
    CAUTION,
    IN_COLUMN,
    IN_PAGE,
    LEAST_DATA_IN,
    ThresholdMark,
    draw_main_figure,
    draw_stacked_figure,
)
from outcomes.draw.theme import ALONE, DAYS_PER_MONTH, theme
from outcomes.wording.exposure import whole_limit
from outcomes.wording.threshold_on_figure import describe_threshold_on_figure, exposure_scale

from .looks import ax_of, contrast


def lines_of(ax: Axes, start: str) -> list[Line2D]:
    return [line for line in ax.lines if (line.get_gid() or "").startswith(start)]


def words_of(figure: Figure, start: str) -> list[str]:
    return [
        text.get_text()
        for text in figure.findobj(Text)
        if isinstance(text, Text) and (text.get_gid() or "").startswith(start)
    ]


DRAWN: dict[tuple[str, int], Figure] = {}


def once(way: str, variant: dict[str, Any], draw: Callable[[], Figure]) -> Figure:
    """The variant's figure, drawn once for all tests that only look at it."""
    if (way, id(variant)) not in DRAWN:
        DRAWN[way, id(variant)] = draw()
    return DRAWN[way, id(variant)]


def drawn(variant: dict[str, Any]) -> Figure:
    return once("alone", variant, lambda: draw_main_figure(**variant))


def drawn_in_page(variant: dict[str, Any]) -> Figure:
    """The variant as a page has it: heading and answer stand beside the figure."""
    without = variant | {"title": "", "subtitle": ""}
    return once("page", variant, lambda: draw_main_figure(**without, sheet=IN_PAGE))


def drawn_stacked(variant: dict[str, Any]) -> Figure:
    """The variant as a narrow screen has it: the panels one above the other."""
    names = ("curves", "floor", "thresholds", "comparison")
    return once("stacked", variant, lambda: draw_stacked_figure(*(variant[n] for n in names)))


@cache
def extents(figure: Figure) -> list[tuple[Text, Bbox]]:
    """Every word on the sheet with the pixels it takes."""
    with theme():
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        return [
            (text, Text.get_window_extent(text, renderer))
            for text in figure.findobj(Text)
            if isinstance(text, Text) and text.get_visible() and text.get_text().strip()
        ]


def assert_whole_and_apart(figure: Figure, margin_in: float = 0.0) -> None:
    """Every word lies within the sheet, and on no other."""
    placed, sheet = extents(figure), figure.bbox
    assert placed
    for text, box in placed:
        assert sheet.x0 + margin_in * figure.dpi <= box.x0 < box.x1, text.get_text()
        assert box.x1 <= sheet.x1 - margin_in * figure.dpi, text.get_text()
        assert sheet.y0 + margin_in * figure.dpi <= box.y0 < box.y1, text.get_text()
        assert box.y1 <= sheet.y1 - margin_in * figure.dpi, text.get_text()
    for (text, box), (other_text, other) in combinations(placed, 2):
        assert not overlap(box, other), (text.get_text(), other_text.get_text())


def finds(figure: Figure) -> list[Axes]:
    return [ax for ax in figure.axes if (ax.get_gid() or "").startswith("finds-")]


def overlap(one: Bbox, other: Bbox) -> bool:
    # Boxes that share half a pixel do not touch in ink.
    return bool(
        one.x0 < other.x1 - 0.5
        and other.x0 < one.x1 - 0.5
        and one.y0 < other.y1 - 0.5
        and other.y0 < one.y1 - 0.5
    )


def test_no_words_overlap_and_none_are_cut_off(variant) -> None:
    figure = drawn(variant)
    assert_whole_and_apart(figure, 0.15)
    assert all(ax.bbox.height >= 1.4 * figure.dpi for ax in finds(figure))


def test_page_words_are_apart_and_whole(variant) -> None:
    figure = drawn_in_page(variant)
    width, height = figure.get_size_inches()
    assert width == IN_PAGE.width_in
    assert IN_PAGE.height_in <= height <= 1.2 * IN_PAGE.height_in
    assert_whole_and_apart(figure)
    assert all(ax.bbox.height >= (LEAST_DATA_IN - 0.001) * figure.dpi for ax in finds(figure))
    assert_finds_are_clear(figure)


def test_page_letters_are_as_large_as_said(variant) -> None:
    for text, _ in extents(drawn_in_page(variant)):
        gid = text.get_gid() or ""
        small = gid.startswith(("storage-note", "count-"))
        # Counts of a hundred thousand, eight in a narrow panel, are squeezed a little further.
        least = IN_PAGE.small_pt - 0.3 if small else 14.0
        assert text.get_fontsize() >= least, (gid, text.get_text())


def test_stacked_words_are_apart_whole_and_large(variant) -> None:
    figure = drawn_stacked(variant)
    assert figure.get_figwidth() == IN_COLUMN.width_in
    assert_whole_and_apart(figure)
    assert all(ax.bbox.height >= 1.9 * figure.dpi for ax in finds(figure))
    for text, _ in extents(figure) if variant["curves"] else []:
        counts = (text.get_gid() or "").startswith("count-")
        assert counts or text.get_fontsize() >= IN_COLUMN.small_pt - 0.3


def test_stacked_panels_are_those_of_wide_figure(variant) -> None:
    wide, stacked = drawn_in_page(variant), drawn_stacked(variant)
    for ax in wide.axes:
        same = ax_of(stacked, ax.get_gid() or "")
        for line, other in zip(ax.lines, same.lines, strict=True):
            if line.get_gid() not in ("leader", "thin-extent") and not (
                ax.get_gid() or ""
            ).startswith("lane-"):
                assert np.array_equal(line.get_xydata(), other.get_xydata())
    for gid in ("count-trials", "storage-numbers"):
        assert sorted(words_of(stacked, gid)) == sorted(words_of(wide, gid)), gid


def test_long_exposure_names_take_more_lines(made) -> None:
    variant = made.variants["two"]
    curves = [replace(c, without=10) if c.exposure == "cycles" else c for c in variant["curves"]]
    for figure in (
        drawn_in_page(variant | {"curves": curves}),
        drawn_stacked(variant | {"curves": curves}),
    ):
        names = words_of(figure, "axis-name")
        assert "10 sources never thawed: not here" in " ".join(names)
        placed = [(t, b) for t, b in extents(figure) if (t.get_gid() or "").startswith("axis-name")]
        for (_, box), (_, other) in combinations(placed, 2):
            assert not overlap(box, other)


@pytest.mark.slow
@settings(max_examples=12, deadline=None)
@given(
    floor=st.sampled_from([0.02, 0.3, 0.85, 0.95, 1.0]),
    last=st.sampled_from([1.0, 3.0, 8.0, 60.0, 200.0]),
    days=st.sampled_from([20.0, 100.0, 390.0, 700.0, 9000.0]),
    slope=st.floats(-4.0, 1.0),
    trials=st.sampled_from([8, 90, 1500, 70_000]),
    edges=st.lists(st.floats(0.01, 0.99), min_size=1, max_size=7, unique=True),
    mark=st.tuples(*[st.none() | st.floats(0.0, 1.0)] * 4),
    title_words=st.integers(3, 50),
)
def test_words_stay_apart_whatever_is_drawn(
    made, floor, last, days, slope, trials, edges, mark, title_words
) -> None:
    shares = np.array([0.0, *sorted(edges), 1.0])
    curves = [
        made.curve(exposure, end, 2.5, slope / end, shares * end, trials, 0.8 * end)
        for exposure, end in (("cycles", last), ("age_days", days))
    ]
    thresholds = {
        curve.exposure: ThresholdMark(*[None if m is None else m * curve.at[-1] for m in mark])
        for curve in curves
    }
    figure = draw_main_figure(
        **made.variants["two"]
        | {
            "curves": curves,
            "floor": floor,
            "thresholds": thresholds,
            "title": " ".join(["thawed"] * title_words),
        }
    )
    assert_whole_and_apart(figure)


@pytest.mark.parametrize("last", [0.0, 1.0, 2.0, 32.0, 400.0])
def test_ticks_of_cycles_are_whole_and_differ(made, last) -> None:
    bins = [replace(b, mean=3.0 + last * k) for k, b in enumerate(made.curve().bins[:2])]
    empty = np.array([])
    curve = replace(
        made.curve(), at=empty, probability=empty, low=empty, high=empty, thin=empty.astype(bool),
        bins=tuple(bins),
    )  # fmt: skip
    figure = draw_main_figure(**made.variants["observed_only"] | {"curves": [curve]})
    ticks = ax_of(figure, "finds-cycles").xaxis.get_ticklocs()
    assert ticks.tolist() == sorted({round(t) for t in ticks})
    assert 1 <= len(ticks) <= 8


def assert_finds_are_clear(figure: Figure) -> None:
    for ax in figure.axes:
        if (ax.get_gid() or "").startswith("finds-"):
            for text, box in extents(figure):
                assert not overlap(box, ax.bbox), text.get_text()


def test_no_words_lie_on_the_finds(variant) -> None:
    assert_finds_are_clear(drawn(variant))


def test_words_can_be_read_from_the_back(variant) -> None:
    for text, _ in extents(drawn(variant)):
        gid = text.get_gid() or ""
        small = gid.startswith("footer")
        # Counts may be set smaller where eight of them share a narrow panel.
        least = 12 if small else 11 if gid.startswith("count-") else 14
        assert text.get_fontsize() >= least, (gid, text.get_text())


def test_words_stand_out_from_the_paper(made) -> None:
    """At least 4.5 : 1, level AA of the Web Content Accessibility Guidelines 2.1, 1.4.3."""
    for text, _ in extents(draw_main_figure(**made.variants["by_kind"])):
        assert contrast(text.get_color(), "white") >= 4.5, text.get_text()


def test_the_line_and_band_are_the_curve(variant) -> None:
    figure = drawn(variant)
    for curve in variant["curves"]:
        ax = ax_of(figure, f"finds-{curve.exposure}")
        on_line = {tuple(p) for line in lines_of(ax, "fitted") for p in line.get_xydata()}
        assert on_line == set(zip(curve.at.tolist(), curve.probability.tolist(), strict=True))
        corners = {
            tuple(v)
            for band in ax.collections
            if isinstance(band, PolyCollection) and (band.get_gid() or "").startswith("band")
            for v in band.get_paths()[0].vertices
        }
        for limit in (curve.low, curve.high):
            assert set(zip(curve.at.tolist(), limit.tolist(), strict=True)) <= corners


def test_the_thin_part_alone_is_dashed(variant) -> None:
    figure = drawn(variant)
    for curve in variant["curves"]:
        ax = ax_of(figure, f"finds-{curve.exposure}")
        thin_at = set(curve.at[curve.thin].tolist())
        dashed, solid = set(), set()
        for line in lines_of(ax, "fitted"):
            (dashed if line.is_dashed() else solid).update(line.get_xdata().tolist())
        assert thin_at <= dashed
        assert not thin_at & solid
        assert set(curve.at[~curve.thin].tolist()) == solid


def test_solid_line_ends_where_sources_become_few(made) -> None:
    curve = made.curve(thin_from=20.0)
    figure = draw_main_figure(**made.variants["one"] | {"curves": [curve]})
    (solid,) = [
        line for line in lines_of(ax_of(figure, "finds-cycles"), "fitted") if not line.is_dashed()
    ]
    assert solid.get_xdata().max() == curve.at[~curve.thin].max() < 20.0


def test_no_line_goes_beyond_what_was_observed(variant) -> None:
    figure = drawn(variant)
    for curve in variant["curves"]:
        for line in lines_of(ax_of(figure, f"finds-{curve.exposure}"), "fitted"):
            assert line.get_xdata().min() >= curve.at[0]
            assert line.get_xdata().max() <= curve.at[-1]


def test_every_bin_has_its_interval_and_counts(variant) -> None:
    figure = drawn(variant)
    for curve in variant["curves"]:
        ax = ax_of(figure, f"finds-{curve.exposure}")
        (points,) = [
            c for c in ax.collections if isinstance(c, PathCollection) and c.get_gid() == "observed"
        ]
        assert points.get_offsets().tolist() == [[b.mean, b.proportion] for b in curve.bins]
        (bars,) = [
            c
            for c in ax.collections
            if isinstance(c, LineCollection) and c.get_gid() == "observed-interval"
        ]
        assert [segment.tolist() for segment in bars.get_segments()] == [
            [[b.mean, b.proportion_low], [b.mean, b.proportion_high]] for b in curve.bins
        ]
    bins = [b for curve in variant["curves"] for b in curve.bins]
    assert words_of(figure, "count-sources") == [f"{b.sources:,}" for b in bins]
    if all(b.n < 10_000 for b in bins):
        assert words_of(figure, "count-trials") == [f"{b.n:,}" for b in bins]


def test_large_counts_are_written_in_thousands(made) -> None:
    counts = words_of(draw_main_figure(**made.variants["big_n"]), "count-trials")
    assert counts[:2] == ["123k", "99k"]


def test_everything_drawn_lies_within_the_scale(variant) -> None:
    figure = drawn(variant)
    for curve in variant["curves"]:
        ax = ax_of(figure, f"finds-{curve.exposure}")
        low, high = ax.get_ylim()
        assert high >= 1.0
        # A band that few sources carry may run off the scale; the line in it may not.
        band = np.asarray(curve.low)[~np.asarray(curve.thin, dtype=bool)]
        bars = (b.proportion_low for b in curve.bins)
        lowest = [variant["floor"], *curve.probability, *band, *bars]
        assert low <= min(lowest)
        (floor,) = lines_of(ax, "floor")
        assert set(floor.get_ydata()) == {variant["floor"]}
        left, right = ax.get_xlim()
        assert all(left < b.mean < right for b in curve.bins)


@pytest.mark.parametrize(("floor", "written"), [(0.85, "85"), (0.5, "50"), (0.875, "87.5")])
def test_the_floor_is_labelled(made, floor, written) -> None:
    figure = draw_main_figure(**made.variants["one"] | {"floor": floor})
    assert words_of(figure, "floor-label") == ["floor", written]


def test_scale_not_from_zero_says_so(made) -> None:
    zoomed = draw_main_figure(**made.variants["one"])
    low = ax_of(zoomed, "finds-cycles").get_ylim()[0]
    assert words_of(zoomed, "finds-heading") == [
        f"Finds in 100 trials (scale starts at {100 * low:.0f})"
    ]
    whole = draw_main_figure(**made.variants["steep"])
    assert ax_of(whole, "finds-cycles").get_ylim()[0] == 0
    assert words_of(whole, "finds-heading") == ["Finds in 100 trials"]


def test_two_curves_share_one_scale_of_finds(made) -> None:
    figure = draw_main_figure(**made.variants["two"])
    limits = {ax_of(figure, f"finds-{e}").get_ylim() for e in ("cycles", "age_days")}
    assert len(limits) == 1


def test_both_panels_of_finds_stand_at_one_height(made) -> None:
    """The scale at the left is read across both."""
    variant = made.variants["two"]
    curves = [replace(c, without=10) if c.exposure == "cycles" else c for c in variant["curves"]]
    for sheet in (ALONE, IN_PAGE):
        figure = draw_main_figure(**variant | {"curves": curves}, sheet=sheet)
        for panel in ("finds", "lane"):
            cycles, age = (
                ax_of(figure, f"{panel}-{e}").get_position() for e in ("cycles", "age_days")
            )
            assert (cycles.y0, cycles.y1) == (age.y0, age.y1)
            assert cycles.y1 > cycles.y0
        cycles, age = (ax_of(figure, f"finds-{e}").get_ylim() for e in ("cycles", "age_days"))
        assert cycles == age


def test_threshold_and_interval_are_at_place(made) -> None:
    mark = ThresholdMark(13.9, 10.8, 18.2, 10.0)
    figure = draw_main_figure(**made.variants["one"] | {"thresholds": {"cycles": mark}})
    lane = ax_of(figure, "lane-cycles")
    assert lane.get_xlim() == ax_of(figure, "finds-cycles").get_xlim()
    (interval,) = lines_of(lane, "threshold-interval")
    assert interval.get_xdata().tolist() == [10.8, 18.2]
    (estimate,) = [line for line in lines_of(lane, "threshold") if line.get_gid() == "threshold"]
    assert estimate.get_xdata().tolist() == [13.9]
    (crossing,) = lines_of(ax_of(figure, "finds-cycles"), "threshold")
    assert crossing.get_xydata().tolist() == [[13.9, 0.85]]
    (limit,) = lines_of(lane, "retire-after")
    assert limit.get_xdata().tolist() == [10.0]
    assert words_of(figure, "threshold-words") == [
        "◆\u00a0falls to 85 in 100 at about\u00a014\u00a0cycles "
        "(90\u00a0%\u00a0interval\u00a011–18)"
    ]
    assert words_of(figure, "retire-words") == ["■\u00a0limit 10\u00a0cycles"]


def said(curve: Any, mark: ThresholdMark | None, floor: float = 0.85) -> tuple[str, str]:
    threshold, retire = describe_threshold_on_figure(curve, mark, floor)
    return threshold.replace("\u00a0", " "), retire.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("mark", "words"),
    [
        ((13.9, 10.8, 18.2), "◆ falls to 85 in 100 at about 14 cycles (90 % interval 11–18)"),
        ((9.24, 7.61, 11.0), "◆ falls to 85 in 100 at about 9.2 cycles (90 % interval 7.6–11)"),
        ((13.9, 10.8, None), "◆ falls to 85 in 100 at about 14 cycles (90 % interval 11 or more)"),
        ((13.9, None, 18.2), "◆ falls to 85 in 100 at about 14 cycles (90 % interval 18 or fewer)"),
        (
            (13.9, None, None),
            "◆ falls to 85 in 100 at about 14 cycles (90 % interval wider than the records)",
        ),
    ],
)
def test_the_threshold_is_said_in_words(made, mark, words) -> None:
    assert said(made.curve(), ThresholdMark(*mark, None)) == (words, "")


@pytest.mark.parametrize(
    ("slope", "floor", "words"),
    [
        (-0.002, 0.85, "the line stays above 85 in 100 as far as the records go"),
        (-0.002, 0.95, "the line is below 95 in 100 throughout"),
        (0.03, 0.95, "the line starts below 95 in 100"),
        (-0.062, 0.72, "the line stays above 72 in 100 as far as enough sources go"),
        (-0.062, 0.85, "no threshold at 85 in 100 in these records"),
    ],
)
def test_without_threshold_words_say_the_course(made, slope, floor, words) -> None:
    curve = made.curve(slope=slope)
    assert said(curve, ThresholdMark(None, None, None, None), floor) == (words, "")


def test_nothing_is_said_of_an_unsought_threshold(made) -> None:
    assert said(made.curve(), None) == ("", "")
    for thresholds in ({}, {"cycles": None}):
        figure = draw_main_figure(**made.variants["one"] | {"thresholds": thresholds})
        assert words_of(figure, "threshold-words") == []


def test_long_ages_are_in_months_rounded_down(made) -> None:
    mark = ThresholdMark(701.0, 480.0, None, 426.9)
    assert said(made.age(), mark) == (
        "◆ falls to 85 in 100 at about 23 months (90 % interval 16 or more)",
        "■ limit 14 months",
    )
    young = made.age(last=390.0, edges=(0, 90, 390))
    assert said(young, ThresholdMark(300.0, 200.0, 380.0, 290.7)) == (
        "◆ falls to 85 in 100 at about 300 days (90 % interval 200–380)",
        "■ limit 290 days (9 months)",
    )
    assert said(young, ThresholdMark(300.0, 200.0, 380.0, 58.7))[1] == "■ limit 58 days"


@pytest.mark.parametrize("days", [12, 60, 61, 290, 437, 456, 700])
@pytest.mark.parametrize("last", [390.0, 900.0])
def test_figure_and_page_tell_the_same_age_limit(made, days, last) -> None:
    curve = made.age(last=last, edges=(0, 90, last))
    told = said(curve, ThresholdMark(None, None, None, float(days)))[1]
    page = whole_limit("age_days", days)
    assert page in told


def test_ticks_of_months_stand_at_their_days(made) -> None:
    figure = draw_main_figure(**made.variants["two"])
    axis = ax_of(figure, "lane-age_days").xaxis
    labels = [label.get_text() for label in axis.get_ticklabels()]
    np.testing.assert_allclose(
        axis.get_ticklocs(), [DAYS_PER_MONTH * float(label) for label in labels], rtol=1e-12
    )
    assert exposure_scale(made.age()).axis_name == "age of the source, months"


def test_marks_outside_the_observed_are_left_out(made) -> None:
    mark = ThresholdMark(30.0, -4.0, 41.0, 55.0)
    assert within_observed(mark, made.curve()) == ThresholdMark(30.0, None, None, None)
    figure = draw_main_figure(**made.variants["one"] | {"thresholds": {"cycles": mark}})
    lane = ax_of(figure, "lane-cycles")
    (interval,) = lines_of(lane, "threshold-interval")
    assert interval.get_xdata().tolist() == [0.0, 32.0]
    assert [line.get_marker() for line in lines_of(lane, "threshold-end")] == ["<", ">"]
    assert words_of(figure, "retire-words") == []


@pytest.mark.slow
@pytest.mark.parametrize("floor", [0.75, 0.85, 0.92])
@pytest.mark.parametrize("sheet", [ALONE, IN_PAGE])
def test_no_line_to_a_mark_crosses_words(made, floor, sheet) -> None:
    variant = made.variants["thin_at_both_ends"]
    marks = {
        "cycles": ThresholdMark(16.0, 13.0, 20.0, 14.0),
        "age_days": ThresholdMark(460.0, 400.0, 600.0, 430.0),
    }
    given = variant | {"floor": floor, "thresholds": marks, "title": "", "subtitle": ""}
    figure = draw_main_figure(**given, sheet=sheet)
    placed = [(t, box) for t, box in extents(figure) if "axis" not in (t.get_gid() or "")]
    lines = [
        Bbox(ax.transData.transform(segment)).padded(1.0)
        for ax in figure.axes
        if (ax.get_gid() or "").startswith("lane-")
        for drop in ax.collections
        if isinstance(drop, LineCollection) and drop.get_gid() == "drop"
        for segment in drop.get_segments()
    ]
    assert len(lines) == 4
    # The same lines where the page lays them over the figure.
    scale = figure.bbox.width / size_pt(figure)[0]
    layer = floor_layer(figure, variant["curves"], floor, marks)
    for x1, y1, x2, y2 in re.findall(
        r'd="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)" stroke="#1d', layer
    ):
        assert x1 == x2
        ends = [[float(x1), float(y1)], [float(x2), float(y2)]]
        lines.append(
            Bbox([[x * scale, figure.bbox.height - y * scale] for x, y in ends]).padded(1.0)
        )
    assert len(lines) == 8
    for text, box in placed:
        for line in lines:
            assert not overlap(box, Bbox([line.min, line.max])), text.get_text()


def test_title_and_footer_are_written_whole(variant) -> None:
    figure = drawn(variant)
    assert " ".join(words_of(figure, "title")) == variant["title"]
    assert " ".join(words_of(figure, "footer")) == variant["footer"]


def test_caution_is_added_where_footer_lacks_it(made) -> None:
    figure = draw_main_figure(**made.variants["one"] | {"footer": "Made-up records."})
    assert words_of(figure, "footer") == [f"Made-up records. {CAUTION}"]


def test_circle_note_stands_before_the_footer(made) -> None:
    note = "The circle at 12 cycles lies below the floor: it is what was counted."
    one = made.variants["one"]
    figure = draw_main_figure(**one, note=note)
    assert " ".join(words_of(figure, "footer")) == f"{note} {one['footer']}"
    assert_whole_and_apart(figure)
    crowded = one | {"footer": " ".join([one["footer"]] * 3)}
    assert note not in " ".join(words_of(draw_main_figure(**crowded, note=note), "footer"))
    assert words_of(draw_main_figure(**one, note=note, sheet=IN_PAGE), "footer") == []


def test_key_is_left_to_the_caption_in_a_page(variant) -> None:
    keyed = bool(variant["curves"])
    assert bool(words_of(drawn(variant), "key-")) == keyed
    assert words_of(drawn_in_page(variant), "key-") == []
    assert words_of(drawn_stacked(variant), "key-") == []


def test_where_nothing_compares_finds_get_the_room(made) -> None:
    wide, narrow = (
        ax_of(drawn(made.variants[name]), "finds-cycles").bbox.width for name in ("refused", "one")
    )
    assert wide > narrow + 50.0


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.975])
def test_every_interval_bears_its_confidence(made, confidence) -> None:
    curve = replace(made.curve(), confidence=confidence)
    figure = draw_main_figure(**made.variants["one"] | {"curves": [curve]})
    shown = f"{100 * confidence:g} %"
    assert words_of(figure, "key-observed") == [f"observed, with its {shown} interval"]
    assert words_of(figure, "key-fitted") == [f"fitted, with its {shown} band"]
    said = " ".join(words_of(figure, "threshold-words")).replace("\u00a0", " ")
    assert said.endswith(f"at about 14 cycles ({shown} interval 11–18)")
    # Where the noun would take a line of its own from the data, it goes.
    two = draw_main_figure(**made.variants["two"])
    said = " ".join(words_of(two, "threshold-words-")[:2]).replace("\u00a0", " ")
    assert said == "◆ falls to 85 in 100 at about 14 cycles (90 %: 11–18)"


def test_without_a_curve_reason_takes_its_place(made) -> None:
    given = made.variants["no_curves"]
    figure = draw_main_figure(**given)
    assert " ".join(words_of(figure, "finds-reason")) == given["subtitle"]
    assert words_of(figure, "subtitle") == []
    assert not [ax for ax in figure.axes if (ax.get_gid() or "").startswith("finds-")]


def test_bins_without_a_model_have_no_line(made) -> None:
    figure = draw_main_figure(**made.variants["observed_only"])
    assert lines_of(ax_of(figure, "finds-cycles"), "fitted") == []
    assert words_of(figure, "key-fitted") == []
    assert words_of(figure, "key-observed") == ["observed, with its 90 % interval"]


def test_a_dollar_sign_is_a_dollar_sign(made) -> None:
    figure = draw_main_figure(**made.variants["one"] | {"title": "Costs $4 or $5 a thaw"})
    (title,) = [t for t, _ in extents(figure) if (t.get_gid() or "").startswith("title")]
    assert not title.get_parse_math()


def test_three_curves_are_refused(made) -> None:
    with pytest.raises(ValueError, match="at most two"):
        draw_main_figure(**made.variants["one"] | {"curves": [made.curve()] * 3})


def test_drawing_changes_no_results_nor_pyplot(made) -> None:
    import matplotlib.pyplot as plt

    curve = made.curve()
    kept = [np.array(getattr(curve, name)) for name in ("at", "probability", "low", "high", "thin")]
    open_before = plt.get_fignums()
    draw_main_figure(**made.variants["one"] | {"curves": [curve]})
    assert plt.get_fignums() == open_before
    for name, before in zip(("at", "probability", "low", "high", "thin"), kept, strict=True):
        np.testing.assert_array_equal(getattr(curve, name), before)


def test_scale_opens_to_zero_to_keep_intervals(made) -> None:
    curve = made.curve()
    low = replace(curve.bins[0], proportion_low=0.13)
    assert lowest_shown([replace(curve, bins=(low,))], 0.85) == 0.0
    assert lowest_shown([made.curve(slope=0.0)], 0.95) >= 0.5
