"""The shelf of one simulated unit, reviewed once."""

import pandas as pd
import pytest

from outcomes.analysis.decisions.shelf import review_shelf
from outcomes.analysis.finds.model import fit_finds
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit


@pytest.fixture(scope="session")
def shelved():
    """A unit in which finds fall with cycles: itself, its records, joined trials, fit and shelf."""
    unit = simulate_unit(SCENARIOS["cycles only"], 4, trials=1600)
    records = unit_records(unit)
    joined = join(records)
    fit = fit_finds(joined.trials, DecisionSettings())
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=1)
    return unit, records, joined, fit, review_shelf(fit, records.sources, joined.history, as_of)
