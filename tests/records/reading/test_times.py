"""What is read as a date or a time, and what is not."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.records.columns import TRIALS

from .forms import read


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
def test_unambiguous_dates_are_read(text: str, time: str) -> None:
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
def test_ambiguous_dates_are_not_read(text: str, rule: str) -> None:
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
def test_time_survives_a_named_month(named, time) -> None:
    time = time.replace(second=0, microsecond=0)
    assert read_time(time.strftime(named)) == str(pd.Timestamp(time))


@given(st.datetimes(pd.Timestamp("1951-01-01"), pd.Timestamp("2100-01-01")))
def test_time_survives_any_stated_order(time) -> None:
    time = time.replace(second=0, microsecond=0)
    for form, order in (
        ("%Y-%m-%d %H:%M", None),
        ("%Y-%m-%dT%H:%M:%S", None),
        ("%d/%m/%Y %H:%M", "day first"),
        ("%m/%d/%Y %I:%M %p", "month first"),
    ):
        assert read_time(time.strftime(form), date_order=order) == str(pd.Timestamp(time))
