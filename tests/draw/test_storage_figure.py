"""Refrigerated against frozen drawn: by the data drawn and the room of the words."""

from dataclasses import replace

import pytest

from outcomes.analysis.decisions.compare import Comparison, Difference
from outcomes.draw.save import render_figure
from outcomes.draw.storage_figure import ALL_KINDS, MOST_ROWS, draw_storage_figure
from outcomes.wording.storage_compared import SETTLED_BY

from .looks import assert_words_beside, lines, words


def _difference(cold: float, frozen: float, reach: float = 0.05, sources: int = 8) -> Difference:
    apart = cold - frozen
    counts = {"refrigerated": sources, "frozen": 9}
    p = 0.4 if abs(apart) < reach else 0.01
    return Difference(apart, apart - reach, apart + reach, cold, frozen, p, counts)


def _comparison(**kinds: Difference) -> Comparison:
    return Comparison(
        _difference(0.93, 0.81), kinds, {"refrigerated": 8, "frozen": 9}, 1200, 0,
        tuple(kinds) or ("bone", "fat"), (), (), None,
    )  # fmt: skip


def test_dots_and_intervals_are_the_numbers():
    figure = draw_storage_figure(
        _comparison(bone=_difference(0.9, 0.7), fat=_difference(0.95, 0.9, sources=4))
    )
    for gid, expected in (("refrigerated", [93.0, 90.0, 95.0]), ("frozen", [81.0, 70.0, 90.0])):
        assert [line.get_xdata()[0] for line in lines(figure, "either", gid)] == pytest.approx(
            expected
        )
    ends = [tuple(line.get_xdata()) for line in lines(figure, "difference", "interval")]
    assert ends == [pytest.approx(e) for e in ((7.0, 17.0), (15.0, 25.0), (0.0, 10.0))]
    estimates = lines(figure, "difference", "estimate")
    assert [line.get_xdata()[0] for line in estimates] == pytest.approx([12.0, 20.0, 5.0])
    hollow = [line.get_markerfacecolor() == "white" for line in estimates]
    assert hollow == [False, False, True]
    assert words(figure, "name") == [ALL_KINDS, "bone", "fat"]
    assert words(figure, "behind")[2] == "4 refrigerated sources, 9 frozen"


def test_without_an_interval_none_is_drawn():
    one = _comparison()
    found = replace(one, difference=replace(one.difference, low=None, high=None, p=None))
    figure = draw_storage_figure(found, "Footer.")
    assert lines(figure, "difference", "interval") == []
    assert "interval" not in " ".join(words(figure, "footer"))


def test_a_refusal_is_written_instead():
    found = replace(_comparison(), difference=None, reason="no frozen source was tried")
    figure = draw_storage_figure(found)
    assert not figure.axes
    assert " ".join(words(figure, "reason")) == f"Why: no frozen source was tried. {SETTLED_BY}"


@pytest.mark.parametrize("kinds", [0, 3, 20])
def test_words_have_room_however_many_kinds(kinds):
    rows = {f"a kind of tissue with a long name {k}": _difference(0.9, 0.7) for k in range(kinds)}
    figure = draw_storage_figure(_comparison(**rows), "Synthetic unit.")
    assert len(words(figure, "name")) == min(kinds + 1, MOST_ROWS)
    render_figure(figure, "png")
    assert_words_beside(figure, named=True)
