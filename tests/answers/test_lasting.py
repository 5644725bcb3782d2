"""How long sources stay reliable, in words and in results."""

import pytest

from outcomes.answers.facts import Facts
from outcomes.report.report import compare_lines
from outcomes.report.results import results


def test_results_hold_terms_by_their_ratio(demo_facts: Facts) -> None:
    found = results(demo_facts)
    lifetime, lasting = found["lifetime"], demo_facts.lasting
    assert len(lifetime["terms"]) == len(lasting.weibull.terms) + len(lasting.cycles_at_age.terms)
    cycles = next(t for t in lifetime["terms"] if t["term"] == "cycles")
    assert cycles["ratio_of"] == "hazard"
    own = next(t for t in lasting.cycles_at_age.terms if t.term == "cycles")
    assert cycles["ratio"] == pytest.approx(own.ratio, rel=1e-9)
    shares = {str(n): share for n, share in lasting.rule_false_call.items()}
    assert lifetime["rule_false_call_as_searched"] == pytest.approx(shares)


def test_charts_past_limit_are_named_with_the_day(demo_facts: Facts) -> None:
    watched = results(demo_facts)["watch"]
    assert watched["past"], "the demo unit has a worn source"
    for chart in watched["past"]:
        assert chart["value"] > chart["limit"]
        assert chart["since"][:10] in watched["sentence"]


def test_kinds_are_in_results_and_compare(demo_facts: Facts) -> None:
    rows = results(demo_facts)["compare"]["by_kind"]
    kinds = sorted(demo_facts.joined.trials["kind"].dropna().unique())
    assert [row["kind"] for row in rows] == kinds
    lines = list(compare_lines(demo_facts))
    for row in rows:
        assert (row["risk_difference"] is None) == (row["reason"] is not None)
        assert f"  {row['sentence']}" in lines
