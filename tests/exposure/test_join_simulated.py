"""Joining against a synthetic unit whose true cycles and ages are known."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import RecordsSettings
from outcomes.simulate import DEMO, Truth, simulate_unit


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_complete_log_gives_true_cycles_and_ages(seed: int) -> None:
    unit = simulate_unit(Truth(), seed, trials=1500)
    joined = join(unit_records(unit))
    assert not joined.set_aside
    trials = joined.trials.merge(unit.true_trials, on="trial_id", suffixes=("", "_true"))
    assert len(trials) == len(unit.true_trials)
    assert (trials["cycles"] == trials["cycles_true"]).all()
    assert (trials["inferred_thaws"] == 0).all()
    # Both are sums of whole minutes divided into days: equal but for the last digits.
    np.testing.assert_allclose(trials["age_days"], trials["age_days_true"], rtol=1e-12)


def test_missing_thaws_are_mostly_found() -> None:
    unit = simulate_unit(Truth(unlogged_thaw_share=0.3), 4, trials=1500)
    records = unit_records(unit)
    inferred = join(records).trials
    as_logged = join(replace(records, settings=RecordsSettings(unlogged_thaws="strict"))).trials
    true = unit.true_trials.set_index("trial_id")["cycles"]

    def error(trials: pd.DataFrame) -> float:
        by_trial = trials.set_index("trial_id")["cycles"].dropna()
        return float((by_trial - true.reindex(by_trial.index)).abs().mean())

    assert inferred["inferred_thaws"].max() > 0
    # As logged, about 0.3 of all thaws are missing; a trial proves nearly every one.
    assert error(inferred) < 0.1 * error(as_logged)


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
