"""The side questions: one family, one voice, and nothing told that is not beyond chance."""

import numpy as np
import pytest

from outcomes.answers.side_tests import SideTests, as_family
from outcomes.models.holm import holm
from outcomes.report.page import page_fields
from outcomes.report.report import fit_lines
from outcomes.report.results import results
from outcomes.wording.side_tests import describe_side_tests, side_test_lines
from tests.side import UNTOLD, beyond_chance


def test_each_is_adjusted_among_all_that_could_be_asked() -> None:
    side = as_family(
        [
            ("search time", "cycles", 0.01),
            ("false alerts", "cycles", None),
            ("false alerts", "age_days", 0.02),
            ("calendar drift", "finds", 0.6),
        ],
        0.05,
    )
    assert [t.adjusted_p for t in side.tests] == pytest.approx([0.03, 0.04, 0.6])
    assert side.beyond_chance("search time", "cycles")
    assert not side.beyond_chance("calendar drift", "finds")
    assert not side.beyond_chance("false alerts", "cycles")


def test_a_question_asked_alone_stands_by_itself() -> None:
    side = as_family([("false alerts", "cycles", 0.04)], 0.05)
    assert side.tests[0].adjusted_p == 0.04
    assert side.told == side.tests


def test_nothing_beyond_chance_is_said_once() -> None:
    side = as_family([("search time", "cycles", 0.04), ("dogs", "experience", 0.3)], 0.05)
    assert describe_side_tests(side) == (
        "2 side questions tested together (search time and dogs): nothing beyond chance."
    )
    assert describe_side_tests(UNTOLD) is None
    assert list(side_test_lines(UNTOLD)) == []


def test_what_is_beyond_chance_is_named() -> None:
    side = beyond_chance(("false alerts", "cycles"), ("dogs", "differ with age_days"))
    assert describe_side_tests(side) == (
        "2 side questions tested together (false alerts and dogs): beyond chance only false "
        "alerts with cycles and dogs' own changes with age."
    )
    kind = beyond_chance(("storage by kind", "fat"))
    assert "only refrigerated against frozen in fat." in describe_side_tests(kind)


def test_family_of_the_demo_is_in_its_results(demo_facts) -> None:
    side: SideTests = demo_facts.side_tests
    told = results(demo_facts)["which_predicts"]["side_tests_p"]
    assert [t["p"] for t in told["tests"]] == pytest.approx([t.p for t in side.tests])
    assert [t["adjusted_p"] for t in told["tests"]] == pytest.approx(
        holm(np.array([t.p for t in side.tests]))
    )
    assert told["sentence"] == describe_side_tests(side)
    about = {t.about for t in side.tests}
    assert about >= {"calendar drift", "search time", "false alerts", "wear-out", "dogs"}
    # The verdict calls cycles, so that whether any suspect matters is asked behind it.
    assert ("suspects", "together") not in {(t.about, t.of) for t in side.tests}


def test_page_and_terminal_tell_what_the_family_allows(demo_facts) -> None:
    none = as_family([("calendar drift", "finds", 0.5)], 0.05)
    silent = demo_facts.with_answers(side_tests=none)
    fields = page_fields(silent, None)
    assert fields["dogs"] == []
    assert "went with" not in fields["search_time"] + fields["false_alerts"]
    once = " ".join(map(str, fields.values()))
    assert once.count("nothing beyond chance") == 1
    assert "\n".join(fit_lines(silent)).count("nothing beyond chance") == 1
    some = beyond_chance(("search time", "cycles"), ("false alerts", "age_days"))
    fields = page_fields(demo_facts.with_answers(side_tests=some), None)
    assert "each 10 cycles went with" in fields["search_time"]
    assert "each year of age went with" in fields["false_alerts"]
