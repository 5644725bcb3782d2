"""Trials with a date and no time of day, joined to a log with and without times."""

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
    folder: Path, moves: Iterable[Move], starts: Iterable[str], policy: str = "infer"
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
def test_cycles_are_the_outings_timed_or_dated(tmp_path, moves_timed, trials_timed) -> None:
    starts = [day + (" 09:30" if trials_timed else "") for day in DAYS]
    trials, _ = unit(tmp_path, outings(DAYS, moves_timed), starts)
    assert trials["cycles"].tolist() == [1, 2, 3]
    # Without times the source went out and back at one moment: no stay is on record.
    assert trials["inferred_thaws"].tolist() == ([0, 0, 0] if moves_timed else [1, 2, 3])


def test_untimed_trial_is_at_the_stays_start(tmp_path) -> None:
    moves = outings(DAYS, timed=True)
    dated, lines = unit(tmp_path, moves, DAYS)
    timed, _ = unit(tmp_path, moves, [f"{day} 07:00" for day in DAYS])
    same = dated.columns.drop("started_at")
    pd.testing.assert_frame_equal(dated[same], timed[same])
    assert dated["place"].tolist() == ["ambient"] * 3
    assert not any("freezer" in line for line in lines)


def test_trials_of_one_outing_share_its_thaw(tmp_path) -> None:
    starts = [DAYS[0], f"{DAYS[0]} 09:10", DAYS[0], f"{DAYS[0]} 15:00"]
    trials, _ = unit(tmp_path, outings(DAYS, timed=True), starts)
    assert trials["cycles"].tolist() == [1, 1, 1, 1]
    assert not trials["inferred_thaws"].any()


def test_dated_trial_is_of_the_first_outing(tmp_path) -> None:
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


def test_stay_over_midnight_is_one_thaw(tmp_path) -> None:
    moves = [("2025-02-01 22:00", "ambient"), ("2025-02-02 02:00", "freezer")]
    trials, _ = unit(tmp_path, moves, ["2025-02-01", "2025-02-02", "2025-02-03"])
    assert trials["cycles"].tolist() == [1, 1, 2]
    assert trials["inferred_thaws"].tolist() == [0, 0, 1]
    assert trials["hours_since_thaw"].tolist()[:2] == [0, 2]


def test_too_short_outing_is_the_trials_own(tmp_path) -> None:
    moves = [(f"{DAYS[0]} 09:00", "ambient"), (f"{DAYS[0]} 09:20", "freezer")]
    trials, _ = unit(tmp_path, moves, DAYS[:1])
    assert trials["cycles"].tolist() == trials["inferred_thaws"].tolist() == [0]
    assert trials["place"].tolist() == ["ambient"]


def test_thaw_in_the_refrigerator_counts(tmp_path) -> None:
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


def test_source_used_on_its_first_day_is_there(tmp_path) -> None:
    trials, _ = unit(tmp_path, [("2025-01-05 14:00", "ambient")], ["2025-01-05"])
    assert trials["documented"].tolist() == [True]
    assert trials["cycles"].tolist() == [1]


def test_only_a_whole_day_frozen_proves_a_thaw(tmp_path) -> None:
    moves = outings(DAYS[:1], timed=True)
    trials, lines = unit(tmp_path, moves, DAYS[:2])
    assert trials["cycles"].tolist() == [1, 2]
    assert trials["inferred_thaws"].tolist() == [0, 1]
    [note] = [line for line in lines if "freezer" in line]
    assert "row 3" in note
    assert "all of that day (the trial has no time of day) ('2025-02-15')" in note


def test_strict_needs_a_whole_day_frozen(tmp_path) -> None:
    trials, lines = unit(tmp_path, outings(DAYS[:1], timed=True), DAYS[:2], policy="strict")
    assert trials["trial_id"].tolist() == ["0"]
    assert sum("all of that day (the trial has no time of day)" in line for line in lines) == 2


def test_trial_held_at_midnight_keeps_its_time(tmp_path) -> None:
    starts = [f"{DAYS[0]} 00:00", f"{DAYS[1]} 09:30"]
    trials, lines = unit(tmp_path, outings(DAYS, timed=True), starts)
    # The source was in the freezer at that time, and went out in the morning again.
    assert trials["inferred_thaws"].tolist() == [1, 1]
    assert trials["cycles"].tolist() == [1, 3]
    assert trials["at_midnight"].tolist() == [True, False]
    assert any("in the freezer at this time" in line for line in lines)


def test_all_at_midnight_is_a_column_of_dates(tmp_path) -> None:
    starts = [f"{day} 00:00" for day in DAYS]
    trials, _ = unit(tmp_path, outings(DAYS, timed=True), starts)
    assert trials["cycles"].tolist() == [1, 2, 3]
    assert "at_midnight" not in trials
