"""``plan.json``: the same plan, the same bytes; what was damaged is refused in one line."""

import json
from dataclasses import replace

import pytest

from outcomes.errors import PlanError
from outcomes.planning.document import (
    FORMAT,
    Effect,
    Look,
    Move,
    Plan,
    PlannedSource,
    PlannedTrial,
    PowerAt,
    Rates,
    key_digest,
    plan_bytes,
    plan_from_bytes,
    planned_cycles,
)


def _trial(number, source, arm):
    return PlannedTrial(
        plan_id=f"t{number}",
        day=1 + number,
        order=1,
        dog_id="Moss",
        handler_id=None,
        area="A",
        container="11" if source else "12",
        source_id=source,
        arm=arm,
        blinding="double",
    )


@pytest.fixture
def plan():
    trials = (_trial(1, "S1-A", "often"), _trial(2, None, None))
    storage = (
        PlannedSource(
            source_id="S1-A",
            parent_id="S1",
            pair=1,
            kind="muscle",
            container="11",
            arm="often",
            cycles_before=0.0,
            age_days_before=1 / 3,
            moves=(Move(day=2, moved_to="ambient"), Move(day=2, moved_to="freezer")),
        ),
    )
    return Plan(
        format=FORMAT,
        unit="Unit",
        question="cycles",
        design="split",
        seed=1,
        starts_on="2026-01-05",
        weeks=2,
        trials_per_week=4,
        blanks=0.25,
        found_at_least=0.85,
        alpha=0.05,
        trials=trials,
        storage=storage,
        effect=Effect(per="cycle", log_odds=-0.1, span=8, found_now=0.9, found_then=0.85),
        rates=Rates(
            found=0.9,
            dog_sd=0.5,
            source_sd=0.5,
            portion_sd=0.3,
            from_records=(),
            trials=0,
            sources=0,
            dogs=0,
        ),
        power=(
            PowerAt(weeks=2, trials=8, power=0.1, low=0.05, high=0.2, std_error=0.2, smallest=0.6),
        ),
        buys=(),
        looks=(Look(number=1, information=1.0, expected_day=14, spent=0.05, bound=1.96),),
        settled_after_weeks=None,
        key_sha256=key_digest(trials, storage),
    )


def test_comes_back_as_it_was(plan):
    again = plan_from_bytes(plan_bytes(plan), "plan.json")
    assert plan_bytes(again) == plan_bytes(plan)
    assert again.trials == plan.trials


def test_days_are_dates(plan):
    assert plan.date_of(1).isoformat() == "2026-01-05"
    assert plan.date_of(8).isoformat() == "2026-01-12"


def test_a_thaw_counts_on_its_day(plan):
    assert [planned_cycles(plan.storage[0], day) for day in (1, 2, 3)] == [0, 1, 1]


def test_key_knows_the_arm(plan):
    other = (replace(plan.storage[0], arm="seldom"),)
    assert key_digest(plan.trials, other) != plan.key_sha256


def _changed(plan, change):
    told = json.loads(plan_bytes(plan))
    change(told)
    return json.dumps(told).encode()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda p: p.update(format=9), "format 9"),
        (lambda p: p.pop("seed"), "seed"),
        (lambda p: p.update(weeks="two"), "weeks"),
        (lambda p: p.update(starts_on="soon"), "starts_on"),
        (lambda p: p["trials"][1].update(plan_id="t1"), "t1 is there twice"),
        (lambda p: p["trials"][0].update(source_id="S9"), "S9"),
        (lambda p: p["trials"][0].update(arm="seldom"), "arm of trial t1"),
        (lambda p: p["storage"][0].update(container="15"), "key_sha256"),
        (lambda p: p["trials"][0].update(day=0), "day"),
    ],
)
def test_damage_is_one_line(plan, change, says):
    with pytest.raises(PlanError, match=says) as told:
        plan_from_bytes(_changed(plan, change), "plan.json")
    assert "\n" not in str(told.value)
    assert str(told.value).startswith("plan.json ")


@pytest.mark.parametrize("raw", [b"", b"{", b"[]", b"\xff\xfe", b"null"])
def test_what_is_no_plan_is_refused(raw):
    with pytest.raises(PlanError, match=r"plan\.json is not"):
        plan_from_bytes(raw, "plan.json")
