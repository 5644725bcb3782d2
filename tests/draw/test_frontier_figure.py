"""The figure of limits against the floor, by the data it draws and the room its words take."""

from __future__ import annotations

from dataclasses import replace

import pytest

from outcomes.analysis.decisions.frontier import Frontier, FrontierPoint
from outcomes.draw.frontier_figure import (
    CANNOT_KEEP,
    NOT_CALLED_FOR,
    NOT_KNOWN,
    NOT_SURE,
    NOTHING,
    draw_frontier_figure,
)
from outcomes.draw.save import render_figure
from outcomes.draw.sheet import CAUTION
from outcomes.draw.theme import DAYS_PER_MONTH

from .looks import assert_words_beside, ax_of, words


def made(by="cycles", floor=0.85, steep=60.0, start=0.95):
    """A straight line from ``start`` at nothing to the floor that the last exposure reaches."""
    unit = 1.0 if by == "cycles" else 40.0
    to = 24.0 * unit
    end = start - 24.0 / steep / 3.0
    points = []
    for k in range(46):
        f = round(0.5 + 0.01 * k, 2)
        at = (start - f) * 3.0 * steep * unit
        if at > to:
            points.append(FrontierPoint(f, None, None, None, None, "stays above"))
        elif at < 0:
            points.append(FrontierPoint(f, None, None, None, None, "below from the start"))
        else:
            low = at - 4 * unit
            sure = low >= 0
            after, outcome = (int(low), "crosses") if sure else (None, "never sure")
            low_shown = low if sure else None
            points.append(FrontierPoint(f, at, low_shown, min(at + 4 * unit, to), after, outcome))
    return Frontier(by, floor, 0.9, 0.0, to, start, end, tuple(points))


def axes_of(figure, by="cycles"):
    return ax_of(figure, f"frontier-{by}")


def lines(figure, gid, by="cycles"):
    return [line for line in axes_of(figure, by).lines if line.get_gid() == gid]


@pytest.mark.parametrize("by", ["cycles", "age_days"])
def test_line_and_steps_are_those_of_the_points(by):
    frontier = made(by)
    figure = draw_frontier_figure([frontier])
    (estimate,) = lines(figure, "estimate", by)
    inside = [p for p in frontier.points if p.estimate is not None]
    assert list(estimate.get_xdata()) == pytest.approx([100 * p.floor for p in inside])
    assert list(estimate.get_ydata()) == [p.estimate for p in inside]
    steps = lines(figure, "limit", by)
    assert [s.get_ydata()[0] for s in steps] == [
        p.retire_after for p in frontier.points if p.retire_after is not None
    ]


def test_the_chosen_floor_is_marked_at_its_own_limit():
    figure = draw_frontier_figure([made()])
    (mark,) = lines(figure, "chosen")
    (point,) = (p for p in made().points if p.floor == 0.85)
    assert (mark.get_xdata()[0], mark.get_ydata()[0]) == (85.0, point.retire_after)
    assert words(figure, "floor-name") == ["your floor: 85", f"→ {point.retire_after} cycles"]


def test_the_title_tells_what_five_in_a_hundred_do_to_the_limit():
    told = " ".join(words(draw_frontier_figure([made()]), "title"))
    for floor in (85, 90):
        (point,) = (p for p in made().points if round(100 * p.floor) == floor)
        assert f"{point.retire_after} cycles at a floor of {floor}" in told


def test_months_are_whole_months_gone_by():
    figure = draw_frontier_figure([made("age_days")])
    (point,) = (p for p in made("age_days").points if p.floor == 0.85)
    assert f"→ {int(point.retire_after / DAYS_PER_MONTH)} months" in words(figure, "floor-name")


def zoned(by="cycles"):
    """No limit needed up to 59, not known to 69, kept to 79, never sure to 89, then below."""
    points = []
    for k in range(46):
        f = round(0.5 + 0.01 * k, 2)
        estimate = 24.0 * (0.9 - f) / 0.2
        if f < 0.695:
            points.append(
                FrontierPoint(f, None, None, None, None, "stays above", open_below=f > 0.595)
            )
        elif f < 0.795:
            points.append(FrontierPoint(f, estimate, estimate - 9, None, 9, "crosses"))
        elif f < 0.895:
            points.append(FrontierPoint(f, estimate, None, None, None, "never sure"))
        else:
            points.append(FrontierPoint(f, None, None, None, None, "below from the start"))
    return Frontier(by, 0.75, 0.9, 0.0, 24.0, 0.9, 0.7, tuple(points))


@pytest.mark.parametrize("by", ["cycles", "age_days"])
def test_each_reason_for_no_limit_has_its_own_zone_and_words(by):
    figure = draw_frontier_figure([zoned(by)])
    spans = sorted(
        (p.get_x(), p.get_x() + p.get_width())
        for p in axes_of(figure, by).patches
        if p.get_gid() == "no-limit"
    )
    edges = [(52.0 - 0.5, 59.5), (59.5, 69.5), (79.5, 89.5), (89.5, 95.5)]
    assert spans == [pytest.approx(edge) for edge in edges]
    told = " ".join(words(figure, "no-limit-name") + words(figure, "zone-name"))
    for reason in (NOT_CALLED_FOR, NOT_KNOWN, NOT_SURE[by], CANNOT_KEEP):
        assert told.count(reason) == 1


def test_a_zone_too_narrow_for_its_words_is_named_under_the_heading_by_its_floors():
    points = [replace(p, open_below=p.floor == 0.69) for p in zoned().points]
    figure = draw_frontier_figure([replace(zoned(), points=tuple(points))])
    assert words(figure, "zone-name") == [f"at 69, {NOT_KNOWN}"]


def test_a_floor_outside_those_drawn_is_not_marked():
    figure = draw_frontier_figure([made(floor=0.99)])
    assert lines(figure, "floor") == []


def test_without_a_limit_the_reason_stands_there():
    figure = draw_frontier_figure([])
    assert words(figure, "title") == [NOTHING]
    assert "no ground for a limit" in " ".join(words(figure, "reason"))
    assert CAUTION in " ".join(words(figure, "footer"))


@pytest.mark.parametrize("floor", [0.5, 0.7, 0.85, 0.945, 0.99])
@pytest.mark.parametrize("steep", [25.0, 60.0, 400.0])
@pytest.mark.parametrize("exposures", [("cycles",), ("cycles", "age_days")])
def test_no_words_lie_on_others_or_off_the_sheet(floor, steep, exposures):
    frontiers = [made(by, floor, steep) for by in exposures]
    figure = draw_frontier_figure(frontiers, None, "Some words. " * 9)
    assert_words_beside(figure)


def test_the_same_frontier_gives_the_same_bytes():
    one, two = (render_figure(draw_frontier_figure([made()]), "svg") for _ in range(2))
    assert one == two
