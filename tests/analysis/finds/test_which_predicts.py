"""The six verdicts, and that each is reached for its own reason."""

import contextlib
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import special, stats

from outcomes.analysis.finds import line_tests
from outcomes.analysis.finds.cycles_or_age import WhichPredicts, which_predicts
from outcomes.analysis.finds.design import EXPOSURES
from outcomes.analysis.finds.line_tests import LineTests
from outcomes.analysis.finds.model import fit_finds
from outcomes.analysis.results import VERDICTS
from outcomes.errors import FitError
from outcomes.exposure.trials import join
from outcomes.models.mixed import fit_mixed
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit


def _ask(trials: pd.DataFrame, refits: int = 0) -> WhichPredicts:
    return which_predicts(fit_finds(trials, DecisionSettings()), refits=refits)


def test_each_planted_cause_gets_its_verdict(made_trials) -> None:
    assert _ask(made_trials(2, n=900, cycle=-0.15, baseline=3.0)).verdict == "cycles"
    assert _ask(made_trials(2, n=900, age=-0.12, baseline=3.0)).verdict == "age"
    assert _ask(made_trials(2, n=1200, cycle=-0.15, age=-0.12, baseline=4.0)).verdict == "both"
    assert _ask(made_trials(4)).verdict == "no change detected"
    assert set(VERDICTS) >= {"cycles", "age", "both", "no change detected"}


def test_identical_cycles_and_age_are_not_parted(made_trials) -> None:
    answer = _ask(made_trials(2, n=900, cycle=-0.15, baseline=3.0, tied=True))
    assert answer.verdict == "cannot be told apart"
    assert answer.correlation == pytest.approx(1.0)
    # Nothing on record parts them, so naming sources to test would be naming noise.
    assert answer.would_separate == ()


def test_nearly_tied_names_the_parting_sources(made_trials) -> None:
    trials = made_trials(2, n=900, cycle=-0.12, baseline=3.0, tied=True)
    rng = np.random.default_rng(1)
    trials["age_days"] += rng.normal(0.0, 8.0, len(trials))
    answer = _ask(trials)
    assert answer.verdict == "cannot be told apart"
    assert answer.correlation > 0.99
    assert 0 < len(answer.would_separate) <= 6
    assert set(answer.would_separate) <= set(trials["source_id"])


def test_effect_of_the_other_sign_is_found(made_trials) -> None:
    trials = made_trials(2, n=900, cycle=0.15, baseline=0.5)
    fit = fit_finds(trials, DecisionSettings())
    assert which_predicts(fit, refits=0).verdict == "cycles"
    assert fit.term("cycles").points > 0


def test_ratio_statistic_is_statsmodels(made_trials) -> None:
    # statsmodels Logit: twice the difference in log-likelihood of nested models.
    trials = made_trials(7, n=900, cycle=-0.06, age=-0.02)
    fit = fit_finds(trials, DecisionSettings())
    assert max(fit.sd.values()) < 1e-3
    joint = LineTests(fit, 0).drop(EXPOSURES)
    full = sm.Logit(fit.design.y, fit.design.x).fit(disp=False)
    null = sm.Logit(fit.design.y, fit.design.x[:, :1]).fit(disp=False)
    assert joint.statistic == pytest.approx(2 * (full.llf - null.llf), abs=1e-3)
    assert joint.p_chi_square == pytest.approx(stats.chi2.sf(joint.statistic, 2))


@pytest.mark.slow
def test_calibration_never_makes_surer(made_trials) -> None:
    trials = made_trials(6, n=400, cycle=-0.07, source_sd=0.8)
    one, two = _ask(trials, refits=15), _ask(trials, refits=15)
    assert one == two
    test = LineTests(fit_finds(trials, DecisionSettings()), 15).drop(EXPOSURES)
    assert test.p >= test.p_chi_square
    assert test.refits > 0
    assert test.inflation >= 1.0


@pytest.mark.slow
def test_few_sources_divide_the_statistic() -> None:
    # Rocke 1989: the mean of the statistic over data simulated from the model without the effect.
    unit = simulate_unit(SCENARIOS["no effect"], 564, trials=450, sources=8, dogs=4)
    fit = fit_finds(join(unit_records(unit)).trials, DecisionSettings())
    test = LineTests(fit, 99).drop(EXPOSURES)
    # Chi-square would call a change that was not planted; the correction does not.
    assert test.p_chi_square < 0.05 < test.p
    # The same mean from draws of our own, refitted from nowhere.
    design = fit.design
    tested = [design.column_of(name) for name in ("cycles", "age_days")]
    keep = [j for j in range(design.x.shape[1]) if j not in tested]
    names = [design.names[j] for j in keep]

    null = fit_mixed(design.y, design.x[:, keep], names, design.groups)
    groups = {name: labels for name, labels in design.groups.items() if null.sd[name] > 0.0}

    def ratio(y: np.ndarray) -> float:
        small = fit_mixed(y, design.x[:, keep], names, groups, details=False)
        large = fit_mixed(y, design.x, design.names, groups, details=False)
        return 2.0 * (large.log_likelihood - small.log_likelihood)

    rng = np.random.default_rng(8)
    found = []
    for _ in range(150):
        eta = design.x[:, keep] @ null.beta
        for grouping, labels in groups.items():
            levels, place = np.unique(labels, return_inverse=True)
            eta = eta + rng.normal(0.0, null.sd[grouping], len(levels))[place]
        with contextlib.suppress(FitError):  # now and then the engine does not converge
            y = (rng.random(len(eta)) < special.expit(eta)).astype(float)
            found.append(ratio(y) / test.df)
    assert len(found) > 140
    error = np.std(found) * np.sqrt(1 / len(found) + 1 / test.refits)
    assert test.inflation == pytest.approx(np.mean(found), abs=3.5 * error)
    assert test.p == pytest.approx(stats.chi2.sf(test.statistic / test.inflation, 2))


def test_no_change_states_the_largest_fall(made_trials) -> None:
    # By hand: every trial moved 10 cycles on at the interval's steepest fall (no random spread).
    fit = fit_finds(made_trials(7), DecisionSettings())
    assert max(fit.sd.values()) < 1e-3
    answer = which_predicts(fit, refits=0)
    assert answer.verdict == "no change detected"
    eta = fit.design.x @ fit.mixed.beta
    then = eta + 10 * np.log(fit.term("cycles").low)
    fall = 100 * (special.expit(eta) - special.expit(then)).mean()
    assert answer.largest_fall["cycles"] == pytest.approx(fall, abs=0.01)


def test_never_frozen_is_asked_about_age_alone(made_trials) -> None:
    trials = made_trials(2, n=900, age=-0.12, baseline=3.0).assign(cycles=0.0)
    answer = _ask(trials)
    assert answer.asked == ("age_days",)
    assert answer.verdict == "age"
    assert answer.correlation is None


def test_parted_finds_get_no_made_up_size(made_trials) -> None:
    trials = made_trials(1, n=400)
    trials["result"] = np.where(trials["cycles"] < 10, "find", "miss")
    fit = fit_finds(trials, DecisionSettings())
    assert fit.mixed is None
    assert "overlap" in fit.reason
    assert which_predicts(fit).verdict == "too few trials"


def test_any_number_of_processes_answers_alike(made_trials, monkeypatch) -> None:
    fit = fit_finds(
        made_trials(2, n=600, cycle=-0.12, baseline=3.0, source_sd=0.3), DecisionSettings()
    )
    steps: list[tuple[int, int]] = []
    alone = LineTests(fit, 25, progress=lambda done, of: steps.append((done, of))).drop(EXPOSURES)
    # Far beyond the level: the first ten settle it.
    assert alone.refits == 10
    assert steps == [*((n, 25) for n in range(1, 11)), (25, 25)]
    monkeypatch.setattr(line_tests, "_WORTH_SHARING", 0)
    assert LineTests(fit, 25, jobs=2).drop(EXPOSURES) == alone


@pytest.mark.slow
def test_refits_go_on_until_settled(made_trials, monkeypatch) -> None:
    fit = fit_finds(made_trials(6, n=400, cycle=-0.07, source_sd=0.8), DecisionSettings())
    asked = LineTests(fit, 60).drop(EXPOSURES)
    monkeypatch.setattr(line_tests, "_SETTLED", np.inf)
    to_the_end = LineTests(fit, 60).drop(EXPOSURES)
    assert to_the_end.refits == 60
    assert asked.refits < 60
    assert (asked.p < 0.05) == (to_the_end.p < 0.05)


def _without_early_moves(seed: int):
    """A unit whose finds fall with cycles alone, its storage log begun 400 days late."""
    unit = simulate_unit(SCENARIOS["cycles only"], seed)
    records = unit_records(unit)
    first = records.storage["moved_at"].min() + pd.Timedelta(days=400)
    later = records.storage[records.storage["moved_at"] >= first]
    return fit_finds(join(replace(records, storage=later)).trials, DecisionSettings())


@pytest.mark.slow
def test_unrecorded_thaws_are_not_called_age():
    # Age does nothing in these units; without a term for what went unlogged it stands in for it.
    named = {True: 0, False: 0}
    for seed in range(2, 10):
        fit = _without_early_moves(seed)
        assert (unlogged := fit.term("undocumented_days")) is not None
        assert unlogged.log_ratio < 0.0
        found = which_predicts(fit, refits=0)
        assert found.thaws_missing > 0.5
        assert found.no_limit
        assert not found.age_withheld
        trials = fit.design.trials.drop(columns="undocumented_days")
        blind = which_predicts(fit_finds(trials, DecisionSettings()), refits=0)
        for allowed_for, verdict in ((True, found.verdict), (False, blind.verdict)):
            named[allowed_for] += verdict in ("age", "both")
    # Of eight units without an effect of age two or more are called in 6 of 100 at 5 %.
    assert named[True] <= 1 < named[False]


@pytest.mark.parametrize(("late_in_100", "withheld"), [(4, False), (6, True)])
def test_age_is_withheld_without_late_log_term(late_in_100, withheld):
    unit = simulate_unit(SCENARIOS["age only"], 3)
    trials = join(unit_records(unit)).trials
    late = np.arange(len(trials)) % 100 < late_in_100
    fit = fit_finds(trials.assign(undocumented_days=np.where(late, 31.0, 30.0)), DecisionSettings())
    assert which_predicts(fit, refits=0).verdict == "age"
    # As if the term could not have been carried.
    column = fit.design.column_of("undocumented_days")
    assert column is not None
    other = tuple(replace(c, term="other") if c.term == "undocumented_days" else c
                  for c in fit.design.columns)  # fmt: skip
    found = which_predicts(replace(fit, design=replace(fit.design, columns=other)), refits=0)
    assert found.thaws_missing == pytest.approx(late_in_100 / 100.0, abs=0.02)
    assert (found.age_withheld, found.no_limit) == (withheld, withheld)
    assert found.verdict == ("cannot be told apart" if withheld else "age")
    assert not withheld or found.would_separate == ()


@pytest.mark.parametrize(("late_in_100", "none"), [(8, False), (12, True)])
def test_no_limit_with_many_cycles_missing(late_in_100, none):
    trials = join(unit_records(simulate_unit(SCENARIOS["cycles only"], 3))).trials
    late = np.arange(len(trials)) % 100 < late_in_100
    fit = fit_finds(trials.assign(undocumented_days=np.where(late, 31.0, 30.0)), DecisionSettings())
    found = which_predicts(fit, refits=0)
    assert (found.verdict, found.no_limit) == ("cycles", none)


def test_late_logs_name_age_where_cycles_cannot(made_trials):
    trials = made_trials(11, n=900, age=-0.12).assign(cycles=0.0, undocumented_days=400.0)
    found = which_predicts(fit_finds(trials, DecisionSettings()), refits=0)
    assert found.asked == ("age_days",)
    assert (found.verdict, found.age_withheld) == ("age", False)
