"""The figure of all ways of asking, by the data it draws and the room its words take."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from outcomes.analysis.finds.sensitivity import MAIN
from outcomes.analysis.finds.specifications import Agreement, Specification, Specifications
from outcomes.draw.sheet import CAUTION
from outcomes.draw.specification_figure import (
    NOTHING,
    draw_specification_figure,
    percent,
    percent_ticks,
)
from outcomes.draw.theme import FITTED

from .looks import assert_words_beside, ax_of, words


def made_row(name, family, log_odds, half, *, n=900, shift=None, reason=None):
    if reason is not None:
        return Specification(
            name, family, "cycles", "cycle", None, None, None, None, 0, 0, reason=reason
        )
    low, high = log_odds - half, log_odds + half
    error = half / 2.0
    return Specification(
        name, family, "cycles", "cycle", log_odds, error, low, high, n, 24, shift=shift
    )


def made(kinds=4, far=0.3, name="S05"):
    rows = [
        made_row(MAIN, "main", -0.08, 0.04, n=1187),
        made_row("averages over sources (GEE)", "model", -0.07, 0.09),
        made_row("each source against itself (conditional)", "model", -0.05, far),
        made_row("blind trials only", "records", 0.01, 0.05, n=411),
        made_row("qualified dogs only", "records", None, None, reason="not recorded"),
        *[
            made_row(f"without kind {k}", "kind", -0.09 + 0.01 * k, 0.05, shift=0.1 * (k + 1))
            for k in range(kinds)
        ],
        *[
            made_row(f"without source {name}{k}", "source", -0.08 - 0.004 * k, 0.04, shift=-0.2 * k)
            for k in range(9)
        ],
        *[
            made_row(f"without dog D{k}", "dog", -0.08 + 0.003 * k, 0.04, shift=0.15 * k)
            for k in range(4)
        ],
    ]
    agreement = Agreement("cycles", False, True, 9, 8, 5, (), ("blind trials only",))
    return Specifications(tuple(rows), {"cycles": agreement}, 0.05, (), None)


@pytest.fixture(scope="module")
def figure():
    return draw_specification_figure(made(), "cycles", "Synthetic unit: 1,187 hide trials.")


def lines(figure, gid):
    return [line for line in ax_of(figure, "specifications").lines if line.get_gid() == gid]


def texts(figure, start):
    return [
        t
        for t in figure.findobj(Text)
        if (t.get_gid() or "").rpartition("-")[0] == start and t.get_text()
    ]


def test_drawn_estimates_are_those_handed_over(figure):
    rows = [r for r in made().shown("cycles") if r.log_odds is not None]
    drawn = {int(line.get_ydata()[0]): line for line in lines(figure, "estimate")}
    (main,) = lines(figure, "main")
    drawn[int(main.get_ydata()[0])] = main
    assert [drawn[k].get_xdata()[0] for k in range(len(rows))] == [r.log_odds for r in rows]
    low, high = ax_of(figure, "specifications").get_xlim()
    for line, row in zip(lines(figure, "interval"), rows, strict=True):
        assert tuple(line.get_xdata()) == (max(row.low, low), min(row.high, high))


def test_rows_rise_and_the_main_model_is_marked(figure):
    assert ax_of(figure, "specifications").yaxis_inverted()
    marks = [*lines(figure, "estimate"), *lines(figure, "main")]
    placed = sorted((line.get_ydata()[0], line.get_xdata()[0]) for line in marks)
    assert all(a[1] <= b[1] for a, b in pairwise(placed))
    (main,) = lines(figure, "main")
    assert main.get_marker() == "D"
    assert to_rgb(main.get_markeredgecolor()) == to_rgb(FITTED)
    assert main.get_xdata()[0] == -0.08
    bold = [t.get_text() for t in texts(figure, "name") if t.get_fontweight() == "bold"]
    assert bold == [MAIN]


def test_mark_is_filled_on_one_side_of_zero(figure):
    rows = [r for r in made().shown("cycles") if r.log_odds is not None]
    for line in (*lines(figure, "estimate"), *lines(figure, "main")):
        row = rows[int(line.get_ydata()[0])]
        filled = to_rgb(line.get_markerfacecolor()) != (1.0, 1.0, 1.0)
        assert filled is (row.high < 0.0 or row.low > 0.0)


def test_interval_out_of_the_window_has_an_arrow():
    wide = draw_specification_figure(made(far=2.0), "cycles")
    (row,) = {int(line.get_ydata()[0]) for line in lines(wide, "arrow")}
    assert words(wide, "name")[row].startswith("each source against itself")
    assert {line.get_marker() for line in lines(wide, "arrow")} == {"<", ">"}
    assert not lines(draw_specification_figure(made(far=0.1), "cycles"), "arrow")


def test_one_source_is_named_others_stroked(figure):
    (named,) = [w for w in words(figure, "name") if w.startswith("without source")]
    assert named == "without source S058, which of 9 moves it most"
    (strokes,) = lines(figure, "each-source")
    assert sorted(strokes.get_xdata()) == sorted(-0.08 - 0.004 * k for k in range(9))
    (dogs,) = lines(figure, "each-dog")
    assert len(dogs.get_xdata()) == 4


def test_trials_and_odds_stand_beside_every_row(figure):
    cells = words(figure, "cell")
    rows = [r for r in made().shown("cycles") if r.log_odds is not None]
    expected = [[percent(r.log_odds, 1), f"{r.n:,}", f"{r.sources}"] for r in rows]
    assert np.reshape(cells, (-1, 3)).tolist() == expected


def test_unasked_and_caution_stand_below(figure):
    footer = " ".join(words(figure, "footer"))
    assert "Not asked: qualified dogs only (not recorded)." in footer
    assert CAUTION in footer
    assert "8 of 9" in " ".join(words(figure, "title"))


def test_without_a_main_model_the_reason_stands():
    nothing = Specifications((), {}, 0.05, (), "too few trials to fit a model")
    figure = draw_specification_figure(nothing, "cycles", "One unit.")
    assert words(figure, "title") == [NOTHING]
    assert words(figure, "reason") == ["Too few trials to fit a model."]
    assert not figure.axes


def test_lighter_kinds_give_way_without_room():
    crowded = draw_specification_figure(made(kinds=40), "cycles")
    names = words(crowded, "name")
    kept = [int(n.rpartition(" ")[2]) for n in names if n.startswith("without kind")]
    # Kinds are numbered by how far they move the estimate.
    assert min(kept) == 40 - len(kept) > 0
    assert f"{40 - len(kept)} more kinds" in " ".join(words(crowded, "footer"))


@pytest.mark.parametrize("name", ["S05", "a source with a very long name that goes on and on "])
@pytest.mark.parametrize("kinds", [1, 8, 40])
def test_no_words_lie_on_others_or_off_the_sheet(kinds, name):
    figure = draw_specification_figure(made(kinds=kinds, name=name), "cycles", "One unit. " * 20)
    assert_words_beside(figure)


@settings(max_examples=50, deadline=None)
@given(low=st.floats(-3.0, -0.01), high=st.floats(0.01, 3.0))
def test_ticks_lie_apart_with_no_change(low, high):
    ticks = percent_ticks(low, high)
    places = np.log1p(np.array(ticks) / 100.0)
    assert 0 in ticks
    assert np.all((places >= low) & (places <= high))
    assert np.all(np.diff(places) >= (high - low) / 9.0 - 1e-12)


def test_log_odds_are_told_in_per_cent_of_odds():
    assert percent(np.log(0.9)) == "−10"
    assert percent(np.log(1.255), 1) == "+25.5"
    assert percent(-1e-9) == "0"


def test_nothing_handed_over_is_changed(figure):
    given_rows = made()
    before = replace(given_rows)
    draw_specification_figure(given_rows, "cycles")
    assert given_rows == before
