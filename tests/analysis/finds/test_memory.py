"""Earlier meetings of dog and source: beside cycles, among the other ways of asking."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from outcomes.analysis.finds import memory as memory_module
from outcomes.analysis.finds.memory import FIRST_MEETINGS, WITH_MEETINGS, ask_with_meetings
from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.finds.other_trials import ask_other_trials
from outcomes.analysis.finds.specifications import Asked, Memory, Specification
from outcomes.errors import FitError
from outcomes.settings import DecisionSettings
from outcomes.wording.memory import describe_memory


def _asked(fit: FindFit) -> Asked:
    asked = Asked(fit, ("cycles",), {"cycles": 1.0})
    term = fit.term("cycles")
    asked.add("main", "main", "cycles", (term.log_ratio, term.std_error, 8.0), (fit.n, fit.sources))
    return asked


def _met(made_trials, memory: float, cycles_follow: bool = True):
    """Trials whose sources cycle as they are met, where asked; finds rise with meetings."""
    trials = made_trials(8, n=1600, dogs=4, sources=12, baseline=0.6)
    trials["met_before"] = trials.groupby(["dog_id", "source_id"]).cumcount().astype(float)
    rng = np.random.default_rng(8)
    if cycles_follow:
        uses = trials.groupby("source_id").cumcount() // 4
        trials["cycles"] = uses + rng.integers(0, 3, len(trials)).astype(float)
    chance = 1.0 / (1.0 + np.exp(-(0.6 + memory * np.log2(trials["met_before"] + 1.0))))
    return trials.assign(result=np.where(rng.random(len(trials)) < chance, "find", "miss"))


def test_memory_taken_for_cycles_is_told(made_trials):
    fit = fit_finds(_met(made_trials, 0.4), DecisionSettings())
    assert fit.design.column_of("met_before") is None  # never in the main model
    assert fit.term("cycles").low > 1.0
    asked = _asked(fit)
    memory = ask_with_meetings(asked)
    assert memory.low < 0.4 < memory.high
    assert memory.low > 0.0
    assert memory.cycles_with_it.low < 0.0 < memory.cycles_with_it.high
    assert memory.changes_answer
    assert memory.together
    (row,) = [r for r in asked.rows if r.name == WITH_MEETINGS]
    assert row == memory.cycles_with_it
    assert row.family == "model"
    error = (memory.high - memory.log_odds) / stats.norm.isf(0.025)
    assert memory.p == pytest.approx(2.0 * stats.norm.sf(memory.log_odds / error), rel=1e-6)
    assert row.std_error > 1.5 * asked.rows[0].std_error
    told = describe_memory(memory, 0.05)
    assert "that changes the answer, so it may be memory in part" in told
    assert f"correlation {memory.correlation:.2f}" in told


def test_without_memory_nothing_need_be_said(made_trials):
    fit = fit_finds(_met(made_trials, 0.0, cycles_follow=False), DecisionSettings())
    memory = ask_with_meetings(_asked(fit))
    assert memory.low < 0.0 < memory.high
    assert abs(memory.correlation) < 0.2
    assert describe_memory(memory, 0.05) is None


def test_first_meetings_have_their_own_model(made_trials):
    trials = _met(made_trials, 0.0, cycles_follow=False)
    trials["met_before"] = np.where(np.arange(len(trials)) % 2, 0.0, 3.0)
    asked = _asked(fit_finds(trials, DecisionSettings()))
    ask_other_trials(asked, None)
    (row,) = [r for r in asked.rows if r.name == FIRST_MEETINGS]
    alone = fit_finds(trials[trials["met_before"] == 0.0], DecisionSettings()).term("cycles")
    assert row.n == 800
    assert row.log_odds == pytest.approx(alone.log_ratio, abs=1e-6)


@pytest.mark.parametrize(
    ("meetings", "reason"),
    [(None, "not on record"), (np.nan, "not on record"), (0.0, "no dog met a source twice")],
)
def test_meetings_not_known_are_refused(made_trials, meetings, reason):
    trials = made_trials(3, n=600, cycle=-0.1)
    if meetings is not None:
        trials = trials.assign(met_before=meetings)
    asked = _asked(fit_finds(trials, DecisionSettings()))
    assert ask_with_meetings(asked) is None
    assert reason in asked.rows[-1].reason
    assert asked.rows[-1].family == "model"


def test_no_fit_with_meetings_has_its_reason(made_trials, monkeypatch):
    asked = _asked(fit_finds(_met(made_trials, 0.0, cycles_follow=False), DecisionSettings()))

    def fails(*args, **kwargs):
        raise FitError("no maximum was found")

    monkeypatch.setattr(memory_module, "refit_other", fails)
    assert ask_with_meetings(asked) is None
    assert asked.rows[-1].reason == "no maximum was found"


def test_going_together_is_said_without_a_change():
    row = Specification("", "model", "cycles", "cycle", -0.1, 0.02, -0.14, -0.06, 900, 20)
    memory = Memory(0.1, -0.1, 0.3, 0.3, row, 0.91, changes_answer=False)
    assert describe_memory(memory, 0.05) == (
        "Cycles and the dogs' earlier meetings with a source go together (correlation 0.91): these "
        "records can hardly tell the two apart. With meetings held the same, the odds of a find "
        "change by −10 % a cycle (95 % interval −13 % to −6 %)."
    )
    assert describe_memory(replace(memory, correlation=0.5), 0.05) is None
    assert describe_memory(None, 0.05) is None
