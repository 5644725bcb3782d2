"""Power over weeks drawn: by the data drawn and the room of the words."""

from dataclasses import replace

import pytest

from outcomes.draw.power_figure import draw_power_figure
from outcomes.draw.save import render_figure
from tests.made_plans import made_plan

from .looks import assert_words_beside, lines, words


@pytest.fixture
def plan():
    return replace(made_plan(), weeks=12, trials_per_week=20)


def test_points_are_the_numbers(plan):
    figure = draw_power_figure(plan, "Footer.")
    (curve,) = lines(figure, "power", "curve")
    assert curve.get_xdata().tolist() == [8, 12, 16, 26]
    assert curve.get_ydata() == pytest.approx([31, 55, 74, 93])
    (own,) = lines(figure, "power", "own")
    assert (own.get_xdata()[0], own.get_ydata()[0]) == pytest.approx((12, 55))
    assert words(figure, "own-name") == ["this plan: 55 of 100"]
    assert words(figure, "number") == ["31", "74", "93"]
    (enough,) = lines(figure, "power", "enough")
    assert set(enough.get_ydata()) == {80.0}


def test_title_says_what_would_settle_it(plan):
    told = " ".join(words(draw_power_figure(plan, ""), "title"))
    assert told == (
        "12 weeks of 20 trials would show the fall in 55 of 100 such plans; "
        "26 weeks would settle it"
    )
    never = replace(plan, settled_after_weeks=None)
    assert "it cannot be settled in 26 weeks" in " ".join(
        words(draw_power_figure(never, ""), "title")
    )


def test_no_power_is_said(plan):
    figure = draw_power_figure(replace(plan, power=()), "Footer.")
    assert not figure.axes
    assert words(figure, "reason")


@pytest.mark.parametrize("power", [(0.02, 0.03, 0.04, 0.05), (0.97, 0.99, 1.0, 1.0)])
def test_words_have_room_at_the_edges(plan, power):
    points = tuple(
        replace(p, power=share, low=max(share - 0.02, 0.0), high=min(share + 0.02, 1.0))
        for p, share in zip(plan.power, power, strict=True)
    )
    assert_words_beside(draw_power_figure(replace(plan, power=points), "Footer."))


def test_same_plan_same_bytes(plan):
    first, second = (render_figure(draw_power_figure(plan, "F."), "png") for _ in range(2))
    assert first == second
