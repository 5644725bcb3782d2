"""The picture of overlap, by the data it draws and the room its words take."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.analysis.decisions.overlap import KindOverlap
from outcomes.draw.overlap_figure import NOTHING, draw_overlap_figure
from outcomes.draw.save import render_figure

from .looks import assert_words_beside, words


def made(kind="muscle", both=True, seed=1, cold_sources=1, frozen_sources=5):
    rng = np.random.default_rng(seed)
    frozen = tuple(np.sort(rng.uniform(20, 900, 60)).tolist())
    cold = tuple(np.sort(rng.uniform(100, 500, 20)).tolist()) if both else ()
    low, high = (max(frozen[0], cold[0]), min(frozen[-1], cold[-1])) if both else (None, None)
    return KindOverlap(
        kind,
        {"frozen": frozen, "refrigerated": cold},
        {"frozen": frozen_sources, "refrigerated": cold_sources if both else 0},
        low,
        high,
        {"frozen": 20 if both else 0, "refrigerated": len(cold)},
    )


def axes_of(figure):
    (ax,) = figure.axes
    return ax


def test_every_trial_is_drawn_at_its_age_in_its_row():
    kinds = [made(), made("blood", both=False)]
    ax = axes_of(draw_overlap_figure(kinds))
    frozen = [line for line in ax.lines if line.get_gid() == "trials frozen"]
    cold = [line for line in ax.lines if line.get_gid() == "trials refrigerated"]
    assert [tuple(line.get_xdata()) for line in frozen] == [k.ages["frozen"] for k in kinds]
    assert [tuple(line.get_xdata()) for line in cold] == [kinds[0].ages["refrigerated"]]
    assert (frozen[0].get_ydata() < cold[0].get_ydata()[0]).all()


def test_shaded_is_where_a_kind_was_tried_both_ways():
    kind = made()
    ax = axes_of(draw_overlap_figure([kind, made("blood", both=False)]))
    shaded = [c for c in ax.collections if c.get_gid() == "shared"]
    assert len(shaded) == 1
    across = shaded[0].get_paths()[0].vertices[:, 0]
    assert (across.min(), across.max()) == pytest.approx((kind.shared_from, kind.shared_to))


def test_counts_stand_beside_each_row():
    counts = words(draw_overlap_figure([made(), made("blood", both=False)]), "count")
    assert counts == [
        "frozen: 60 trials, 5 sources",
        "refrigerated: 20 trials, 1 source",
        "frozen: 60 trials, 5 sources",
        "refrigerated: not tried",
    ]


@pytest.mark.parametrize(
    ("kinds", "title"),
    [
        ([], NOTHING),
        ([("muscle", False)], "No kind was tried both refrigerated and frozen at the same age"),
        (
            [("muscle", True, 1, 3)],
            "Every kind was tried refrigerated and frozen at the same age, with 3 sources or more "
            "of each",
        ),
        (
            [("muscle", True, 1, 2)],
            "No kind was tried refrigerated and frozen at the same age with 3 sources or more of "
            "each",
        ),
        (
            [("muscle", True, 1, 4), ("fat", True, 1, 3), ("blood", False)],
            "Refrigerated and frozen can be compared for muscle and fat only, with 3 sources or "
            "more of each",
        ),
        (
            [("muscle", True, 1, 4), ("fat", True, 1, 1)],
            "Refrigerated and frozen can be compared for muscle only, with 3 sources or more of "
            "each",
        ),
    ],
)
def test_the_title_says_what_can_be_compared(kinds, title):
    figure = draw_overlap_figure([made(*k) for k in kinds])
    assert " ".join(words(figure, "title")) == title


def test_kinds_on_few_sources_of_a_side_are_named_with_how_many():
    kinds = [
        made("muscle", True, 1, 1),
        made("fat", True, 1, 4, 2),
        made("bone", True, 1, 3, 3),
        made("blood", False),
    ]
    told = " ".join(words(draw_overlap_figure(kinds), "subtitle"))
    assert told == (
        "Tried both ways, but on few sources: muscle (1 refrigerated source), fat (2 frozen "
        "sources). What shows there may be those alone."
    )
    assert words(draw_overlap_figure(kinds[2:]), "subtitle") == []
    many = [made(f"kind {k}", True, k) for k in range(6)]
    assert " and 2 more." in " ".join(words(draw_overlap_figure(many), "subtitle"))


@pytest.mark.parametrize("count", [1, 4, 9, 30])
@pytest.mark.parametrize("name", ["m", "a kind with a name that goes on and on and on"])
def test_no_words_lie_on_others_or_off_the_sheet(count, name):
    kinds = [made(f"{name} {k}", k % 3 > 0, k) for k in range(count)]
    figure = draw_overlap_figure(kinds, None, "Some words. " * 9)
    assert_words_beside(figure)


def test_the_same_overlap_gives_the_same_bytes():
    one, two = (render_figure(draw_overlap_figure([made()]), "svg") for _ in range(2))
    assert one == two
