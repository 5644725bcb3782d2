"""Ratios of lifetimes and of hazards drawn: the numbers, what is behind them, and refusals."""

from __future__ import annotations

from math import log

import pytest
from matplotlib.figure import Figure

from outcomes.analysis.lifetimes.regression import CyclesAtAge, LifetimeTerm, WeibullLifetime
from outcomes.draw.lifetime_ratios_figure import (
    NOT_PARTED,
    NOTHING,
    draw_lifetime_ratios_figure,
)
from outcomes.draw.save import describe_figure, render_figure
from outcomes.draw.sheet import CAUTION

from .looks import assert_words_apart, ax_of, lines, said, words

FOOTER = "Synthetic unit, 1,200 trials."
FEW = "3 sources met the rule, and 5 are needed"


def term(name: str, unit: str, ratio: float, low: float, high: float) -> LifetimeTerm:
    return LifetimeTerm(name, unit, ratio, low, high, 0.1, log(ratio), 0.1)


def days(*terms: LifetimeTerm) -> WeibullLifetime:
    reason = None if terms else FEW
    return WeibullLifetime(38, 11, 1.4, terms, (), reason, f"Days cannot be said yet: {FEW}.")


def hazard(*terms: LifetimeTerm) -> CyclesAtAge:
    reason = None if terms else FEW
    return CyclesAtAge(39, 12, terms, (), reason, f"The hazard cannot be said yet: {FEW}.")


COLD = term("regime", "refrigerated against frozen", 1.8, 1.1, 2.9)
OPEN = term("regime", "refrigerated against frozen", 1.3, 0.8, 2.1)
CYCLE = term("cycles", "cycle", 1.21, 1.04, 1.41)
NARROW = term("cycles", "cycle", 1.01, 0.99, 1.03)
USE = term("trials_per_30_days", "doubling", 0.9, 0.45, 1.78)
KINDS = [
    term("kind", f"{'very long ' * k}kind {k} against muscle", 1.1, 0.7, 1.7) for k in range(9)
]


def draw(weibull: WeibullLifetime, at_age: CyclesAtAge) -> Figure:
    return draw_lifetime_ratios_figure(weibull, at_age, FOOTER, confidence=0.95)


FIGURES = {
    "both": (days(COLD), hazard(CYCLE, USE)),
    "many kinds": (days(COLD, *KINDS), hazard(CYCLE, USE)),
    "days alone": (days(COLD), hazard()),
    "hazard alone": (days(), hazard(CYCLE)),
    "narrow": (days(OPEN), hazard(NARROW)),
    "beyond the scale": (
        days(term("regime", "refrigerated against frozen", 5000.0, 0.001, 1e9)),
        hazard(term("cycles", "cycle", 0.002, 0.0001, 0.02)),
    ),
    "nothing": (days(), hazard()),
}


@pytest.mark.parametrize("name", FIGURES)
def test_no_words_touch_and_the_caution_is_there(name: str) -> None:
    figure = draw(*FIGURES[name])
    assert_words_apart(figure)
    assert CAUTION in said(figure, "footer")
    assert render_figure(figure, "svg") == render_figure(draw(*FIGURES[name]), "svg")


def test_each_ratio_stands_on_a_log_scale_with_its_interval_and_no_change_marked() -> None:
    figure = draw(*FIGURES["both"])
    for axes, terms in (("days", [COLD]), ("hazard", [CYCLE, USE])):
        ax = ax_of(figure, axes)
        assert ax.get_xscale() == "log"
        marks, spans = lines(figure, axes, "estimate"), lines(figure, axes, "interval")
        assert [m.get_xdata()[0] for m in marks] == [t.ratio for t in terms]
        assert [list(s.get_xdata()) for s in spans] == [[t.low, t.high] for t in terms]
        assert [line.get_xdata()[0] for line in lines(figure, axes, "no-change")] == [1.0]
        assert 1.0 in ax.get_xticks()
        assert len(ax.get_xticks()) >= 3
    assert words(figure, "ratio-hazard") == ["× 1.21 (1.04 to 1.41)", "× 0.90 (0.45 to 1.78)"]
    assert said(figure, "behind-days") == "11 of 38 sources became unreliable"
    assert said(figure, "behind-hazard") == "12 of 39 sources became unreliable"


def test_even_a_narrow_interval_has_numbers_on_its_scale() -> None:
    ax = ax_of(draw(*FIGURES["narrow"]), "hazard")
    low, high = ax.get_xlim()
    assert sum(low <= tick <= high for tick in ax.get_xticks()) >= 3


@pytest.mark.parametrize(
    ("weibull", "at_age", "title"),
    [
        (
            days(COLD),
            hazard(CYCLE),
            "Refrigerated sources stayed reliable longer than frozen ones, and those with more "
            "cycles at the same age became unreliable sooner",
        ),
        (
            days(OPEN),
            hazard(term("cycles", "cycle", 0.9, 0.8, 0.97)),
            "At the same age, sources with more cycles became unreliable later",
        ),
        (
            days(term("regime", "refrigerated against frozen", 0.5, 0.3, 0.9)),
            hazard(),
            "Refrigerated sources stayed reliable less long than frozen ones",
        ),
        (
            days(OPEN),
            hazard(NARROW),
            "That sources last longer or less long with refrigeration or with cycles does not show",
        ),
        (
            days(),
            hazard(NARROW),
            "That sources last longer or less long with cycles does not show",
        ),
        (days(), hazard(), NOTHING),
    ],
)
def test_the_title_names_only_what_its_interval_tells_from_no_change(
    weibull, at_age, title
) -> None:
    figure = draw(weibull, at_age)
    assert said(figure, "title") == title
    assert describe_figure(figure)[0] == title


def test_where_a_model_is_refused_its_reason_stands_in_its_place() -> None:
    figure = draw(*FIGURES["hazard alone"])
    assert [ax.get_gid() for ax in figure.axes] == ["hazard"]
    assert said(figure, "reason-days") == days().sentence
    nothing = draw(*FIGURES["nothing"])
    assert nothing.axes == []
    assert said(nothing, "reason") == days().sentence
    assert said(nothing, "beside") == hazard().sentence


def test_where_use_could_not_be_parted_from_cycles_the_figure_says_so() -> None:
    assert said(draw(days(COLD), hazard(CYCLE)), "note-hazard") == NOT_PARTED
    assert said(draw(days(COLD), hazard(CYCLE, USE)), "note-hazard") == ""


def test_what_lies_beyond_the_scale_has_an_arrow_and_its_number() -> None:
    figure = draw(*FIGURES["beyond the scale"])
    assert len(lines(figure, "days", "beyond")) == 2
    assert lines(figure, "days", "estimate") == []
    assert said(figure, "ratio-days") == "× > 1,000 (< 0.01 to > 1,000)"


def test_of_many_kinds_so_many_are_drawn_and_it_is_said() -> None:
    figure = draw(*FIGURES["many kinds"])
    assert len(lines(figure, "days", "estimate")) == 7
    assert "3 more kinds are not shown" in said(figure, "subtitle")
