"""What may leave a unit: whole quarters, rounded counts, and enough that is new."""

import datetime as dt

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.pool import disclosure
from outcomes.pool.share import SharedCounts
from tests.pool.shares import share_of

DAYS = st.dates(dt.date(2000, 1, 1), dt.date(2100, 1, 1))


@given(DAYS, st.integers(0, 2000))
def test_a_quarter_that_runs_is_never_shared(last_trial, later) -> None:
    today = last_trial + dt.timedelta(later)
    quarter = disclosure.last_full_quarter(last_trial, today)
    assert quarter.end <= today
    assert quarter in (disclosure.quarter_of(last_trial), disclosure.quarter_of(last_trial).before)


@given(DAYS)
def test_the_quarter_before_ends_where_this_one_begins(day) -> None:
    quarter = disclosure.quarter_of(day)
    assert quarter.before.end <= day < quarter.end
    assert disclosure.quarter_of(quarter.before.end) == quarter


def test_trials_after_the_quarter_are_cut_off() -> None:
    days = pd.to_datetime(["2026-06-30 23:59", "2026-07-01 00:00"])
    kept = disclosure.through(pd.DataFrame({"started_at": days}), disclosure.Quarter(2026, 2))
    assert list(kept["started_at"]) == [days[0]]


@given(st.integers(0, 5000), st.integers(0, 500), st.integers(0, 200), st.integers(0, 100))
def test_what_is_let_through_is_new_for_certain(trials, misses, more, more_misses) -> None:
    rounded = SharedCounts(
        trials=disclosure.rounded_down(trials),
        misses=disclosure.rounded_down(misses),
        sources=20,
        dogs="3-5",
    )
    last = share_of("aaaa", None, counts=rounded)
    short = disclosure.too_little_new(trials + more, misses + more_misses, last)
    if not short:
        assert more >= 20
        assert more_misses >= 5
    if more >= 24 and more_misses >= 9:
        assert not short


def test_codes_tell_nothing_and_differ() -> None:
    codes = {disclosure.draw_code() for _ in range(200)}
    assert len(codes) == 200
    assert all(code.isalnum() and code == code.lower() for code in codes)


@pytest.mark.parametrize(
    ("dogs", "band"), [(3, "3-5"), (5, "3-5"), (6, "6-10"), (11, "11-20"), (20, "11-20"),
                       (21, "over 20")]
)  # fmt: skip
def test_dogs_are_told_in_bands(dogs, band) -> None:
    assert disclosure.band_of_dogs(dogs) == band
