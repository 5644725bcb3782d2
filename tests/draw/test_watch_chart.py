"""The figure of early warning, by the data it draws and the room its words take."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from outcomes.analysis.monitoring.charts import Chart, Watch, WatchedTrial
from outcomes.draw.sheet import CAUTION
from outcomes.draw.watch_chart import NOTHING, draw_watch_chart

from .looks import assert_words_beside, ax_of, words

FIRST = pd.Timestamp("2024-01-03 09:00")


def made_chart(of: str, name: str, values: list[float], limit: float) -> Chart:
    trials = tuple(
        WatchedTrial(f"T{i}", FIRST + pd.Timedelta(days=9 * i), "S", "D", i % 3 > 0, 0.9, 0.1, v)
        for i, v in enumerate(values)
    )
    past = next((t for t in trials if t.value > limit), None)
    return Chart(of, name, limit, trials, 30, 4, 2.5, values[-1], past, trials[:2], 0.04, 0.3)


def made(names: tuple[str, ...] = ("BLD-01", "BLD-02", "MUS-07", "FAT-03", "BON-04")) -> Watch:
    sources = tuple(
        made_chart("source", name, list(np.linspace(0.0, 7.5 - 1.4 * k, 60)), 6.0)
        for k, name in enumerate(names)
    )
    dogs = tuple(
        made_chart("dog", name, [0.4 * k + 0.01 * i for i in range(60)], 5.0)
        for k, name in enumerate(("Juno", "Moss", "Otto"))
    )
    return Watch(
        sources=sources, dogs=dogs, past=sources[:2], odds_ratio=2.0, false_call=0.05, within=60,
        left_out=(), reason=None,
    )  # fmt: skip


@pytest.fixture(scope="module")
def figure() -> Figure:
    return draw_watch_chart(made(), "Synthetic unit.")


def test_every_chart_is_drawn_as_it_is(figure) -> None:
    found = made()
    for of, charts in (("source", found.sources), ("dog", found.dogs)):
        ax = ax_of(figure, f"charts-{of}")
        for chart in charts:
            (line,) = [x for x in ax.lines if x.get_gid() == f"chart-{chart.name}"]
            assert list(line.get_ydata()) == [t.value / chart.limit for t in chart.trials]
        (limit,) = [x for x in ax.lines if x.get_gid() == "limit"]
        assert set(limit.get_ydata()) == {1.0}


def test_both_sides_share_one_scale(figure) -> None:
    left, right = (ax_of(figure, f"charts-{of}") for of in ("source", "dog"))
    assert left.get_ylim() == right.get_ylim()
    assert left.get_ylim()[1] > 7.5 / 6.0


def test_only_charts_past_limit_are_named(figure) -> None:
    past = [c.name for c in made().sources if c.past_since is not None]
    assert 1 < len(past) < 5
    assert sorted(words(figure, "name-source")) == sorted(past)
    assert words(figure, "name-dog") == []
    for of, drawn in (("source", len(past)), ("dog", 0)):
        strong = [x for x in ax_of(figure, f"charts-{of}").lines if x.get_linewidth() > 2.5]
        looks = {str(line.get_linestyle()) + str(line._dash_pattern) for line in strong}
        assert len(strong) == len(looks) == drawn


def test_headings_count_what_is_past(figure) -> None:
    past = sum(c.past_since is not None for c in made().sources)
    assert words(figure, "heading-source") == [f"Sources: {past} of 5 passed the limit"]
    assert words(figure, "heading-dog") == ["Dogs: none of 3 passed the limit"]
    (name,) = words(figure, "axis-name")
    assert name == "warning score: how far misses run ahead of what was expected; 1 is the limit"
    told = " ".join(t.get_text() for t in figure.findobj(Text))
    assert "likelihood" not in told
    assert "never below 0" in told


def test_title_names_what_is_past(figure) -> None:
    title = " ".join(words(figure, "title"))
    assert title == "Missed more often than expected: source BLD-01, source BLD-02"
    assert CAUTION in " ".join(words(figure, "footer"))


@pytest.mark.parametrize("name", ["BLD-02", "N" * 80, "骨 №7", "$x_1$"])
def test_words_do_not_touch_or_leave_the_sheet(name) -> None:
    figure = draw_watch_chart(made(("BLD-01", name, "MUS-07", "FAT-03")), "Synthetic unit.")
    assert_words_beside(figure, named=True, without="title")


def test_without_charts_the_reason_is_written() -> None:
    nothing = replace(
        made(), sources=(), dogs=(), past=(),
        reason="too few trials to fit a model that could be trusted",
    )  # fmt: skip
    figure = draw_watch_chart(nothing, "Synthetic unit.")
    assert words(figure, "title") == [NOTHING]
    assert figure.axes == []


def test_title_says_which_is_no_longer_held():
    figure = draw_watch_chart(made(), "Synthetic unit.", gone=("BLD-02", "Juno"))
    title = " ".join(words(figure, "title"))
    assert "source BLD-02 (no longer held)" in title
    assert "BLD-01 (no" not in title
