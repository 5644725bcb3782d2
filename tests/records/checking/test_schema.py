"""The last gate: typed tables that do not follow their schema are handed to nobody."""

import datetime as dt
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import RecordsError
from outcomes.records import read
from outcomes.records.checking.schema import check_schema, table_schema
from outcomes.records.columns import TABLES
from outcomes.records.read import read_records

TODAY = dt.date(2026, 3, 14)


def test_schema_states_the_contracts_columns() -> None:
    for table in TABLES.values():
        schema = table_schema(table)
        assert set(schema.columns) == {*table.names, "file", "row"}
        for column in table.columns:
            stated = schema.columns[column.name]
            assert stated.required == column.needed
            assert stated.nullable == (not column.needed or column.may_be_empty)
            assert stated.unique == (column.name == table.key)


BREACHES = {
    "a word that is none": ("trials", "result", "hit"),
    "a number out of its range": ("trials", "search_s", -1.0),
    "a count and a half": ("trials", "false_alerts", 1.5),
    "a needed value missing": ("trials", "dog_id", None),
    "a time missing": ("storage", "moved_at", pd.NaT),
    "an id twice": ("sources", "source_id", "S2"),
    "a row number twice": ("trials", "row", 3),
}


@pytest.mark.parametrize("name", BREACHES)
def test_breach_is_refused_with_its_file_and_row(clean, write, name: str) -> None:
    table, column, value = BREACHES[name]
    frame = getattr(read_records(write(clean), today=TODAY), table).copy()
    check_schema(frame, TABLES[table])
    frame.loc[0, column] = value
    with pytest.raises(RecordsError) as caught:
        check_schema(frame, TABLES[table])
    line = str(caught.value)
    assert line.startswith(f"{table}.csv, row ")
    assert f"column {column}: " in line
    assert len(line.splitlines()) == 1


@pytest.mark.parametrize(
    ("column", "kind"), [("search_s", object), ("started_at", object), ("assisted", object)]
)
def test_a_column_of_another_type_is_refused(clean, write, column: str, kind: type) -> None:
    trials = read_records(write(clean), today=TODAY).trials
    with pytest.raises(RecordsError, match=f"column {column}"):
        check_schema(trials.astype({column: kind}), TABLES["trials"])


def test_missing_needed_column_is_refused(clean, write) -> None:
    trials = read_records(write(clean), today=TODAY).trials
    with pytest.raises(RecordsError, match="column result"):
        check_schema(trials.drop(columns="result"), TABLES["trials"])


def test_what_reading_lets_pass_stops_at_the_gate(clean, write, monkeypatch) -> None:
    passed = read._usable_rows

    def careless(sheet, log) -> pd.DataFrame:
        frame = passed(sheet, log)
        return frame.assign(wind_m_s=np.inf) if sheet.table.name == "trials" else frame

    monkeypatch.setattr(read, "_usable_rows", careless)
    with pytest.raises(RecordsError, match=r"trials\.csv, row 2, column wind_m_s"):
        read_records(write(clean), today=TODAY)


def test_schema_costs_nothing_before_reading() -> None:
    code = "import sys, outcomes.records.read; sys.exit('pandera' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
