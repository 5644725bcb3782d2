"""A figure for a slide has worked out what it shows, and nothing else."""

import re
from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any

import pytest

from outcomes.answers.facts import Facts, gather_facts
from outcomes.report.figures import FIGURES, draw_named_figure

# Beside the trials themselves, which every footer counts.
FAMILY = {
    *("side_tests", "search_time", "false_alerts", "lasting", "lifetime", "comparison"),
    *("quality", "suspects", "dogs"),
}
SHELF = {"retirement", "use", "drawn", "_shelf_and_left", "shelf"}
ASKED = {
    "main": {"retirement", "comparison"}, "price": {"retirement", "use", "drawn", "price"},
    "storage": {"comparison"}, "wear-out": {"lifetime"},
    "shelf": SHELF | {"next_steps", "testing_dogs"}, "stock": SHELF | {"stock"},
    "watch": {"watched"}, "search-time": FAMILY, "false-alerts": {"false_alerts"},
    "next-cycles": FAMILY, "records": set(), "ways": {"ways"}, "calibration": {"quality"},
}  # fmt: skip
NEED_THE_MODEL = {
    *("main", "storage", "price", "search-time", "ways", "calibration", "watch", "next-cycles"),
    *("shelf", "stock", "wear-out"),
}


def test_every_figure_is_looked_at() -> None:
    assert set(ASKED) == set(FIGURES)


@pytest.mark.parametrize("name", ASKED)
def test_a_figure_asks_for_what_it_shows(name: str, demo_facts: Facts) -> None:
    facts = gather_facts(demo_facts.records, demo_facts.settings)
    before = set(facts.__dict__)
    if name in NEED_THE_MODEL:  # the same answers, known already, spare fitting them again
        known = {"fit", "verdict", *(ASKED[name] & {"ways", "quality"})}
        facts = facts.with_answers(**{answer: getattr(demo_facts, answer) for answer in known})
        before |= {"fit", "verdict"}
    draw_named_figure(facts, name)
    there = set(facts.__dict__) - before - {"design", "_questions"}
    assert there == ASKED[name]
    assert facts.ways_known is None or name == "ways"


def test_ways_alone_go_to_the_other_process(demo_facts: Facts) -> None:
    handed = []

    class Other(Executor):
        def submit(self, ask: Callable[..., Any], *_: Any, **__: Any) -> Future[Any]:
            handed.append(ask.__name__)
            done: Future[Any] = Future()
            done.set_result(demo_facts.ways)
            return done

    facts = gather_facts(demo_facts.records, demo_facts.settings, further=False, pool=Other())
    facts = facts.with_answers(fit=demo_facts.fit, verdict=demo_facts.verdict)
    draw_named_figure(facts, "ways")
    assert facts.ways is demo_facts.ways
    assert handed == ["try_specifications"]


def test_the_help_names_every_figure(call: Callable[..., Any]) -> None:
    told = re.sub(r"\s+", " ", call("figure", "--help").out)
    assert all(re.search(rf"[ ,]{name}[ ,.]", told) for name in FIGURES)
