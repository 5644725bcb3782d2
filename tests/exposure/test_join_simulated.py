"""Joining against a synthetic unit whose true cycles and ages are known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from outcomes.exposure.trials import join
from outcomes.records.tables import Records
from outcomes.settings import RecordsSettings
from outcomes.simulate.truth import Truth
from outcomes.simulate.unit import Unit, simulate_unit


def as_records(unit: Unit) -> Records:
    def numbered(table: pd.DataFrame, file: str) -> pd.DataFrame:
        return table.assign(file=file, row=np.arange(len(table)) + 2)

    return Records(
        sources=numbered(unit.sources, "sources.csv"),
        storage=numbered(unit.storage, "storage.csv"),
        trials=numbered(unit.trials, "trials.csv"),
        dogs=numbered(unit.dogs, "dogs.csv"),
        findings=(),
        rows_in={"trials": len(unit.trials)},
        settings=RecordsSettings(),
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_complete_log_gives_true_cycles_and_ages(seed: int) -> None:
    unit = simulate_unit(Truth(), seed, trials=1500)
    joined = join(as_records(unit))
    assert not joined.set_aside
    trials = joined.trials.merge(unit.true_trials, on="trial_id", suffixes=("", "_true"))
    assert len(trials) == len(unit.true_trials)
    assert (trials["cycles"] == trials["cycles_true"]).all()
    assert (trials["inferred_thaws"] == 0).all()
    # Both are sums of whole minutes divided into days: equal but for the last digits.
    np.testing.assert_allclose(trials["age_days"], trials["age_days_true"], rtol=1e-12)


def test_missing_thaws_are_mostly_found() -> None:
    unit = simulate_unit(Truth(unlogged_thaw_share=0.3), 4, trials=1500)
    inferred = join(as_records(unit)).trials
    as_logged = replace_policy(unit)
    true = unit.true_trials.set_index("trial_id")["cycles"]

    def error(trials: pd.DataFrame) -> float:
        by_trial = trials.set_index("trial_id")["cycles"].dropna()
        return float((by_trial - true.reindex(by_trial.index)).abs().mean())

    assert inferred["inferred_thaws"].max() > 0
    # As logged, about 0.3 of all thaws are missing; a trial proves nearly every one.
    assert error(inferred) < 0.1 * error(as_logged)


def replace_policy(unit: Unit) -> pd.DataFrame:
    """The trials with cycles as logged alone."""
    records = as_records(unit)
    strict = Records(
        **{
            name: getattr(records, name)
            for name in ("sources", "storage", "trials", "dogs", "findings", "rows_in")
        },
        settings=RecordsSettings(unlogged_thaws="strict"),
    )
    return join(strict).trials
