"""What is read as a number or a word, and what is not."""

import numpy as np
import pandas as pd
import pytest

from outcomes.records.columns import TRIALS

from .forms import read


@pytest.mark.parametrize(
    ("text", "number"),
    [("12", 12), (" 12.50 ", 12.5), ("-3", -3), ("+3", 3), (".5", 0.5), ("1e1", 10), ("12.", 12)],
)
def test_plain_numbers_are_read(text: str, number: float) -> None:
    assert read(TRIALS.column("temperature_c"), [text]).series[0] == number


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("54 mph", "number with a unit in it"),
        ("12,5 °C", "number with a unit in it"),
        ("3 m/s2", "number with a unit in it"),
        ("12,5", "comma in a number"),
        ("1,200.5", "comma in a number"),
        ("nan", "number unreadable"),
        ("inf", "number unreadable"),
        ("1e999", "number unreadable"),
        ("1_000", "number unreadable"),
        ("0x10", "number unreadable"),
        ("--5", "number unreadable"),
        ("twelve", "number unreadable"),
        ("１２", "number unreadable"),
    ],
)
def test_what_is_not_one_plain_number_is_not_read(text: str, rule: str) -> None:
    assert list(read(TRIALS.column("temperature_c"), [text]).broken()) == [rule]


@pytest.mark.parametrize(
    ("column", "text", "unit", "number"),
    [
        ("temperature_c", "45F", "C", 65 / 9),
        ("temperature_c", "12 °C", "F", 12.0),
        ("depth_cm", "6 in", "cm", 15.24),
        ("depth_cm", "2 ft.", "in", 60.96),
        ("search_s", "5 min", "s", 300.0),
        ("search_s", "90 s", "mm:ss", 90.0),
        ("wind_m_s", "10 mph", "m/s", 4.4704),
        ("humidity_pct", "55 %", None, 55.0),
    ],
)
def test_cell_that_names_its_unit_is_read_in_it(column, text, unit, number) -> None:
    units = {} if unit is None else {column: unit}
    told = read(TRIALS.column(column), [text], units=units)
    assert told.broken() == {}
    assert told.series[0] == pytest.approx(number, rel=1e-12)


def test_clock_time_is_suggested_if_statable() -> None:
    assert list(read(TRIALS.column("search_s"), ["1:30"]).broken()) == ["minutes and seconds"]
    assert list(read(TRIALS.column("set_min"), ["1:30"]).broken()) == ["number unreadable"]


def test_decimal_comma_is_read_where_said() -> None:
    column = TRIALS.column("temperature_c")
    assert read(column, ["12,5"], decimal=",").series[0] == 12.5
    assert list(read(column, ["1.200"], decimal=",").broken()) == ["point in a number"]


def test_units_words_are_read_everywhere() -> None:
    words = {
        "result": {" HIT": "find"},
        "dog_id": {"Rexx": "Rex"},
        "source_id": {"n/a": ""},
        "false_alerts": {"none": "0"},
        "assisted": {"y": "yes"},
    }
    for name, text, value in (
        ("result", "hit ", "find"),
        ("dog_id", "REXX", "Rex"),
        ("false_alerts", "None", 0.0),
        ("assisted", "Y", True),
    ):
        assert read(TRIALS.column(name), [text], words=words).series[0] == value
    assert read(TRIALS.column("source_id"), ["N/A"], words=words).series[0] is None


def test_yes_or_no_is_a_truth_or_missing() -> None:
    typed = read(TRIALS.column("assisted"), ["yes", "No", "TRUE", "false", ""])
    assert typed.series.dtype == "boolean"
    assert list(typed.series[:4]) == [True, False, True, False]
    assert typed.series[4] is pd.NA


def test_types_are_those_the_records_promise() -> None:
    for column in TRIALS.columns:
        typed = read(column, [""])
        wanted = {"time": "datetime64[ns]", "number": "float64", "count": "float64"}
        wanted |= {"yes or no": "boolean"}
        assert typed.series.dtype == wanted.get(column.type, np.dtype(object))
