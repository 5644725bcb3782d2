"""What is read as a date, a number or a word, and what is not."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.records.columns import SOURCES, STORAGE, TRIALS
from outcomes.records.values import read_column
from outcomes.settings import RecordsSettings


def read(column, texts, **settings):
    cells = pd.Series(pd.Categorical(list(texts)))
    return read_column(column, cells, RecordsSettings(**settings), "trials")


def read_time(text: str, **settings):
    typed = read(TRIALS.column("started_at"), [text], **settings)
    (rule,) = typed.broken() or [None]
    return rule or str(typed.series[0])


@pytest.mark.parametrize(
    ("text", "time"),
    [
        ("2026-03-14", "2026-03-14 00:00:00"),
        ("2026-03-14 09:30", "2026-03-14 09:30:00"),
        ("2026-03-14 09:30:15", "2026-03-14 09:30:15"),
        ("2026-03-14T09:30", "2026-03-14 09:30:00"),
        ("2026-03-14T09:30:15", "2026-03-14 09:30:15"),
        (" 2026-03-14\u00a0", "2026-03-14 00:00:00"),
        ("2026/3/14 9:30", "2026-03-14 09:30:00"),
        # Only one order gives a date.
        ("25/04/2026", "2026-04-25 00:00:00"),
        ("04/25/2026 9:30 PM", "2026-04-25 21:30:00"),
        ("12/25/2026 12:05 AM", "2026-12-25 00:05:00"),
        # Both orders give the same date.
        ("04.04.2026", "2026-04-04 00:00:00"),
        ("2024-02-29", "2024-02-29 00:00:00"),
        # The month is a word.
        ("3 Apr 2026", "2026-04-03 00:00:00"),
        ("03-Apr-2026 9:30", "2026-04-03 09:30:00"),
        ("3-apr-26", "2026-04-03 00:00:00"),
        ("03/APR/2026", "2026-04-03 00:00:00"),
        ("3 Sept. 2025 9:30 PM", "2025-09-03 21:30:00"),
        ("30 September 2025, 09:30", "2025-09-30 09:30:00"),
        ("April 3, 2026", "2026-04-03 00:00:00"),
        ("Apr 3 2026 9:30 AM", "2026-04-03 09:30:00"),
    ],
)
def test_dates_that_can_be_read_in_one_way_are_read(text: str, time: str) -> None:
    assert read_time(text) == time


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("03/04/2026", "date ambiguous"),
        ("3-4-2026 09:30", "date ambiguous"),
        ("25/04/26", "date ambiguous"),
        ("03/04/26", "date ambiguous"),
        ("2026-03-14T09:30Z", "time with a zone"),
        ("2026-03-14 09:30:00+01:00", "time with a zone"),
        ("46095", "spreadsheet date number"),
        ("2026", "date unreadable"),
        ("2026-03", "date unreadable"),
        ("20260314", "date unreadable"),
        ("2026-02-29", "date unreadable"),
        ("2026-13-01", "date unreadable"),
        ("2026-03-14 25:00", "date unreadable"),
        ("25/25/2026", "date unreadable"),
        ("25/04/2026 13:00 PM", "date unreadable"),
        ("9999-12-31", "date unreadable"),
        ("now", "date unreadable"),
        ("Apr 2026", "date unreadable"),
        ("3-Apr", "date unreadable"),
        ("Apr-26", "date unreadable"),
        ("Apr 3 26", "date unreadable"),
        ("31 Apr 2026", "date unreadable"),
        ("3 Aprilis 2026", "date unreadable"),
        ("3 Marvellous 2026", "date unreadable"),
        ("3 April 2026 25:00", "date unreadable"),
        ("09:30", "date unreadable"),
    ],
)
def test_dates_that_cannot_be_read_in_one_way_are_not(text: str, rule: str) -> None:
    assert read_time(text) == rule


@pytest.mark.parametrize(
    ("order", "time"),
    [("day first", "2026-04-03 00:00:00"), ("month first", "2026-03-04 00:00:00")],
)
def test_the_date_order_of_the_unit_decides(order: str, time: str) -> None:
    assert read_time("03/04/2026", date_order=order) == time
    assert read_time("03/04/26", date_order=order) == time
    impossible = "13/25/2026" if order == "day first" else "25/13/2026"
    assert read_time(impossible, date_order=order) == "date unreadable"
    against = "03/25/2026" if order == "day first" else "25/03/2026"
    assert read_time(against, date_order=order) == "date against the order"
    # A month that is a word needs no order.
    assert read_time("3-Apr-26", date_order=order) == "2026-04-03 00:00:00"


@pytest.mark.parametrize("named", ["%d %b %Y %H:%M", "%d-%B-%y %H:%M", "%B %d, %Y %I:%M %p"])
@given(time=st.datetimes(pd.Timestamp("2000-01-01"), pd.Timestamp("2099-12-31")))
def test_a_time_survives_being_written_with_the_name_of_its_month(named, time) -> None:
    time = time.replace(second=0, microsecond=0)
    assert read_time(time.strftime(named)) == str(pd.Timestamp(time))


@given(st.datetimes(pd.Timestamp("1951-01-01"), pd.Timestamp("2100-01-01")))
def test_a_time_survives_being_written_in_any_stated_order(time) -> None:
    time = time.replace(second=0, microsecond=0)
    for form, order in (
        ("%Y-%m-%d %H:%M", None),
        ("%Y-%m-%dT%H:%M:%S", None),
        ("%d/%m/%Y %H:%M", "day first"),
        ("%m/%d/%Y %I:%M %p", "month first"),
    ):
        assert read_time(time.strftime(form), date_order=order) == str(pd.Timestamp(time))


@pytest.mark.parametrize(
    ("text", "number"),
    [("12", 12), (" 12.50 ", 12.5), ("-3", -3), ("+3", 3), (".5", 0.5), ("1e1", 10), ("12.", 12)],
)
def test_plain_numbers_are_read(text: str, number: float) -> None:
    assert read(TRIALS.column("temperature_c"), [text]).series[0] == number


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("54F", "number with a unit in it"),
        ("12 °C", "number with a unit in it"),
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


def test_a_clock_time_is_only_suggested_where_it_can_be_stated() -> None:
    assert list(read(TRIALS.column("search_s"), ["1:30"]).broken()) == ["minutes and seconds"]
    assert list(read(TRIALS.column("set_min"), ["1:30"]).broken()) == ["number unreadable"]


# The inch, the mile and the pound are fixed by the international yard and pound agreement
# (1959), the knot by the First International Extraordinary Hydrographic Conference (1929).
@pytest.mark.parametrize(
    ("column", "unit", "text", "ours"),
    [
        (TRIALS.column("temperature_c"), "F", "32", 0.0),
        (TRIALS.column("temperature_c"), "F", "-40", -40.0),
        (STORAGE.column("temperature_c"), "F", "50", 10.0),
        (TRIALS.column("depth_cm"), "in", "10", 25.4),
        (TRIALS.column("depth_cm"), "ft", "1", 30.48),
        (TRIALS.column("wind_m_s"), "mph", "10", 4.4704),
        (TRIALS.column("wind_m_s"), "km/h", "36", 10.0),
        (TRIALS.column("wind_m_s"), "kn", "10", 5.144444444444445),
        (SOURCES.column("mass_g"), "lb", "1", 453.59237),
        (SOURCES.column("mass_g"), "oz", "1", 28.349523125),
        (TRIALS.column("search_s"), "min", "1.5", 90.0),
        (TRIALS.column("search_s"), "mm:ss", "05:30", 330.0),
        (TRIALS.column("search_s"), "mm:ss", "90:05", 5405.0),
        (TRIALS.column("search_s"), "mm:ss", "1:00:05", 3605.0),
        (TRIALS.column("limit_s"), "min", "5", 300.0),
        (TRIALS.column("set_min"), "h", "1.5", 90.0),
    ],
)
def test_a_stated_unit_is_converted(column, unit: str, text: str, ours: float) -> None:
    read_here = read(column, [text], units={column.name: unit}).series[0]
    assert read_here == pytest.approx(ours, rel=1e-14, abs=1e-14)  # one rounding


def test_a_unit_stated_for_one_table_holds_there_only() -> None:
    cells = pd.Series(pd.Categorical(["50"]))
    settings = RecordsSettings(units={"storage.temperature_c": "F"})
    column = TRIALS.column("temperature_c")
    assert read_column(column, cells, settings, "trials").series[0] == 50
    assert read_column(column, cells, settings, "storage").series[0] == 10


def test_ranges_hold_in_our_own_unit() -> None:
    column = TRIALS.column("temperature_c")
    assert list(read(column, ["56"]).broken()) == ["impossible temperature"]
    assert not read(column, ["56"], units={"temperature_c": "F"}).broken()


def test_a_decimal_comma_is_read_where_the_unit_says_so() -> None:
    column = TRIALS.column("temperature_c")
    assert read(column, ["12,5"], decimal=",").series[0] == 12.5
    assert list(read(column, ["1.200"], decimal=",").broken()) == ["point in a number"]


def test_the_words_of_the_unit_are_read_for_every_kind_of_column() -> None:
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


def test_yes_or_no_is_true_or_false_and_empty_is_missing() -> None:
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
