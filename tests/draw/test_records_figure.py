"""The records at a glance: every stay and every trial where it belongs."""

from dataclasses import replace

import matplotlib.dates as mdates
import numpy as np
import pandas as pd
import pytest

from outcomes.draw.records_figure import (
    IN_PAGE,
    LOOKS,
    MOST_SOURCES,
    draw_records_figure,
    shown_stays,
)
from outcomes.draw.sheet import CAUTION
from outcomes.draw.theme import ALONE
from outcomes.exposure.stays import History, storage_history
from outcomes.settings import RecordsSettings

from .looks import assert_words_beside
from .looks import words as texts


def made(sources: int = 3, name: str = "S") -> tuple[History, pd.DataFrame]:
    """Each source taken in on day 10, first logged on day 20, out on day 40, gone on day 90."""
    day = pd.Timestamp("2025-01-01")
    names = [f"{name}{k:02d}" for k in range(sources)]
    table = pd.DataFrame(
        {"source_id": names, "kind": "bone", "acquired_on": day + pd.Timedelta(days=10)}
    )
    moves = [(20, "freezer"), (40, "ambient"), (41, "refrigerator"), (90, "discarded")]
    storage = pd.DataFrame(
        [(n, day + pd.Timedelta(days=d), place) for n in names for d, place in moves],
        columns=["source_id", "moved_at", "moved_to"],
    )
    trials = pd.DataFrame(
        [
            (f"T{k}{d}", n, day + pd.Timedelta(days=d), "miss" if d == 40 else "find")
            for k, n in enumerate(names)
            for d in (40, 60, 99)
            if k < 2 or d != 60
        ],
        columns=["trial_id", "source_id", "started_at", "result"],
    ).assign(dog_id="Dog")
    return storage_history(table, storage, trials.iloc[:0], RecordsSettings()), trials


def test_stays_run_from_taking_in_to_discard() -> None:
    history, trials = made(1)
    stays = shown_stays(history, trials)
    days = [
        ((s.start - pd.Timestamp("2025-01-01")).days, (s.end - s.start).days, s.place)
        for s in stays.itertuples()
    ]
    assert days == [
        (10, 10, None),
        (20, 20, "freezer"),
        (40, 1, "ambient"),
        (41, 49, "refrigerator"),
    ]


def test_every_stay_and_trial_is_in_its_row() -> None:
    history, trials = made(3)
    figure = draw_records_figure(history, trials, "Unit.")
    (axes,) = figure.axes
    drawn = {c.get_gid(): c for c in axes.collections}
    assert set(drawn) == {*(f"stay-{p}" for p in LOOKS), "trials-find", "trials-miss"}
    for place in LOOKS:
        rows = [np.mean(p.vertices[:4, 1]) for p in drawn[f"stay-{place}"].get_paths()]
        assert rows == pytest.approx([0.0, 1.0, 2.0])
    frozen = drawn["stay-freezer"].get_paths()[0].vertices
    start = mdates.date2num(pd.Timestamp("2025-01-21"))
    assert [frozen[:, 0].min(), frozen[:, 0].max()] == pytest.approx([start, start + 20.0])
    assert len(drawn["trials-miss"].get_offsets()) == 3
    assert len(drawn["trials-find"].get_offsets()) == 5
    assert texts(figure, "source") == ["S00", "S01", "S02"]
    assert texts(figure, "count") == ["1 of 3", "1 of 3", "1 of 2"]


def test_marks_on_one_another_are_drawn_once(monkeypatch) -> None:
    history, trials = made(3)
    second = pd.Timedelta(seconds=1)
    again = trials.assign(
        started_at=trials["started_at"] + second, trial_id=trials["trial_id"] + "b"
    )
    both = pd.concat([trials, again], ignore_index=True)

    def marks() -> dict[str, int]:
        figure = draw_records_figure(history, both, "Unit.")
        assert texts(figure, "count") == ["2 of 6", "2 of 6", "2 of 4"]
        drawn = {str(c.get_gid()): c for c in figure.axes[0].collections}
        return {r: len(drawn[f"trials-{r}"].get_offsets()) for r in ("find", "miss")}

    assert marks() == {"find": 10, "miss": 6}
    monkeypatch.setattr("outcomes.draw.records_figure.MOST_MARKS", 1)
    assert marks() == {"find": 5, "miss": 3}


def test_days_not_on_record_are_counted() -> None:
    history, trials = made(2)
    told = " ".join(texts(draw_records_figure(history, trials, "Unit."), "subtitle"))
    # 10 of the 80 days from day 10 to day 90.
    assert "12 in 100 are not on record" in told
    whole = trials.assign(started_at=trials["started_at"])
    first = history.sources_frame()
    assert len(first) == 2
    assert "Drawn:" not in " ".join(texts(draw_records_figure(history, whole, "Unit."), "subtitle"))


def test_sources_with_most_trials_are_drawn() -> None:
    history, trials = made(70)
    busy = [f"S{k:02d}" for k in range(40, 40 + MOST_SOURCES)]
    extra = trials[trials["source_id"].isin(busy)].assign(trial_id=lambda t: t["trial_id"] + "x")
    figure = draw_records_figure(history, pd.concat([trials, extra]), "Unit.")
    assert sorted(texts(figure, "source")) == busy
    assert f"the {MOST_SOURCES} sources with the most trials, of 70" in " ".join(
        texts(figure, "subtitle")
    )


@pytest.mark.parametrize("sheet", [ALONE, IN_PAGE], ids=["slide", "page"])
@pytest.mark.parametrize(
    ("sources", "name"), [(1, "S"), (60, "S"), (60, "A long name of a source ")]
)
def test_no_words_leave_the_sheet_or_touch(sources, name, sheet) -> None:
    history, trials = made(sources, name)
    figure = draw_records_figure(history, trials, "Unit.", sheet=sheet)
    assert figure.get_size_inches().tolist() == [sheet.width_in, sheet.height_in]
    # Room below letters without tails is counted to their boxes.
    assert_words_beside(figure, pixels=5.0)


def test_grey_print_tells_places_by_height() -> None:
    heights = [look.height for place, look in LOOKS.items() if place is not None]
    assert len({round(h, 2) for h in heights}) == len(heights)
    assert LOOKS[None].hatch


def test_records_figure_says_it_is_no_proof(demo_facts) -> None:
    figure = draw_records_figure(
        demo_facts.joined.history, demo_facts.joined.trials, "Synthetic unit."
    )
    assert CAUTION in " ".join(texts(figure, "footer"))
    drawn = next(c for c in figure.axes[0].collections if c.get_gid() == "trials-miss")
    assert len(drawn.get_offsets()) > 50


def test_records_without_trials_make_a_sheet(demo_facts) -> None:
    joined = demo_facts.joined
    blank = replace(joined, trials=joined.trials[joined.trials["source_id"].isna()])
    figure = draw_records_figure(blank.history, blank.trials, "Unit.")
    assert set(texts(figure, "count")) == {"not tried"}
