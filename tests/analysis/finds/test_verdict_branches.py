"""Verdicts where sources change at different speeds, and how tests are calibrated."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy import stats

from outcomes.analysis.finds import cycles_or_age, line_tests
from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.cycles_or_age import which_predicts
from outcomes.analysis.finds.design import EXPOSURES
from outcomes.analysis.finds.line_tests import LineTests, RatioTest
from outcomes.analysis.finds.model import fit_finds, less_biased
from outcomes.errors import FitError
from outcomes.models.mixed import fit_mixed
from outcomes.settings import DecisionSettings

SETTINGS = DecisionSettings()
SPEEDS = np.tile([-0.45, 0.0, 0.3], 4)  # mean -0.05 a cycle, far from common to all


@pytest.fixture(scope="module")
def uneven(made_trials):
    trials = made_trials(31, n=1500, baseline=1.0, cycle_slopes=SPEEDS)
    return fit_finds(trials, SETTINGS)


def test_sources_apart_establish_no_common_course(uneven):
    answer = which_predicts(uneven, refits=0)
    # Taken for a common slope the fall is beyond doubt, 5 in 100 at the least.
    assert LineTests(uneven, 0).drop(EXPOSURES).p < 0.01
    assert answer.verdict == "no change detected"
    assert answer.slopes_differ == ("cycles",)
    assert any("no common course is established" in note for note in answer.notes)


def test_test_agrees_with_interval_on_slopes(uneven):
    answer, term = which_predicts(uneven, refits=0), uneven.term("cycles")
    assert answer.cycles_given_age.p == pytest.approx(term.p, rel=1e-6)
    assert (answer.cycles_given_age.p < 0.05) == (not term.low <= 1.0 <= term.high)
    # The interval is that of t, whose limits bear p out by hand.
    half = np.log(term.high / term.low) / 2.0
    quantile = stats.t.ppf(0.975, uneven.freedom[uneven.design.column_of("cycles")])
    p = 2.0 * stats.t.sf(
        abs(term.log_ratio) / half * quantile, uneven.freedom[uneven.design.column_of("cycles")]
    )
    assert p == pytest.approx(term.p, rel=1e-6)


def test_added_slope_error_shrinks_with_the_bias(uneven):
    column = uneven.design.column_of("cycles")
    plain = fit_mixed(uneven.design.y, uneven.design.x, uneven.design.names, uneven.design.groups)
    kept = less_biased(uneven.design, plain).cov[column, column] / plain.cov[column, column]
    assert kept < 0.995
    ratio = uneven.reduced.cov[column, column] / uneven.mixed.cov[column, column]
    assert ratio == pytest.approx(kept, rel=1e-6)
    # Much of it is what the slopes add: otherwise this would say little.
    added = uneven.mixed.cov[column, column] / (
        plain.cov[column, column] * uneven.widening[column] ** 2
    )
    assert added > 2.0


def test_copies_need_a_common_course_too(made_trials):
    trials = made_trials(31, n=1500, baseline=1.0, cycle_slopes=SPEEDS, tied=True)
    answer = which_predicts(fit_finds(trials, SETTINGS), refits=0)
    assert answer.verdict == "no change detected"
    assert answer.slopes_differ == ("cycles",)


def test_differing_speeds_say_why_no_age(made_trials):
    trials = made_trials(31, n=1500, baseline=1.0, cycle_slopes=SPEEDS, tied=True)
    answer = which_predicts(fit_finds(trials.assign(cycles=0.0), SETTINGS), refits=0)
    assert (answer.verdict, answer.asked) == ("no change detected", ("age_days",))
    assert any("cycles could not be asked" in note for note in answer.notes)
    assert any("no common course" in note for note in answer.notes)


def test_interval_with_no_change_names_nothing(made_trials):
    # Only cycles are planted. By chance age passes its uncorrected test at 0.026, while its
    # interval, which allows for 12 sources, still holds 1.
    fit = fit_finds(made_trials(32, n=900, cycle=-0.15, baseline=3.0), SETTINGS)
    answer = which_predicts(fit, refits=0)
    assert fit.term("age_days").low < 1.0 < fit.term("age_days").high
    assert fit.term("cycles").high < 1.0
    assert answer.age_given_cycles.p < 0.05
    assert answer.verdict == "cycles"
    held_back = [note for note in answer.notes if "does not name age" in note]
    assert len(held_back) == 1


def test_without_groupings_nothing_is_corrected(made_trials):
    # Wilks: with 800 trials and no sources the mean statistic of one parameter is 1.
    # The mean of 60 chi-square values has the standard error sqrt(2 / 60) = 0.18.
    trials = made_trials(33, n=800, baseline=1.0)
    fit = fit_finds(trials, SETTINGS)
    design = replace(plan_design(trials), groups={})
    plain = replace(fit, design=design, mixed=fit_mixed(design.y, design.x, design.names, {}))
    tests = LineTests(plain, 60)
    keep = tests.columns_without(("cycles",))
    # A statistic so close to the level that no number of refits settles it.
    found = tests.without_effect(line_tests._fit_columns(design, design.y, keep), keep, 3.9, 1)
    assert len(found) == 60
    assert found.mean() == pytest.approx(1.0, abs=3 * np.sqrt(2 / 60))


def test_far_beyond_the_level_few_refits_do(made_trials):
    fit = fit_finds(made_trials(34, n=500, cycle=-0.2, baseline=3.0, source_sd=0.5), SETTINGS)
    answer = which_predicts(fit, refits=40)
    assert answer.verdict == "cycles"
    for test in (LineTests(fit, 40).drop(EXPOSURES), answer.cycles_given_age):
        assert test.refits == 10
        assert test.p == pytest.approx(stats.chi2.sf(test.statistic / test.inflation, test.df))
        # Ten settle that it is below 0.05, not what it is.
        assert test.p < test.p_most < 0.05


def test_p_is_as_exact_as_the_simulation_bears():
    # By hand: mean 2, standard deviation 1, so three errors of 16 are 0.75: a statistic of 8 is
    # 8 / 1.25 or 8 / 2.75 against chi-square with one degree of freedom.
    found = 2.0 + np.tile([-1.0, 1.0], 8) * np.sqrt(15 / 16)
    low, high = line_tests._p_of_means(found, 8.0, 1)
    assert (low, high) == pytest.approx((stats.chi2.sf(8 / 1.25, 1), stats.chi2.sf(8 / 2.75, 1)))
    # 0.011 and 0.088: not settled at 5 in 100, but settled at 1 in 10.
    assert not line_tests._settled(found, 8.0, 1, 0.05)
    assert line_tests._settled(found, 8.0, 1, 0.10)


@pytest.mark.parametrize(
    ("tied", "verdict"), [(False, "no change detected"), (True, "cannot be told apart")]
)
def test_passing_the_test_is_not_the_interval(made_trials, monkeypatch, tied, verdict):
    fit = fit_finds(made_trials(32, n=900, cycle=-0.15, baseline=3.0), SETTINGS)
    # Both pass their tests here; let neither interval be sure, and the two be tied or not.
    unsure = RatioTest(3.0, 1, 0.08, 1.0, 0, 0.08)
    monkeypatch.setattr(LineTests, "by_interval", lambda self, exposure: unsure)
    monkeypatch.setattr(cycles_or_age, "exposures_tied", lambda design: tied)
    answer = which_predicts(fit, refits=0)
    assert min(answer.cycles_given_age.p, answer.age_given_cycles.p) < 0.05
    assert answer.verdict == verdict
    assert any("still includes no change" in note for note in answer.notes)


@pytest.fixture(scope="module")
def many_sources(made_trials):
    trials = made_trials(35, n=900, sources=110, cycle=-0.2, baseline=3.0)
    return fit_finds(trials, SETTINGS)


def test_unsimulated_p_follows_the_interval(many_sources):
    answer = which_predicts(many_sources)
    test = answer.cycles_given_age
    # 110 sources; the intercept and two exposures are asked about, and nothing else stands
    # between them: 110 / 107, and F with 107 degrees of freedom.
    assert test.inflation == pytest.approx(110 / 107)
    assert test.p == pytest.approx(stats.f.sf(test.statistic * 107 / 110, 1, 107))
    joint = LineTests(many_sources, 99).drop(EXPOSURES)
    assert joint.p == pytest.approx(stats.f.sf(joint.statistic * 107 / 110 / 2, 2, 107))
    assert (test.refits, joint.refits) == (0, 0)
    assert test.p > test.p_chi_square
    assert any("by the rule of the intervals" in note for note in answer.notes)


def test_too_many_to_refit_still_allows_for_few(made_trials, monkeypatch):
    fit = fit_finds(made_trials(34, n=500, cycle=-0.2, baseline=3.0, source_sd=0.5), SETTINGS)
    monkeypatch.setattr(line_tests, "_MOST_TRIALS_TO_REFIT", 499)
    test = which_predicts(fit).cycles_given_age
    column = fit.design.column_of("cycles")
    assert fit.widening[column] ** 2 == pytest.approx(12 / 9)
    assert test.inflation == pytest.approx(12 / 9)
    assert test.p == pytest.approx(stats.f.sf(test.statistic * 9 / 12, 1, 9))


def test_chi_square_only_where_asked_for(many_sources):
    answer = which_predicts(many_sources, refits=0)
    joint = LineTests(many_sources, 0).drop(EXPOSURES)
    assert joint.p == joint.p_chi_square
    assert not any("by the rule of the intervals" in note for note in answer.notes)


def test_slopes_that_may_differ_are_allowed_for(uneven):
    doubtful = tuple(replace(s, statistic=3.0) for s in uneven.slopes)
    answer = which_predicts(replace(uneven, slopes=doubtful), refits=0)
    assert answer.verdict == "no change detected"
    assert answer.slopes_differ == ()
    assert any("may differ in how they change; allowing for that" in n for n in answer.notes)
    assert which_predicts(uneven, refits=0).slopes_differ == ("cycles",)


def test_sources_that_plainly_differ_are_named(made_trials):
    # As many fall as rise.
    slopes = np.tile([-0.1, 0.1], 6)
    fit = fit_finds(made_trials(5, n=900, baseline=0.0, cycle_slopes=slopes), SETTINGS)
    answer = which_predicts(fit, refits=0)
    assert answer.joint.p > 0.05
    assert (answer.verdict, answer.slopes_differ) == ("no change detected", ("cycles",))
    doubtful = tuple(replace(s, statistic=7.0) for s in fit.slopes)
    assert all(s.seem_to_differ and not s.plainly_differ for s in doubtful)
    again = which_predicts(replace(fit, slopes=doubtful), refits=0)
    assert (again.verdict, again.slopes_differ) == ("no change detected", ())


def test_four_tests_err_in_5_units_of_100(uneven):
    # Where slopes are common the statistic is the square of one normal variate, and half the
    # time that of another with it (Self and Liang 1987, case 6); 400,000 draws.
    one, other = np.random.default_rng(3).normal(size=(2, 400_000))
    drawn = np.sort(one**2 + np.where(other > 0, other, 0.0) ** 2)
    at = drawn[int(len(drawn) * (1 - 0.05 / 4))]
    slope = uneven.slopes[0]
    assert replace(slope, statistic=at + 0.15).plainly_differ
    assert not replace(slope, statistic=at - 0.15).plainly_differ


def test_the_seed_alone_decides_what_is_simulated(made_trials):
    trials = made_trials(36, n=400, cycle=-0.09, baseline=2.5, source_sd=0.5)
    fit = fit_finds(trials, SETTINGS)
    one, same = which_predicts(fit, refits=6), which_predicts(fit, refits=6)
    assert one == same
    assert one.joint.refits > 0
    reseeded = replace(fit, settings=replace(SETTINGS, seed=2))
    mine, other = (LineTests(f, 6).drop(EXPOSURES) for f in (fit, reseeded))
    assert mine.statistic == other.statistic
    assert mine.inflation != other.inflation or mine.inflation == 1.0


def test_larger_model_answers_where_smaller_fails(made_trials, monkeypatch):
    fit = fit_finds(made_trials(37, n=900, cycle=-0.15, baseline=3.0), SETTINGS)
    by_ratio = which_predicts(fit, refits=0)

    def fails(*_args, **_options):
        raise FitError("the model did not converge")

    monkeypatch.setattr(line_tests, "fit_mixed", fails)
    by_error = which_predicts(fit, refits=0)
    assert by_error.verdict == by_ratio.verdict == "cycles"
    # Wald and likelihood-ratio statistics agree to first order; the widened error
    # makes the former smaller by 9/12 here.
    assert by_error.cycles_given_age.statistic == pytest.approx(
        by_ratio.cycles_given_age.statistic * 9 / 12, rel=0.15
    )


@example(finds=3, misses=19)  # 27 finds at 3 in 22 are exactly 198 trials
@given(finds=st.integers(1, 29), misses=st.integers(1, 29))
@hypothesis_settings(deadline=None, max_examples=20)
def test_more_trials_suffice_for_finds_and_misses(made_trials, finds, misses):
    n = finds + misses
    trials = made_trials(38, n=n).assign(result=["find"] * finds + ["miss"] * misses)
    answer = which_predicts(fit_finds(trials, SETTINGS))
    assert answer.verdict == "too few trials"
    total = n + answer.more_trials
    assert min(finds, misses) * total / n >= 30 - 1e-9
    assert min(finds, misses) * (total - 1) / n < 30


def test_no_miss_cannot_say_how_many_more(made_trials):
    answer = which_predicts(fit_finds(made_trials(39).assign(result="find"), SETTINGS))
    assert (answer.verdict, answer.more_trials) == ("too few trials", None)


def test_largest_fall_is_within_what_there_is(made_trials):
    trials = made_trials(40, n=120, baseline=0.5, sources=8)
    fit = fit_finds(trials, SETTINGS)
    answer = which_predicts(fit, refits=0)
    for fall in answer.largest_fall.values():
        assert 0.0 <= fall <= 100.0 * fit.finds / fit.n + 1.0


def test_names_and_order_leave_the_verdict(made_trials):
    trials = made_trials(41, n=700, cycle=-0.12, baseline=3.0)
    renamed = trials.assign(source_id=trials["source_id"].map(lambda s: f"{s[::-1]}q"))
    answers = [
        which_predicts(fit_finds(t, SETTINGS), refits=0)
        for t in (trials, renamed, trials.sample(frac=1.0, random_state=3))
    ]
    assert len({a.verdict for a in answers}) == 1
    for of in ("joint", "cycles_given_age"):
        found = [getattr(a, of).p for a in answers]
        assert found == pytest.approx([found[0]] * 3, rel=1e-4)
