"""How long sources stay reliable, in words and in results."""

from dataclasses import replace

import pytest

from outcomes.answers.facts import Facts
from outcomes.report.results import results

SOME = {"refrigerated": 4, "frozen": 9}


def test_results_hold_terms_by_their_ratio(demo_facts: Facts) -> None:
    found = results(demo_facts)
    lifetime, lasting = found["lifetime"], demo_facts.lasting
    assert len(lifetime["terms"]) == len(lasting.weibull.terms) + len(lasting.cycles_at_age.terms)
    cycles = next(t for t in lifetime["terms"] if t["term"] == "cycles")
    assert cycles["ratio_of"] == "hazard"
    own = next(t for t in lasting.cycles_at_age.terms if t.term == "cycles")
    assert cycles["ratio"] == pytest.approx(own.ratio, rel=1e-9)


def test_charts_past_limit_are_named_with_the_day(demo_facts: Facts) -> None:
    watched = results(demo_facts)["watch"]
    past = [c for c in demo_facts.watched.charts if c.past_since is not None]
    assert [(c.of, c.name) for c in past] == [(c["of"], c["name"]) for c in watched["past"]]
    for chart in watched["past"]:
        assert f"{chart['name']} ({chart['since'][:10]}" in watched["sentence"]
    assert 0 < watched["by_chance"] <= 0.05 * len(demo_facts.watched.charts)


def test_storage_compared_is_in_results(demo_facts: Facts) -> None:
    told = results(demo_facts)["compare"]
    found = demo_facts.comparison.at(demo_facts.settings.confidence)
    assert told["risk_difference"] == pytest.approx(found.difference.risk_difference, rel=1e-9)
    assert told["low"] == pytest.approx(found.difference.low, rel=1e-9)
    assert told["finding"] is not found.difference.few
    assert told["terms_left_out"] == list(found.terms_left_out)
    assert told["estimand"].startswith("The unit's own trials")
    kinds = replace(found, by_kind={"fat": replace(found.difference, sources=SOME)})
    row = results(demo_facts.with_answers(comparison=kinds))["compare"]["by_kind"][0]
    assert (row["kind"], row["finding"], row["sources"]) == ("fat", False, SOME)
    nothing = replace(found, difference=None, by_kind={}, reason="no kind")
    empty = results(demo_facts.with_answers(comparison=nothing))["compare"]
    assert (empty["risk_difference"], empty["finding"], empty["reason"]) == (None, None, "no kind")
