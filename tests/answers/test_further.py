"""What stands behind the answer: told where it is known, and the same from another process."""

import json
import multiprocessing
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from dataclasses import replace
from html import unescape
from typing import Any

import pytest

from outcomes.analysis.finds.sensitivity import MAIN
from outcomes.answers.background import Questions
from outcomes.answers.facts import gather_facts
from outcomes.records.read import read_records
from outcomes.report import report
from outcomes.report.page import render_page
from outcomes.report.results import results
from outcomes.report.write import results_text
from outcomes.settings import DecisionSettings
from outcomes.wording.dogs import DOG_CAUTION
from outcomes.wording.sensitivity import (
    _moves_most,
    describe_agreement_in_short,
    describe_dogs_in_short,
    describe_firmness,
    describe_not_parted,
    way_lines,
)
from outcomes.wording.suspects import describe_suspects
from tests.side import UNTOLD, beyond_chance


@pytest.mark.slow
def test_another_process_answers_the_same(briefing_of) -> None:
    briefing = briefing_of("effect falling")
    records = read_records(briefing.folder.parent / "records")
    here = results_text(results(gather_facts(records, DecisionSettings())))
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        there = gather_facts(records, DecisionSettings(), pool=pool)
        there.answer_all()
    assert results_text(results(there)) == here


def test_a_question_nobody_began_is_answered_here() -> None:
    class Busy(Executor):
        def submit(self, *_: Any, **__: Any) -> Future[Any]:
            return Future()

    questions = Questions(Busy())
    questions.put("sum", sum, [1, 2])
    questions.put("sum", sum, [5])
    assert questions.answer("sum") == 3


def test_other_process_gets_one_question_a_time() -> None:
    handed: list[Future[Any]] = []

    class Slow(Executor):
        def submit(self, *_: Any, **__: Any) -> Future[Any]:
            future: Future[Any] = Future()
            future.set_running_or_notify_cancel()
            handed.append(future)
            return future

    questions = Questions(Slow())
    for name in ("first", "second", "third"):
        questions.put(name, str, f"here: {name}")
    assert len(handed) == 1
    # The last is answered here, the second is still to be handed over.
    assert questions.answer("third") == "here: third"
    handed[0].set_result("there: first")
    assert len(handed) == 2
    handed[1].set_result("there: second")
    assert len(handed) == 2
    assert [questions.answer(name) for name in ("first", "second")] == [
        "there: first",
        "there: second",
    ]


def test_closed_process_leaves_the_rest_unasked() -> None:
    class Closed(Executor):
        def submit(self, *_: Any, **__: Any) -> Future[Any]:
            raise RuntimeError("cannot schedule new futures after shutdown")

    questions = Questions(Closed())
    questions.put("sum", sum, [1, 2])
    assert questions.answer("sum") == 3


@pytest.mark.slow
def test_only_what_is_asked_for_is_worked_out(briefing_of, monkeypatch) -> None:
    briefing = briefing_of("effect falling")  # made before anything is out of reach

    def never(*_: Any, **__: Any) -> None:
        raise AssertionError("worked out, and not asked for")

    for name in (
        "answers.sensitivity.try_specifications",
        "analysis.searches.false_alerts.fit_false_alerts",
        "analysis.searches.search_time.fit_search_time",
    ):
        monkeypatch.setattr(f"outcomes.{name}", never)
    facts = gather_facts(read_records(briefing.folder.parent / "records"), DecisionSettings())
    whole = briefing.results
    told = json.loads(results_text(results(facts, ("compare",))))
    assert told["compare"] == whole["compare"]
    assert list(told)[-1] == "compare"
    with pytest.raises(AssertionError, match="not asked for"):
        results(facts, ("search_time",))


def test_main_model_is_one_of_the_ways(demo_facts) -> None:
    rows = demo_facts.further.ways.of("cycles")
    term = demo_facts.fit.term("cycles")
    assert term is not None
    assert rows[0].name == MAIN
    assert rows[0].log_odds == pytest.approx(term.log_ratio, rel=1e-12)


def test_sentences_drop_names_of_methods(demo_facts) -> None:
    ways = demo_facts.further.ways
    # What the ways are called where they are made, so that no new bracket slips through.
    bracketed = {row.name for row in ways.of("cycles") if row.name.endswith(")")}
    plain = {name for name in bracketed if name.endswith(" (average slope)")}
    named = bracketed - plain
    methods = {name.rpartition(" (")[2].rstrip(")") for name in named}
    assert methods == {"GEE", "conditional", "Mundlak"}
    found = replace(ways.agreement["cycles"], clear=True, unsure=tuple(sorted(named))[:2])
    told = describe_agreement_in_short(
        replace(ways, agreement={**ways.agreement, "cycles": found}), "cycles"
    )
    said = "; ".join(name.rpartition(" (")[0] for name in found.unsure)
    assert f" Less sure: {said}." in told
    table = " ".join(way_lines(ways, ["cycles"]))
    assert all(name in table for name in named)


def test_only_the_verdicts_exposure_is_questioned(demo_facts) -> None:
    assert demo_facts.further is not None
    assert demo_facts.verdict.verdict == "cycles"
    verdict, side = demo_facts.verdict, demo_facts.side_tests
    lines = describe_firmness(demo_facts.further, verdict, side)
    ways = demo_facts.further.ways
    assert describe_agreement_in_short(ways, "cycles") in lines
    assert describe_agreement_in_short(ways, "age_days") not in lines
    assert describe_suspects(demo_facts.further.suspects, verdict, side) in lines


def test_four_suspects_do_not_unsay_the_verdict(demo_facts) -> None:
    suspects, verdict = demo_facts.further.suspects, demo_facts.verdict
    text = describe_suspects(replace(suspects, joint_p=0.4), verdict, UNTOLD)
    assert text.startswith("Asked of four possible reasons at once")
    assert "none was found" not in text
    # Of cycles and age none is named but what the verdict names, however clear beside the others.
    clear = replace(suspects.suspects[0].given_others, p=1e-6)
    named = replace(
        suspects, suspects=tuple(replace(s, given_others=clear) for s in suspects.suspects)
    )
    told = describe_suspects(named, verdict, UNTOLD)
    assert "finds go with freeze/thaw cycles (" in told
    for word in ("no change detected", "cannot be told apart", "both"):
        other = replace(verdict, verdict=word)
        together = beyond_chance(("suspects", "together"))
        said = describe_suspects(named, other, together)
        assert ("finds go with freeze/thaw cycles" in said) is (word == "both")
        assert ("cannot tell which" in said) is (word != "both")


def test_what_goes_with_cycles_is_left_open(demo_facts) -> None:
    further, verdict = demo_facts.further, demo_facts.verdict
    assert further is not None
    assert describe_not_parted(further, verdict) == [
        "Whether it is cycles themselves, or what goes along: time frozen unsealed (drying) or "
        "warmth so far (bacterial growth)."
    ]
    cycles = further.suspects.suspect("cycles")
    assert cycles.given_others is not None
    clear = replace(cycles, given_others=replace(cycles.given_others, p=0.001))
    alone = tuple(clear if s.exposure == "cycles" else s for s in further.suspects.suspects)
    told = replace(further, suspects=replace(further.suspects, suspects=alone))
    assert describe_not_parted(told, verdict) == []
    assert describe_not_parted(further, replace(verdict, verdict="no change detected")) == []
    assert describe_not_parted(None, verdict) == []


@pytest.mark.slow
def test_dog_is_never_told_without_the_caution(demo_facts) -> None:
    text = unescape(render_page(demo_facts, None))
    _, _, dogs = text.partition("<summary>The dogs</summary>")
    dogs, _, _ = dogs.partition("</details>")
    assert describe_dogs_in_short(demo_facts.dogs, demo_facts.side_tests)[0] in dogs
    assert DOG_CAUTION in dogs


def test_without_a_model_no_suspects_or_dogs(briefing_of) -> None:
    briefing = briefing_of("too few trials")
    found = briefing.results
    assert found["dogs"]["reason"] is not None
    assert found["suspects"]["reason"] is not None
    assert found["find"]["specifications"] == []
    assert found["find"]["specifications_reason"] is not None
    assert "How firm the answer is" not in briefing.page.text


def test_penalised_direction_is_named_as_one(briefing_of) -> None:
    briefing = briefing_of("finds and misses apart")
    penalised = briefing.results["find"]["penalised"]
    cycles = next(t for t in penalised["terms"] if t["term"] == "cycles")
    assert cycles["log_odds"] < 0.0
    assert penalised["sentence"] in briefing.page.text


def test_every_table_line_carries_its_numbers(demo_facts) -> None:
    lines = list(report.fit_lines(demo_facts))
    further = demo_facts.further
    for dog in further.dogs.dogs:
        line = next(one for one in lines if one.startswith(f"{dog.name} "))
        assert f"{dog.finds:,} of {dog.trials:,}" in line
    for row in further.ways.shown("cycles"):
        assert any(one.strip().startswith(row.name) for one in lines)


@pytest.mark.parametrize(
    ("main", "without", "half", "clear", "said"),
    [
        (-0.10, -0.14, 0.05, True, "the fall is steeper"),
        (-0.10, -0.14, 0.15, True, "the fall is steeper, and no change would fit too"),
        (-0.10, -0.04, 0.03, True, "the fall is less steep"),
        (0.10, 0.14, 0.05, True, "the rise is steeper"),
        (0.10, 0.04, 0.05, True, "the rise is less steep, and no change would fit too"),
        (0.10, -0.01, 0.05, True, "the rise turns round"),
        (-0.02, -0.03, 0.05, False, "the estimate is farther from no change"),
        (-0.02, -0.01, 0.05, False, "the estimate is nearer to no change"),
    ],
)
def test_weightiest_source_shows_no_false_fall(
    demo_facts, main, without, half, clear, said
) -> None:
    rows = demo_facts.further.ways.of("cycles")
    row = replace(
        rows[0],
        name="without source BLD-02",
        log_odds=without,
        low=without - half,
        high=without + half,
    )
    text = _moves_most(row, "source", replace(rows[0], log_odds=main), clear=clear)
    assert text == f" The source that moves this most is BLD-02: without it {said}."


@pytest.mark.parametrize(
    ("unsure", "said"),
    [
        (0, "in 20 the whole interval says so. The source"),
        (2, "in 18 the whole interval says so. Less sure: way 0; way 1. The source"),
        (16, "in 4 the whole interval says so. In 16 no change would fit too. The source"),
    ],
)
def test_ways_that_could_be_no_change_are_told(demo_facts, unsure, said) -> None:
    ways = demo_facts.further.ways
    found = replace(
        ways.agreement["cycles"],
        ways=20,
        same_sign=20,
        clear_too=20 - unsure,
        unsure=tuple(f"way {k}" for k in range(unsure)),
    )
    changed = replace(ways, agreement={**ways.agreement, "cycles": found})
    assert said in describe_agreement_in_short(changed, "cycles")


@pytest.mark.parametrize(("of_average", "told"), [(0.05, True), (0.5, False)])
def test_poor_foretelling_is_told_with_the_answer(demo_facts, of_average, told) -> None:
    further = demo_facts.further
    assert further is not None
    assert demo_facts.verdict.verdict == "cycles"
    assert 0.05 < (further.quality.brier or 0.0) < 0.5
    changed = replace(further, quality=replace(further.quality, brier_of_average=of_average))
    lines = describe_firmness(changed, demo_facts.verdict, UNTOLD)
    assert any("no better than the unit's average" in line for line in lines) is told
    none = replace(demo_facts.verdict, verdict="no change detected")
    assert not any("unit's average" in line for line in describe_firmness(changed, none, UNTOLD))
