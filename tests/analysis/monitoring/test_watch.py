"""Charts of sources and dogs: what they call, and how often they err.

The study of false calls in full: ``OUTCOMES_STUDY_SIZE=500`` and this file.
"""

import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.monitoring.charts import Watch, watch
from outcomes.errors import SettingsError
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings, EarlyWarning, ReliabilityRule
from outcomes.simulate import Truth, simulate_unit
from outcomes.wording.watch import describe_watch

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "8"))
FIRST_DAY = pd.Timestamp("2024-01-01 09:00")
ANY_DOG = DecisionSettings(rule=ReliabilityRule(qualified_only=False))


def searches(
    rng: np.random.Generator,
    days: int = 150,
    *,
    worn: str | None = None,
    tired: str | None = None,
    from_day: int = 120,
    sources: int = 12,
    dogs: int = 5,
) -> pd.DataFrame:
    """Two sources a day, each searched by four dogs; one source, or dog, worse from a day on."""
    own_source = rng.normal(0, 0.5, sources)
    own_dog = rng.normal(0, 0.4, dogs)
    rows = []
    for day in range(days):
        mood = rng.normal(0, 0.3)
        wind = rng.uniform(0, 6)
        for s in rng.choice(sources, 2, replace=False):
            for d in rng.choice(dogs, 4, replace=False):
                worse = 2.5 * (day >= from_day and worn == f"S{s:02d}")
                worse += 2.0 * (day >= from_day and tired == f"D{d}")
                log_odds = 2.3 + own_source[s] + own_dog[d] + mood - 0.15 * (wind - 3) - worse
                rows.append(
                    {
                        "trial_id": f"T{len(rows):05d}",
                        "session_id": f"N{day:04d}",
                        "started_at": FIRST_DAY + pd.Timedelta(days=2 * day, minutes=len(rows) % 8),
                        "dog_id": f"D{d}",
                        "source_id": f"S{s:02d}",
                        "result": "find" if rng.random() < expit(log_odds) else "miss",
                        "wind_m_s": wind,
                        "cycles": float(day // 3),
                        "age_days": 2.0 * day + 30.0 * s,
                        "documented": True,
                        "experience": float(day),
                    }
                )
    return pd.DataFrame(rows)


def charted(trials: pd.DataFrame, settings: DecisionSettings = ANY_DOG) -> Watch:
    return watch(fit_finds(trials, settings))


@pytest.fixture(scope="module")
def worn() -> FindFit:
    return fit_finds(searches(np.random.default_rng(2), worn="S03"), ANY_DOG)


@pytest.mark.slow
def test_source_gone_bad_is_listed_with_misses(worn):
    found = watch(worn)
    assert found.reason is None
    (chart,) = [c for c in found.past if c.of == "source"]
    assert chart.name == "S03"
    passed = [t.value > chart.limit for t in chart.trials].index(True)
    assert chart.past_since == chart.trials[passed]
    assert all(not trial.found and trial.source_id == "S03" for trial in chart.moved_by)
    heaviest = [trial.score for trial in chart.moved_by]
    assert heaviest == sorted(heaviest, reverse=True)
    assert "source S03 (2024-" in describe_watch(found)
    after = sum(
        t > chart.past_since.started_at
        for t in worn.design.trials.query("source_id == 'S03'")["started_at"]
    )
    (left,) = [x.reason for x in found.left_out if "passed its limit by then" in x.reason]
    assert after > 0
    assert left.startswith(f"{after} trials on no dog's chart")


@pytest.mark.slow
def test_charts_hold_the_last_trials_alone(worn):
    found = watch(worn)
    assert [c.name for c in found.dogs] == sorted(set(worn.design.trials["dog_id"]))
    for chart in found.charts:
        own = worn.design.trials[worn.design.trials[f"{chart.of}_id"] == chart.name]
        assert len(chart.trials) == min(found.within, chart.earlier + len(chart.trials))
        assert chart.earlier + len(chart.trials) <= len(own)
        if chart.of == "source":
            last = own.sort_values(["started_at", "trial_id"]).tail(found.within)
            assert [t.trial_id for t in chart.trials] == last["trial_id"].tolist()
        assert chart.misses == sum(not t.found for t in chart.trials)
        assert chart.expected_misses == pytest.approx(sum(1 - t.expected for t in chart.trials))


@pytest.mark.slow
def test_worse_dog_passes_its_own_limit():
    found = charted(searches(np.random.default_rng(3), tired="D2"))
    assert ("dog", "D2") in [(chart.of, chart.name) for chart in found.past]


@pytest.mark.slow
def test_names_stand_in_alphabetical_order():
    found = charted(searches(np.random.default_rng(4), worn="S03", tired="D1"))
    order = [(chart.of != "source", chart.name) for chart in found.past]
    assert len(order) > 1
    assert order == sorted(order)


@pytest.mark.slow
def test_the_order_of_the_rows_changes_nothing(worn):
    rows = worn.design.trials.sample(frac=1, random_state=2)
    again = charted(rows)
    once = watch(worn)
    assert [c.name for c in again.past] == [c.name for c in once.past]
    for one, other in zip(once.charts, again.charts, strict=True):
        assert other.limit == pytest.approx(one.limit, rel=1e-5)
        assert other.value == pytest.approx(one.value, rel=1e-5, abs=1e-8)


@pytest.mark.study
def test_few_dogs_pass_while_sources_fall():
    # The standard is 5 in 100; without exposures in the expectation 26 of 96 such dogs passed.
    # The bound is three binomial errors of all the units' dogs.
    past, dogs, by_chance = 0, 0, 0.0
    for unit in range(UNITS):
        made = simulate_unit(Truth(cycle_log_odds=-0.06, baseline_log_odds=2.8), 9000 + unit)
        found = charted(join(unit_records(made)).trials, DecisionSettings(seed=unit))
        past += sum(chart.past_since is not None for chart in found.dogs)
        dogs += len(found.dogs)
        by_chance += sum(chart.by_chance for chart in found.dogs)
    assert dogs > 6 * UNITS
    assert by_chance / dogs <= 0.05
    assert past / dogs < 0.05 + 3 * np.sqrt(0.05 * 0.95 / dogs)


@pytest.mark.slow
def test_without_a_model_it_says_what_lacks():
    found = charted(searches(np.random.default_rng(9), days=10))
    assert found.charts == ()
    assert describe_watch(found) == (
        "No source or dog can be charted yet: too few trials to fit a model that could be trusted."
    )


@pytest.mark.slow
def test_helped_finds_do_not_move_a_chart():
    trials = searches(np.random.default_rng(10))
    trials["assisted"] = False
    trials.loc[len(trials) - 1, "assisted"] = True
    trials["qualified"] = trials["dog_id"] != "D0"
    found = charted(trials, DecisionSettings())
    on_sources = {trial.trial_id for chart in found.sources for trial in chart.trials}
    assert trials["trial_id"].iloc[-1] not in on_sources
    assert trials["trial_id"].iloc[-2] in on_sources or trials["dog_id"].iloc[-2] == "D0"
    assert not any(t.dog_id == "D0" for chart in found.sources for t in chart.trials)
    assert "D0" in [chart.name for chart in found.dogs]
    assert any("dog not yet qualified" in left.reason for left in found.left_out)


@pytest.mark.slow
def test_settings_of_charts_are_kept_to(worn):
    strict = EarlyWarning(false_call=0.01, within=20)
    found = watch(replace(worn, settings=replace(ANY_DOG, early_warning=strict)))
    assert (found.false_call, found.within) == (0.01, 20)
    assert max(len(chart.trials) for chart in found.charts) == 20
    assert all(chart.by_chance <= 0.01 for chart in found.charts)
    with pytest.raises(SettingsError, match=r"odds_ratio = 1\.0 cannot be used"):
        EarlyWarning(odds_ratio=1.0)


@pytest.mark.slow
def test_unqualified_dogs_leave_no_source_chart(worn):
    trials = worn.design.trials.assign(qualified=False)
    found = charted(trials, DecisionSettings())
    assert found.sources == ()
    assert len(found.dogs) == 5
    assert found.seen("source") is None
