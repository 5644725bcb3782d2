"""Exposures worked by hand from small storage logs."""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import RecordsError
from outcomes.exposure.accumulate import EXPOSURES, exposure_at
from outcomes.exposure.stays import History, storage_history
from outcomes.settings import RecordsSettings


def history(
    moves: list[tuple[Any, ...]],
    *,
    sources: list[dict[str, Any]] | None = None,
    trials: list[tuple[Any, ...]] = (),
    **rules: Any,
) -> History:
    """Moves as (source, time, place[, temperature[, packaging]]), trials as (source, time, set)."""
    sources = sources or [{"source_id": "A", "acquired_on": "2026-01-01"}]
    table = pd.DataFrame(sources)
    table["acquired_on"] = pd.to_datetime(table["acquired_on"])
    rows = [(*move, *(None,) * (5 - len(move))) for move in moves]
    storage = pd.DataFrame(
        rows, columns=["source_id", "moved_at", "moved_to", "temperature_c", "packaging"]
    ).astype({"moved_at": "datetime64[ns]", "temperature_c": float})
    held = pd.DataFrame(list(trials), columns=["source_id", "started_at", "set_min"]).astype(
        {"started_at": "datetime64[ns]", "set_min": float}
    )
    return storage_history(table, storage, held, replace(RecordsSettings(), **rules))


def at(told: History, moment: str, source: str = "A") -> pd.Series:
    found = exposure_at(told, pd.Series([source]), pd.Series([pd.Timestamp(moment)]))
    return found.iloc[0]


THREE_THAWS = [
    ("A", "2026-01-01 00:00", "freezer"),
    ("A", "2026-01-03 08:00", "ambient"),
    ("A", "2026-01-03 12:00", "freezer"),
    ("A", "2026-01-05 08:00", "ambient"),
    ("A", "2026-01-05 08:20", "freezer"),
    ("A", "2026-01-08 08:00", "refrigerator"),
    ("A", "2026-01-08 20:00", "ambient"),
    ("A", "2026-01-09 08:00", "freezer"),
]


def test_never_frozen_has_no_longest_freeze() -> None:
    told = history([("A", "2026-01-01", "refrigerator")])
    assert at(told, "2026-01-11")["longest_freeze_days"] == 0.0


def test_proven_thaw_waits_for_the_sources_log() -> None:
    # Two hours before the trial it was nowhere yet, and another source in the freezer.
    told = history(
        [("A", "2026-01-01", "freezer"), ("B", "2026-01-05 08:00", "freezer")],
        sources=[{"source_id": s, "acquired_on": "2026-01-01"} for s in "AB"],
        trials=[("B", "2026-01-05 09:00", None)],
    )
    assert at(told, "2026-01-05 09:00", "B")["hours_since_thaw"] == 1.0


def test_trials_around_midnight_thaw_twice() -> None:
    trials = [("A", "2026-01-05 23:30", None), ("A", "2026-01-06 01:00", None)]
    found = at(history([("A", "2026-01-01", "freezer")], trials=trials), "2026-01-06 01:00")
    # Out from 21:30; the second thaw from two hours before the second trial.
    assert (found["cycles"], found["ambient_hours"], found["hours_since_thaw"]) == (2, 3.5, 2.0)


def test_thaw_of_twenty_minutes_does_not_count() -> None:
    found = at(history(THREE_THAWS), "2026-01-11 00:00")
    assert found["cycles"] == 2
    # 2 d 8 h, 1 d 20 h, 2 d 23 h 40 min and 1 d 16 h in the freezer.
    assert found["frozen_days"] * 24 == pytest.approx(56 + 44 + 71 + 40 / 60 + 40)
    assert found["refrigerated_days"] * 24 == pytest.approx(12)
    assert found["ambient_hours"] == pytest.approx(4 + 20 / 60 + 12)
    # 4 h 20 min and 12 h at 20 °C, 12 h at 4 °C.
    assert found["degree_hours"] == pytest.approx((4 + 20 / 60 + 12) * 20 + 12 * 4)
    assert found["hours_since_thaw"] == 24 + 24 + 16
    assert found["longest_freeze_days"] * 24 == pytest.approx(71 + 40 / 60)
    assert found["held_days"] == found["age_days"] == 10
    assert found["undocumented_days"] == 0


def test_shorter_thaw_counts_where_it_is_said() -> None:
    told = history(THREE_THAWS, thaw_after_h=1 / 3)
    assert at(told, "2026-01-11 00:00")["cycles"] == 3


def test_thaw_that_brings_the_source_counts() -> None:
    told = history(THREE_THAWS)
    assert at(told, "2026-01-03 07:59")["cycles"] == 0
    found = at(told, "2026-01-03 08:00")
    assert found["cycles"] == 1
    assert found["hours_since_thaw"] == 0
    assert found["place"] == "ambient"


def test_thaw_without_a_logged_end_counts() -> None:
    start = [("A", "2026-01-01", "freezer"), ("A", "2026-01-02 08:00", "ambient")]
    assert at(history(start), "2026-01-02 08:10")["cycles"] == 1
    back = [*start, ("A", "2026-01-02 08:30", "freezer")]
    assert at(history(back), "2026-01-02 08:10")["cycles"] == 0


def test_freezer_to_bin_is_no_thaw() -> None:
    told = history(
        [
            ("A", "2026-01-01", "freezer"),
            ("A", "2026-01-03", "discarded"),
            ("A", "2026-01-04", "ambient"),
        ]
    )
    found = at(told, "2026-01-10")
    assert found["cycles"] == 0
    assert found["frozen_days"] == 2
    assert found["ambient_hours"] == 0
    assert found["place"] == "discarded"
    assert not found["documented"]


def test_stay_ended_by_the_bin_counts_by_length() -> None:
    short = [
        ("A", "2026-01-01", "freezer"),
        ("A", "2026-01-02 08:00", "ambient"),
        ("A", "2026-01-02 08:30", "discarded"),
    ]
    assert at(history(short), "2026-01-03")["cycles"] == 0
    long = [*short[:2], ("A", "2026-01-02 09:00", "discarded")]
    assert at(history(long), "2026-01-03")["cycles"] == 1


def test_a_source_never_frozen_has_no_thaw() -> None:
    told = history([("A", "2026-01-01", "refrigerator"), ("A", "2026-01-05", "ambient")])
    found = at(told, "2026-01-06")
    assert found["cycles"] == 0
    assert np.isnan(found["hours_since_thaw"])
    assert found["frozen_share"] == 0
    assert found["regime"] == "refrigerated"


def test_share_and_regime_start_missing() -> None:
    found = at(history([("A", "2026-01-01", "ambient")]), "2026-01-06")
    assert np.isnan(found["frozen_share"])
    assert found["regime"] is None


@pytest.mark.parametrize(
    ("frozen_days", "regime"), [(8, "frozen"), (7, "mixed"), (3, "mixed"), (2, "refrigerated")]
)
def test_regime_bounds_belong_to_the_pure_regimes(frozen_days, regime) -> None:
    told = history(
        [("A", "2026-01-01", "freezer"), ("A", f"2026-01-{1 + frozen_days:02d}", "refrigerator")]
    )
    assert at(told, "2026-01-11")["regime"] == regime


def test_before_the_first_move_is_undocumented() -> None:
    told = history([("A", "2026-01-04 12:00", "freezer")])
    before = at(told, "2026-01-03")
    assert before["undocumented_days"] == 2
    assert before["frozen_days"] == 0
    assert not before["documented"]
    assert before["place"] is None
    assert at(told, "2026-01-20")["undocumented_days"] == 3.5


@pytest.mark.parametrize(("days", "late"), [(180, 0.0), (181, 181.0)])
def test_months_in_the_freezer_without_a_word_are_a_late_log(days, late) -> None:
    first = pd.Timestamp("2026-01-01")
    out = first + pd.Timedelta(days=days)
    moves = [("A", "2026-01-01", "freezer"), ("A", f"{out:%Y-%m-%d}", "ambient")]
    later = f"{out + pd.Timedelta(days=2):%Y-%m-%d}"
    found = at(history(moves), later)
    assert found["undocumented_days"] == late
    # Where it was stands as it is said to have been.
    assert found["frozen_days"] == days
    # A stay that goes on has no move that is missing.
    assert at(history(moves[:1]), later)["undocumented_days"] == 0.0


def test_without_a_log_all_time_is_undocumented() -> None:
    found = at(history([]), "2026-01-20")
    assert found["cycles"] == found["frozen_days"] == found["ambient_hours"] == 0
    assert found["undocumented_days"] == found["held_days"] == 19
    assert not found["documented"]


def test_last_move_of_a_minute_counts() -> None:
    out_and_back = [
        ("A", "2026-01-01", "freezer"),
        ("A", "2026-01-02", "ambient"),
        ("A", "2026-01-02", "freezer"),
    ]
    found = at(history(out_and_back), "2026-01-04")
    assert found["place"] == "freezer"
    assert found["cycles"] == 0
    assert found["longest_freeze_days"] == 3
    other = [out_and_back[0], out_and_back[2], out_and_back[1]]
    assert at(history(other), "2026-01-04")["place"] == "ambient"


@pytest.mark.parametrize("back_at", ["12:00", "12:00:40"])
def test_stay_of_no_length_is_none(back_at) -> None:
    # In for no time at noon: one stay outside, not two, and not two halves too short to count.
    for out_until, rule in (("16:00", 1.0), ("12:40", 1.0)):
        told = history(
            [
                ("A", "2026-01-01", "freezer"),
                ("A", "2026-01-02 11:30", "ambient"),
                ("A", "2026-01-02 12:00", "freezer"),
                ("A", f"2026-01-02 {back_at}", "ambient"),
                ("A", f"2026-01-02 {out_until}", "freezer"),
            ],
            thaw_after_h=rule,
        )
        assert at(told, "2026-01-04")["cycles"] == 1
    # Out for no time is no thaw, whatever the rule.
    told = history([("A", "2026-01-01", "freezer"), ("A", "2026-01-02", "ambient"),
                    ("A", "2026-01-02", "discarded")], thaw_after_h=0.0)  # fmt: skip
    assert at(told, "2026-01-04")["cycles"] == 0


def test_consecutive_freezer_rows_are_one_stay() -> None:
    told = history([("A", "2026-01-01", "freezer", -18.0), ("A", "2026-01-03", "freezer", -80.0)])
    assert at(told, "2026-01-08")["longest_freeze_days"] == 7


def test_logged_temperature_overrides_the_place() -> None:
    told = history(
        [("A", "2026-01-01", "freezer", 1.5), ("A", "2026-01-02", "ambient", 31.0)], base_c=0.0
    )
    assert at(told, "2026-01-03")["degree_hours"] == pytest.approx(24 * 1.5 + 24 * 31)
    base_four = history([("A", "2026-01-01", "refrigerator")], base_c=4.0)
    assert at(base_four, "2026-01-03")["degree_hours"] == 0


def test_drying_counts_frozen_days_not_sealed() -> None:
    told = history(
        [
            ("A", "2026-01-01", "freezer", None, "sealed"),
            ("A", "2026-01-03", "freezer", None, "vented"),
            ("A", "2026-01-06", "ambient"),
            ("A", "2026-01-07", "freezer"),
        ]
    )
    assert at(told, "2026-01-02")["open_frozen_days"] == 0
    assert at(told, "2026-01-09")["open_frozen_days"] == 3 + 2


def test_drying_is_missing_with_unknown_packaging() -> None:
    told = history([("A", "2026-01-01", "freezer"), ("A", "2026-01-03", "freezer", None, "open")])
    assert np.isnan(at(told, "2026-01-09")["open_frozen_days"])
    thawed_first = history(
        [("A", "2026-01-01", "ambient"), ("A", "2026-01-03", "freezer", None, "open")]
    )
    assert at(thawed_first, "2026-01-09")["open_frozen_days"] == 6


PORTIONS = [
    {"source_id": "A", "acquired_on": "2026-01-01", "age_at_acquisition_days": 100.0},
    {"source_id": "B", "acquired_on": "2026-01-11", "parent_id": "A"},
    {"source_id": "C", "acquired_on": "2026-01-21", "parent_id": "B"},
]


def test_portion_inherits_up_to_the_cut() -> None:
    moves = [
        ("A", "2026-01-01", "freezer"),
        ("A", "2026-01-05 08:00", "ambient"),
        ("A", "2026-01-05 12:00", "freezer"),
        ("A", "2026-01-12 08:00", "ambient"),
        ("B", "2026-01-15", "refrigerator"),
        ("C", "2026-01-25", "ambient"),
    ]
    told = history(moves, sources=PORTIONS)
    portion = at(told, "2026-01-16", "B")
    assert portion["cycles"] == 2
    # The parent's freezer holds until the portion's own first move.
    assert portion["frozen_days"] == pytest.approx(14 - 4 / 24)
    assert portion["refrigerated_days"] == 1
    assert portion["held_days"] == 5
    assert portion["age_days"] == 115
    assert portion["undocumented_days"] == 0
    nested = at(told, "2026-01-26", "C")
    assert nested["cycles"] == 2
    assert nested["refrigerated_days"] == 10
    assert nested["ambient_hours"] == 4 + 24
    assert nested["age_days"] == 125
    assert at(told, "2026-01-13", "A")["cycles"] == 2


def test_portion_keeps_an_age_of_its_own() -> None:
    sources = [PORTIONS[0], {**PORTIONS[1], "age_at_acquisition_days": 7.0}]
    assert at(history([], sources=sources), "2026-01-13", "B")["age_days"] == 9


def test_discarded_parent_leaves_a_portion() -> None:
    told = history(
        [("A", "2026-01-01", "freezer"), ("A", "2026-01-11", "discarded")], sources=PORTIONS[:2]
    )
    assert at(told, "2026-01-12", "A")["place"] == "discarded"
    portion = at(told, "2026-01-14", "B")
    assert portion["place"] == "freezer"
    assert portion["frozen_days"] == 13


def test_portions_own_packaging_holds_from_cut() -> None:
    sources = [{**PORTIONS[0], "packaging": "sealed"}, {**PORTIONS[1], "packaging": "open"}]
    moves = [("A", "2026-01-01", "freezer"), ("A", "2026-01-11", "freezer", None, "sealed")]
    told = history(moves, sources=sources)
    assert at(told, "2026-01-14", "B")["open_frozen_days"] == 3
    assert at(told, "2026-01-14", "A")["open_frozen_days"] == 0


def test_rings_and_orphans_stop_with_one_line() -> None:
    ring = [
        {"source_id": "A", "acquired_on": "2026-01-01", "parent_id": "B"},
        {"source_id": "B", "acquired_on": "2026-01-01", "parent_id": "A"},
    ]
    with pytest.raises(RecordsError, match="'A' leads round in a circle"):
        history([], sources=ring)
    orphan = [{"source_id": "A", "acquired_on": "2026-01-01", "parent_id": "X"}]
    with pytest.raises(RecordsError, match="parent 'X' of 'A' is not among the sources"):
        history([], sources=orphan)


def test_a_place_that_is_none_stops_with_one_line() -> None:
    with pytest.raises(RecordsError, match="'cupboard' is not a place"):
        history([("A", "2026-01-01", "cupboard")])


FROZEN = [("A", "2026-01-01", "freezer")]


def test_trials_of_a_day_prove_one_thaw() -> None:
    trials = [
        ("A", "2026-01-05 09:00", 30),
        ("A", "2026-01-05 09:20", None),
        ("A", "2026-01-05 16:00", None),
        ("A", "2026-01-06 09:00", None),
    ]
    told = history(FROZEN, trials=trials)
    first = at(told, "2026-01-05 09:00")
    assert first["cycles"] == first["inferred_thaws"] == 1
    assert first["hours_since_thaw"] == 2.5
    assert first["place"] == "ambient"
    assert at(told, "2026-01-05 06:29")["cycles"] == 0
    assert at(told, "2026-01-05 12:00")["place"] == "freezer"
    evening = at(told, "2026-01-05 23:00")
    assert evening["cycles"] == 1
    # Out 6:30 to 11:20 and 14:00 to 18:00.
    assert evening["ambient_hours"] == pytest.approx(4 + 50 / 60 + 4)
    assert evening["degree_hours"] == pytest.approx(20 * (8 + 50 / 60))
    assert at(told, "2026-01-07")["inferred_thaws"] == 2


def test_unlogged_thaw_counts_whatever_the_least() -> None:
    told = history(FROZEN, trials=[("A", "2026-01-05 09:00", 0)], thaw_after_h=24.0)
    assert at(told, "2026-01-05 09:00")["cycles"] == 1


def test_thaw_logged_by_a_wrong_clock_is_the_same() -> None:
    moves = [*FROZEN, ("A", "2026-01-05 10:00", "ambient"), ("A", "2026-01-05 13:00", "freezer")]
    before = history(moves, trials=[("A", "2026-01-05 09:00", 0)])
    found = at(before, "2026-01-05 09:00")
    # It counts from the window, so that the thaw that brought the source here counts.
    assert (found["cycles"], found["inferred_thaws"]) == (1, 0)
    assert found["hours_since_thaw"] == 2
    found = at(before, "2026-01-05 20:00")
    assert (found["cycles"], found["ambient_hours"]) == (1, 6)
    after = history(moves, trials=[("A", "2026-01-05 14:30", 0)])
    found = at(after, "2026-01-05 20:00")
    assert (found["cycles"], found["inferred_thaws"]) == (1, 0)
    # As logged 10:00 to 13:00, then on to 16:30 for the trial.
    assert found["ambient_hours"] == 6.5
    assert found["hours_since_thaw"] == 10


def test_short_logged_outing_is_not_the_thaw() -> None:
    moves = [*FROZEN, ("A", "2026-01-05 10:00", "ambient"), ("A", "2026-01-05 10:20", "freezer")]
    told = history(moves, trials=[("A", "2026-01-05 11:00", 0)])
    found = at(told, "2026-01-05 20:00")
    assert (found["cycles"], found["inferred_thaws"]) == (1, 1)
    assert found["ambient_hours"] == 4


def test_logged_thaw_of_another_day_is_another() -> None:
    moves = [*FROZEN, ("A", "2026-01-06 00:30", "ambient"), ("A", "2026-01-06 03:00", "freezer")]
    told = history(moves, trials=[("A", "2026-01-05 23:00", 0)])
    assert at(told, "2026-01-06 12:00")["cycles"] == 2


def test_no_thaw_is_inferred_outside_the_freezer() -> None:
    moves = [("A", "2026-01-03", "freezer"), ("A", "2026-01-05 08:00", "refrigerator")]
    trials = [("A", "2026-01-02 09:00", 0), ("A", "2026-01-05 09:00", 0), (None, "2026-01-04", 0)]
    found = at(history(moves, trials=trials), "2026-01-06")
    assert (found["cycles"], found["inferred_thaws"]) == (1, 0)


def test_unlogged_thaw_splits_the_freezer_stay() -> None:
    told = history(FROZEN, trials=[("A", "2026-01-05 10:00", 0)])
    found = at(told, "2026-01-08")
    assert found["longest_freeze_days"] * 24 == 4 * 24 + 8
    assert found["frozen_days"] * 24 == 7 * 24 - 4


def test_portion_inherits_inferred_thaws() -> None:
    trials = [("A", "2026-01-05 09:00", 0), ("A", "2026-01-15 09:00", 0)]
    told = history(FROZEN, sources=PORTIONS[:2], trials=trials)
    assert at(told, "2026-01-20", "B")["inferred_thaws"] == 1
    assert at(told, "2026-01-20", "A")["inferred_thaws"] == 2


def test_under_strict_nothing_is_inferred() -> None:
    trials = [("A", "2026-01-05 09:00", 0)]
    found = at(history(FROZEN, trials=trials, unlogged_thaws="strict"), "2026-01-05 09:00")
    assert (found["cycles"], found["place"]) == (0, "freezer")


@pytest.mark.parametrize(
    ("start", "end", "days"),
    [
        ("2024-02-28", "2024-03-01", 2),
        ("2023-02-28", "2023-03-01", 1),
        ("2023-12-31", "2024-01-01", 1),
        ("2026-03-28", "2026-03-30", 2),
    ],
)
def test_days_are_those_of_the_calendar(start, end, days) -> None:
    sources = [{"source_id": "A", "acquired_on": start}]
    found = at(history([("A", start, "freezer")], sources=sources), end)
    assert found["held_days"] == found["frozen_days"] == days


def test_answer_has_the_index_of_the_question() -> None:
    told = history(FROZEN)
    ids = pd.Series(["A", None, "X", "A"], index=[7, 3, 3, 1])
    times = pd.Series(pd.to_datetime(["2026-01-02", "2026-01-02", "2026-01-02", None]))
    found = exposure_at(told, ids, times.set_axis(ids.index))
    assert list(found.columns) == [*EXPOSURES, "documented", "place"]
    assert found.index.tolist() == [7, 3, 3, 1]
    assert found["held_days"].notna().tolist() == [True, False, False, False]
    assert found["documented"].tolist() == [True, False, False, False]
    assert found["place"].tolist() == ["freezer", None, None, None]
    assert found["regime"].tolist() == ["frozen", None, None, None]
    assert found.iloc[1:][list(EXPOSURES)].isna().all(axis=None)


def test_moments_in_pieces_are_those_at_once(monkeypatch) -> None:
    from outcomes.exposure import accumulate

    told = history(THREE_THAWS)
    days = pd.Series(pd.date_range("2026-01-01", "2026-01-10", freq="7h"))
    ids = pd.Series(["A", None, "A"] * len(days)).head(len(days))
    at_once = exposure_at(told, ids, days)
    assert at_once["cycles"].max() == 2
    monkeypatch.setattr(accumulate, "_CHUNK", 4)
    pd.testing.assert_frame_equal(exposure_at(told, ids, days), at_once)


def test_two_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="1 sources but 2 moments"):
        exposure_at(
            history(FROZEN), pd.Series(["A"]), pd.Series(pd.to_datetime(["2026-01-02"] * 2))
        )


def test_time_of_day_of_acquisition_is_its_day() -> None:
    moves = [("A", "2026-01-01 00:00", "freezer")]
    late = history(moves, sources=[{"source_id": "A", "acquired_on": "2026-01-01 15:30"}])
    assert at(late, "2026-01-03 00:00")["held_days"] == 2.0
    assert at(late, "2026-01-03 00:00")["age_days"] == 2.0


def test_stays_thaws_and_sources_can_be_seen() -> None:
    told = history(
        [*FROZEN, ("A", "2026-01-09", "discarded")], trials=[("A", "2026-01-05 10:00", 0)]
    )
    stays = told.stays_frame()
    assert stays["place"].tolist() == ["freezer", "ambient", "freezer", "discarded"]
    begun = ["2026-01-01", "2026-01-05 08:00", "2026-01-05 12:00", "2026-01-09"]
    assert stays["start"].tolist() == [pd.Timestamp(time) for time in begun]
    assert stays["end"].tolist()[:-1] == stays["start"].tolist()[1:]
    assert stays["end"].isna().tolist() == [False, False, False, True]
    assert told.thaws_frame().to_dict("list") == {
        "source_id": ["A"],
        "at": [pd.Timestamp("2026-01-05 08:00")],
        "inferred": [True],
    }
    kept = told.sources_frame().iloc[0]
    assert kept["documented_from"] == pd.Timestamp("2026-01-01")
    assert kept["discarded_at"] == pd.Timestamp("2026-01-09")
