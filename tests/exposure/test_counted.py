"""Counts by hand beside the log: which is used, and that a disagreement is told by source."""

import pandas as pd
import pytest

from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.trials import join
from outcomes.records.read import read_records

SOURCES = "source_id,kind,acquired_on,kept_in,cycles_before,cycles_counted,counted_on\n"
TRIALS = "started_at,dog_id,source_id,result,cycles\n"
DAYS = ("2025-02-01", "2025-02-03", "2025-02-05")


def joined(tmp_path, sources, trials, settings="", names=(SOURCES, TRIALS)):
    (tmp_path / "sources.csv").write_text(names[0] + "".join(f"{line}\n" for line in sources))
    (tmp_path / "trials.csv").write_text(names[1] + "".join(f"{line}\n" for line in trials))
    (tmp_path / "unit.toml").write_text(settings)
    return join(read_records(tmp_path))


def on_days(*counts):
    return [f"{day} 09:00,Ash,S1,find,{count}" for day, count in zip(DAYS, counts, strict=True)]


def cycles(found) -> list[float]:
    return found.trials["cycles"].tolist()


def today(found, when="2025-06-01") -> float:
    asked = exposure_at(found.history, pd.Series(["S1"]), pd.Series(pd.to_datetime([when])))
    return float(asked["cycles"].iloc[0])


def test_without_a_log_each_day_is_a_thaw(tmp_path) -> None:
    found = joined(tmp_path, ["S1,bone,2025-01-01,freezer,,,"], on_days("", "", ""))
    assert cycles(found) == [1, 2, 3]
    assert found.notes == ()
    assert "cycles_source" not in found.trials


def test_cycles_before_are_added(tmp_path) -> None:
    found = joined(tmp_path, ["S1,bone,2025-01-01,freezer,4,,"], on_days("", "", ""))
    assert cycles(found) == [5, 6, 7]
    assert today(found) == 7


def test_tally_counts_back_by_what_is_logged(tmp_path) -> None:
    # 4 on the last day, of which the log and the trials show 3.
    found = joined(tmp_path, ["S1,bone,2025-01-01,freezer,,4,"], on_days("", "", ""))
    assert cycles(found) == [2, 3, 4]
    assert today(found) == 4
    assert found.trials["cycles_source"].tolist() == ["both"] * 3
    (note,) = found.notes
    assert (note.rule, note.severity) == ("count unlike the log", "note")
    assert (note.table, note.row, note.column) == ("sources", 2, "cycles_counted")
    assert note.value == "4"
    assert "the log shows 3 cycles of S1 by 2025-02-05; the count is used" in note.line()


def test_tally_of_an_earlier_day_goes_on(tmp_path) -> None:
    found = joined(tmp_path, ["S1,bone,2025-01-01,freezer,,10,2025-02-03"], on_days("", "", ""))
    assert cycles(found) == [9, 10, 11]


def test_tally_below_the_log_is_not_used(tmp_path) -> None:
    found = joined(tmp_path, ["S1,bone,2025-01-01,freezer,,2,"], on_days("", "", ""))
    assert cycles(found) == [1, 2, 3]
    assert "the log is used" in found.notes[0].line()


def test_count_of_a_trial_is_used_for_it(tmp_path) -> None:
    found = joined(tmp_path, ["S1,bone,2025-01-01,freezer,,,"], on_days("7", "", "12"))
    # Between counts the log is taken as short by what the last one has beyond it.
    assert cycles(found) == [7, 11, 12]
    assert today(found) == 12
    assert found.trials["cycles_by_hand"].tolist()[::2] == [7, 12]
    (note,) = found.notes
    assert (note.rule, note.severity) == ("count unlike the log", "note")
    assert (note.table, note.row, note.column, note.value) == ("trials", 4, "cycles", "12")
    assert "they differ in 2 of its trials, by +6 to +9" in note.line()


def test_notes_name_the_units_own_columns(tmp_path) -> None:
    said = '[columns.sources]\ncycles_counted = "Tally"\n[columns.trials]\ncycles = "Count"\n'
    names = SOURCES.replace("cycles_counted", "Tally"), TRIALS.replace(",cycles", ",Count")
    kept = ["S1,bone,2025-01-01,freezer,,10,", "S2,bone,2025-01-01,freezer,,,"]
    others = ["2025-02-01 10:00,Ash,S2,find,", "2025-02-01 11:00,Ash,,clear,"]
    found = joined(tmp_path, kept, [*on_days("7", "", ""), *others], said, names)
    assert [(note.table, note.column) for note in found.notes] == [
        ("sources", "Tally"),
        ("trials", "Count"),
    ]
    by_source = found.trials.groupby("source_id", dropna=False)["cycles_source"].unique()
    assert by_source["S1"].tolist() == ["both"]
    assert by_source["S2"].tolist() == ["log"]
    assert found.trials["cycles_source"].isna().sum() == 1  # the blank area's


def test_settings_can_go_by_the_log(tmp_path) -> None:
    said = '[exposure]\ncycles_from = "log"\n'
    found = joined(tmp_path, ["S1,bone,2025-01-01,freezer,4,20,"], on_days("7", "", "9"), said)
    assert cycles(found) == [5, 6, 7]
    assert found.trials["cycles_by_hand"].tolist()[::2] == [7, 9]
    assert found.notes


@pytest.mark.parametrize("place", ["refrigerator", "freezer"])
def test_kept_in_documents_a_source(tmp_path, place) -> None:
    found = joined(tmp_path, [f"S1,bone,2025-01-01,{place},,,"], on_days("", "", ""))
    assert found.trials["documented"].all()
    assert (
        found.trials["regime"].iloc[-1]
        == {"freezer": "frozen", "refrigerator": "refrigerated"}[place]
    )
