"""A draft used unread reads nearly every trial of messy records, and each as it was meant."""

import datetime as dt

import pytest
from last_messy_units import LAST_UNITS
from messy_units import UNITS
from more_messy_units import MORE_UNITS

from outcomes.records.read import examine_and_read
from outcomes.records.suggest import draft_settings
from outcomes.records.unit_file import settings_of

ALL_UNITS = {**UNITS, **MORE_UNITS, **LAST_UNITS}
TODAY = dt.date(2026, 3, 1)
LEAST_USABLE = 0.97


def read_unread(path):
    """The records as the draft has them, and the draft."""

    def usable(settings):
        found, records = examine_and_read(path, settings, today=TODAY)
        return (0 if records is None else len(records.trials)), found.rows_in.get("trials", 0)

    draft = draft_settings(path, usable)
    return draft, examine_and_read(path, settings_of(draft.text).records, today=TODAY)[1]


@pytest.mark.slow
@pytest.mark.parametrize("name", ALL_UNITS)
def test_unread_draft_reads_what_was_meant(name, tmp_path) -> None:
    messy = ALL_UNITS[name](tmp_path)
    draft, records = read_unread(messy.path)
    assert records is not None, draft.text
    trials = records.trials
    if "search_s" not in trials:  # a unit that keeps no times of search
        trials = trials.assign(search_s=float("nan"))
    assert len(trials) >= LEAST_USABLE * len(messy.meant)
    # A trial is told by its minute and its dog, which no two share in these records.
    meant = messy.meant.assign(started_at=messy.meant["started_at"].dt.floor("min"))
    both = trials.merge(meant, on=["started_at", "dog_id"], suffixes=("", "_meant"), how="left")
    assert len(both) == len(trials)
    for column in ("source_id", "result"):
        wrong = both[column].fillna("") != both[f"{column}_meant"].fillna("")
        assert not wrong.any(), both.loc[wrong, [column, f"{column}_meant"]]
    # Minutes are written to a tenth of one.
    assert ((both["search_s"] - both["search_s_meant"]).abs().dropna() <= 3.001).all()
    assert (both["search_s"].isna() == both["search_s_meant"].isna()).all()
