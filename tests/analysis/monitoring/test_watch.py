"""Charts of sources and dogs: what they call, how often they err, and that history stays.

The study of false calls in full: ``OUTCOMES_STUDY_SIZE=500`` and this file.
"""

import os

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from outcomes.analysis.monitoring.charts import watch
from outcomes.errors import SettingsError
from outcomes.models.cusum import chart_values
from outcomes.settings import DecisionSettings, EarlyWarning, ReliabilityRule
from outcomes.wording.watch import describe_watch

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "12"))
FIRST_DAY = pd.Timestamp("2024-01-01 09:00")
ANY_DOG = DecisionSettings(rule=ReliabilityRule(qualified_only=False))


def searches(
    rng: np.random.Generator,
    days: int = 150,
    *,
    worn: str | None = None,
    tired: str | None = None,
    from_day: int = 90,
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
                        "age_days": 2.0 * day,
                        "documented": True,
                        "experience": float(day),
                    }
                )
    return pd.DataFrame(rows)


def test_source_gone_bad_is_listed_with_misses():
    trials = searches(np.random.default_rng(2), worn="S03")
    found = watch(trials, ANY_DOG)
    assert found.reason is None
    (chart,) = found.past
    assert (chart.of, chart.name) == ("source", "S03")
    assert chart.past_since.in_baseline is False
    assert chart.value > chart.limit
    assert all(not trial.found and trial.source_id == "S03" for trial in chart.moved_by)
    heaviest = [trial.score for trial in chart.moved_by]
    assert heaviest == sorted(heaviest, reverse=True)
    assert "source S03 (since " in describe_watch(found)
    assert "the source was past its limit by then" in found.left_out[-1].reason


def test_worse_dog_passes_its_own_limit():
    found = watch(searches(np.random.default_rng(3), tired="D2"), ANY_DOG)
    assert ("dog", "D2") in [(chart.of, chart.name) for chart in found.past]


def test_charts_past_limit_are_oldest_first():
    found = watch(searches(np.random.default_rng(4), worn="S03", tired="D1"), ANY_DOG)
    since = [chart.past_since.started_at for chart in found.past]
    assert len(since) > 1
    assert since == sorted(since)


def test_appended_records_keep_the_history():
    trials = searches(np.random.default_rng(5), worn="S03")
    whole = watch(trials, ANY_DOG)
    for size in (700, 1000):
        part = watch(trials.head(size), ANY_DOG)
        assert (part.source_limit, part.dog_limit) == (whole.source_limit, whole.dog_limit)
        later = {(c.of, c.name): c for c in (*whole.sources, *whole.dogs)}
        for chart in (*part.sources, *part.dogs):
            assert later[chart.of, chart.name].trials[: len(chart.trials)] == chart.trials


def test_the_order_of_the_rows_changes_nothing():
    trials = searches(np.random.default_rng(6), days=120)
    assert watch(trials, ANY_DOG) == watch(trials.sample(frac=1, random_state=2), ANY_DOG)


@pytest.mark.slow
def test_charts_pass_by_chance_as_stated():
    # Charts begun anew after the baseline, over 50 trials, in units where nothing changes. In
    # full (50 units) 5.8 of 100 sources and 6.0 of 100 dogs passed. Charts of one unit share
    # its baseline: the bounds are three binomial errors of a third as many charts.
    rng = np.random.default_rng(7)
    called: list[bool] = []
    for unit in range(UNITS):
        found = watch(searches(rng, days=200), DecisionSettings(seed=unit, rule=ANY_DOG.rule))
        for chart in (*found.sources, *found.dogs):
            scores = np.array([t.score for t in chart.trials if not t.in_baseline])
            if len(scores) >= 50:
                called.append(bool((chart_values(scores[:50]) > chart.limit).any()))
    assert len(called) > 8 * UNITS
    error = np.sqrt(0.05 * 0.95 / (len(called) / 3))
    assert 0.05 - 3 * error < np.mean(called) < 0.05 + 3 * error


def test_expected_misses_agree_over_the_baseline():
    found = watch(searches(np.random.default_rng(8)), ANY_DOG)
    points = [trial for chart in found.dogs for trial in chart.trials if trial.in_baseline]
    misses = sum(not trial.found for trial in points)
    assert misses <= found.baseline_misses == 40
    assert sum(1 - trial.expected for trial in points) == pytest.approx(misses, rel=0.25)


def test_without_a_baseline_it_says_what_lacks():
    found = watch(searches(np.random.default_rng(9), days=10), ANY_DOG)
    assert found.sources == ()
    assert "misses of 40" in found.reason
    assert describe_watch(found).startswith("No source or dog can be charted yet")
    empty = watch(searches(np.random.default_rng(9), days=10).head(0), ANY_DOG)
    assert "0 finds of 40" in empty.reason


def test_helped_finds_do_not_move_a_chart():
    trials = searches(np.random.default_rng(10))
    trials["assisted"] = False
    trials.loc[5, "assisted"] = True
    trials["qualified"] = trials["dog_id"] != "D0"
    found = watch(trials, DecisionSettings())
    charted = {trial.trial_id for chart in found.sources for trial in chart.trials}
    assert "T00005" not in charted
    assert not any(t.dog_id == "D0" for chart in found.sources for t in chart.trials)
    assert "D0" in [chart.name for chart in found.dogs]
    assert any("dog not yet qualified" in left.reason for left in found.left_out)


def test_fewer_false_calls_widen_the_limit():
    trials = searches(np.random.default_rng(5))
    usual = watch(trials, ANY_DOG)
    strict = watch(
        trials, DecisionSettings(rule=ANY_DOG.rule, early_warning=EarlyWarning(false_call=0.01))
    )
    assert strict.source_limit > usual.source_limit
    assert (strict.false_call, strict.within) == (0.01, 50)
    with pytest.raises(SettingsError, match=r"odds_ratio = 1\.0 cannot be used"):
        EarlyWarning(odds_ratio=1.0)


def test_late_qualified_dogs_leave_no_chart():
    trials = searches(np.random.default_rng(2)).assign(qualified=False)
    found = watch(trials, DecisionSettings())
    assert found.sources == found.dogs == ()
    assert "no trial of the baseline is by a qualified dog" in describe_watch(found)
