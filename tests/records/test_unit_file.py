"""``unit.toml``: what it may hold, and one line for what it may not."""

import dataclasses
import inspect
from pathlib import Path

import pytest

from outcomes.errors import SettingsError, UsageError
from outcomes.records.read import read_records
from outcomes.records.unit_file import load_settings
from outcomes.settings import (
    DecisionSettings,
    EarlyWarning,
    RecordsSettings,
    ReliabilityRule,
    Settings,
)

WHOLE = """
unit = "North Valley"
date_order = "day first"
decimal = ","
fold_labels = ["source_id"]

[tables]
storage = " Storage log "
trials = ["Log 2024", "Log 2025"]

[columns.trials]
result = " Outcome "
started_at = ["Date", "Time"]

[header_row]
trials = 3

[same_as_above]
trials = ["Date"]

[ticked]
trials = ["Found", "Missed"]

[dog_columns]
trials = ["Rex", "Mia"]

[words.result]
"Hit" = "find"

[words.dog_id]
Rexx = "Rex"

[units]
search_s = "mm:ss"
temperature_c = "F"

[units.storage]
temperature_c = "C"

[temperatures]
freezer_c = -20
refrigerator_c = 5.5
ambient_c = 18

[exposure]
thaw_after_h = 2
base_c = 4
frozen_at_least = 0.9
refrigerated_at_most = 0.1
unlogged_thaws = "strict"
cycles_from = "log"

[readings]
thawed_above_c = 0.5
frozen_below_c = -1.5
longest_gap_h = 3

[decision]
floor = 0.8
confidence = 0.95
alpha = 0.1
seed = 7
most_mass_lost = 0.2

[rule]
misses = 3
window = 5
qualified_only = false

[early_warning]
odds_ratio = 3
false_call = 0.1
within = 40
"""


def load(folder: Path, text: str) -> Settings:
    (folder / "unit.toml").write_text(text, encoding="utf-8")
    return load_settings(folder)


def test_every_setting_can_be_given(tmp_path) -> None:
    settings = load(tmp_path, WHOLE)
    assert settings.records == RecordsSettings(
        unit="North Valley",
        date_order="day first",
        decimal=",",
        tables={"storage": "Storage log", "trials": ("Log 2024", "Log 2025")},
        columns={"trials": {"result": "Outcome", "started_at": ("Date", "Time")}},
        header_row={"trials": 3},
        same_as_above={"trials": ("Date",)},
        ticked={"trials": ("Found", "Missed")},
        dog_columns={"trials": ("Rex", "Mia")},
        fold_labels=("source_id",),
        words={"result": {"Hit": "find"}, "dog_id": {"Rexx": "Rex"}},
        units={"search_s": "mm:ss", "temperature_c": "F", "storage.temperature_c": "C"},
        freezer_c=-20.0,
        refrigerator_c=5.5,
        ambient_c=18.0,
        thaw_after_h=2.0,
        base_c=4.0,
        frozen_at_least=0.9,
        refrigerated_at_most=0.1,
        thawed_above_c=0.5,
        frozen_below_c=-1.5,
        longest_reading_gap_h=3.0,
        unlogged_thaws="strict",
        cycles_from="log",
    )
    assert settings.decisions == DecisionSettings(
        floor=0.8,
        confidence=0.95,
        alpha=0.1,
        seed=7,
        most_mass_lost=0.2,
        rule=ReliabilityRule(misses=3, window=5, qualified_only=False),
        early_warning=EarlyWarning(odds_ratio=3.0, false_call=0.1, within=40),
    )
    for given in (settings.records, settings.decisions):
        for field in dataclasses.fields(given):
            assert getattr(given, field.name) != getattr(type(given)(), field.name), field.name


def test_numbers_are_floats_without_a_point(tmp_path) -> None:
    assert isinstance(load(tmp_path, WHOLE).records.freezer_c, float)


def test_the_example_in_the_docstring_can_be_used(tmp_path) -> None:
    # Python 3.13 takes a docstring's indentation away; cleandoc does so on every version.
    text = inspect.cleandoc(str(load_settings.__doc__))
    notes = text.split("::\n", 1)[1].split("\nWords are", 1)[0]
    settings = load(tmp_path, "\n".join(line.strip() for line in notes.splitlines()))
    assert settings.records.unit == "North Valley"
    assert settings.decisions.rule == ReliabilityRule(3, 5)


def test_without_a_file_the_defaults_hold(tmp_path) -> None:
    assert load_settings(tmp_path) == Settings()


def test_file_stands_by_the_workbook_or_inside(tmp_path) -> None:
    (tmp_path / "unit.toml").write_text('unit = "x"')
    (tmp_path / "records.xlsx").write_bytes(b"")
    assert load_settings(tmp_path).records.unit == "x"
    assert load_settings(tmp_path / "records.xlsx").records.unit == "x"


def test_a_file_asked_for_must_be_there(tmp_path) -> None:
    (tmp_path / "other.toml").write_text('unit = "y"')
    assert load_settings(tmp_path, tmp_path / "other.toml").records.unit == "y"
    with pytest.raises(UsageError, match="no such settings file"):
        load_settings(tmp_path, tmp_path / "nowhere.toml")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("unit = North", "not valid TOML"),
        ("unit = 3", "Give text in quotation marks"),
        ("flor = 0.8", "Perhaps floor"),
        ("floor = 0.8", "stands in the section [decision]"),
        ("[decision]\nflor = 0.8", "Perhaps floor?"),
        ("[decision]\nfloor = 85", "strictly between 0 and 1"),
        ("[decision]\nfloor = true", "strictly between 0 and 1"),
        ("[decision]\nfloor = nan", "strictly between 0 and 1"),
        ("[decision]\nseed = 1.5", "a whole number"),
        ("decision = 3", "Write it as [decision]"),
        ('[words.result]\n"Hit" = "find"\ndate_order = "day first"', "our word"),
        ('[units]\ndate_order = "day first"', "stands at the top of the file"),
        ('date_order = "dmy"', '"day first" or "month first"'),
        ('[words.result]\n"Hit" = "found"', '"find", "miss", "clear", "false alert"'),
        ('[words.result]\n"Hit" = "find"\n"hit " = "miss"', "two meanings"),
        ('[words.outcome]\n"Hit" = "find"', "[words] outcome is not a setting"),
        ("[decision]\nconfidence = 90", "perhaps 0.90"),
        ("[decision]\nalpha = 5", "perhaps 0.05"),
        ("[decision]\nconfidence = 9", "strictly between 0.5 and 1."),
        ("[temperatures]\nfreezer_c = 4", "[temperatures] freezer_c = 4 cannot be used"),
        ("[readings]\nlongest_gap_h = -1", "[readings] longest_gap_h = -1 cannot be used"),
        ("[rule]\nqualified_only = 1", "true or false"),
        ('[tables]\nmoves = "x"', "our name = your name"),
        ("[tables]\nstorage = 3", "name of your file or sheet"),
        ('[tables]\nstorage = "x"\ntrials = "X "', "twice"),
        ('[columns.trials]\nresult = "x"\n[columns.trials]\ndog_id = "y"', "once, with all its"),
        ('[columns.trial]\nresult = "x"', "Perhaps trials?"),
        ('[columns.trials]\noutcome = "result"', "our name = your name"),
        ('[columns.trials]\nresult = ""', "name of your column"),
        ('[columns.trials]\nresult = "x"\ndog_id = "x "', "twice"),
        ('[units]\ntemperature_c = "K"', '"C", "F"'),
        ('[units]\nresult = "F"', "not a setting"),
        ('[units.dogs]\nborn_on = "F"', "not a setting"),
        ("[rule]\nmisses = 4\nwindow = 3", "more than window"),
        ("[early_warning]\nwithin = 4", "a whole number from 5 to 1000"),
        ("[early_warning]\nodds_ratio = 1", "strictly between 1 and 20"),
        ("[exposure]\nfrozen_at_least = 0.1", "must be less than"),
        ("[readings]\nfrozen_below_c = 1", "must not be more than thawed_above_c"),
        ('[exposure]\nunlogged_thaws = "guess"', '"infer" or "strict"'),
        ("a = " + "[" * 5000, "unit.toml"),
    ],
)
def test_what_cannot_be_used_gives_one_line(tmp_path, text: str, words: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, text)
    (line,) = str(caught.value).splitlines()
    assert words in line


def test_a_file_that_is_no_text_gives_one_line(tmp_path) -> None:
    (tmp_path / "unit.toml").write_bytes(b"unit = '\xff'")
    with pytest.raises(SettingsError, match="not UTF-8"):
        load_settings(tmp_path)
    (tmp_path / "unit.toml").unlink()
    (tmp_path / "unit.toml").mkdir()
    with pytest.raises(SettingsError, match="not an ordinary file"):
        load_settings(tmp_path)


def test_unit_writing_its_own_way_is_read(tmp_path) -> None:
    (tmp_path / "sources.csv").write_text("Aid;Type;Received\nA1;muscle;01.02.2025\n")
    (tmp_path / "storage.csv").write_text("Aid;When;To;Temp\nA1;01.02.2025;Fridge;39,2\n")
    (tmp_path / "trials.csv").write_text(
        "No;Start;Dog;Aid;Outcome;Time;Wind\n"
        "1;03.04.2025 09:30;Ash;A1;Hit;1:30;10\n"
        "2;03.04.2025 10:30;Ash;none;all clear;;\n"
    )
    (tmp_path / "unit.toml").write_text("""
date_order = "day first"
decimal = ","
[columns.sources]
source_id = "Aid"
kind = "Type"
acquired_on = "Received"
[columns.storage]
source_id = "Aid"
moved_at = "When"
moved_to = "To"
temperature_c = "Temp"
[columns.trials]
trial_id = "No"
started_at = "Start"
dog_id = "Dog"
source_id = "Aid"
result = "Outcome"
search_s = "Time"
wind_m_s = "Wind"
[words.moved_to]
fridge = "refrigerator"
[words.result]
Hit = "find"
"all clear" = "clear"
[words.source_id]
none = ""
[units]
search_s = "mm:ss"
wind_m_s = "mph"
temperature_c = "F"
""")
    records = read_records(tmp_path)
    assert records.findings == ()
    assert records.storage.loc[0, "moved_to"] == "refrigerator"
    assert records.storage.loc[0, "temperature_c"] == pytest.approx(4.0)
    assert list(records.trials["result"]) == ["find", "clear"]
    assert records.trials.loc[0, "search_s"] == 90
    assert str(records.trials.loc[0, "started_at"]) == "2025-04-03 09:30:00"
    assert records.trials["source_id"].isna().tolist() == [False, True]


def test_findings_name_the_units_own_column(tmp_path) -> None:
    test_unit_writing_its_own_way_is_read(tmp_path)
    text = (tmp_path / "trials.csv").read_text().replace("Hit", "Hmm")
    (tmp_path / "trials.csv").write_text(text)
    (finding,) = read_records(tmp_path).findings
    assert (finding.column, finding.value, finding.row) == ("Outcome", "Hmm", 2)
