"""Search time, false alerts and lifetimes drawn: by the data drawn and the room of the words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from outcomes.analysis.lifetimes.interval_censored import (
    IntervalCurve,
    IntervalLifetime,
    IntervalPoint,
)
from outcomes.analysis.lifetimes.regression import CycleHazard, LifetimeTerm, NextCycles
from outcomes.analysis.searches.false_alerts import DogAlerts, FalseAlertFit
from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.analysis.searches.search_time_curve import (
    ObservedMedian,
    SearchTimeCurve,
    SearchTimePoint,
)
from outcomes.draw.cycle_hazard_figure import draw_cycle_hazard_figure
from outcomes.draw.false_alerts_figure import MOST_DOGS, draw_false_alerts_figure
from outcomes.draw.save import render_figure
from outcomes.draw.search_time_figure import draw_search_time_figure
from outcomes.draw.sheet import CAUTION
from outcomes.draw.theme import drawable, theme
from outcomes.draw.turnbull_figure import band, corners, draw_turnbull_figure, followed_by
from outcomes.models.ratio import Estimate

from .looks import ax_of, lines, words

FOOTER = "Synthetic unit, 1,200 trials."


def search_time(*, exposure: str = "cycles", not_reached: bool = False) -> SearchTimeFit:
    step = 1.0 if exposure == "cycles" else 30.0
    points = tuple(
        SearchTimePoint(step * k, 290.0 + 9 * k, 270.0 + 7 * k, 310.0 + 13 * k, k > 20)
        for k in range(31)
    )
    observed = tuple(
        ObservedMedian(
            step * a, step * b, step * (a + b) / 2, 60 + a, 50, 9,
            None if not_reached and a == 12 else 300.0 + 8 * a, 250.0 + 8 * a,
            None if a == 12 else 360.0 + 8 * a,
        )
        for a, b in ((0, 3), (4, 11), (12, 30))
    )  # fmt: skip
    time = Estimate("cycles", "cycle", 0.0198, 0.005, 1.01, 1.03, 0.01)
    return SearchTimeFit(
        n=600, events=520, sources=20, dogs=6, terms=(), source_sd=0.2, clustered=(),
        proportional_p=0.4, time_ratio=(time,), time_model="Weibull", aic={}, left_out=(),
        reason=None, copies={}, alpha=0.05,
        curve=SearchTimeCurve(exposure, points, 0.95, observed, "the average dog"),
    )  # fmt: skip


def false_alerts(dogs: int = 6, *, blanks: int = 20, name: str = "Dog") -> FalseAlertFit:
    rows = tuple(
        DogAlerts(
            f"{name} {k:02d}", 10.0 + k, 2 * k, 0.1 * k, 0.04 * k, 0.25 * k + 0.3,
            blanks, k, k / blanks if blanks else None,
            0.4 * k / blanks if blanks else None, (k + 3) / blanks if blanks else None,
        )
        for k in range(dogs)
    )  # fmt: skip
    return FalseAlertFit(
        n=900, hours=120.0, alerts=60, rate_per_hour=0.5, rate_low=0.4, rate_high=0.6,
        rate_reason=None, blanks=blanks * dogs, blank_alerts=15,
        per_blank=0.12 if blanks else None, per_blank_low=0.05, per_blank_high=0.2, model=None,
        overdispersion_p=None, model_trials=0, model_alerts=0, sources=0, dogs=0, terms=(),
        source_sd=None, clustered=(), left_out=(), reason="too few", copies={}, alpha=0.05,
        by_dog=rows,
    )  # fmt: skip


def curve(group: str, by: str, scale: float, sources: int = 9) -> IntervalCurve:
    points = [IntervalPoint(group, 20.0, 20.0, 1.0, 1.0, 1.0, 4)]
    for k in range(1, 6):
        p = float(np.exp(-k / scale))
        points.append(
            IntervalPoint(group, 100.0 * k, 100.0 * k + 40, p, p * 0.7, 1 - (1 - p) * 0.4, 9 - k)
        )
    spans = tuple((20.0 + 10 * i, 300.0 + 30 * i) for i in range(sources))
    return IntervalCurve(group, by, sources, 5, tuple(points), 200.0, 240.0, 140.0, None, spans)


def lasting(*curves: IntervalCurve) -> IntervalLifetime:
    return IntervalLifetime(
        sources=27, events=11, curves=curves, not_drawn={"mixed": "2 met the rule"}, bounds=(),
        resamples=200, reason=None if curves else "too few", sentence="11 of 27 met the rule.",
    )  # fmt: skip


def per_cycle(
    shares: dict[int, float],
    *,
    ratio: tuple[float, float, float] = (1.1, 1.02, 1.2),
    wide: float = 1.8,
) -> CycleHazard:
    rows = tuple(
        NextCycles(after, 5, p, p / wide, min(p * wide, 1.0), 30 - after // 5)
        for after, p in shares.items()
    )
    term = LifetimeTerm("cycles", "cycle", *ratio, 0.02, 0.1, 0.04)
    return CycleHazard(17, 8, 207, (term,), rows, (), None, "Of 100 sources.")


def no_hazard() -> CycleHazard:
    sentence = (
        "How many sources each further cycle costs cannot be said yet: 3 sources met the rule, and "
        "5 are needed."
    )
    return CycleHazard(17, 3, 207, (), (), (), "3 sources met the rule", sentence)


def drawn(found: CycleHazard) -> Figure:
    return draw_cycle_hazard_figure(found, FOOTER, confidence=0.95)


FIGURES = {
    "search time": lambda: draw_search_time_figure(search_time(), FOOTER),
    "search time by age": lambda: draw_search_time_figure(
        search_time(exposure="age_days", not_reached=True), FOOTER
    ),
    "false alerts": lambda: draw_false_alerts_figure(false_alerts(), FOOTER),
    "false alerts of many dogs": lambda: draw_false_alerts_figure(
        false_alerts(30, name="A dog of a very long name indeed"), FOOTER
    ),
    "lifetimes": lambda: draw_turnbull_figure(
        lasting(curve("frozen", "regime", 4), curve("refrigerated", "regime", 4.1)), FOOTER
    ),
    "lifetimes by kind": lambda: draw_turnbull_figure(
        lasting(
            *(curve(name, "kind", 3.0) for name in ("wet bone", "骨", "N" * 60, "$x$", "blood"))
        ),
        FOOTER,
        by="kind",
    ),
    "next cycles": lambda: drawn(per_cycle({k: 0.03 + k / 200 for k in range(0, 30, 5)})),
    "next cycles of 120": lambda: drawn(per_cycle({k: 0.004 + k / 160 for k in range(0, 120, 5)})),
    "next cycles with a gap": lambda: drawn(per_cycle({0: 0.001, 20: 0.99}, wide=400.0)),
    "next cycles, one row": lambda: drawn(per_cycle({0: 1.0})),
    "no next cycles": lambda: drawn(no_hazard()),
    "nothing": lambda: draw_turnbull_figure(lasting(), FOOTER),
}


@pytest.mark.parametrize("name", FIGURES)
def test_no_words_touch_each_other_or_leave_the_sheet(name: str) -> None:
    figure = FIGURES[name]()
    with theme():
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        boxes = [
            (t.get_text(), t.get_window_extent(renderer))
            for t in figure.findobj(Text)
            if t.get_gid() and t.get_text()
        ]
    sheet = figure.bbox
    for i, (text, box) in enumerate(boxes):
        assert sheet.x0 <= box.x0, text
        assert box.x1 <= sheet.x1, text
        for other_text, other in boxes[i + 1 :]:
            # Lines of one block stand as close as the theme lets them.
            apart = box.shrunk(1.0, 0.8).overlaps(other.shrunk(1.0, 0.8))
            assert not apart, (text, other_text)


@pytest.mark.parametrize("name", FIGURES)
def test_each_figure_has_the_caution_and_the_same_bytes_twice(name: str) -> None:
    figure = FIGURES[name]()
    assert CAUTION in " ".join(words(figure, "footer"))
    assert render_figure(figure, "png") == render_figure(FIGURES[name](), "png")


def test_the_search_time_is_drawn_in_minutes_firm_and_thin() -> None:
    figure = FIGURES["search time"]()
    fit = search_time()
    (firm,), (thin,) = lines(figure, "search-time", "typical"), lines(figure, "search-time", "thin")
    drawn = [*firm.get_ydata(), *thin.get_ydata()[1:]]
    assert drawn == pytest.approx([p.median_s / 60 for p in fit.curve.points])
    assert firm.get_xdata()[-1] == 20
    circles = lines(figure, "search-time", "observed")
    assert [c.get_ydata()[0] for c in circles] == [o.median_s / 60 for o in fit.curve.observed]
    high = ax_of(figure, "search-time").get_ylim()[1]
    assert high > max(p.median_s for p in fit.curve.points) / 60


def test_a_median_not_reached_is_a_triangle_and_said() -> None:
    figure = FIGURES["search time by age"]()
    assert len(lines(figure, "search-time", "not-reached")) == 1
    assert len(lines(figure, "search-time", "observed")) == 2
    assert words(figure, "not-reached-name") == ["triangle: less than", "half found"]


def test_without_a_curve_the_reason_is_written() -> None:
    nothing = replace(search_time(), curve=None, reason="too few")
    figure = draw_search_time_figure(nothing, FOOTER)
    assert words(figure, "reason") == [
        "Search times say nothing about cycles or age here: too few."
    ]
    assert figure.axes == []


def test_each_dog_has_its_estimates_and_what_is_behind_them_in_one_row() -> None:
    figure = FIGURES["false alerts"]()
    assert words(figure, "dog") == [f"Dog {k:02d}" for k in (5, 4, 3, 2, 1, 0)]
    marks = lines(figure, "per-hour", "estimate")
    assert [m.get_xdata()[0] for m in marks] == pytest.approx([0.5, 0.4, 0.3, 0.2, 0.1, 0.0])
    assert [m.get_ydata()[0] for m in marks] == list(range(6))
    assert words(figure, "behind-per-blank")[0] == "5 of 20"
    shares = [m.get_xdata()[0] for m in lines(figure, "per-blank", "estimate")]
    assert shares == pytest.approx([25, 20, 15, 10, 5, 0])


def test_without_blank_areas_only_the_hours_are_drawn() -> None:
    figure = draw_false_alerts_figure(false_alerts(blanks=0), FOOTER)
    assert [ax.get_gid() for ax in figure.axes] == ["per-hour"]
    none = replace(false_alerts(), by_dog=())
    assert draw_false_alerts_figure(none, FOOTER).axes == []


def test_of_many_dogs_those_with_most_are_drawn_and_it_is_said() -> None:
    figure = FIGURES["false alerts of many dogs"]()
    assert len(words(figure, "dog")) == MOST_DOGS
    assert f"The {MOST_DOGS} dogs with most of 30." in " ".join(words(figure, "subtitle"))


def test_a_curve_is_flat_between_cells_and_slopes_within_them() -> None:
    one = curve("frozen", "regime", 4)
    days, heights = corners(one)
    assert list(days[:5]) == [20, 100, 140, 200, 240]
    assert list(heights[:3]) == [1.0, 1.0, one.points[1].probability]
    assert (np.diff(heights) <= 0).all()
    figure = FIGURES["lifetimes"]()
    (line,) = lines(figure, "reliable", "reliable-frozen")
    assert list(line.get_ydata()) == list(heights)
    looks = {str(x.get_linestyle()) for x in ax_of(figure, "reliable").lines}
    assert len(looks) == 2


def test_the_band_between_two_points_holds_for_all_of_the_days_between() -> None:
    one = curve("frozen", "regime", 4)
    days, low, high = band(one)
    assert list(days[:2]) == [20, 140]
    assert list(low[:2]) == [one.points[1].low] * 2
    assert list(high[:2]) == [1.0, 1.0]


def test_sources_followed_are_counted_on_the_day_itself() -> None:
    one = curve("frozen", "regime", 4)
    assert [followed_by(one, day) for day in (0, 20, 100, 300, 310, 541)] == [0, 1, 9, 9, 8, 0]


def test_groups_of_the_sort_asked_for_are_drawn_or_all_sources() -> None:
    both = lasting(curve("frozen", "regime", 4), curve("blood", "kind", 3))
    for by, group in (("regime", "frozen"), ("kind", "blood")):
        figure = draw_turnbull_figure(both, FOOTER, by=by)
        assert words(figure, "group-0") == [group]
    alone = draw_turnbull_figure(lasting(curve("all sources", "all", 4)), FOOTER)
    assert words(alone, "group-0") == ["all sources"]


def test_where_no_kind_has_a_curve_the_regimes_are_not_told_in_its_place() -> None:
    figure = draw_turnbull_figure(lasting(curve("frozen", "regime", 4)), FOOTER, by="kind")
    assert figure.axes == []
    assert words(figure, "reason") == ["No kind has a curve of its own yet."]


def test_where_no_kind_has_a_curve_the_reasons_are_those_of_kinds() -> None:
    found = replace(
        lasting(),
        not_drawn={"mixed": "2 met the rule", "blood": "1 met the rule"},
        not_drawn_by={"regime": {"mixed": "2 met the rule"}, "kind": {"blood": "1 met the rule"}},
    )
    for by, told in (("kind", "blood"), ("regime", "mixed")):
        figure = draw_turnbull_figure(found, FOOTER, by=by)
        assert [w.partition(":")[0] for w in words(figure, "why")] == [told]


def test_the_curves_of_kinds_say_how_many_of_each_kind_met_the_rule() -> None:
    found = replace(
        lasting(curve("blood", "kind", 3)), not_drawn_by={"kind": {"bone": "1 met the rule"}}
    )
    figure = draw_turnbull_figure(found, FOOTER, by="kind")
    assert " ".join(words(figure, "subtitle")) == (
        "Sources that met the rule: 5 of 9 blood. Too thin for a curve: bone."
    )


def test_letters_the_font_lacks_become_question_marks() -> None:
    assert drawable("骨 a") == "? a"


def test_what_the_next_cycles_cost_is_drawn_for_the_cycles_with_sources_and_no_others() -> None:
    found = per_cycle({0: 0.04, 5: 0.1, 20: 0.3})
    figure = drawn(found)
    estimates = lines(figure, "next-cycles", "estimate")
    assert [list(line.get_xdata()) for line in estimates] == [[0, 5], [5, 10], [20, 25]]
    assert [line.get_ydata()[0] for line in estimates] == pytest.approx([4, 10, 30])
    bands = [c for c in ax_of(figure, "next-cycles").collections if c.get_gid() == "band"]
    for band_drawn, row in zip(bands, found.next_cycles, strict=True):
        heights = band_drawn.get_paths()[0].vertices[:, 1]
        assert heights.min() == pytest.approx(100 * row.low)
        assert heights.max() == pytest.approx(100 * row.high)
        across = band_drawn.get_paths()[0].vertices[:, 0]
        assert (across.min(), across.max()) == (row.after, row.after + row.within)
    assert words(figure, "number") == ["4", "10", "30"]
    assert words(figure, "followed") == ["30", "29", "26"]
    title = " ".join(words(figure, "title"))
    assert title == (
        "Of 100 sources still reliable after 20 cycles, about 30 become unreliable in the next 5"
    )


@pytest.mark.parametrize(
    ("ratio", "said"),
    [
        ((1.1, 1.02, 1.2), "The share rises with the cycles."),
        ((0.9, 0.8, 0.95), "The share falls with the cycles."),
        ((1.1, 0.9, 1.4), "Whether the share rises or falls with the cycles does not show."),
    ],
)
def test_a_rise_is_called_one_only_where_its_interval_says_so(ratio, said) -> None:
    figure = drawn(per_cycle({0: 0.1, 5: 0.12}, ratio=ratio))
    assert said in " ".join(words(figure, "subtitle"))


def test_under_five_events_the_sentence_stands_in_place_of_the_lines() -> None:
    figure = FIGURES["no next cycles"]()
    assert figure.axes == []
    assert " ".join(words(figure, "reason")) == no_hazard().sentence


def test_a_share_that_rounds_to_none_is_called_fewer_than_one() -> None:
    figure = drawn(per_cycle({0: 0.001}))
    assert words(figure, "number") == ["< 1"]
    title = " ".join(words(figure, "title"))
    assert "Of 100 sources not yet cycled, fewer than 1 become" in title
