"""False alerts against recent training drawn: what was observed, and the model where data are."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from matplotlib.figure import Figure

from outcomes.analysis.results import LeftOut
from outcomes.analysis.searches.training_history import DietBin, DietPoint, TrainingDiet
from outcomes.draw.save import describe_figure, render_figure
from outcomes.draw.sheet import CAUTION
from outcomes.draw.training_diet_figure import NOTHING, draw_training_diet_figure
from outcomes.models.ratio import Estimate

from .looks import assert_words_apart, ax_of, lines, said, words

FOOTER = "Synthetic unit, 1,200 trials."
REASON = "too few in the blank areas that can be used (9 false alerts where 20 are needed)"


def bins(count: int = 4, blanks: int = 30) -> tuple[DietBin, ...]:
    return tuple(
        DietBin(4.0 * k, 4.0 * k + 3.0, 4.0 * k + 1.5, blanks, k + 1, 5, (k + 1) / blanks,
                k / blanks / 2, (k + 4) / blanks)
        for k in range(count)
    )  # fmt: skip


def curve(*missing: int) -> tuple[DietPoint, ...]:
    return tuple(
        DietPoint(float(k), 0.05 + 0.004 * k, 0.03, 0.1 + 0.006 * k, 5)
        for k in range(16)
        if k not in missing
    )


def diet(
    ratio: tuple[float, float, float] | None = (1.02, 0.97, 1.08), **changed: object
) -> TrainingDiet:
    alone = (
        ()
        if ratio is None
        else (Estimate("diet_cycles", "cycle", math.log(ratio[0]), 0.03, *ratio[1:], 0.3),)
    )
    reason = REASON if ratio is None else None
    found = TrainingDiet(
        days=60, blanks=120, alerts=24, dogs=6, model="Poisson", overdispersion_p=0.5,
        alone=alone, together=(), clustered=(),
        left_out=(LeftOut("blank areas", "33 blank areas: fewer than 5 hides in the 60 days"),),
        reason=reason, sentence=f"Cannot be said yet: {reason}.", bins=bins(),
        curve=() if ratio is None else curve(),
    )  # fmt: skip
    return replace(found, **changed)  # type: ignore[arg-type]


def draw(found: TrainingDiet) -> Figure:
    return draw_training_diet_figure(found, FOOTER, confidence=0.95)


FIGURES = {
    "open": diet(),
    "cannot say": diet(None),
    "a stretch without data": diet(curve=curve(6, 7, 8)),
    "one group of one value": diet(
        None, bins=(replace(bins(1)[0], low=2.0, high=2.0, mean=2.0),)
    ),
    "groups close together": diet(
        bins=tuple(replace(b, mean=5.0 + 0.1 * k) for k, b in enumerate(bins(5, 12345)))
    ),
    "nothing": diet(None, bins=(), blanks=0, alerts=0),
}  # fmt: skip


@pytest.mark.parametrize("name", FIGURES)
def test_no_words_touch_and_the_caution_is_there(name: str) -> None:
    figure = draw(FIGURES[name])
    assert_words_apart(figure)
    assert CAUTION in said(figure, "footer")
    assert render_figure(figure, "svg") == render_figure(draw(FIGURES[name]), "svg")


def test_the_circles_are_what_was_observed_each_with_its_counts() -> None:
    figure = draw(diet())
    circles = lines(figure, "training-diet", "observed")
    assert [(c.get_xdata()[0], c.get_ydata()[0]) for c in circles] == [
        (b.mean, 100 * b.rate) for b in bins()
    ]
    spans = lines(figure, "training-diet", "observed-interval")
    assert [list(s.get_ydata()) for s in spans] == [
        [100 * b.rate_low, 100 * b.rate_high] for b in bins()
    ]
    covers = lines(figure, "training-diet", "covers")
    assert [list(s.get_xdata()) for s in covers] == [[b.low, b.high] for b in bins()]
    assert words(figure, "counts") == ["1 on 30", "2 on 30", "3 on 30", "4 on 30"]
    assert ax_of(figure, "training-diet").get_ylim()[1] > 100 * max(b.rate_high for b in bins())
    assert "33 blank areas: fewer than 5 hides" in said(figure, "subtitle")


def test_the_line_is_broken_where_no_blank_areas_are_near() -> None:
    (whole,) = lines(draw(diet()), "training-diet", "fitted")
    assert list(whole.get_ydata()) == [100 * p.rate for p in curve()]
    parts = lines(draw(FIGURES["a stretch without data"]), "training-diet", "fitted")
    assert [(p.get_xdata()[0], p.get_xdata()[-1]) for p in parts] == [(0, 5), (9, 15)]


@pytest.mark.parametrize(
    ("ratio", "title"),
    [
        ((1.1, 1.02, 1.2), "False alerts on blank areas were more frequent after training on"),
        ((0.9, 0.8, 0.97), "False alerts on blank areas were less frequent after training on"),
        ((1.02, 0.97, 1.08), "That false alerts on blank areas change after training on"),
        (None, "Whether training on sources with more cycles comes before false alerts cannot be"),
    ],
)
def test_the_title_calls_a_change_one_only_where_its_interval_says_so(ratio, title) -> None:
    figure = draw(diet(ratio))
    assert said(figure, "title").startswith(title)
    assert describe_figure(figure)[0] == said(figure, "title")


@pytest.mark.parametrize(
    ("ratio", "told"),
    [
        # exp(10 * 0.0198), 1.02 ** 10 and 1.12 ** 10
        ((1.02, 1.02, 1.12), "a dog gave 22 % more false alerts (95 % interval: 22 % more to 3.1"),
        # 0.97 ** 10 and 1.08 ** 10
        ((1.02, 0.97, 1.08), "anything from 26 % fewer to 2.2 times as many fits these records"),
        ((1.02, 0.5, 2.0), "How false alerts change when trained lately"),
        ((1.02, 1.01, 2.5), "gave more false alerts, by how much these records cannot tell"),
    ],
)
def test_ten_cycles_are_told_with_a_direction_only_where_the_interval_has_one(ratio, told) -> None:
    figure = draw(diet(ratio))
    assert told in said(figure, "subtitle")
    directed = ratio[1] > 1.0
    assert ("a dog gave" in said(figure, "subtitle")) is directed
    assert ("were more frequent" in said(figure, "title")) is directed
    assert_words_apart(figure)


@pytest.mark.parametrize(("dogs", "few"), [(3, True), (11, True), (12, False)])
def test_few_dogs_are_said_to_leave_a_narrow_call_open(dogs: int, few: bool) -> None:
    figure = draw(replace(diet(), dogs=dogs))
    told = said(figure, "subtitle")
    assert (f"With only {dogs} dogs it cannot be checked whether dogs differ" in told) is few
    assert_words_apart(figure)


def test_with_too_few_false_alerts_there_is_no_line_and_the_reason_is_written() -> None:
    figure = draw(diet(None))
    assert said(figure, "title") == NOTHING
    assert lines(figure, "training-diet", "fitted") == []
    assert len(lines(figure, "training-diet", "observed")) == 4
    assert "too few for a model" in said(figure, "no-line")
    assert "9 false alerts where 20 are needed" in said(figure, "subtitle")


def test_with_nothing_observed_the_sentence_stands_alone() -> None:
    figure = draw(FIGURES["nothing"])
    assert figure.axes == []
    assert said(figure, "reason") == FIGURES["nothing"].sentence
