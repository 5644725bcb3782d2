"""Trials with a date and no time of day, joined to a log with and without times."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pandas as pd
import pytest

from outcomes.exposure.trials import join
from outcomes.records.read import read_records
from outcomes.settings import RecordsSettings

Move = tuple[str, str]
DAYS = ("2025-02-01", "2025-02-15", "2025-03-01")


def unit(
    folder: Path,
    moves: Iterable[Move],
    starts: Iterable[str],
    policy: str = "infer",
) -> tuple[pd.DataFrame, list[str]]:
    """Joined trials of one source, in the freezer at first, and what was found in the records."""
    first = ("2025-01-05 12:00", "freezer")
    (folder / "sources.csv").write_text("source_id,kind,acquired_on\nA,bone,2025-01-05\n")
    lines = "".join(f"A,{at},{place}\n" for at, place in (first, *moves))
    (folder / "storage.csv").write_text("source_id,moved_at,moved_to\n" + lines)
    lines = "".join(f"{i},{at},Rex,A,find\n" for i, at in enumerate(starts))
    (folder / "trials.csv").write_text("trial_id,started_at,dog_id,source_id,result\n" + lines)
    joined = join(read_records(folder, RecordsSettings(unlogged_thaws=policy)))
    records = read_records(folder, RecordsSettings(unlogged_thaws=policy))
    return joined.trials, [f.line() for f in (*records.findings, *joined.set_aside)]


def outings(days: Iterable[str], timed: bool) -> list[Move]:
    """Out in the morning and back in the afternoon of each day."""
    at = (" 07:00", " 16:00") if timed else ("", "")
    return [
        (day + clock, place)
        for day in days
        for clock, place in zip(at, ("ambient", "freezer"), strict=True)
    ]


@pytest.mark.parametrize("moves_timed", [True, False])
@pytest.mark.parametrize("trials_timed", [True, False])
def test_cycles_are_the_logged_outings_with_and_without_times_of_day(
    tmp_path: Path, moves_timed: bool, trials_timed: bool
) -> None:
    starts = [day + (" 09:30" if trials_timed else "") for day in DAYS]
    trials, _ = unit(tmp_path, outings(DAYS, moves_timed), starts)
    assert trials["cycles"].tolist() == [1, 2, 3]
    # Without times the source went out and back at one moment: no stay is on record.
    assert trials["inferred_thaws"].tolist() == ([0, 0, 0] if moves_timed else [1, 2, 3])


def test_a_trial_without_a_time_has_the_exposure_of_its_source_at_the_beginning_of_the_stay(
    tmp_path: Path,
) -> None:
    moves = outings(DAYS, timed=True)
    dated, lines = unit(tmp_path, moves, DAYS)
    timed, _ = unit(tmp_path, moves, [f"{day} 07:00" for day in DAYS])
    same = dated.columns.drop("started_at")
    pd.testing.assert_frame_equal(dated[same], timed[same])
    assert dated["place"].tolist() == ["ambient"] * 3
    assert not any("freezer" in line for line in lines)


def test_several_trials_of_one_outing_share_its_thaw(tmp_path: Path) -> None:
    starts = [DAYS[0], f"{DAYS[0]} 09:10", DAYS[0], f"{DAYS[0]} 15:00"]
    trials, _ = unit(tmp_path, outings(DAYS, timed=True), starts)
    assert trials["cycles"].tolist() == [1, 1, 1, 1]
    assert not trials["inferred_thaws"].any()


def test_of_two_outings_in_a_day_the_trial_belongs_to_the_first(tmp_path: Path) -> None:
    moves = [
        (f"{DAYS[0]} 07:00", "ambient"),
        (f"{DAYS[0]} 10:00", "freezer"),
        (f"{DAYS[0]} 14:00", "ambient"),
        (f"{DAYS[0]} 18:00", "freezer"),
        *outings(DAYS[1:], timed=True),
    ]
    trials, _ = unit(tmp_path, moves, DAYS)
    assert trials["cycles"].tolist() == [1, 3, 4]
    assert not trials["inferred_thaws"].any()


def test_a_stay_over_midnight_is_one_thaw_for_the_trials_of_both_days(tmp_path: Path) -> None:
    moves = [("2025-02-01 22:00", "ambient"), ("2025-02-02 02:00", "freezer")]
    trials, _ = unit(tmp_path, moves, ["2025-02-01", "2025-02-02", "2025-02-03"])
    assert trials["cycles"].tolist() == [1, 1, 2]
    assert trials["inferred_thaws"].tolist() == [0, 0, 1]
    assert trials["hours_since_thaw"].tolist()[:2] == [0, 2]


def test_an_outing_too_short_for_a_thaw_is_the_trials_own_and_no_thaw(tmp_path: Path) -> None:
    moves = [(f"{DAYS[0]} 09:00", "ambient"), (f"{DAYS[0]} 09:20", "freezer")]
    trials, _ = unit(tmp_path, moves, DAYS[:1])
    assert trials["cycles"].tolist() == trials["inferred_thaws"].tolist() == [0]
    assert trials["place"].tolist() == ["ambient"]


def test_thawing_in_the_refrigerator_counts_and_the_trial_is_where_it_is_warm(
    tmp_path: Path,
) -> None:
    moves = [
        (f"{DAYS[0]} 05:00", "refrigerator"),
        (f"{DAYS[0]} 09:00", "ambient"),
        (f"{DAYS[0]} 16:00", "freezer"),
        (f"{DAYS[1]} 05:00", "refrigerator"),
        (f"{DAYS[1]} 16:00", "freezer"),
    ]
    trials, _ = unit(tmp_path, moves, DAYS[:2])
    assert trials["cycles"].tolist() == [1, 2]
    assert trials["hours_since_thaw"].tolist() == [4, 0]
    assert trials["place"].tolist() == ["ambient", "refrigerator"]


def test_a_source_taken_in_and_used_the_same_day_is_on_record_then(tmp_path: Path) -> None:
    trials, _ = unit(tmp_path, [("2025-01-05 14:00", "ambient")], ["2025-01-05"])
    assert trials["documented"].tolist() == [True]
    assert trials["cycles"].tolist() == [1]


def test_only_a_whole_day_in_the_freezer_proves_a_thaw_the_log_lacks(tmp_path: Path) -> None:
    moves = outings(DAYS[:1], timed=True)
    trials, lines = unit(tmp_path, moves, DAYS[:2])
    assert trials["cycles"].tolist() == [1, 2]
    assert trials["inferred_thaws"].tolist() == [0, 1]
    [note] = [line for line in lines if "freezer" in line]
    assert "row 3" in note
    assert "all of that day (the trial has no time of day) ('2025-02-15')" in note


def test_under_strict_only_a_whole_day_in_the_freezer_sets_a_dated_trial_aside(
    tmp_path: Path,
) -> None:
    trials, lines = unit(tmp_path, outings(DAYS[:1], timed=True), DAYS[:2], policy="strict")
    assert trials["trial_id"].tolist() == ["0"]
    assert sum("all of that day (the trial has no time of day)" in line for line in lines) == 2


def test_a_trial_written_as_held_at_midnight_keeps_its_time(tmp_path: Path) -> None:
    starts = [f"{DAYS[0]} 00:00", f"{DAYS[1]} 09:30"]
    trials, lines = unit(tmp_path, outings(DAYS, timed=True), starts)
    # The source was in the freezer at that time, and went out in the morning again.
    assert trials["inferred_thaws"].tolist() == [1, 1]
    assert trials["cycles"].tolist() == [1, 3]
    assert trials["at_midnight"].tolist() == [True, False]
    assert any("in the freezer at this time" in line for line in lines)


def test_a_column_with_every_trial_at_midnight_holds_dates(tmp_path: Path) -> None:
    starts = [f"{day} 00:00" for day in DAYS]
    trials, _ = unit(tmp_path, outings(DAYS, timed=True), starts)
    assert trials["cycles"].tolist() == [1, 2, 3]
    assert "at_midnight" not in trials
