"""Search time, false alerts and lifetimes drawn: by the data drawn and the room of the words."""

from dataclasses import replace

import pytest
from matplotlib.figure import Figure

from outcomes.analysis.lifetimes.regression import CycleHazard, NextCycles
from outcomes.analysis.searches.false_alerts import DogAlerts, FalseAlertFit
from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.analysis.searches.share_found import FoundCurve, FoundGroup, FoundPoint
from outcomes.draw.cycle_hazard_figure import draw_cycle_hazard_figure
from outcomes.draw.false_alerts_figure import MOST_DOGS, draw_false_alerts_figure
from outcomes.draw.search_time_figure import draw_search_time_figure
from outcomes.draw.sheet import CAUTION
from outcomes.draw.theme import drawable
from outcomes.models.ratio import Estimate
from outcomes.wording.lifetime_regression import describe_next_cycles
from tests.side import UNTOLD, beyond_chance

from .looks import assert_words_beside, ax_of, lines, words

FOOTER = "Synthetic unit, 1,200 trials."
SLOWER = beyond_chance(("search time", "cycles"))
RISING = beyond_chance(("wear-out", "cycle by cycle"))


def search_time(*, exposure: str = "cycles", apart: float = 0.1) -> SearchTimeFit:
    """Three curves, the last of too few sources for points, shares ``apart`` at the limit."""
    step = 1.0 if exposure == "cycles" else 30.0

    def points(top: float, many: int) -> tuple[FoundPoint, ...]:
        shares = [top * (k / many) ** 0.5 for k in range(1, many + 1)]
        return tuple(
            FoundPoint(600.0 * k / many, s, 0.8 * s, min(1.1 * s, 1.0))
            for k, s in enumerate(shares, start=1)
        )

    groups = tuple(
        FoundGroup(
            at * step, at * step - 1, at * step + 1, 120, sources, points(0.9 - apart * k, 40),
            points(0.85 - apart * k, 4) if sources >= 6 else (),
        )
        for k, (at, sources) in enumerate(((2.0, 12), (8.0, 9), (24.0, 4)))
    )  # fmt: skip
    time = Estimate("cycles", "cycle", 0.0198, 0.005, 1.01, 1.03, 0.01)
    return SearchTimeFit(
        n=600, finds=520, sources=20, dogs=6, terms=(time,), sd={"source": 0.2},
        last_quarter=0.08, left_out=(), reason=None, copies={}, alpha=0.05,
        curve=FoundCurve(exposure, 600.0, 360, groups, 0.95, "the same dogs"),
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


def per_cycle(
    shares: dict[int, float],
    *,
    wide: float = 1.8,
) -> CycleHazard:
    rows = tuple(
        NextCycles(after, 5, p, p / wide, min(p * wide, 1.0), 30 - after // 5)
        for after, p in shares.items()
    )
    term = Estimate("cycles", "cycle", 0.1, 0.04, 1.02, 1.2, 0.02)
    return CycleHazard(17, 8, 207, (term,), rows, (), None, 0.05)


def no_hazard() -> CycleHazard:
    return CycleHazard(17, 3, 207, (), (), (), "3 sources met the rule, and 5 are needed", 0.05)


def drawn(found: CycleHazard) -> Figure:
    return draw_cycle_hazard_figure(found, RISING, FOOTER, confidence=0.95)


FIGURES = {
    "search time": lambda: draw_search_time_figure(search_time(), SLOWER, FOOTER),
    "search time by age": lambda: draw_search_time_figure(
        search_time(exposure="age_days", apart=0.01), UNTOLD, FOOTER
    ),
    "false alerts": lambda: draw_false_alerts_figure(false_alerts(), FOOTER),
    "false alerts of many dogs": lambda: draw_false_alerts_figure(
        false_alerts(30, name="A dog of a very long name indeed"), FOOTER
    ),
    "next cycles": lambda: drawn(per_cycle({k: 0.03 + k / 200 for k in range(0, 30, 5)})),
    "next cycles of 120": lambda: drawn(per_cycle({k: 0.004 + k / 160 for k in range(0, 120, 5)})),
    "next cycles with a gap": lambda: drawn(per_cycle({0: 0.001, 20: 0.99}, wide=400.0)),
    "next cycles, one row": lambda: drawn(per_cycle({0: 1.0})),
    "no next cycles": lambda: drawn(no_hazard()),
}


@pytest.mark.parametrize("name", FIGURES)
def test_words_do_not_touch_or_leave_the_sheet(name: str) -> None:
    assert_words_beside(FIGURES[name](), named=True)


@pytest.mark.parametrize("name", FIGURES)
def test_figures_have_the_caution(name: str) -> None:
    assert CAUTION in " ".join(words(FIGURES[name](), "footer"))


def test_shares_found_are_drawn_up_to_the_limit() -> None:
    figure = FIGURES["search time"]()
    curve = search_time().curve
    assert curve is not None
    shares = lines(figure, "search-time", "share")
    assert len(shares) == 3
    for line, group in zip(shares, curve.groups, strict=True):
        assert line.get_xdata()[-1] == 10
        assert list(line.get_ydata()[1:]) == pytest.approx([100 * p.share for p in group.curve])
    looks = {(line.get_color(), str(line.get_linestyle())) for line in shares}
    assert len(looks) == 3
    marks = lines(figure, "search-time", "observed")
    seen = [100 * p.share for group in curve.groups for p in group.observed]
    assert [mark.get_ydata()[0] for mark in marks] == pytest.approx(seen)
    assert len(seen) == 8
    every = [x for line in ax_of(figure, "search-time").lines for x in line.get_xdata()]
    assert max(every) <= 10


def test_search_time_has_its_finding_as_title() -> None:
    figure = FIGURES["search time"]()
    assert words(figure, "title") == ["Within 10 minutes: 90 of 100 found at 2 cycles, 70 at 24"]
    assert words(figure, "how-soon") == [
        "Among finds: each 10 cycles went with at least 22 % longer to the find."
    ]
    assert [words(figure, f"name-{k}") for k in (1, 2, 3)] == [
        ["2 cycles"], ["8 cycles"], ["24 cycles"],
    ]  # fmt: skip
    assert (
        "360 searches for sources thawed at least once limited to 10 minutes or more"
        in " ".join(words(figure, "note"))
    )


def test_without_a_curve_the_reason_is_written() -> None:
    nothing = replace(search_time(), curve=None, reason="too few")
    figure = draw_search_time_figure(nothing, UNTOLD, FOOTER)
    assert words(figure, "reason") == [
        "Search times say nothing about cycles or age here: too few."
    ]
    assert figure.axes == []
    unlimited = replace(search_time(), curve=None, no_curve="no time limit is on record")
    figure = draw_search_time_figure(unlimited, UNTOLD, FOOTER)
    assert "cannot be drawn here: no time limit is on record" in " ".join(words(figure, "reason"))


def test_each_dog_is_a_row_with_its_counts() -> None:
    figure = FIGURES["false alerts"]()
    assert words(figure, "dog") == [f"Dog {k:02d}" for k in range(6)]
    marks = lines(figure, "per-hour", "estimate")
    assert [m.get_xdata()[0] for m in marks] == pytest.approx([0.0, 0.1, 0.2, 0.3, 0.4, 0.5])
    assert [m.get_ydata()[0] for m in marks] == list(range(6))
    assert words(figure, "behind-per-blank")[-1] == "5 of 20"
    shares = [m.get_xdata()[0] for m in lines(figure, "per-blank", "estimate")]
    assert shares == pytest.approx([0, 5, 10, 15, 20, 25])


def test_without_blanks_only_hours_are_drawn() -> None:
    figure = draw_false_alerts_figure(false_alerts(blanks=0), FOOTER)
    assert [ax.get_gid() for ax in figure.axes] == ["per-hour"]
    none = replace(false_alerts(), by_dog=())
    assert draw_false_alerts_figure(none, FOOTER).axes == []


def test_dogs_that_searched_most_are_drawn() -> None:
    figure = FIGURES["false alerts of many dogs"]()
    assert len(words(figure, "dog")) == MOST_DOGS
    assert f"The {MOST_DOGS} dogs of 30 that searched most." in " ".join(words(figure, "subtitle"))


def test_letters_lacking_are_question_marks() -> None:
    assert drawable("骨 a") == "? a"


def test_next_cycles_are_drawn_where_sources_are() -> None:
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
    ("log_ratio", "side", "said"),
    [
        (0.1, RISING, "The share rises with the cycles."),
        (-0.1, RISING, "The share falls with the cycles."),
        (0.1, UNTOLD, "Whether the share rises or falls with the cycles does not show."),
    ],
)
def test_rise_is_said_only_beyond_chance(log_ratio, side, said) -> None:
    found = per_cycle({0: 0.1, 5: 0.12})
    found = replace(found, terms=(replace(found.terms[0], log_ratio=log_ratio),))
    figure = draw_cycle_hazard_figure(found, side, FOOTER, confidence=0.95)
    assert said in " ".join(words(figure, "subtitle"))


def test_under_five_events_a_sentence_stands() -> None:
    figure = FIGURES["no next cycles"]()
    assert figure.axes == []
    assert " ".join(words(figure, "reason")) == describe_next_cycles(no_hazard())


def test_share_rounding_to_none_is_under_one() -> None:
    figure = drawn(per_cycle({0: 0.001}))
    assert words(figure, "number") == ["< 1"]
    title = " ".join(words(figure, "title"))
    assert "Of 100 sources not yet cycled, fewer than 1 become" in title
