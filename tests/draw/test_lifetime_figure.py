"""How long sources stay reliable: by the data drawn and the room of the words."""

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from matplotlib.cbook import pts_to_poststep
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from outcomes.analysis.results import Lifetime
from outcomes.draw.lifetime_figure import draw_lifetime_figure, draw_wear_out_in_page
from outcomes.draw.lifetime_panel import NO_CURVE, followed_at, group_looks
from outcomes.draw.sheet import CAUTION
from outcomes.draw.theme import DAYS_PER_MONTH, FOOTER_PT
from outcomes.wording.lifetime import describe_lifetime, describe_rule_in_short, lifetime_title

from .looks import assert_words_beside, ax_of, contrast, lines, said, words

FOOTER = "Synthetic unit, 1,187 trials."
NAMES = ("three groups", "four groups", "alike", "late", "chance", "none")


@pytest.fixture(params=NAMES)
def lifetime(request: pytest.FixtureRequest, made: Any) -> Lifetime:
    return made.lifetimes[request.param]


def drawn(lifetime: Lifetime) -> Figure:
    return draw_lifetime_figure(lifetime, FOOTER)


def texts(figure: Figure) -> list[Text]:
    return [t for t in figure.artists if isinstance(t, Text)]


def notes(figure: Figure) -> str:
    return said(figure, "lifetime-note")


def groups_of(lifetime: Lifetime) -> list[str]:
    return list(dict.fromkeys(p.group for p in lifetime.curve))


def test_words_are_whole_apart_and_large(lifetime: Lifetime) -> None:
    for figure in (drawn(lifetime), draw_wear_out_in_page(lifetime)):
        assert_words_beside(figure, pixels=0.5)
        assert all(t.get_fontsize() >= FOOTER_PT for t in texts(figure))
        assert all(contrast(str(t.get_color()), "white") >= 4.5 for t in texts(figure))
    assert CAUTION in said(drawn(lifetime), "footer")
    assert said(drawn(lifetime), "title") == lifetime_title(lifetime)


def test_no_words_lie_on_a_curve_or_bound(lifetime: Lifetime) -> None:
    figure = drawn(lifetime)
    for line in ax_of(figure, "lifetime").lines if lifetime.curve else []:
        if not str(line.get_gid()).startswith(("reliable-", "bound-")):
            continue
        steps = np.column_stack(pts_to_poststep(*line.get_data()))
        shown = line.axes.transData.transform(steps)
        for text in texts(figure):
            box = text.get_window_extent()
            for (x0, y0), (x1, y1) in pairwise(shown):
                step = Bbox([[min(x0, x1), min(y0, y1)], [max(x0, x1), max(y0, y1)]])
                assert not box.overlaps(step.padded(1.0)), text.get_text()


def test_curves_take_the_width_of_the_sheet(lifetime: Lifetime) -> None:
    for figure in (drawn(lifetime), draw_wear_out_in_page(lifetime)) if lifetime.curve else ():
        assert ax_of(figure, "lifetime").get_position().width > 0.75


def test_each_group_is_in_steps_and_named_once(lifetime: Lifetime) -> None:
    figure = drawn(lifetime)
    for group in groups_of(lifetime):
        assert words(figure, f"group-{group}") == [group]
        (line,) = lines(figure, "lifetime", f"reliable-{group}")
        assert line.get_drawstyle() == "steps-post"
        # Nothing beyond what was observed.
        assert line.get_xydata().tolist() == [
            [p.time, p.probability] for p in lifetime.curve if p.group == group
        ]


def test_groups_differ_by_more_than_colour() -> None:
    looks = group_looks(["frozen", "mixed", "refrigerated", "not known", "all sources"])
    assert len({str(look.linestyle) for look in looks.values()}) == len(looks)
    assert len({look.color for look in looks.values()}) == len(looks)


def test_followed_are_counted_from_sources(made: Any) -> None:
    lifetime = made.lifetimes["late"]
    # By hand from entry and exit: of the five frozen sources one adds to no curve.
    assert [followed_at(lifetime, "frozen", day) for day in (0, 40, 180, 365, 700, 900)] == [
        1, 4, 4, 3, 2, 1,
    ]  # fmt: skip
    assert followed_at(lifetime, "refrigerated", 365.0) == 3
    assert followed_at(lifetime, "all sources", 40.0) == 6


@pytest.mark.parametrize("last", [4.0, 20.0, 60.0, 91.0, 93.0, 700.0, 9000.0])
def test_time_held_is_told_in_months(made: Any, last: float) -> None:
    life = made.lifetimes["three groups"]
    longest = max(p.time for p in life.curve)
    points = tuple(replace(p, time=p.time * last / longest) for p in life.curve)
    figure = draw_wear_out_in_page(replace(life, curve=points))
    ax = ax_of(figure, "lifetime")
    assert words(figure, "axis-name") == ["months held"]
    marks = [t.get_text() for t in ax.get_xticklabels()]
    assert 2 <= len(marks) == len(set(marks)) <= 6
    assert [float(m.replace(",", "")) * DAYS_PER_MONTH for m in marks] == pytest.approx(
        ax.get_xticks()
    )


def test_nobody_followed_is_a_dash_and_no_zero(made: Any) -> None:
    lifetime = made.lifetimes["late"]
    # Of the refrigerated sources the first is followed from day 20.
    assert followed_at(lifetime, "refrigerated", 0.0) == 0
    told = words(drawn(lifetime), "followed-refrigerated")
    assert told[0] == "–"
    assert "0" not in told


def test_steps_tell_how_many_are_followed(made: Any) -> None:
    lifetime = made.lifetime(("frozen",))
    first, *_, last = lifetime.curve
    assert followed_at(lifetime, "frozen", first.time) == first.at_risk
    assert followed_at(lifetime, "frozen", last.time) == last.at_risk
    assert followed_at(lifetime, "frozen", last.time + 1) == 0


def test_group_without_a_curve_has_its_reason(made: Any) -> None:
    lifetime = made.lifetimes["late"]
    for figure in (drawn(lifetime), draw_wear_out_in_page(lifetime)):
        assert "Not drawn – mixed: 3 met the rule; a curve needs 5." in notes(figure)
        assert "Each curve is about the sources still reliable where it begins." in notes(figure)
    # Within the page the rule stands beside the figure.
    assert describe_rule_in_short(lifetime) in notes(drawn(lifetime))
    assert "Unreliable:" not in notes(draw_wear_out_in_page(lifetime))


def test_chance_stands_grey_behind_falling_curve(made: Any) -> None:
    lifetime = made.lifetimes["chance"]
    figure = drawn(lifetime)
    found = {line.get_gid(): line for line in ax_of(figure, "lifetime").lines}
    by_chance = [p.probability for p in lifetime.chance.curve if p.group == "frozen"]
    assert list(found["chance-frozen"].get_ydata()) == by_chance
    # A group of which none met the rule is flat, with its bound and nothing behind it.
    assert set(found["reliable-refrigerated"].get_ydata()) == {1.0}
    assert set(found["bound-refrigerated"].get_ydata()) == {0.6}
    assert "chance-refrigerated" not in found
    assert "Grey: by chance alone, if no source changed; about 2 (0 to 5) would meet the" in (
        notes(figure)
    )
    assert "rule, 11 did." in notes(figure)
    assert "None of the refrigerated ones met the rule; dotted: the lower bound." in notes(figure)


def test_all_sources_in_one_curve_are_called_so(made: Any) -> None:
    whole = made.lifetime(("frozen",))
    points = tuple(
        replace(p, group="all sources", probability=1.0, low=0.6, high=1.0) for p in whole.curve
    )
    none = {"all sources": None}
    figure = drawn(
        replace(
            whole,
            curve=points,
            median=none,
            median_low=none,
            median_high=none,
            curve_from={"all sources": 0.0},
            curve_to={"all sources": 860.0},
        )
    )
    assert "None of the sources met the rule; dotted: the lower bound." in notes(figure)


def test_without_curves_the_reason_stands_there(made: Any) -> None:
    lifetime = made.lifetimes["none"]
    slide, page = drawn(lifetime), draw_wear_out_in_page(lifetime)
    for figure in (slide, page):
        assert figure.axes == []
        assert said(figure, "lifetime-reason-0") == describe_lifetime(lifetime)
        assert said(figure, "lifetime-reason-2") == "refrigerated: only 2 sources followed"
    # The slide's title says it already.
    assert words(slide, "lifetime-heading") == []
    assert words(page, "lifetime-heading") == [NO_CURVE]
