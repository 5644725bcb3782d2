"""The kind of a source belongs to the source, and every trial carries it."""

from __future__ import annotations

import pandas as pd

from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.simulate import DEMO, simulate_unit


def test_hide_trials_carry_their_sources_kind() -> None:
    records = unit_records(simulate_unit(DEMO, 3, trials=200))
    trials = join(records).trials
    kinds = records.sources.set_index("source_id")["kind"]
    hides = trials["source_id"].notna()
    assert hides.any()
    assert not hides.all()
    expected = trials.loc[hides, "source_id"].map(kinds)
    pd.testing.assert_series_equal(trials.loc[hides, "kind"], expected, check_names=False)
    assert trials.loc[~hides, "kind"].isna().all()
