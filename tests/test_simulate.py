"""Synthetic units: what was planted is in the records, and only there where it should be."""

import re
import time
import tomllib
from dataclasses import fields, replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from outcomes.errors import OutputError
from outcomes.exposure.trials import join
from outcomes.records.columns import TABLES as CONTRACT
from outcomes.records.read import read_records
from outcomes.records.write import TABLES, unit_records, write_unit
from outcomes.settings import DecisionSettings, RecordsSettings
from outcomes.simulate import (
    DEMO,
    SCENARIOS,
    Truth,
    Unit,
    demo_unit,
    find_true_threshold,
    mean_find_probability,
    simulate_unit,
    time_ratio_per_cycle,
)

REPOSITORY = Path(__file__).resolve().parents[1]
NOTHING_ELSE = Truth(
    kind_effects={"muscle": 0.0, "blood": 0.0},
    setting_effects={"woodland": 0.0},
    placement_effects={"surface": 0.0},
    dog_sd=0.0,
    source_sd=0.0,
    session_sd=0.0,
    set_time_log_odds=0.0,
    temperature_log_odds=0.0,
    experience_log_odds=0.0,
    assisted_share=0.0,
)


@cache
def unit_of(truth_name: str, seed: int = 1) -> Unit:
    return simulate_unit(SCENARIOS[truth_name], seed)


def hide_trials(unit: Unit) -> pd.DataFrame:
    return unit.true_trials.merge(unit.trials, on="trial_id", validate="one_to_one")


def design(unit: Unit) -> tuple[pd.DataFrame, pd.Series]:
    """Fixed effects with the values planted for them, written out from the records alone."""
    truth, hides = unit.truth, hide_trials(unit)
    earlier = unit.trials.groupby("dog_id").cumcount()
    earlier.index = pd.Index(unit.trials["trial_id"])
    kind = hides["source_id"].map(unit.sources.set_index("source_id")["kind"])
    columns = {
        "intercept": (1.0, truth.baseline_log_odds),
        "cycles": (hides["cycles"], truth.cycle_log_odds),
        "age": (hides["age_days"] / 30, truth.age_log_odds),
        "set time": (np.log2(hides["set_min"] / 60), truth.set_time_log_odds),
        "temperature": (hides["temperature_c"] - 15, truth.temperature_log_odds),
        "experience": (
            np.log2((hides["trial_id"].map(earlier) + 1) / 51),
            truth.experience_log_odds,
        ),
        "open": (hides["blinding"] == "open", truth.blinding_effect),
        "assisted": (hides["assisted"].astype(bool), truth.assisted_effect),
    }
    for name, values, effects in (
        ("kind", kind, truth.kind_effects),
        ("setting", hides["setting"], truth.setting_effects),
        ("placement", hides["placement"], truth.placement_effects),
    ):
        for word in list(effects)[1:]:
            columns[f"{name} {word}"] = (values == word, effects[word])
    planted = pd.Series({name: value for name, (_, value) in columns.items()})
    frame = pd.DataFrame({name: x for name, (x, _) in columns.items()}, index=hides.index)
    return frame.astype(float), planted


def random_part(unit: Unit) -> np.ndarray:
    hides = hide_trials(unit)
    return np.asarray(
        hides["source_id"].map(unit.source_effects["effect"])
        + hides["dog_id"].map(unit.dog_effects["effect"])
        + hides["session_id"].map(unit.session_effects["effect"])
    )


class TestWhatIsPlantedIsThere:
    """Estimates from outside the project come back to the planted values."""

    @pytest.mark.parametrize(
        "truth",
        [
            replace(SCENARIOS["both"], blinding_effect=0.4),
            replace(SCENARIOS["benched sources"], moved_home_share=0.5, unlogged_thaw_share=0.2),
            replace(SCENARIOS["strong sources used more"], imperfect_share=0.0),
        ],
        ids=["both", "benched", "strong"],
    )
    def test_logistic_regression_recovers_effects(self, truth) -> None:
        """Three standard errors each, and all together within the 99.9 % ellipsoid.

        With the random effects given as an offset the trials are independent
        and the model is exactly the one planted, so the estimates are normal
        around the truth; 15,000 trials make the standard error of the cycle
        effect about 0.003.
        """
        unit = simulate_unit(truth, 1, trials=15_000, sources=80, dogs=20)
        x, planted = design(unit)
        found = (hide_trials(unit)["result"] == "find").astype(float)
        fit = sm.GLM(found, x, sm.families.Binomial(), offset=random_part(unit)).fit()
        off = fit.params - planted
        assert fit.bse["cycles"] < 0.005
        assert (off.abs() / fit.bse).max() < 3
        distance = float(off @ np.linalg.solve(fit.cov_params(), off))
        assert distance < stats.chi2.ppf(0.999, len(planted))

    def test_log_odds_are_the_sum_of_the_stated_parts(self) -> None:
        truth = replace(SCENARIOS["both"], blinding_effect=0.4, moved_home_share=0.3)
        unit = simulate_unit(truth, 3)
        x, planted = design(unit)
        total = x.to_numpy() @ planted.to_numpy() + random_part(unit)
        np.testing.assert_allclose(unit.true_trials["log_odds"], total, atol=1e-10)
        np.testing.assert_allclose(
            unit.true_trials["find_probability"], 1 / (1 + np.exp(-total)), atol=1e-12
        )

    def test_home_in_the_refrigerator_adds_its_effect(self) -> None:
        truth = replace(Truth(), moved_home_share=0.0)
        plain = simulate_unit(truth, 1)
        shifted = simulate_unit(replace(truth, refrigerated_log_odds=0.7), 1)
        home = hide_trials(plain)["source_id"].map(plain.source_effects["home"])
        added = shifted.true_trials["log_odds"] - plain.true_trials["log_odds"]
        np.testing.assert_allclose(added[home == "refrigerator"], 0.7)
        np.testing.assert_allclose(added[home == "freezer"], 0.0, atol=1e-12)

    def test_random_effects_have_the_planted_spread(self) -> None:
        """Four standard errors of a standard deviation, sd / sqrt(2 n)."""
        truth = replace(Truth(), dog_sd=0.4, source_sd=0.6, session_sd=0.2, cycle_slope_sd=0.03)
        unit = simulate_unit(truth, 1, trials=4000, sources=2000, dogs=2000)
        for values, sd in (
            (unit.dog_effects["effect"], 0.4),
            (unit.source_effects["effect"], 0.6),
            (unit.session_effects["effect"], 0.2),
            (unit.source_effects["cycle_slope"] - truth.cycle_log_odds, 0.03),
        ):
            assert abs(values.std() - sd) < 4 * sd / np.sqrt(2 * len(values))
            assert abs(values.mean()) < 4 * sd / np.sqrt(len(values))

    def test_time_to_a_find_is_log_normal_to_limit(self) -> None:
        """Probability transform of every find is uniform (Kolmogorov-Smirnov, level 0.001).

        Whole seconds shift it by less than 0.002, far below the critical 0.05.
        """
        truth = replace(SCENARIOS["cycles only"], search_cycle_log_time=0.02)
        unit = simulate_unit(truth, 1, trials=2000)
        finds = hide_trials(unit).query("result == 'find'")
        law = stats.lognorm(s=0.6, scale=300 * np.exp(0.02 * finds["cycles"].to_numpy()))
        uniform = law.cdf(finds["search_s"]) / law.cdf(finds["limit_s"])
        assert stats.kstest(uniform, "uniform").pvalue > 0.001
        unshifted = stats.lognorm(s=0.6, scale=300)
        wrong = unshifted.cdf(finds["search_s"]) / unshifted.cdf(finds["limit_s"])
        assert stats.kstest(wrong, "uniform").pvalue < 0.001

    def test_log_logistic_model_recovers_time_ratio(self) -> None:
        """Three standard errors of an independent program, lifelines' log-logistic AFT."""
        from lifelines import LogLogisticAFTFitter

        truth = replace(
            NOTHING_ELSE, cycle_log_odds=-0.1, baseline_log_odds=3.0, search_within_limit=True
        )
        hides = hide_trials(simulate_unit(truth, 1, trials=6000))
        assert (hides["search_s"] == hides["limit_s"])[hides["result"] == "miss"].all()
        data = pd.DataFrame(
            {
                "cycles": hides["cycles"],
                "search_s": hides["search_s"],
                "event": hides["result"] == "find",
            }
        )
        fit = LogLogisticAFTFitter().fit(data, "search_s", "event")
        row = fit.summary.loc[("alpha_", "cycles")]
        planted = np.log(time_ratio_per_cycle(truth))
        assert planted == pytest.approx(0.1 * 0.6 * np.sqrt(3) / np.pi)
        assert abs(row["coef"] - planted) < 3 * row["se(coef)"]

    def test_false_alerts_come_at_the_planted_rates(self) -> None:
        """Four standard errors of a Poisson and of a binomial count."""
        truth = replace(Truth(), false_alerts_per_hour=1.5, false_alert_per_blank=0.1)
        trials = simulate_unit(truth, 1, trials=8000, blank_share=0.5).trials
        hides, blanks = trials[trials["source_id"].notna()], trials[trials["source_id"].isna()]
        expected = 1.5 * hides["search_s"].sum() / 3600
        assert abs(hides["false_alerts"].sum() - expected) < 4 * np.sqrt(expected)
        share = (blanks["result"] == "false alert").mean()
        assert abs(share - 0.1) < 4 * np.sqrt(0.1 * 0.9 / len(blanks))
        np.testing.assert_array_equal(blanks["result"] == "false alert", blanks["false_alerts"] > 0)

    def test_false_alerts_follow_cycles_where_planted(self) -> None:
        """Poisson regression within three standard errors; the outcomes are independent."""
        truth = replace(Truth(), false_alerts_per_hour=1.0, false_alert_cycle_log_rate=0.03)
        hides = hide_trials(simulate_unit(truth, 1, trials=8000))
        fit = sm.GLM(
            hides["false_alerts"],
            sm.add_constant(hides["cycles"]),
            sm.families.Poisson(),
            offset=np.log(hides["search_s"] / 3600),
        ).fit()
        assert abs(fit.params["cycles"] - 0.03) < 3 * fit.bse["cycles"]


class TestTheStorageLog:
    """The simulator's own count of thaws and the one from its log are two programs."""

    @pytest.mark.parametrize("name", SCENARIOS)
    def test_cycles_and_age_equal_those_of_the_log(self, name) -> None:
        unit = unit_of(name)
        worked_out = join(unit_records(unit)).trials.set_index("trial_id")
        worked_out = worked_out.loc[unit.true_trials["trial_id"]]
        np.testing.assert_array_equal(worked_out["cycles"], unit.true_trials["cycles"])
        np.testing.assert_allclose(worked_out["age_days"], unit.true_trials["age_days"], atol=1e-9)

    def test_cycles_and_age_equal_with_many_moves(self) -> None:
        truth = replace(
            Truth(),
            moved_home_share=0.9,
            idle_thaws_per_year=5.0,
            short_outings_per_year=5.0,
            discards_per_year=0.6,
        )
        unit = simulate_unit(truth, 2, sources=60)
        worked_out = join(unit_records(unit)).trials.set_index("trial_id")
        worked_out = worked_out.loc[unit.true_trials["trial_id"]]
        np.testing.assert_array_equal(worked_out["cycles"], unit.true_trials["cycles"])

    def test_unlogged_thaws_stay_in_the_truth(self) -> None:
        truth = replace(Truth(), idle_thaws_per_year=4.0, moved_home_share=0.0)
        logged = simulate_unit(truth, 1)
        unlogged = simulate_unit(replace(truth, unlogged_thaw_share=0.3), 1)
        pd.testing.assert_frame_equal(logged.true_trials, unlogged.true_trials)
        out_of_freezer = lambda unit: (  # noqa: E731
            unit.storage["moved_to"].eq("ambient")
            & unit.storage["source_id"].map(unit.source_effects["home"]).eq("freezer")
        ).sum()
        everything = out_of_freezer(logged)
        missing = everything - out_of_freezer(unlogged)
        # Four standard errors of a binomial count.
        assert abs(missing - 0.3 * everything) < 4 * np.sqrt(everything * 0.3 * 0.7)
        inferred = join(unit_records(unlogged)).trials.set_index("trial_id")
        inferred = inferred.loc[unlogged.true_trials["trial_id"], "cycles"].to_numpy()
        true = unlogged.true_trials["cycles"].to_numpy()
        # Thaws that a trial proves are found again; those without a trial are not.
        assert (inferred <= true).all()
        assert (inferred < true).any()

    def test_one_home_for_all_is_alone_in_the_log(self) -> None:
        refrigerated = simulate_unit(replace(Truth(), all_refrigerated=True), 1)
        assert set(refrigerated.storage["moved_to"]) <= {"refrigerator", "ambient", "discarded"}
        assert (refrigerated.true_trials["cycles"] == 0).all()
        frozen = simulate_unit(replace(Truth(), all_frozen=True), 1)
        assert set(frozen.storage["moved_to"]) <= {"freezer", "ambient", "discarded"}
        assert (frozen.true_trials["cycles"] >= 1).all()


class TestTraps:
    """Each switch does what it says, and nothing where it is off."""

    def test_tied_cycles_and_age_correlate_beyond_097(self) -> None:
        near = unit_of("tied together").true_trials
        assert 0.97 < near["cycles"].corr(near["age_days"]) < 1 - 1e-6
        exact = simulate_unit(replace(Truth(), tied="exactly"), 1).true_trials
        slope, intercept = np.polyfit(exact["cycles"], exact["age_days"], 1)
        np.testing.assert_allclose(
            exact["age_days"], intercept + slope * exact["cycles"], atol=1e-6
        )

    @pytest.mark.parametrize("name", ["cycles only", "age only", "both"])
    def test_elsewhere_cycles_and_age_can_be_parted(self, name) -> None:
        found = [
            unit.true_trials["cycles"].corr(unit.true_trials["age_days"])
            for unit in (simulate_unit(SCENARIOS[name], seed) for seed in range(20))
        ]
        assert 0.3 < np.mean(found) < 0.6
        assert max(found) < 0.9

    def test_strong_sources_are_used_more_if_asked(self) -> None:
        """400 sources: the standard error of a correlation near zero is 0.05."""

        def correlation(strength: float) -> float:
            truth = replace(Truth(), strong_used_more=strength)
            unit = simulate_unit(truth, 1, trials=8000, sources=400)
            uses = unit.trials["source_id"].value_counts().reindex(unit.source_effects.index)
            return stats.spearmanr(uses.fillna(0), unit.source_effects["effect"]).statistic

        assert abs(correlation(0.0)) < 0.2
        assert correlation(0.8) > 0.4

    def test_kind_decides_storage_as_far_as_asked(self) -> None:
        def refrigerated_share(strength: float) -> pd.Series:
            truth = replace(Truth(), kind_decides_storage=strength)
            unit = simulate_unit(truth, 1, sources=400, trials=400)
            kind = unit.sources.set_index("source_id")["kind"]
            return unit.source_effects["home"].eq("refrigerator").groupby(kind).mean()

        wholly, partly, not_at_all = (refrigerated_share(s) for s in (1.0, 0.5, 0.0))
        assert wholly.to_dict() == {"muscle": 0, "blood": 0, "wet bone": 1, "fat": 1}
        assert partly[["muscle", "blood"]].between(0.01, 0.4).all()
        assert partly[["wet bone", "fat"]].between(0.4, 0.99).all()
        # Four standard errors of a share of 100 sources.
        assert (not_at_all - 0.3).abs().max() < 4 * np.sqrt(0.3 * 0.7 / 100)

    def test_missed_sources_are_benched_and_discarded(self) -> None:
        """Four standard errors of a difference of two means with SD 1."""

        def unit(benched: bool) -> Unit:
            truth = replace(
                Truth(),
                baseline_log_odds=1.0,
                source_sd=1.0,
                poor_benched=benched,
                discards_per_year=0.0 if benched else 0.3,
            )
            return simulate_unit(truth, 1, trials=8000, sources=400)

        def disadvantage(of: Unit) -> tuple[float, float]:
            effect = of.source_effects["effect"]
            gone = effect.index.isin(
                of.storage.loc[of.storage["moved_to"] == "discarded", "source_id"]
            )
            limit = 4 * np.sqrt(1 / gone.sum() + 1 / (~gone).sum())
            return float(effect[~gone].mean() - effect[gone].mean()), limit

        difference, limit = disadvantage(unit(True))
        assert difference > limit
        difference, limit = disadvantage(unit(False))
        assert abs(difference) < limit < 0.8

        def last_use_after_a_miss(of: Unit) -> float:
            hides = of.trials[of.trials["source_id"].notna()]
            return float((hides.groupby("source_id")["result"].last() == "miss").mean())

        assert last_use_after_a_miss(unit(True)) > last_use_after_a_miss(unit(False)) + 0.1

    def test_miss_lasts_to_the_limit_or_has_no_time(self) -> None:
        trials = unit_of("cycles only").trials
        miss, find = trials["result"] == "miss", trials["result"] == "find"
        assert (trials["search_s"] == trials["limit_s"])[miss].all()
        assert (trials["search_s"] <= trials["limit_s"])[find].all()
        unwritten = simulate_unit(replace(SCENARIOS["cycles only"], censored_misses=False), 1)
        assert unwritten.trials.loc[miss, "search_s"].isna().all()
        assert unwritten.trials.loc[find, "search_s"].notna().all()

    def test_handlers_who_know_find_more(self) -> None:
        truth = replace(NOTHING_ELSE, open_blinding_share=0.4, blinding_effect=0.8)
        hides = hide_trials(simulate_unit(truth, 1, trials=6000))
        known = hides["blinding"] == "open"
        sessions = hides.groupby("session_id")["blinding"].first()
        # Four standard errors of a share of sessions.
        limit = 4 * np.sqrt(0.4 * 0.6 / len(sessions))
        assert abs((sessions == "open").mean() - 0.4) < limit
        odds = hides["find_probability"] / (1 - hides["find_probability"])
        assert np.log(odds[known].mean() / odds[~known].mean()) == pytest.approx(0.8)
        found = hides["result"] == "find"
        assert found[known].mean() > found[~known].mean()

    def test_one_thaw_serves_several_dogs_or_one(self) -> None:
        shared = unit_of("no effect").trials.dropna(subset="source_id")
        assert shared.groupby("hide_id")["dog_id"].nunique().mean() > 2
        alone = simulate_unit(replace(Truth(), shared_thaws=False), 1)
        trials = alone.trials.dropna(subset="source_id")
        assert (trials.groupby("hide_id").size() == 1).all()
        assert trials.groupby(["session_id", "source_id"]).size().mean() < 1.05

    def test_slopes_differ_only_where_asked(self) -> None:
        assert unit_of("cycles only").source_effects["cycle_slope"].eq(-0.10).all()
        truth = replace(SCENARIOS["cycles only"], cycle_slope_sd=0.04)
        unit = simulate_unit(truth, 1)
        assert unit.source_effects["cycle_slope"].nunique() == len(unit.sources)

    def test_cells_are_left_empty_only_where_asked(self) -> None:
        """Four standard errors of a share of the trials."""
        full = unit_of("no effect").trials
        assert full[["blinding", "humidity_pct", "search_s"]].notna().all().all()
        truth = replace(Truth(), imperfect_share=0.1)
        trials = simulate_unit(truth, 1, trials=4000).trials
        limit = 4 * np.sqrt(0.1 * 0.9 / len(trials))
        for column in ("blinding", "humidity_pct"):
            assert abs(trials[column].isna().mean() - 0.1) < limit
        without_time = trials["search_s"].isna()
        assert without_time.any()
        assert (trials.loc[without_time, "result"] == "miss").all()

    @pytest.mark.parametrize(
        "changes",
        [
            {"all_frozen": True, "all_refrigerated": True},
            {"tied": "nearly", "poor_benched": True},
            {"tied": "exactly", "strong_used_more": 1.0},
            {"tied": "loosely"},
            {"open_blinding_share": 1.2},
            {"kind_decides_storage": -0.1},
        ],
    )
    def test_contradicting_switches_are_refused(self, changes) -> None:
        with pytest.raises(ValueError, match=next(iter(changes)).split("_")[0]):
            simulate_unit(replace(Truth(), **changes), 1)

    @pytest.mark.parametrize("size", ["trials", "dogs", "sources", "months"])
    def test_a_size_below_one_is_refused(self, size) -> None:
        with pytest.raises(ValueError, match=f"{size} must be at least 1, not 0"):
            simulate_unit(Truth(), 1, **{size: 0})


class TestThreshold:
    """The true threshold is where the true mean falls to the floor."""

    def test_without_random_effects_it_is_closed_form(self) -> None:
        truth = replace(NOTHING_ELSE, cycle_log_odds=-0.1, baseline_log_odds=3.0)
        unit = simulate_unit(truth, 1)
        expected = (3.0 - np.log(0.85 / 0.15)) / 0.1
        assert find_true_threshold(unit, 0.85) == pytest.approx(expected, abs=1e-9)
        aging = replace(NOTHING_ELSE, age_log_odds=-0.05, baseline_log_odds=3.0)
        expected = (3.0 - np.log(0.85 / 0.15)) / 0.05 * 30
        found = find_true_threshold(simulate_unit(aging, 1), 0.85, by="age_days")
        assert found == pytest.approx(expected, abs=1e-6)

    def test_mean_find_probability_there_is_the_floor(self) -> None:
        unit = unit_of("both")
        for by in ("cycles", "age_days"):
            at = find_true_threshold(unit, 0.85, by)
            assert at is not None
            assert mean_find_probability(unit, at, by) == pytest.approx(0.85, abs=1e-9)

    def test_there_is_none_where_nothing_falls(self) -> None:
        assert find_true_threshold(unit_of("no effect"), 0.85) is None
        assert find_true_threshold(unit_of("cycles only"), 0.85, by="age_days") is None
        with pytest.raises(ValueError, match="by must be"):
            find_true_threshold(unit_of("no effect"), 0.85, by="uses")

    def test_help_does_not_raise_it(self) -> None:
        truth = replace(SCENARIOS["cycles only"], assisted_share=0.3)
        helped = simulate_unit(replace(truth, assisted_effect=5.0), 1)
        unhelped = simulate_unit(replace(truth, assisted_effect=0.0), 1)
        assert find_true_threshold(helped, 0.85) == find_true_threshold(unhelped, 0.85)


class TestTheRecordsFollowTheContract:
    """What is handed over is what a unit may hand over."""

    @pytest.mark.parametrize("table", TABLES)
    def test_columns_words_ranges_are_the_contracts(self, table) -> None:
        frame = getattr(demo_unit(), table)
        contract = CONTRACT[table]
        assert list(frame) == [name for name in contract.names if name in frame]
        for column in contract.columns:
            if column.needed:
                assert column.name in frame
                assert column.may_be_empty or frame[column.name].notna().all()
            values = frame[column.name].dropna() if column.name in frame else pd.Series([])
            if column.words and column.type == "word":
                assert set(values) <= set(column.words)
            if column.low is not None:
                assert values.ge(column.low).all()
            if column.high is not None:
                assert values.le(column.high).all()
        assert contract.key is None or frame[contract.key].is_unique

    def test_results_fit_a_hide_or_a_blank_area(self) -> None:
        trials = demo_unit().trials
        blank = trials["source_id"].isna()
        assert set(trials.loc[blank, "result"]) == {"clear", "false alert"}
        assert set(trials.loc[~blank, "result"]) == {"find", "miss"}

    def test_nothing_of_the_truth_is_in_the_records(self) -> None:
        unit = demo_unit()
        for table in TABLES:
            assert set(getattr(unit, table)) <= set(CONTRACT[table].names)

    @pytest.mark.parametrize(
        "truth", [DEMO, replace(Truth(), tied="exactly")], ids=["demo", "tied"]
    )
    def test_written_records_are_read_the_same(self, truth, tmp_path) -> None:
        unit = simulate_unit(truth, 5, trials=300)
        write_unit(unit, tmp_path / "records")
        read, made = read_records(tmp_path / "records"), unit_records(unit)
        assert not [f for f in read.findings if f.severity != "note"]
        assert dict(read.rows_in) == dict(made.rows_in)
        for table in TABLES:
            expected = getattr(made, table)
            got = getattr(read, table)[list(expected)]
            pd.testing.assert_frame_equal(got, expected, check_dtype=False)
            for name in expected.columns.difference(["row"]):
                if expected[name].dtype.kind in "Mf":
                    assert got[name].dtype == expected[name].dtype

    def test_settings_and_truth_can_be_read_back(self, tmp_path) -> None:
        unit = demo_unit()
        write_unit(unit, tmp_path)
        stated = tomllib.loads((tmp_path / "unit.toml").read_text("utf-8"))
        assert stated == {"unit": unit.name}
        assert set(stated) <= {each.name for each in fields(RecordsSettings)}
        truth = tomllib.loads((tmp_path / "truth.toml").read_text("utf-8"))
        assert Truth(**truth["planted"]) == unit.truth
        assert truth["source_effects"] == unit.source_effects["effect"].round(6).to_dict()

    def test_unmakeable_folder_is_one_line(self, tmp_path) -> None:
        (tmp_path / "taken").write_text("a file")
        with pytest.raises(OutputError, match="taken") as caught:
            write_unit(demo_unit(), tmp_path / "taken")
        assert "\n" not in str(caught.value)

    @settings(deadline=None, max_examples=40)
    @given(
        seed=st.integers(0, 2**32 - 1),
        trials=st.integers(1, 400),
        dogs=st.integers(1, 12),
        sources=st.integers(1, 40),
        months=st.integers(1, 40),
        blank_share=st.floats(0, 1),
        tied=st.sampled_from(["no", "no", "nearly", "exactly"]),
        shared=st.booleans(),
        benched=st.booleans(),
    )
    def test_any_unit_of_any_size_is_whole(
        self, seed, trials, dogs, sources, months, blank_share, tied, shared, benched
    ) -> None:
        truth = Truth(
            tied=tied,
            shared_thaws=shared,
            poor_benched=benched and tied == "no",
            cycle_slope_sd=0.1,
        )
        unit = simulate_unit(
            truth, seed, trials=trials, dogs=dogs, sources=sources, months=months,
            blank_share=blank_share,
        )  # fmt: skip
        assert len(unit.trials) == trials
        assert unit.trials["source_id"].isna().sum() == round(trials * blank_share)
        assert unit.trials["trial_id"].is_unique
        assert unit.trials["started_at"].is_monotonic_increasing
        assert unit.true_trials["find_probability"].between(0, 1).all()
        hides = hide_trials(unit)
        assert len(hides) == trials - round(trials * blank_share)
        assert not hides.duplicated(["hide_id", "dog_id"]).any()
        assert hides.drop_duplicates(["hide_id", "source_id"])["hide_id"].is_unique
        assert hides["set_min"].gt(0).all()
        acquired = unit.sources.set_index("source_id")["acquired_on"]
        assert (hides["started_at"] > hides["source_id"].map(acquired)).all()
        discarded = unit.storage[unit.storage["moved_to"] == "discarded"]
        gone = hides["source_id"].map(discarded.set_index("source_id")["moved_at"])
        assert (gone.isna() | (hides["started_at"] < gone)).all()
        # A source is never moved to where it is, nor twice at one time.
        log = unit.storage.sort_values(["source_id", "moved_at"])
        before = log.groupby("source_id")["moved_to"].shift()
        assert (log["moved_to"] != before).all()
        assert not log.duplicated(["source_id", "moved_at"]).any()


class TestTheSameSeed:
    """Nothing random is left outside the seed."""

    def test_same_seed_same_bytes_and_else_not(self, tmp_path) -> None:
        for folder, seed in (("a", 1), ("b", np.random.default_rng(1)), ("c", 2)):
            write_unit(simulate_unit(DEMO, seed, trials=300), tmp_path / folder)
        names = sorted(path.name for path in (tmp_path / "a").iterdir())
        assert names == [
            *("dogs.csv", "inspections.csv", "sources.csv", "storage.csv"),
            *("trials.csv", "truth.toml", "unit.toml"),
        ]
        for name in names:
            first = (tmp_path / "a" / name).read_bytes()
            assert first == (tmp_path / "b" / name).read_bytes()
            assert name == "unit.toml" or first != (tmp_path / "c" / name).read_bytes()

    def test_the_committed_records_are_the_demo_unit(self, tmp_path) -> None:
        for path in write_unit(demo_unit(), tmp_path):
            assert path.read_bytes() == (REPOSITORY / "synthetic_data" / path.name).read_bytes()


class TestTheDemoUnit:
    """The committed unit and what is said of it."""

    def test_is_as_its_readme_says(self) -> None:
        unit = demo_unit()
        threshold = find_true_threshold(unit, DecisionSettings().floor)
        assert threshold is not None
        readme = (REPOSITORY / "synthetic_data" / "README.md").read_text("utf-8")
        flat = " ".join(re.sub("<!--.*?-->", "", readme).split())
        hides = hide_trials(unit)
        finds = (hides["result"] == "find").sum()
        blanks = unit.trials["source_id"].isna().sum()
        for words in (
            f"{len(unit.dogs)} dogs",
            f"{len(unit.sources)} sources",
            f"{len(unit.trials):,} trials, of them {blanks} on blank areas",
            f"{finds} of {len(hides):,} hide trials",
            f"−{-DEMO.cycle_log_odds:.2f} per cycle",
            f"{threshold:.1f} cycles",
        ):
            assert words in flat
        assert DEMO.age_log_odds == 0
        assert (unit.storage["moved_to"] == "discarded").sum() == 8
        assert hides["started_at"].min() >= pd.Timestamp("2023-09-01")
        assert hides["started_at"].max() < pd.Timestamp("2026-03-01")
        assert hides.groupby("hide_id")["dog_id"].nunique().max() == 4
        sources_per_day = hides.groupby("session_id")["source_id"].nunique()
        assert sources_per_day.isin([2, 3]).mean() > 0.5

    def test_floor_is_crossed_within_the_observed(self) -> None:
        unit = demo_unit()
        threshold = find_true_threshold(unit, DecisionSettings().floor)
        assert threshold is not None
        assert 12 <= threshold <= 16
        cycles = hide_trials(unit).groupby("source_id")["cycles"].max()
        assert (cycles > threshold).sum() >= 3

    def test_every_kind_is_frozen_and_refrigerated(self) -> None:
        unit = demo_unit()
        kind = unit.sources.set_index("source_id")["kind"]
        homes = unit.source_effects["home"].groupby(kind).nunique()
        assert (homes == 2).all()


class TestSpeed:
    """Studies make thousands of units."""

    @pytest.mark.slow
    def test_100_000_trials_take_twenty_seconds(self) -> None:
        """The best of three, so that a busy machine does not decide it."""

        def seconds(trials: int, **sizes: int) -> float:
            took = []
            for seed in range(3):
                begin = time.process_time()
                simulate_unit(SCENARIOS["both"], seed, trials=trials, **sizes)
                took.append(time.process_time() - begin)
            return min(took)

        assert seconds(1200) < 0.2
        assert seconds(100_000, sources=200, dogs=40) < 20
