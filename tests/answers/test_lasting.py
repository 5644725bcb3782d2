"""How long sources stay reliable, in words and in results."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from outcomes.analysis.lifetimes.interval_censored import (
    IntervalCurve,
    IntervalLifetime,
    IntervalPoint,
)
from outcomes.analysis.lifetimes.log_rank import IntervalLogRank, KindLogRank
from outcomes.answers.facts import Facts
from outcomes.report.report import compare_lines, fit_lines
from outcomes.report.results import results
from outcomes.wording.lifetime import describe_lifetime
from outcomes.wording.sensitivity import kind_log_rank_sentence, log_rank_sentence


def _curve(**changes: Any) -> IntervalCurve:
    points = tuple(
        IntervalPoint("frozen", t, t, p, p, p, 9) for t, p in ((10.0, 1.0), (700.0, 0.4))
    )
    made = IntervalCurve("frozen", "regime", 9, 5, points, 600.0, 610.0, 300.0, None)
    return replace(made, **changes)


def _lifetime(*curves: IntervalCurve) -> IntervalLifetime:
    return IntervalLifetime(9, 5, curves, {}, (), 200, None, "")


def test_half_is_told_in_months_after_the_source_was_taken_in() -> None:
    assert describe_lifetime(_lifetime(_curve()), 0.05) == (
        "Of 9 sources followed, 5 met the rule below. Half of the frozen sources had become "
        "unreliable by about 20 months after they were taken in (95 % interval 10 months to not "
        "reached)."
    )


def test_a_curve_that_begins_late_says_of_which_sources_it_is() -> None:
    late = _curve()
    points = (replace(late.points[0], time=100.0), late.points[1])
    sentence = describe_lifetime(_lifetime(replace(late, points=points)), 0.05)
    assert "Half of the frozen sources still reliable after 3 months had" in sentence


def test_where_half_were_not_lost_the_end_of_the_records_is_said() -> None:
    never = _curve(median_after=None, median=None, median_low=None, median_high=None)
    assert describe_lifetime(_lifetime(never), 0.05).endswith(
        "Fewer than half of the frozen sources had become unreliable by 23 months after they were "
        "taken in, which is as far as these records go."
    )


def test_a_curve_of_a_kind_is_left_to_the_results(demo_facts: Facts) -> None:
    kind = _curve(group="blood", by="kind")
    sentence = describe_lifetime(_lifetime(_curve(), kind), 0.05)
    assert "blood" not in sentence


def test_results_hold_the_terms_by_what_they_are_ratios_of(demo_facts: Facts) -> None:
    found = results(demo_facts)
    lifetime, lasting = found["lifetime"], demo_facts.lasting
    assert len(lifetime["terms"]) == len(lasting.weibull.terms) + len(lasting.cycles_at_age.terms)
    cycles = next(t for t in lifetime["terms"] if t["term"] == "cycles")
    own = next(t for t in lasting.cycles_at_age.terms if t.term == "cycles")
    assert cycles["hazard_ratio"] == pytest.approx(own.ratio, rel=1e-9)
    assert found["compare"]["rmst_difference_days"] is None
    assert found["compare"]["rmst_reason"]


def test_the_charts_past_their_limit_are_named_with_the_day(demo_facts: Facts) -> None:
    watched = results(demo_facts)["watch"]
    assert watched["past"], "the demo unit has a worn source"
    for chart in watched["past"]:
        assert chart["value"] > chart["limit"]
        assert chart["since"][:10] in watched["sentence"]


def _tested(z: float | None, p: float | None, reason: str | None = None) -> IntervalLogRank:
    numbers = {"refrigerated": 9, "frozen": 12}
    return IntervalLogRank(
        numbers, {"refrigerated": 6, "frozen": 4}, z, p, "information", True, reason
    )


def test_the_log_rank_test_is_told_for_sooner_later_unclear_and_not_asked() -> None:
    sooner = log_rank_sentence(_tested(3.9, 0.0004), 0.05)
    assert sooner == (
        "Refrigerated sources became unreliable sooner than frozen ones, more than chance explains "
        "(6 of 9 refrigerated and 4 of 12 frozen sources met the rule, over all the time they were "
        "followed and each somewhere between two trials: log-rank test, p < 0.001). Storage was "
        "chosen, not assigned."
    )
    assert "unreliable later than" in log_rank_sentence(_tested(-2.1, 0.043), 0.05)
    unclear = log_rank_sentence(_tested(-2.1, 0.043), 0.01)
    assert "does not show" in unclear
    assert "p = 0.043); a difference may still be there." in unclear
    assert log_rank_sentence(_tested(None, None, "0 refrigerated sources"), 0.05).endswith(
        "cannot be tested yet: 0 refrigerated sources."
    )


def test_the_log_rank_test_stands_in_results_in_fit_and_in_compare(demo_facts: Facts) -> None:
    found = results(demo_facts)["lifetime"]["interval_log_rank"]
    test = demo_facts.lasting.log_rank
    assert found["p"] == pytest.approx(test.p, rel=1e-9)
    assert found["variance"] == "information"
    assert found["late_entry"]
    assert sum(found["events"].values()) <= demo_facts.lifetime.events
    for lines in (fit_lines(demo_facts), compare_lines(demo_facts)):
        # The comparison has said already that storage was chosen.
        told = found["sentence"].removesuffix(" Storage was chosen, not assigned.")
        assert told in " ".join(lines)


def test_the_test_of_kinds_is_told_for_different_unclear_and_not_asked() -> None:
    test = KindLogRank(
        {"blood": 9, "bone": 12}, {"blood": 7, "bone": 5}, {"blood": 4.2, "bone": 7.8},
        {"teeth": "1 of 4 met the rule"}, 7.1, 0.008, "information", None,
    )  # fmt: skip
    said = kind_log_rank_sentence(test, 0.05)
    assert said == (
        "Kinds became unreliable at different times, more than chance explains (sources that met "
        "the rule, and expected if all were alike: blood 7 of 9, with 4.2 expected, bone 5 of 12, "
        "with 7.8 expected; log-rank test, p = 0.008). Kinds are also stored and used differently, "
        "which is in this too. Not compared, with too few that met the rule: teeth (1 of 4 met "
        "the rule)."
    )
    assert "does not show" in kind_log_rank_sentence(test, 0.001)
    none = KindLogRank({}, {}, {}, {"teeth": "1 of 4 met the rule"}, None, None, None, "no kind")
    assert kind_log_rank_sentence(none, 0.05) == (
        "Whether kinds become unreliable at different times cannot be tested yet: no kind; too few "
        "in teeth (1 of 4 met the rule)."
    )


def test_the_test_of_kinds_stands_in_results_and_in_fit(demo_facts: Facts) -> None:
    found = results(demo_facts)["lifetime"]["kind_log_rank"]
    assert set(found["sources"]) | set(found["left_out"]) == set(
        demo_facts.lifetime.followed["kind"]
    )
    assert found["sentence"] in list(fit_lines(demo_facts))


def test_each_kind_is_compared_or_refused_in_results_and_in_compare(demo_facts: Facts) -> None:
    rows = results(demo_facts)["compare"]["by_kind"]
    kinds = sorted(demo_facts.joined.trials["kind"].dropna().unique())
    assert [row["kind"] for row in rows] == kinds
    lines = list(compare_lines(demo_facts))
    for row in rows:
        assert (row["risk_difference"] is None) == (row["reason"] is not None)
        assert f"  {row['sentence']}" in lines
