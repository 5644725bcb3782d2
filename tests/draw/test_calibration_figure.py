"""The figure of calibration and residuals, by the data it draws and the room its words take."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.text import Text

from outcomes.analysis.finds.validation import Quality, Residual
from outcomes.draw.calibration_figure import NOTHING, draw_calibration_figure
from outcomes.draw.sheet import CAUTION
from outcomes.models.prediction import Area, Calibration, CalibrationPoint

from .looks import assert_words_beside, ax_of, lines, words


def made_residuals(count, word):
    rows = []
    for k in range(count):
        points = float((-1) ** k * (k % 13))
        half = 4.0 + k % 5
        outside = abs(points) > half
        rows.append(
            Residual(f"{word}{k:02d}", 40, 33, 0.8, points, points - half, points + half, outside)
        )
    return tuple(rows)


def made(sources=24, word="S", *, area=0.74, low=0.66):
    curve = tuple(
        CalibrationPoint(p, round(90 * q), 90, 15, q, max(q - 0.09, 0.0), min(q + 0.07, 1.0))
        for p, q in ((0.45, 0.56), (0.7, 0.71), (0.82, 0.79), (0.9, 0.93), (0.97, 1.0))
    )
    return Quality(
        n=450,
        sources=sources,
        folds=10,
        not_predicted=0,
        brier=0.11,
        brier_of_average=0.13,
        area=Area(area, 0.04, low, 0.81),
        calibration=Calibration(0.1, -0.2, 0.4, 0.9, 0.7, 1.1, 0.6, curve),
        by={
            "source": made_residuals(sources, word),
            "dog": made_residuals(7, "Dog "),
            "month": made_residuals(50, "2024-"),
        },
        drift=None,
        predictions=pd.DataFrame({"predicted": [], "found": []}),
        alpha=0.05,
        reason=None,
    )


@pytest.fixture(scope="module")
def figure():
    return draw_calibration_figure(made(), "Synthetic unit.")


def test_points_and_diagonal_are_the_curves(figure):
    curve = made().calibration.curve
    observed = lines(figure, "calibration", "observed")
    assert [(p.get_xdata()[0], p.get_ydata()[0]) for p in observed] == [
        (p.predicted, p.proportion) for p in curve
    ]
    intervals = lines(figure, "calibration", "interval")
    assert [tuple(i.get_ydata()) for i in intervals] == [(p.low, p.high) for p in curve]
    (diagonal,) = lines(figure, "calibration", "diagonal")
    assert np.array_equal(diagonal.get_xdata(), diagonal.get_ydata())


def test_both_scales_hold_points_and_end_at_100(figure):
    ax = ax_of(figure, "calibration")
    assert ax.get_xlim() == ax.get_ylim()
    assert ax.get_xlim()[0] <= 0.45
    assert ax.get_xlim()[1] == 1.0


def test_residuals_in_order_outside_stand_out(figure):
    ax = ax_of(figure, "residuals")
    assert ax.yaxis_inverted()
    marks = lines(figure, "residuals", "residual")
    drawn = [m.get_xdata()[0] for m in marks]
    assert drawn == sorted(drawn)
    by_name = {r.group: r for r in made().by["source"]}
    for name, mark in zip(words(figure, "name"), marks, strict=True):
        row = by_name[name]
        assert mark.get_xdata()[0] == row.points
        assert (mark.get_markerfacecolor() != "white") is row.outside
    bold = {
        t.get_text()
        for t in figure.findobj(Text)
        if (t.get_gid() or "").startswith("name") and t.get_fontweight() == "bold"
    }
    assert bold == {r.group for r in by_name.values() if r.outside}


def test_farthest_are_kept_where_room_is_short():
    many = draw_calibration_figure(made(sources=200))
    names = words(many, "name")
    rows = {r.group: r for r in made(sources=200).by["source"]}
    dropped = [r for r in rows.values() if r.group not in names]
    assert all(rows[n].outside for n in names) or not any(r.outside for r in dropped)
    assert f"the {len(names)} farthest" in " ".join(words(many, "residual-note"))
    assert "of 200" in " ".join(words(many, "residual-note"))


def test_title_claims_no_more_than_the_area():
    for doubtful in (made(area=0.55, low=0.44), made(low=None)):
        assert "does not reliably" in " ".join(words(draw_calibration_figure(doubtful), "title"))


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.5, 0.9, "overstates how far trials differ"),
        (1.2, 1.9, "understates how far trials differ"),
        (0.7, 1.3, "no sign of being spread too far or too little"),
        (None, None, "cannot say"),
    ],
)
def test_title_says_if_predictions_can_be_trusted(low, high, said):
    quality = made()
    calibration = replace(quality.calibration, slope_low=low, slope_high=high)
    figure = draw_calibration_figure(replace(quality, calibration=calibration))
    assert said in " ".join(words(figure, "title"))


def test_title_is_silent_on_the_level():
    quality = made()
    titles = set()
    for off in (0.0, 30.0):
        calibration = replace(quality.calibration, in_the_large=off)
        figure = draw_calibration_figure(replace(quality, calibration=calibration))
        titles.add(" ".join(words(figure, "title")))
    (title,) = titles
    assert "fault" not in title
    assert "spread" in title


def test_without_a_check_the_reason_stands_there():
    nothing = replace(made(), area=None, calibration=None, reason="too few trials to fit a model")
    figure = draw_calibration_figure(nothing)
    assert words(figure, "title") == [NOTHING]
    assert words(figure, "reason") == ["Too few trials to fit a model."]
    assert CAUTION in " ".join(words(figure, "footer"))


@pytest.mark.parametrize("word", ["S", "a source with a name that goes on and on "])
@pytest.mark.parametrize("sources", [1, 24, 200])
def test_no_words_lie_on_others_or_off_the_sheet(sources, word):
    figure = draw_calibration_figure(made(sources, word), "One unit. " * 20)
    assert_words_beside(figure)
