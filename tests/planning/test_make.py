"""A plan made: the same from one seed, such as a unit can carry out, or refused with the reason."""

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from outcomes.errors import PlanError, SettingValueError
from outcomes.planning.analyse import analyse_plan
from outcomes.planning.document import plan_bytes, plan_from_bytes, planned_cycles
from outcomes.planning.make import make_plan
from outcomes.planning.members import like_pairs
from outcomes.planning.outline import outline_plan
from outcomes.planning.paired_rows import planned_hides
from outcomes.planning.request import PlanRequest

from .units import held, results, unit


def _plan(request=None, of=None, **asked):
    asked = {"runs": 20, "weeks": 8, **asked}
    return make_plan(of or unit(), request or PlanRequest(**asked), table=False)


def test_same_seed_gives_the_same_bytes():
    assert plan_bytes(_plan(seed=4)) == plan_bytes(_plan(seed=4))


def test_another_seed_draws_other_arms():
    arms = [{s.source_id: s.arm for s in _plan(seed=k).storage} for k in range(4)]
    assert len({tuple(sorted(one.items())) for one in arms}) > 2


@pytest.mark.parametrize(
    "asked",
    [
        {"question": "cycles", "design": "pairs"},
        {"question": "cycles", "may_cut": True},
        {"question": "storage"},
        {"question": "cycles", "design": "shelf"},
        {"question": "age"},
    ],
    ids=lambda asked: " ".join(str(value) for value in asked.values()),
)
def test_every_design_can_be_carried_out(asked):
    plan = _plan(**asked)
    again = plan_from_bytes(plan_bytes(plan), "plan.json")
    assert again.trials == plan.trials
    assert plan.date_of(1).weekday() == 0
    sources = {source.source_id: source for source in plan.storage}
    assert len({t.plan_id for t in plan.trials}) == len(plan.trials)
    for day in {t.day for t in plan.trials}:
        here = [t for t in plan.trials if t.day == day]
        assert plan.date_of(day).weekday() in (1, 5)
        assert [t.order for t in here] == list(range(1, len(here) + 1))
        at = {}
        for trial in here:
            assert at.setdefault(trial.area, trial.container) == trial.container
            if trial.source_id is not None:
                assert trial.container == sources[trial.source_id].container
        assert len(set(at.values())) == len(at)
        assert max(Counter((t.area, t.dog_id) for t in here).values()) == 1
    for source in plan.storage:
        months = Counter((m.day - 1) // 28 for m in source.moves if m.moved_to == "ambient")
        assert max(months.values(), default=0) <= 8
    blanks = sum(t.source_id is None for t in plan.trials) / len(plan.trials)
    assert blanks == pytest.approx(0.25, abs=0.06)
    containers = {t.container for t in plan.trials if t.source_id is None}
    assert not containers & {source.container for source in plan.storage}


@pytest.mark.parametrize("asked", [{"question": "cycles"}, {"question": "storage"}])
def test_each_pair_has_both_arms_on_the_same_days(asked):
    plan = _plan(**asked)
    sources = {source.source_id: source for source in plan.storage}
    pairs = {}
    for source in plan.storage:
        pairs.setdefault(source.pair, []).append(source)
    for two in pairs.values():
        assert len({source.arm for source in two}) == 2
        assert len({source.kind for source in two}) == 1
        days = [{t.day for t in plan.trials if t.source_id == s.source_id} for s in two]
        assert days[0] == days[1]
    for trial in plan.trials:
        if trial.source_id is not None:
            source = sources[trial.source_id]
            used = [m.day for m in source.moves if m.moved_to == "ambient"]
            assert (trial.day in used) == (source.arm != "refrigerator")


def test_often_is_thawed_more_than_seldom():
    plan = _plan(question="cycles")
    thaws = {"often": [], "seldom": []}
    for source in plan.storage:
        thaws[source.arm].append(planned_cycles(source, 7 * plan.weeks))
    # Up to twice a week for 8 weeks, and none after the last day a source is set on.
    assert 11 <= min(thaws["often"]) <= max(thaws["often"]) <= 16
    assert max(thaws["seldom"]) < 8
    for source in plan.storage:
        thawed = [m.day for m in source.moves if m.moved_to == "ambient"]
        assert max(thawed) == max(t.day for t in plan.trials if t.source_id == source.source_id)
    apart = planned_hides(plan)[0].apart
    assert apart.min() >= 0


@pytest.mark.parametrize("question", ["cycles", "age"])
def test_longer_plans_look_for_the_same_change(question):
    short, long = (_plan(question=question, weeks=weeks).effect for weeks in (12, 26))
    assert short == long


def test_portions_have_names_no_source_has():
    sources = held(8)
    taken = replace(sources[0], source_id=f"{sources[1].source_id}-A")
    of = replace(unit(), sources=(taken, *sources[1:]))
    plan = _plan(of=of, may_cut=True, sources=tuple(s.source_id for s in of.sources))
    names = {source.source_id for source in plan.storage}
    assert not names & {source.source_id for source in of.sources}
    assert {s.parent_id for s in plan.storage} == {s.source_id for s in of.sources}


def test_frozen_sources_are_paired_with_the_like():
    pairs = like_pairs(held(12, kinds=("muscle", "blood", "fat")))
    assert len(pairs) == 6
    assert all(one.kind == two.kind for one, two in pairs)


def test_odd_source_is_left_out():
    assert len(like_pairs(held(5, kinds=("muscle",)))) == 2


@pytest.mark.parametrize(
    ("of", "asked", "says"),
    [
        ({"dogs": 1}, {}, "two dogs at least"),
        ({}, {"trials_per_week": 8}, "fewer than 3 areas"),
        ({}, {"trials_per_week": 200}, r"Plan 64 trials a week \(--trials-per-week\)"),
        ({}, {"minutes_a_search": 60.0}, "60 min"),
        ({}, {"thaws_a_month": 1}, "1 time in them"),
        ({"sources": 6}, {"design": "pairs", "question": "cycles"}, "of the 6 there are"),
        ({"sources": 3}, {"design": "split"}, "at least 4"),
        ({"sources": 5}, {"design": "shelf", "question": "age"}, "at least 6"),
        ({}, {"question": "age", "design": "pairs"}, "older"),
        ({}, {"question": "storage", "design": "shelf"}, "cannot answer storage"),
        ({}, {"sources": ("S99",)}, "S99 is not held"),
        ({"refrigerated": 16}, {"question": "cycles", "design": "shelf"}, "none of them is thawed"),
    ],
)
def test_what_nobody_can_do_is_refused(of, asked, says):
    with pytest.raises(PlanError, match=says) as told:
        _plan(of=unit(**of), **asked)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    ("of", "asked", "design"),
    [
        ({}, {}, ("cycles", "pairs")),
        ({}, {"may_cut": True}, ("cycles", "split")),
        ({"refrigerated": 16}, {}, ("storage", "pairs")),
        (
            {"sources": 7, "kinds": ("a", "b", "c", "d")},
            {"question": "cycles"},
            ("cycles", "shelf"),
        ),
        ({}, {"question": "age"}, ("age", "shelf")),
    ],
)
def test_design_follows_what_is_held(of, asked, design):
    plan = _plan(of=unit(**of), **asked)
    assert (plan.question, plan.design) == design


def test_outline_is_none_where_nothing_can_be_planned():
    assert outline_plan(unit(dogs=1), PlanRequest()) is None


def test_outline_is_settled_by_the_fewest_weeks():
    outline = outline_plan(unit(), PlanRequest(floor=0.7))
    assert outline.settled
    assert outline.power >= 0.8
    shorter = [w for w in (8, 13, 26, 39, 52) if w < outline.weeks]
    assert shorter == [] or _formula(unit(), shorter[-1]) < 0.8


def _formula(of, weeks):
    from outcomes.models.power import power_of_t
    from outcomes.planning.make import designer_for, effect_of
    from outcomes.planning.paired_design import plan_effort, with_weeks

    request = PlanRequest(floor=0.7)
    effort, dogs = plan_effort(of, request)
    designer = designer_for(of, request, effort, dogs)
    effect = effect_of(of, request, designer.lay_out(effort)).log_odds
    out = designer.lay_out(with_weeks(effort, weeks))
    return power_of_t(effect, out.std_error(effect), out.freedom, 0.05)


@pytest.mark.slow
def test_table_says_what_more_would_buy():
    plan = make_plan(unit(), PlanRequest(runs=20, weeks=12, floor=0.7, looks=2))
    assert [row.weeks for row in plan.power] == [8, 12, 13, 26, 39, 52]
    errors = [row.std_error for row in plan.power]
    assert errors == sorted(errors, reverse=True)
    for row in plan.power:
        assert row.low <= row.power <= row.high
    buys = {one.change: one.power for one in plan.buys}
    assert buys["weeks"] > buys["as planned"]
    assert buys["thaws a week"] > buys["as planned"]
    assert [look.information for look in plan.looks] == [0.5, 1.0]
    # Information grows faster than time: half of it stands late.
    assert plan.looks[0].expected_day > 0.6 * plan.looks[1].expected_day


@pytest.mark.parametrize(
    ("asked", "says"),
    [({"weeks": 1}, "from 2 to 104"), ({"blanks": 0.9}, "blanks"), ({"question": "x"}, "question")],
)
def test_request_out_of_bounds_is_refused(asked, says):
    with pytest.raises(SettingValueError, match=says):
        PlanRequest(**asked)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(
    st.fixed_dictionaries(
        {
            "question": st.sampled_from([None, "cycles", "storage", "age"]),
            "design": st.sampled_from([None, "split", "pairs", "shelf"]),
            "weeks": st.integers(2, 9),
            "trials_per_week": st.integers(8, 40),
            "blanks": st.floats(0.1, 0.6),
            "may_cut": st.booleans(),
            "looks": st.integers(1, 3),
            "training_days": st.sampled_from([None, (2,), (0, 2, 4)]),
            "dogs_a_hide": st.integers(1, 3),
            "thaws_a_month": st.integers(2, 12),
            "seed": st.integers(0, 99),
        }
    ),
    st.integers(3, 16),
    st.integers(1, 9),
    st.integers(0, 6),
)
def test_any_request_is_a_plan_or_one_line(asked, sources, dogs, refrigerated):
    of = unit(sources=sources, dogs=dogs, refrigerated=min(refrigerated, sources))
    try:
        plan = make_plan(of, PlanRequest(runs=20, **asked), table=False)
    except PlanError as told:
        refused = str(told)
    else:
        refused = None
    event("refused" if refused else "planned")
    if refused:
        assert "\n" not in refused
        return
    assert plan_from_bytes(plan_bytes(plan), "plan.json").trials == plan.trials
    most = asked["thaws_a_month"]
    for source in plan.storage:
        months = Counter((m.day - 1) // 28 for m in source.moves if m.moved_to == "ambient")
        assert max(months.values(), default=0) <= most
    assert max(Counter((t.day, t.dog_id) for t in plan.trials).values()) <= 4
    result = analyse_plan(plan, results(plan))
    assert result.carried.done == len(plan.trials)
    assert result.look == len(plan.looks)
