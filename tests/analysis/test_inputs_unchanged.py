"""No answer changes the trials, or the fit, it is worked out from."""

import pandas as pd
import pytest

from outcomes.analysis.finds.confounders import compare_suspects
from outcomes.analysis.finds.cycles_or_age import which_predicts
from outcomes.analysis.finds.model import fit_finds
from outcomes.analysis.lifetimes.kaplan_meier import fit_lifetime
from outcomes.analysis.searches.false_alerts import fit_false_alerts
from outcomes.answers.side_questions import ask_search_time
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit

SETTINGS = DecisionSettings()
RECORDS = unit_records(simulate_unit(SCENARIOS["cycles only"], 7, trials=500))
ASKED = {
    "finds": lambda trials: fit_finds(trials, SETTINGS),
    "suspects": lambda trials: compare_suspects(trials, SETTINGS),
    "search time": lambda trials: ask_search_time(fit_finds(trials, SETTINGS)),
    "false alerts": lambda trials: fit_false_alerts(trials, SETTINGS),
    "lifetimes": lambda trials: fit_lifetime(trials, RECORDS.sources, RECORDS.storage, SETTINGS),
}


@pytest.mark.parametrize("name", ASKED)
def test_trials_stay_as_they_were(name) -> None:
    trials = join(RECORDS).trials
    before = trials.copy(deep=True)
    ASKED[name](trials)
    pd.testing.assert_frame_equal(trials, before)


def test_the_fit_stays_as_it_was() -> None:
    fit = fit_finds(join(RECORDS).trials, SETTINGS)
    x, trials = fit.design.x.copy(), fit.design.trials.copy(deep=True)
    which_predicts(fit, refits=0)
    assert (x == fit.design.x).all()
    pd.testing.assert_frame_equal(trials, fit.design.trials)
