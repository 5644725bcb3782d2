"""Suggestions: the likeliest columns and words, as a file to correct, never applied."""

import tomllib

import pytest

from outcomes.errors import RecordsError
from outcomes.records.columns import TRIALS
from outcomes.records.read import examine_records, read_records
from outcomes.records.spelling import alike, likeliest
from outcomes.records.suggest import likely_columns, suggest_settings


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "sources.csv").write_text("Source ID,Tissue,Date acquired\nA1,muscle,25/12/2024\n")
    (tmp_path / "storage.csv").write_text(
        "Source ID,Moved at,Location\nA1,25/12/2024,Fridge\nA1,01/02/2025,limbo\n"
    )
    (tmp_path / "trials.csv").write_text(
        "Trial,Start time,Dog,Source,Outcome,Search time,Temp (F),weather diary\n"
        "1,03/04/2025 09:30,Ash,A1,Hit,1:30,60,grey\n"
        "2,03/04/2025 10:30,Ash,,clear,2:10,61,grey\n"
    )
    return tmp_path


def test_a_settings_file_is_suggested_that_says_what_can_be_said(folder) -> None:
    said = tomllib.loads(suggest_settings(folder))
    assert said == {
        "date_order": "day first",
        "columns": {
            "sources": {"source_id": "Source ID", "kind": "Tissue", "acquired_on": "Date acquired"},
            "storage": {"source_id": "Source ID", "moved_at": "Moved at", "moved_to": "Location"},
            "trials": {
                "trial_id": "Trial",
                "started_at": "Start time",
                "dog_id": "Dog",
                "source_id": "Source",
                "result": "Outcome",
                "search_s": "Search time",
                "temperature_c": "Temp (F)",
            },
        },
        "words": {"moved_to": {"Fridge": "refrigerator"}, "result": {"Hit": "find"}},
        "units": {"search_s": "mm:ss", "temperature_c": "F"},
    }
    assert '# "limbo" = ""' in suggest_settings(folder)


def test_the_suggestion_is_never_applied_by_itself(folder) -> None:
    before = sorted(p.name for p in folder.iterdir())
    suggest_settings(folder)
    assert sorted(p.name for p in folder.iterdir()) == before
    with pytest.raises(RecordsError, match="things stop the work"):
        read_records(folder)


def test_saved_it_makes_the_records_readable(folder) -> None:
    (folder / "unit.toml").write_text(suggest_settings(folder))
    records = read_records(folder)
    assert [(f.rule, f.value) for f in records.set_aside] == [("unknown word", "limbo")]
    assert list(records.trials["search_s"]) == [90, 130]


def test_clean_records_need_nothing_said(clean, write) -> None:
    assert tomllib.loads(suggest_settings(write(clean))) == {}


def test_a_missing_column_names_the_likeliest_one(folder) -> None:
    mends = {f.column: f.mend for f in examine_records(folder).stops if f.table == "trials"}
    assert mends["result"].endswith('[columns.trials] result = "Outcome"')


def test_each_column_is_suggested_once_and_strangers_not_at_all() -> None:
    likely = likely_columns(
        TRIALS, ["started_at", "dog_id", "result"], ["Dog", "dog name", "weather diary"]
    )
    assert likely == {"dog_id": "Dog"}


def test_labels_that_differ_in_a_number_or_letter_are_no_misspellings() -> None:
    assert (
        alike(["S1", "S2", "S10", "S11", "muscle A", "muscle B", "Max", "Mac", "B-1", "C-1"]) == []
    )


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Rex", "rex"),
        ("Rex", "Rexx"),
        ("Birch", "Brich"),
        ("S-01", "S1"),
        ("wet bone", "Wet-bone"),
        ("Zoë", "Zoe"),
        ("decomposition fluid", "decompositon fluids"),
    ],
)
def test_spellings_that_may_be_one_name_are_paired(one: str, other: str) -> None:
    assert alike([one, "granite", other]) == [(one, other)]


def test_the_likeliest_spelling_is_found_and_nothing_far_off() -> None:
    known = ["S1", "S12", "Birch"]
    assert likeliest("s-12", known) == "S12"
    assert likeliest("Brich", known) == "Birch"
    assert likeliest("elephant", known) is None
