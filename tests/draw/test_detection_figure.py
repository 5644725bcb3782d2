"""d' and criterion of each dog drawn: the numbers, the counts, and who is left out."""

from __future__ import annotations

from dataclasses import replace

import pytest
from matplotlib.figure import Figure

from outcomes.analysis.results import LeftOut
from outcomes.analysis.searches.signal_detection import Detection, Sensitivity, sensitivity
from outcomes.draw.detection_figure import MOST_DOGS, NOTHING, draw_detection_figure
from outcomes.draw.save import describe_figure, render_figure
from outcomes.draw.sheet import CAUTION

from .looks import assert_words_apart, ax_of, lines, said, words

FOOTER = "Synthetic unit, 1,200 trials."
FEW = "12 hides and 3 blank areas; 20 and 20 are needed"


def dog(name: str, finds: int = 110, alerts: int = 2) -> Sensitivity:
    return sensitivity(name, finds, 130, alerts, 30, 0.05)


def detection(*dogs: Sensitivity, out: tuple[str, ...] = ()) -> Detection:
    left_out = tuple(LeftOut(name, FEW) for name in out)
    reason = None if dogs else f"none of {len(out)} dogs has 20 hides and 20 blank areas"
    return Detection(dogs, left_out, reason, f"It cannot be said yet: {reason}.")


def draw(found: Detection) -> Figure:
    return draw_detection_figure(found, FOOTER, confidence=0.95)


FIGURES = {
    "six dogs, two left out": detection(
        *(dog(f"Dog {k}", 80 + 8 * k, k) for k in range(6)), out=("Fern", "Tilly")
    ),
    "one dog": detection(dog("Juno")),
    "no better than chance": detection(dog("Juno", 20, 6), dog("Moss", 125, 0)),
    "one measured, many left out": detection(dog("Juno"), out=tuple(f"D{k}" for k in range(30))),
    "many dogs of long names": detection(
        *(dog(f"骨 A dog of a very long name indeed {k:02d}") for k in range(30)), out=("N" * 70,)
    ),
    "none": detection(out=tuple(f"Dog {k}" for k in range(40))),
    "no blanks": detection(),
}


@pytest.mark.parametrize("name", FIGURES)
def test_no_words_touch_and_the_caution_is_there(name: str) -> None:
    figure = draw(FIGURES[name])
    assert_words_apart(figure)
    assert CAUTION in said(figure, "footer")
    assert render_figure(figure, "svg") == render_figure(draw(FIGURES[name]), "svg")


def test_each_dog_has_its_numbers_with_intervals_and_its_counts_in_the_order_of_names() -> None:
    dogs = [dog("Tilly", 90, 4), dog("Ash", 125, 0), dog("Juno", 100, 9)]
    figure = draw(detection(*dogs))
    ordered = sorted(dogs, key=lambda d: d.dog)
    assert words(figure, "dog") == ["Ash", "Juno", "Tilly"]
    for axes, middle, low, high in (
        ("d-prime", "d_prime", "d_low", "d_high"),
        ("criterion", "criterion", "criterion_low", "criterion_high"),
    ):
        marks, spans = lines(figure, axes, "estimate"), lines(figure, axes, "interval")
        assert [m.get_xdata()[0] for m in marks] == [getattr(d, middle) for d in ordered]
        assert [m.get_ydata()[0] for m in marks] == [0, 1, 2]
        assert [list(s.get_xdata()) for s in spans] == [
            [getattr(d, low), getattr(d, high)] for d in ordered
        ]
        left, right = ax_of(figure, axes).get_xlim()
        assert left < min(0.0, *(getattr(d, low) for d in dogs))
        assert right > max(getattr(d, high) for d in dogs)
        assert [line.get_xdata()[0] for line in lines(figure, axes, "zero")] == [0.0]
    assert words(figure, "hides") == ["125 of 130", "100 of 130", "90 of 130"]
    assert words(figure, "blanks") == ["0 of 30", "9 of 30", "4 of 30"]


def test_a_dog_left_out_keeps_a_row_with_its_reason_and_no_marks() -> None:
    figure = draw(FIGURES["six dogs, two left out"])
    assert words(figure, "dog")[-2:] == ["Fern", "Tilly"]
    assert words(figure, "left-out") == [f"left out: {FEW}"] * 2
    assert len(lines(figure, "d-prime", "estimate")) == 6
    assert "with enough trials" in said(figure, "title")


@pytest.mark.parametrize(
    ("dogs", "title"),
    [
        ([dog("Juno")], "Juno tells hides from blank areas better than chance"),
        ([dog("Juno"), dog("Moss")], "Both dogs tell hides from blank areas better than chance"),
        (
            [dog("Juno", 20, 6)],
            "That Juno tells hides from blank areas better than chance does not show yet",
        ),
        (
            [dog("A"), dog("B", 20, 6), dog("C")],
            "2 of 3 dogs tell hides from blank areas better than chance; for the other it does "
            "not show yet",
        ),
        (
            [dog("A"), dog("B", 20, 6), dog("C", 20, 6)],
            "1 of 3 dogs tells hides from blank areas better than chance; for the others it does "
            "not show yet",
        ),
        (
            [dog("A", 20, 6), dog("B", 20, 6)],
            "That the dogs tell hides from blank areas better than chance does not show yet",
        ),
    ],
)
def test_the_title_counts_the_dogs_whose_whole_interval_is_above_chance(dogs, title) -> None:
    assert [d.d_low > 0 for d in dogs] == [d.finds > 50 for d in dogs]
    figure = draw(detection(*dogs))
    assert said(figure, "title") == title
    assert describe_figure(figure)[0] == title
    assert "do not rank dogs" in said(figure, "subtitle")


def test_the_subtitle_says_how_many_hides_were_blind_and_touches_nothing() -> None:
    found = FIGURES["six dogs, two left out"]
    blind = replace(found, hides=1780, blind=1203, known=400)
    figure = draw(blind)
    assert "Of 1,780 hide trials 1,203 were blind, in 400 the handler knew" in said(
        figure, "subtitle"
    )
    assert "for 177 it is not on record" in said(figure, "subtitle")
    assert_words_apart(figure)


def test_without_any_dog_the_reason_and_every_dogs_own_stand_there() -> None:
    found = detection(out=("Fern", "Tilly"))
    figure = draw(found)
    assert figure.axes == []
    assert said(figure, "title") == NOTHING
    assert said(figure, "reason") == found.sentence
    assert words(figure, "beside") == [f"Fern: {FEW}", f"Tilly: {FEW}"]
    assert words(draw(FIGURES["none"]), "beside")[-1].startswith("and ")
    assert words(draw(FIGURES["no blanks"]), "beside") == []


def test_of_many_dogs_so_many_are_drawn_and_it_is_said() -> None:
    figure = draw(FIGURES["many dogs of long names"])
    assert len(words(figure, "dog")) == MOST_DOGS
    assert f"{MOST_DOGS} of 31 dogs are shown" in said(figure, "subtitle")
    few = replace(FIGURES["one dog"])
    assert "are shown" not in said(draw(few), "subtitle")
