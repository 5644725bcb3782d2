"""What a unit has to plan with, from its records; field rates where they are too few."""

from pathlib import Path

import pandas as pd
import pytest

from outcomes.errors import PlanError
from outcomes.exposure.trials import join
from outcomes.planning.unit import FIELD_FOUND, FIELD_SD, unit_facts
from outcomes.records.read import read_records

DEMO = Path(__file__).parents[2] / "synthetic_data"


@pytest.fixture(scope="module")
def demo():
    records = read_records(DEMO)
    return records, join(records)


def test_rates_come_from_the_unit(demo):
    facts = unit_facts(*demo)
    trials = demo[1].trials
    hides = trials[trials["result"].isin(["find", "miss"])]
    hides = hides[~hides["assisted"].fillna(False).astype(bool)]
    assert facts.rates.found == pytest.approx((hides["result"] == "find").mean())
    assert facts.rates.trials == len(hides)
    assert set(facts.rates.from_records) == {"found", "dog_sd", "source_sd"}
    # Planted: 0.5 of each; from 8 dogs and 28 sources, so within a factor of two.
    assert 0.25 < facts.rates.dog_sd < 1.0
    assert facts.rates.portion_sd == FIELD_SD["portion_sd"]


def test_sources_are_those_held(demo):
    records, joined = demo
    facts = unit_facts(records, joined)
    thrown = set(records.storage.loc[records.storage["moved_to"] == "discarded", "source_id"])
    held = {source.source_id for source in facts.sources}
    assert held == set(records.sources["source_id"]) - thrown
    assert sum(source.trials for source in facts.sources) <= facts.rates.trials


def test_past_ends_with_the_records(demo):
    facts = unit_facts(*demo)
    assert facts.past["day"].max() <= 0
    assert facts.last_day == demo[1].trials["started_at"].max().date()


def test_few_trials_leave_field_rates(demo):
    records, joined = demo
    few = joined.trials.tail(40).reset_index(drop=True)
    short = type(joined)(
        trials=few,
        set_aside=(),
        rows_in=joined.rows_in,
        settings=joined.settings,
        history=joined.history,
    )
    rates = unit_facts(records, short).rates
    assert rates.from_records == ()
    assert (rates.found, rates.dog_sd) == (FIELD_FOUND, FIELD_SD["dog_sd"])


def test_no_trial_is_refused(demo):
    records, joined = demo
    none = type(joined)(
        trials=joined.trials.iloc[:0],
        set_aside=(),
        rows_in=joined.rows_in,
        settings=joined.settings,
        history=joined.history,
    )
    with pytest.raises(PlanError, match="no trial on record"):
        unit_facts(records, none)


def test_training_days_are_those_it_trains_on(demo):
    records, joined = demo
    # Tuesdays and Saturdays for a quarter of a year.
    days = [
        pd.Timestamp("2026-01-06") + pd.Timedelta(7 * w + d, "D") for w in range(13) for d in (0, 4)
    ]
    trials = joined.trials.tail(len(days)).reset_index(drop=True).assign(started_at=days)
    moved = type(joined)(
        trials=trials,
        set_aside=(),
        rows_in=joined.rows_in,
        settings=joined.settings,
        history=joined.history,
    )
    assert unit_facts(records, moved).training_days == (1, 5)
