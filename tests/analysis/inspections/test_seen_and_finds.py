"""Whether finds follow what was seen: recovery of a planted way from cycles to finds."""

import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from intervals import seldom

from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.inspections.change import describe_changes, looks_with_exposures
from outcomes.analysis.inspections.inspected import review_inspections
from outcomes.analysis.inspections.seen_and_finds import SeenAndFinds, finds_and_seen
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import Truth, simulate_unit

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "6"))
SEEN = Truth(
    cycle_log_odds=-0.12, baseline_log_odds=2.6, all_frozen=True, inspected_share=1.0,
    moved_home_share=0.0, discards_per_year=0.0, source_sd=0.6, damage_of_source=0.8,
)  # fmt: skip


def asked(truth: Truth, seed: int, **sizes: int) -> tuple[FindFit, pd.DataFrame]:
    records = unit_records(simulate_unit(truth, seed, **sizes))
    joined = join(records)
    return fit_finds(joined.trials, DecisionSettings()), looks_with_exposures(
        records, joined.history
    )


def of(found: tuple[SeenAndFinds, ...], measure: str) -> SeenAndFinds:
    return next(one for one in found if one.measure == measure)


@pytest.mark.slow
def test_damage_that_carries_half_is_found_to() -> None:
    """In a unit large enough: 90 sources, 9,000 trials, each looked at whenever it is out."""
    fit, looks = asked(SEEN, 11, trials=9_000, sources=90, dogs=12)
    found = review_inspections(looks, 90, fit)
    assert found is not None
    drip = of(found.finds, "drip")
    assert drip.told
    assert drip.estimate is not None
    assert drip.carried is not None
    # Planted: -0.06 for a cycle's worth of damage, 0.08 % of drip each. Drip is weighed with an
    # error, so that what finds owe to it comes out too small, by up to a third here.
    planted = -0.06 / 0.08
    assert planted * 1.35 < drip.estimate.log_ratio < planted * 0.45
    assert drip.carried.share is not None
    assert 0.2 < drip.carried.share < 0.75
    assert drip.carried.share_low < drip.carried.share < drip.carried.share_high


@pytest.mark.slow
def test_the_model_of_finds_stays_as_it_is() -> None:
    records = unit_records(simulate_unit(SEEN, 5, trials=500))
    joined = join(records)
    unseen = join(replace(records, inspections=records.inspections.iloc[:0]))
    ours, theirs = (fit_finds(j.trials, DecisionSettings()) for j in (joined, unseen))
    assert ours.terms == theirs.terms
    assert {"mass_share", "ice_damage"} <= set(joined.trials.columns) - set(unseen.trials.columns)


def test_too_few_trials_after_a_look_say_so() -> None:
    fit, looks = asked(replace(SEEN, inspected_from_day=880), 5, trials=500)
    changes = describe_changes(looks, 0.05)
    for one in finds_and_seen(fit, changes, 0.05, 1):
        assert one.estimate is None
        assert one.reason is not None
        assert "too few" in one.reason


def test_without_a_look_there_is_nothing() -> None:
    fit, looks = asked(replace(SEEN, inspected_share=0.0), 5, trials=300)
    assert review_inspections(looks, 24, fit) is None


@pytest.mark.study
def test_finds_that_follow_nothing_seen_are_seldom_told() -> None:
    """Damage carries none of the effect of cycles: at most 5 in 100 units tell of any."""
    told = 0
    for seed in range(UNITS):
        fit, looks = asked(replace(SEEN, damage_share=0.0), 600 + seed)
        found = finds_and_seen(fit, describe_changes(looks, 0.05), 0.05, 1)
        told += any(one.told for one in found)
    assert seldom(told, UNITS, 0.05), f"{told} of {UNITS} units"


@pytest.mark.slow
def test_the_damage_planted_leaves_finds_as_they_were() -> None:
    """What sources came with is parted from what was drawn before: the trials are the same."""
    with_looks, without = (
        simulate_unit(replace(SEEN, inspected_share=share), 9, trials=300) for share in (1.0, 0.0)
    )
    pd.testing.assert_frame_equal(with_looks.trials, without.trials)
    big = simulate_unit(SEEN, 2, trials=200, sources=3_000)
    effect = big.source_effects["effect"].to_numpy()
    carried = -0.06 * big.source_effects["damage"].to_numpy()
    # Of the variance of 0.36 between sources, 0.8 is the damage they came with; the rest is apart.
    assert carried.var() == pytest.approx(0.8 * 0.36, rel=0.08)
    assert abs(np.corrcoef(carried, effect - carried)[0, 1]) < 0.06
