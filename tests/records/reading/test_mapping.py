"""The usual names of columns are known, each suggested once."""

import pytest

from outcomes.records.columns import TABLES, TRIALS
from outcomes.records.reading.mapping import likely_columns


def test_columns_are_suggested_once_strangers_not() -> None:
    likely = likely_columns(
        TRIALS, ["started_at", "dog_id", "result"], ["Dog", "dog name", "weather diary"]
    )
    assert likely == {"dog_id": "Dog"}


@pytest.mark.parametrize(
    ("table", "ours", "theirs"),
    [
        ("sources", "acquired_on", "Rec'd"),
        ("sources", "acquired_on", "Date in"),
        ("storage", "moved_to", "To where"),
        ("trials", "source_id", "Aid used"),
        ("trials", "source_id", "Which source?"),
        ("trials", "result", "Hit?"),
        ("trials", "dog_id", "K9 name"),
        ("trials", "blinding", "Handler knew?"),
        ("trials", "result", "Hit / miss"),
    ],
)
def test_usual_names_are_guessed_among_columns(table, ours, theirs) -> None:
    absent = TABLES[table].names
    likely = likely_columns(TABLES[table], absent, [theirs, "Remarks", "Weather diary"])
    assert likely == {ours: theirs}


@pytest.mark.parametrize("name", ["Air temp", "Air temp (F)", "Outside temp", "Temp_F"])
def test_usual_names_of_temperature_are_guessed(name: str) -> None:
    assert likely_columns(TRIALS, ["temperature_c"], [name]) == {"temperature_c": name}
