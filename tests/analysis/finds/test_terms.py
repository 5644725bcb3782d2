"""Which trials and terms enter a model of finds, and what stays out with its reason."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.terms import values_of
from outcomes.analysis.finds.usable_trials import usable_trials
from outcomes.models.separation import is_separated


def _reason(design, term: str) -> str:
    return next(left.reason for left in design.left_out if left.term == term)


def test_textbook_separations_are_recognised():
    # The two small sets of the UCLA Statistical Consulting note "What is complete or
    # quasi-complete separation in logistic regression" (from memory).
    complete = np.column_stack(
        [np.ones(8), [1, 2, 3, 3, 5, 6, 10, 11], [3, 2, -1, -1, 2, 4, 1, 0]]
    ).astype(float)
    assert is_separated(np.array([0, 0, 0, 0, 1, 1, 1, 1.0]), complete)
    quasi = np.column_stack(
        [np.ones(10), [1, 2, 3, 3, 3, 4, 5, 6, 10, 11], [3, 0, -1, 4, 1, 0, 2, 7, 3, 4]]
    ).astype(float)
    y = np.array([0, 0, 0, 0, 1, 1, 1, 1, 1, 1.0])
    assert is_separated(y, quasi)
    # One find below the misses along the first covariate, none along the second: overlap.
    y_overlapping = y.copy()
    y_overlapping[[0, 9]] = 1.0, 0.0
    assert not is_separated(y_overlapping, quasi)


def test_separation_by_two_terms_is_recognised():
    x = np.array([[1, 0, 1], [1, 1, 2], [1, 2, 3], [1, 1, 0], [1, 2, 1], [1, 3, 2]], dtype=float)
    y = np.array([1, 1, 1, 0, 0, 0.0])
    assert is_separated(y, x)
    assert not is_separated(y, x[:, :2])
    assert not is_separated(y, x[:, [0, 2]])


@given(
    st.lists(st.tuples(st.integers(-5, 5), st.booleans()), min_size=2, max_size=30),
    st.floats(1e-3, 1e3),
)
@settings(deadline=None, max_examples=60)
def test_one_covariate_separates_without_overlap(rows, scale):
    # Albert & Anderson 1984: with one covariate, the ranges share at most an end point.
    v = np.array([r[0] for r in rows], dtype=float) * scale
    y = np.array([r[1] for r in rows], dtype=float)
    if y.min() == y.max():
        expected = True
    elif v.min() == v.max():
        expected = False
    else:
        finds, misses = v[y == 1], v[y == 0]
        expected = finds.max() <= misses.min() or misses.max() <= finds.min()
    assert is_separated(y, np.column_stack([np.ones(len(v)), v])) == expected


def test_nearly_parted_trials_are_not_separated():
    # A single overlap: the solver's own tolerance, added up, must not count as a margin.
    v = np.linspace(-1.0, 1.0, 2000)
    y = (v > 0).astype(float)
    y[[0, -1]] = 1.0, 0.0
    assert not is_separated(y, np.column_stack([np.ones(2000), v]))


def test_every_hide_trial_is_used_or_left_out(made_trials):
    trials = made_trials(1, n=200)
    trials["assisted"] = pd.array([i < 7 for i in range(200)], dtype="boolean")
    trials.loc[5:14, "documented"] = False  # five of them assisted or not: 7..14 count here
    trials.loc[20:22, "cycles"] = np.nan
    trials.loc[30, ["source_id", "result"]] = [None, "clear"]
    usable, left_out = usable_trials(trials)
    assert [left.reason.split(":")[0] for left in left_out] == ["7 trials", "8 trials", "3 trials"]
    assert len(usable) == 199 - 7 - 8 - 3


def test_the_trials_handed_over_stay_as_they_were(made_trials):
    trials = made_trials(2)
    before = trials.copy(deep=True)
    plan_design(trials)
    pd.testing.assert_frame_equal(trials, before)


def test_constant_column_is_left_out_alone(made_trials):
    trials = made_trials(3)
    plain = plan_design(trials)
    more = plan_design(trials.assign(temperature_c=12.0, setting="field"))
    np.testing.assert_array_equal(more.x, plain.x)
    assert _reason(more, "temperature_c") == "the same in every trial used"
    assert _reason(more, "setting") == "the same in every trial used"


def test_numbers_are_centred_and_scaled_as_stated(made_trials):
    trials = made_trials(4)
    trials["temperature_c"] = np.linspace(-5.0, 25.0, len(trials))
    trials["set_min"] = 2.0 ** (np.arange(len(trials)) % 7)
    design = plan_design(trials)
    for column, values in zip(design.columns, design.x[:, 1:].T, strict=True):
        raw = trials[column.term].to_numpy(float)
        raw = np.log2(raw) if column.term == "set_min" else raw
        np.testing.assert_allclose(values * column.divisor + column.reference, raw, atol=1e-9)
    references = {c.term: (c.reference, c.divisor, c.unit) for c in design.columns}
    assert references["cycles"] == (0.0, 1.0, "cycle")
    assert references["age_days"] == (0.0, 30.0, "30 days")
    assert references["temperature_c"] == (10.0, 10.0, "10 °C")
    assert references["set_min"] == (3.0, 1.0, "doubling")


def test_copying_exposure_is_named_as_copy(made_trials):
    design = plan_design(made_trials(5, tied=True))
    assert design.copies == {"age_days": "cycles"}
    assert design.column_of("age_days") is None
    assert "carries the same information as cycles" in _reason(design, "age_days")


def test_often_missing_term_is_left_out(made_trials):
    trials = made_trials(6, n=500)
    rng = np.random.default_rng(6)
    trials["temperature_c"] = np.where(np.arange(500) < 51, np.nan, rng.normal(15, 5, 500))
    trials["wind_m_s"] = np.where(np.arange(500) < 50, np.nan, rng.normal(3, 1, 500))
    design = plan_design(trials)
    assert _reason(design, "temperature_c") == "missing in 51 trials of 500"
    assert design.column_of("wind_m_s") is not None
    assert len(design.y) == 450
    assert _reason(design, "trials") == "50 trials: a condition in use is missing"


def test_term_made_constant_later_is_dropped(made_trials):
    trials = made_trials(7, n=500)
    trials["setting"] = np.where(np.arange(500) < 40, "rubble", "field")
    trials.loc[:11, "result"] = "miss"
    trials["wind_m_s"] = np.where(np.arange(500) < 40, np.nan, np.arange(500) % 9)
    design = plan_design(trials)
    assert _reason(design, "setting: rubble").startswith("the same in every trial without")
    assert [c.term for c in design.columns] == ["cycles", "age_days", "wind_m_s"]
    assert np.linalg.matrix_rank(design.x) == design.x.shape[1]


@given(misses=st.integers(5, 60), seed=st.integers(0, 50))
@settings(deadline=None, max_examples=25)
def test_five_finds_and_misses_per_parameter(made_trials, misses, seed):
    trials = made_trials(seed, n=300)
    rng = np.random.default_rng(seed)
    trials["result"] = "find"
    trials.loc[rng.choice(300, misses, replace=False), "result"] = "miss"
    for name in ("temperature_c", "humidity_pct", "wind_m_s", "set_min", "experience"):
        trials[name] = rng.uniform(1.0, 50.0, 300)
        trials.loc[rng.choice(300, 20, replace=False), name] = np.nan
    trials["setting"] = rng.choice(["field", "wood", "rubble", "house"], 300)
    design = plan_design(trials)
    assert 5 * len(design.columns) <= min(design.y.sum(), len(design.y) - design.y.sum())
    assert np.linalg.matrix_rank(design.x) == design.x.shape[1]
    # Whatever was offered is in, or out with a reason.
    told = {c.term for c in design.columns} | {left.term.split(":")[0] for left in design.left_out}
    offered = {"cycles", "age_days", "temperature_c", "humidity_pct", "wind_m_s", "set_min"}
    assert offered | {"experience", "setting"} <= told


def _steps(design, term):
    return design.x[:, design.column_of(term)]


def test_conditions_enter_on_their_scale(made_trials):
    trials = made_trials(4, n=600)
    rng = np.random.default_rng(4)
    never = trials["source_id"] < "S04"
    trials["freezer_c"] = np.where(never, np.nan, np.where(trials["source_id"] < "S08", -25, -18))
    buried = rng.random(600) < 0.4
    trials["placement"] = np.where(buried, "buried", "surface")
    trials["depth_cm"] = np.where(buried, rng.integers(5, 40, 600), np.nan)
    design = plan_design(trials)
    # A source that was never frozen has the usual freezer, and a hide not buried no depth.
    freezer = trials["freezer_c"].fillna(trials["freezer_c"].median())
    np.testing.assert_allclose(_steps(design, "freezer_c"), (freezer - freezer.median()) / 5.0)
    depth = trials["depth_cm"].fillna(0.0)
    np.testing.assert_allclose(_steps(design, "depth_cm"), (depth - depth.median()) / 10.0)


def test_hours_within_a_doubling_are_left_out(made_trials):
    trials = made_trials(4, n=600)
    never = trials["source_id"] < "S04"
    for longest, there in ((3.0, False), (9.0, True)):
        hours = np.random.default_rng(4).uniform(1.5, longest, 600)
        design = plan_design(trials.assign(hours_since_thaw=np.where(never, np.nan, hours)))
        assert (design.column_of("hours_since_thaw") is not None) is there
        if not there:
            assert _reason(design, "hours_since_thaw") == "hardly varies between the trials used"


def test_buried_without_depth_is_missing(made_trials):
    trials = made_trials(4, n=600).assign(placement="buried", depth_cm=np.nan)
    trials.loc[::2, "placement"] = "surface"
    trials.loc[1::4, "depth_cm"] = 10.0
    assert _reason(plan_design(trials), "depth_cm") == "missing in 150 trials of 600"


def test_words_for_a_number_are_no_condition(made_trials):
    trials = made_trials(4, n=600).assign(first_mass_g="heavy", met_before=3.0)
    design = plan_design(trials)
    assert _reason(design, "first_mass_g") == "not recorded"
    assert design.column_of("met_before") is None


@pytest.mark.parametrize(
    ("term", "recorded", "scaled"),
    [
        ("set_min", [0.2, 1.0, 64.0], [0.0, 0.0, 6.0]),
        ("use_ratio", [0.5, 1.0, 4.0], [-1.0, 0.0, 2.0]),
        ("hours_since_thaw", [np.nan, 0.0, 7.0], [0.0, 0.0, 3.0]),
        ("first_mass_g", [0.5, "2", 32.0], [0.0, 1.0, 5.0]),
        ("freezer_c", [np.nan, -18.0, "-20"], [-19.0, -18.0, -20.0]),
        ("met_before", [0.0, 1.0, 7.0], [0.0, 1.0, 3.0]),
        ("undocumented_days", [np.nan, 30.0, 31.0], [np.nan, 0.0, 31.0]),
        ("wind_m_s", [1.5, np.nan, 3.0], [1.5, np.nan, 3.0]),
    ],
)
def test_each_number_is_on_its_scale(term, recorded, scaled):
    found = values_of(term, pd.DataFrame({term: recorded}))
    np.testing.assert_allclose(found, scaled)


def test_use_ratio_needs_15_sources(made_trials):
    trials = made_trials(9, n=600)
    for sources, reason in ((14, "fewer than 15 sources to learn it from"), (15, None)):
        trials["source_id"] = [f"S{i % sources:02}" for i in range(600)]
        trials["use_ratio"] = [0.5 + 0.3 * (i % sources) for i in range(600)]
        design = plan_design(trials)
        column = design.column_of("use_ratio")
        assert (column is None) == (reason is not None)
        if reason is None:
            # Doublings above the median rate, 2.6 uses in 30 days, rounded as a logarithm.
            expected = np.log2(trials["use_ratio"]) - round(np.log2(2.6), 2)
            assert design.x[:, column] == pytest.approx(expected)
        else:
            assert _reason(design, "use_ratio") == reason
    trials["use_ratio"] = 2.0 + 0.4 * (np.arange(600) % 15 == 0)
    assert _reason(plan_design(trials), "use_ratio") == "hardly varies between the trials used"


def test_source_terms_leave_four_sources(made_trials):
    trials = made_trials(9, n=800, baseline=1.0)
    for sources, taken in ((10, True), (9, False)):
        trials["source_id"] = [f"S{i % sources:02}" for i in range(800)]
        # Kind needs 3 terms: with cycles and age they are 5, the intercept 1.
        trials["kind"] = [("bone", "blood", "fat", "muscle")[i % sources % 4] for i in range(800)]
        trials["result"] = np.where(np.arange(800) % 7 % 3 == 0, "miss", "find")
        design = plan_design(trials)
        assert any(c.term == "kind" for c in design.columns) == taken
        if not taken:
            assert _reason(design, "kind").startswith("too few sources: fewer than 4 would be left")
        # Not counted against what belongs to dog or conditions.
        assert any(
            c.term == "experience"
            for c in plan_design(trials.assign(experience=np.arange(800.0))).columns
        )


def test_rare_kinds_are_pooled_and_named(made_trials):
    trials = made_trials(8, n=600, baseline=1.0)
    kinds = np.repeat(["muscle", "blood", "tooth", "ash"], [360, 200, 20, 20])
    results = np.where(np.arange(600) % 5 == 0, "miss", "find")
    pooled = plan_design(trials.assign(kind=kinds, result=results))
    # 20 + 20 trials with 4 misses each: together enough.
    assert [c.contrast for c in pooled.columns if c.term == "kind"] == [
        ("blood", "muscle"),
        ("any other", "muscle"),
    ]
    few = np.repeat(["muscle", "blood", "tooth"], [380, 200, 20])
    merged = plan_design(trials.assign(kind=few, result=results))
    assert [c.contrast for c in merged.columns if c.term == "kind"] == [("blood", "muscle")]
    assert _reason(merged, "kind: tooth") == "fewer than 5 finds or 5 misses; not told apart"
    tooth = merged.trials["kind"] == "tooth"
    assert (merged.x[tooth.to_numpy(), -1] == 0.0).all()


def test_words_missing_together_are_told_once(made_trials):
    # Half the trials have neither a setting nor a placement: their last levels are copies.
    trials = made_trials(8, n=600, baseline=1.0)
    rows = np.arange(600)
    results = np.where(rows % 5 == 0, "miss", "find")
    setting = np.where(rows < 300, None, np.where(rows % 2 == 0, "woodland", "field"))
    placement = np.where(rows < 300, None, np.where(rows % 3 == 0, "buried", "surface"))
    design = plan_design(trials.assign(result=results, setting=setting, placement=placement))
    assert np.linalg.matrix_rank(design.x) == design.x.shape[1]
    told = {c.term: c.contrast for c in design.columns if c.contrast is not None}
    assert told["placement"] == ("surface", "buried")
    assert _reason(design, "placement: buried") == "carries the same information as other terms"


def test_sessions_enter_after_hides(made_trials):
    trials = made_trials(9, n=300)
    alone = trials.assign(session_id=trials["trial_id"])
    assert list(plan_design(alone).groups) == ["dog", "source"]
    shared = trials.assign(session_id=[f"P{i // 4}" for i in range(300)])
    assert list(plan_design(shared).groups) == ["dog", "source", "session"]
    both = shared.assign(hide_id=[f"H{i // 2}" for i in range(300)])
    assert list(plan_design(both).groups) == ["dog", "source", "hide"]
    as_sources = trials.assign(session_id="P" + trials["source_id"])
    assert list(plan_design(as_sources).groups) == ["dog", "source"]


def test_single_dog_is_no_grouping(made_trials):
    design = plan_design(made_trials(10, dogs=1))
    assert list(design.groups) == ["source"]
    assert _reason(design, "differences between dogs") == "only one dog in the trials used"


@pytest.mark.parametrize("rows", [0, 1])
def test_no_trial_makes_an_empty_design(made_trials, rows):
    design = plan_design(made_trials(11).head(rows))
    assert len(design.y) == rows
    assert design.columns == ()
    assert design.separated
