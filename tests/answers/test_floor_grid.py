"""Another floor on the page says what the commands would say with that floor."""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.decisions.shelf import review_shelf
from outcomes.analysis.decisions.threshold import set_threshold
from outcomes.analysis.finds.model import fit_finds
from outcomes.answers.facts import Facts
from outcomes.answers.floor_grid import FLOORS, FloorPoint, floor_grid
from outcomes.draw.floor_layer import floor_layer, hide_floor, size_pt
from outcomes.draw.main_figure import IN_PAGE, draw_stacked_figure
from outcomes.draw.theme import ALONE
from outcomes.exposure.trials import join
from outcomes.records.read import read_records
from outcomes.report import page
from outcomes.report.answer_figure import draw_sheet, threshold_marks
from outcomes.report.floor_control import floor_control
from outcomes.settings import DecisionSettings
from outcomes.simulate import Truth, simulate_unit
from outcomes.wording.limit import describe_threshold
from outcomes.wording.numbers import in_100
from tests.conftest import write_records

SOME = (0.5, 0.7, 0.8, 0.85, 0.9, 0.95)
UNITS = {
    "no effect": Truth(baseline_log_odds=1.2),
    "effect falling": Truth(cycle_log_odds=-0.30, baseline_log_odds=3.0),
}


@pytest.fixture(scope="module")
def facts_of(
    demo_facts: Facts, few_records: Path, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], Facts]:
    """The demo's facts, or those with the model and the shelf of another unit in their place."""
    home = tmp_path_factory.mktemp("units")

    def make(name: str) -> Facts:
        if name == "demo":
            return demo_facts
        folder = few_records
        if name in UNITS:
            unit = simulate_unit(UNITS[name], 7, trials=420, dogs=4, sources=12, months=18)
            folder = home / name
            if not folder.exists():
                write_records(unit, folder)
        records = read_records(folder)
        joined = join(records)
        fit = fit_finds(joined.trials, DecisionSettings())
        moment = joined.trials["started_at"].max().normalize() + pd.Timedelta(days=1)
        shelf = review_shelf(fit, records.sources, joined.history, moment, joined.trials)
        return demo_facts.with_answers(
            records=records, joined=joined, fit=fit, shelf=shelf, as_of=moment
        )

    return make


def _points(facts: Facts) -> dict[float, FloorPoint]:
    return {point.floor: point for point in floor_grid(facts)}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["demo", "too few", *UNITS])
def test_advice_at_another_floor_is_the_shelfs(name, facts_of) -> None:
    facts = facts_of(name)
    points = _points(facts)
    for floor in SOME:
        fit = replace(facts.fit, settings=facts.settings.with_options(floor=floor))
        reviewed = review_shelf(
            fit, facts.records.sources, facts.joined.history, facts.as_of, facts.joined.trials
        )
        found = points[floor].shelf
        assert {s.source_id: s for s in found} == {s.source_id: s for s in reviewed}
        order = [("retire", "test", "keep").index(s.advice) for s in found]
        assert order == sorted(order)


@pytest.mark.parametrize("word", ["cycles", "both", "cannot be told apart"])
def test_thresholds_at_other_floors_are_set_alike(word, demo_facts) -> None:
    verdict = replace(demo_facts.verdict, verdict=word)
    facts = demo_facts.with_answers(
        verdict=verdict, retirement=set_threshold(demo_facts.fit, verdict)
    )
    points = _points(facts)
    for floor in (0.75, 0.9):
        fit = replace(facts.fit, settings=facts.settings.with_options(floor=floor))
        again = set_threshold(fit, verdict).thresholds
        assert again
        for ours, theirs in zip(points[floor].retirement.thresholds, again, strict=True):
            assert describe_threshold(ours) == describe_threshold(theirs)
            assert replace(ours, curve=theirs.curve) == theirs


def test_the_grid_goes_from_50_to_95_by_1():
    assert (FLOORS[0], FLOORS[-1], len(FLOORS)) == (0.5, 0.95, 46)
    assert np.diff(FLOORS) == pytest.approx(0.01)


def test_units_own_floor_is_on_the_grid(demo_facts) -> None:
    settings = demo_facts.settings.with_options(floor=0.875)
    facts = demo_facts.with_answers(settings=settings)
    grid = _points(facts)
    assert list(grid) == sorted(grid)
    assert len(grid) == 47
    assert grid[0.875].shelf is facts.shelf


@pytest.mark.slow
def test_own_floor_says_what_the_page_says(demo_facts) -> None:
    figure = page.render_page_figure(demo_facts)
    fields = page.page_fields(demo_facts, figure)
    data, own = fields["floor"]["data"], fields["floor"]["own"]
    assert data["said"][own] == in_100(demo_facts.settings.floor)
    assert [data["limit"][own], data["shelf"][own]] == fields["lead"][:2]
    assert data["retire"][own] == fields["retire"]
    assert data["price"][own] == (fields["price"] or "")
    assert data["past"][own] == (fields["past_limit"] or "")
    assert data["alt"] + data["retire"][own] == fields["figure_alt"]
    assert data["moved"][own] == ""
    assert data["layer"][own] == fields["layer"]
    assert data["narrow"][own] == fields["narrow_layer"]
    told = [
        (data["advice"][a], data["why"][w], data["expected"][e])
        for _, a, w, _, e, _ in data["rows"][own]
    ]
    assert told == [(row["advice"], row["reason"], row["predicted"]) for row in fields["shelf"]]
    assert [data["next"][n] for *_, n in data["rows"][own]] == [r["next"] for r in fields["shelf"]]
    assert [data["first"][own], data["tests"][own]] == [fields["next"], fields["tests"]]
    assert data["place"][own] == fields["scale"]["floor"]
    named = ("own", "alt", "advice", "why", "expected", "next")
    lists = [value for name, value in data.items() if name not in named]
    assert {len(value) for value in lists} == {len(floor_grid(demo_facts))}


def test_moved_page_says_so_elsewhere(demo_facts) -> None:
    control = floor_control(demo_facts, "", ("a", "b"))
    for k, text in enumerate(control["data"]["moved"]):
        assert (text == "") == (k == control["own"])
        if text:
            assert "The unit's own floor is 85 in 100" in text


def test_beside_the_control_is_what_it_moves(demo_facts) -> None:
    def note(facts: Facts, *layers: str) -> str:
        control = floor_control(facts, "", layers)
        return str(control["note"])

    assert note(demo_facts, "a", "b").endswith("for the limit, the figure and the shelf.")
    assert note(demo_facts).endswith("for the limit and the shelf.")
    without = demo_facts.with_answers(
        retirement=replace(demo_facts.retirement, thresholds=()),
        verdict=replace(demo_facts.verdict, verdict="no change detected"),
    )
    assert note(without, "a", "b").endswith("for the figure and the shelf.")


def test_no_control_where_nothing_moves(facts_of, briefing_of) -> None:
    few = facts_of("too few")
    few = few.with_answers(
        retirement=replace(few.retirement, thresholds=()),
        verdict=replace(few.verdict, verdict="too few trials"),
    )
    assert floor_control(few, "", ()) is None
    # The floor's own line in the figure is no answer.
    assert floor_control(few, "", ("a", "b")) is None
    text = (briefing_of("only blank areas").folder / "briefing.html").read_text(encoding="utf-8")
    assert 'id="floor-control"' not in text
    assert 'type="application/json"' not in text


@pytest.mark.parametrize("sheet", [ALONE, IN_PAGE], ids=["slide", "page"])
def test_layer_lies_where_the_figure_has_it(sheet, demo_facts) -> None:
    curves = list(demo_facts.retirement.curves)
    marks = threshold_marks(demo_facts.retirement)
    figure = draw_sheet(demo_facts, "", "", sheet=sheet)
    layer = floor_layer(figure, curves, demo_facts.settings.floor, marks)
    figure.draw_without_rendering()
    width, height = size_pt(figure)
    scale = width / figure.bbox.width

    def on_sheet(gid: str) -> list[tuple[float, float]]:
        found = []
        for artist in figure.findobj(lambda a: a.get_gid() == gid):
            axes: Any = artist.axes
            for x, y in artist.get_xydata():
                at = (x, y)
                if gid == "floor":  # across the axes, whatever the scale
                    px, py = axes.get_yaxis_transform().transform(at)
                else:
                    px, py = axes.transData.transform(at)
                found.append((px * scale, height - py * scale))
        return found

    (left, y), (right, _) = on_sheet("floor")
    line = re.search(r'<path d="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)" stroke="#a3410b"', layer)
    assert line is not None
    # Positions are written to a tenth of a point.
    assert [float(v) for v in line.groups()] == pytest.approx([left, y, right, y], abs=0.06)
    diamonds = re.findall(r'<path d="M([\d.]+) ([\d.]+)L[^"]*Z" fill="#1d2b33"', layer)
    upper = [v for x, top in diamonds[:2] for v in (float(x), float(top) + 7.1)]
    there = [float(v) for at in sorted(on_sheet("threshold")) for v in at]
    assert upper == pytest.approx(there, abs=0.11)
    for gid in ("threshold-words-1", "retire-words-1"):
        (text,) = figure.findobj(lambda a, gid=gid: a.get_gid() == gid)
        assert text.get_text() in layer.replace("&nbsp;", "\u00a0")


@pytest.mark.slow
def test_layer_is_as_large_as_its_figure(demo_facts) -> None:
    made = page.render_page_figure(demo_facts)
    own = re.search(rb'viewBox="0 0 ([\d.]+) ([\d.]+)"', made.svg)
    assert tuple(float(v) for v in own.groups()) == pytest.approx(made.view_box)
    laid = re.findall(r'<svg viewBox="([^"]+)"', page.render_page(demo_facts, made))
    narrow = made.narrow
    own = re.search(rb'viewBox="0 0 ([\d.]+) ([\d.]+)"', narrow.svg)
    assert tuple(float(v) for v in own.groups()) == pytest.approx(narrow.view_box, abs=0.01)
    sizes = [[float(v) for v in box.split()] for box in laid]
    assert sizes[0] == [0.0, 0.0, *made.view_box]
    assert sizes[1] == pytest.approx([0.0, 0.0, *narrow.view_box], abs=0.01)


def test_page_figure_loses_only_the_floor(demo_facts) -> None:
    figure = draw_sheet(demo_facts, "", "")
    shown = {a.get_gid() for a in figure.findobj() if a.get_visible() and a.get_gid()}
    hide_floor(figure)
    left = {a.get_gid() for a in figure.findobj() if a.get_visible() and a.get_gid()}
    assert {g for g in shown - left if not re.search("floor|drop|threshold|retire", g)} == set()
    assert not any(re.fullmatch("floor.*|drop|threshold.*|retire.*", g) for g in left)


def test_every_floor_has_room_on_the_page(demo_facts) -> None:
    floors = [(p.floor, threshold_marks(p.retirement)) for p in floor_grid(demo_facts)]
    figure = draw_sheet(demo_facts, "", "", floors, sheet=IN_PAGE)
    lane = next(a for a in figure.axes if a.get_gid() == "lane-cycles")
    bottom = (1 - lane.get_position().y0) * size_pt(figure)[1]
    for floor, marks in floors:
        layer = floor_layer(figure, demo_facts.retirement.curves, floor, marks)
        lines = [float(y) for y in re.findall(r'<text x="[\d.]+" y="([\d.]+)"', layer)]
        assert max(lines) <= bottom


def test_every_floor_has_room_on_a_narrow_screen(demo_facts) -> None:
    curves = demo_facts.retirement.curves
    floors = [(p.floor, threshold_marks(p.retirement)) for p in floor_grid(demo_facts)]
    figure = draw_stacked_figure(curves, *floors[0], demo_facts.comparison, other_floors=floors)
    lane = next(a for a in figure.axes if a.get_gid() == "lane-cycles")
    width, height = size_pt(figure)
    bottom = (1 - lane.get_position().y0) * height
    for floor, marks in floors:
        layer = floor_layer(figure, curves, floor, marks)
        words = re.findall(r'<text x="([\d.]+)" y="([\d.]+)"[^>]*textLength="([\d.]+)"', layer)
        assert words
        for x, y, length in words:
            assert float(y) <= bottom
            assert float(x) + float(length) <= width
