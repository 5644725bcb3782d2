"""Whether sources change: recovery of what was planted, and when nothing can be said."""

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.inspections.change import (
    FEWEST_LOOKS,
    FEWEST_SOURCES,
    describe_changes,
    looks_with_exposures,
    mass_limit,
    shares_blind,
)
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.simulate import Truth, simulate_unit


def looks(sources: int = 8, each: int = 6, seed: int = 1, **changes: object) -> pd.DataFrame:
    """Looks at sources that lose 0.9 % a cycle and 0.3 % a month unsealed."""
    rng = np.random.default_rng(seed)
    n = sources * each
    cycles = np.tile(np.cumsum(rng.integers(1, 4, each)), sources).astype(float)
    open_days = rng.uniform(0.0, 300.0, n)
    frame = pd.DataFrame(
        {
            "source_id": np.repeat([f"S{k}" for k in range(sources)], each),
            "kind": np.repeat(np.where(np.arange(sources) % 2, "bone", "blood"), each),
            "cycles": cycles,
            "open_frozen_days": open_days,
            "degree_hours": np.nan,
            "age_days": 200.0 + 30.0 * cycles,
            "blind": True,
        }
    )
    level = rng.normal(size=sources)[np.repeat(np.arange(sources), each)]
    lost = level + 0.9 * cycles + 0.3 * open_days / 30.0 + 0.1 * rng.normal(size=n)
    return frame.assign(mass_lost=lost).assign(**changes)


def test_what_was_planted_is_found() -> None:
    (change,) = describe_changes(looks(), 0.05)
    thaw, dry = change.estimates
    assert (thaw.term, dry.term) == ("cycles", "open_frozen_days")
    assert thaw.low < 0.9 < thaw.high
    assert dry.low < 0.3 < dry.high
    assert thaw.shown
    assert dry.shown
    # Age is cycles but for a factor here; warmth is not known of every look.
    assert change.left_out == ("age_days",)
    assert [e.kind for e in change.by_kind] == ["blood", "bone"]
    assert change.kinds_differ_p is not None
    assert change.kinds_differ_p > 0.01


def test_kinds_that_differ_are_found() -> None:
    frame = looks()
    more = np.where(frame["kind"] == "bone", 0.5 * frame["cycles"], 0.0)
    (change,) = describe_changes(frame.assign(mass_lost=frame["mass_lost"] + more), 0.05)
    assert change.kinds_differ_p is not None
    assert change.kinds_differ_p < 0.001
    blood, bone = change.by_kind
    assert bone.slope - blood.slope == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize(
    ("frame", "reason"),
    [
        (looks(FEWEST_SOURCES - 1), "are the least"),
        (looks(FEWEST_SOURCES, FEWEST_LOOKS // FEWEST_SOURCES - 1), "are the least"),
        (looks(mass_lost=1.0), "found the same"),
        (looks(cycles=3.0, open_frozen_days=0.0, age_days=9.0), "did not vary"),
    ],
)
def test_too_little_says_so(frame: pd.DataFrame, reason: str) -> None:
    (change,) = describe_changes(frame, 0.05)
    assert change.estimates == ()
    assert change.reason is not None
    assert reason in change.reason


def test_a_look_alone_at_a_source_says_nothing_of_change() -> None:
    frame = looks()
    alone = frame.iloc[:1].assign(source_id="alone", mass_lost=90.0)
    (with_it,) = describe_changes(pd.concat([frame, alone], ignore_index=True), 0.05)
    (without,) = describe_changes(frame, 0.05)
    assert with_it.estimates == without.estimates
    assert with_it.sources == without.sources == 8


def test_the_mass_limit_is_before_the_mean_reaches_it() -> None:
    frame = looks(open_frozen_days=0.0)
    frame = frame.assign(mass_lost=0.9 * frame["cycles"] + np.tile([0.1, -0.1], 24))
    found = mass_limit(frame, 0.05, 0.05)
    assert found is not None
    assert found.cycles is not None
    assert 5.0 < found.cycles < 5.0 / 0.9
    assert mass_limit(frame, 0.9, 0.05).cycles is None
    assert mass_limit(frame.iloc[:4], 0.05, 0.05) is None


def test_blind_is_a_share_of_what_was_said() -> None:
    assert shares_blind([True, False, None, pd.NA]) == 0.5
    assert shares_blind([None, pd.NA]) is None


@pytest.mark.slow
def test_a_simulated_unit_loses_what_was_planted() -> None:
    """Each thaw takes 0.9 % of what is left, so a little less of the first mass."""
    truth = Truth(all_frozen=True, inspected_share=0.6)
    unit = simulate_unit(truth, 3, trials=900, months=20)
    records = unit_records(unit)
    found = looks_with_exposures(records, join(records).history)
    change = next(c for c in describe_changes(found, 0.05) if c.measure == "mass_lost")
    thaw, dry = change.of("cycles"), change.of("open_frozen_days")
    kept = 1.0 - found["mass_lost"].mean() / 100.0
    assert thaw is not None
    assert thaw.slope == pytest.approx(0.9 * kept, rel=0.1)
    assert dry is not None
    assert dry.slope == pytest.approx(0.4 * kept, rel=0.25)
