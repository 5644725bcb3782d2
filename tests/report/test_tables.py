"""Tables of search time, false alerts, lifetimes and rules, in lines for a terminal."""

from __future__ import annotations

from dataclasses import replace
from math import log

import pytest

from outcomes.analysis.lifetimes.regression import LifetimeTerm, WeibullLifetime
from outcomes.analysis.results import LeftOut
from outcomes.analysis.searches.training_history import TrainingDiet
from outcomes.answers.facts import Facts
from outcomes.models.ratio import Estimate
from outcomes.report import tables
from outcomes.report.report import fit_lines


def _terms(*numbers: float) -> tuple[Estimate, ...]:
    return tuple(
        Estimate("diet_cycles", "cycle", log(ratio), 0.1, ratio / 2, ratio * 2, 0.3)
        for ratio in numbers
    )


def test_every_term_and_every_dog_has_a_line_with_its_interval(demo_facts: Facts) -> None:
    fit = demo_facts.search_time
    lines = list(tables.search_time_lines(fit))
    assert sum(line.startswith("finds: ") for line in lines) == len(fit.terms) + 1
    ratio = fit.time_ratio[0]
    (told,) = [line for line in lines if line.startswith(f"seconds: {ratio.term}")]
    assert f"{ratio.ratio:.3f}" in told
    assert f"{ratio.high:.3f}" in told
    alerts = list(tables.false_alert_lines(demo_facts.false_alerts))
    for dog in demo_facts.false_alerts.by_dog:
        (line,) = [one for one in alerts if one.startswith(dog.dog)]
        assert f"{dog.alerts} in " in line
        assert f"{dog.blank_alerts} of {dog.blanks}" in line
    assert "0 (0 to 16)" in "".join(alerts)  # Clopper and Pearson: none of 21


def test_what_is_not_known_is_said_and_no_line_is_wider_than_a_wide_screen(
    demo_facts: Facts,
) -> None:
    alerts = demo_facts.false_alerts
    first = replace(alerts.by_dog[0], rate_per_hour=None, blanks=0, per_blank=None, dog="D" * 60)
    (_, line, *_) = tables.false_alert_lines(replace(alerts, by_dog=(first,), terms=()))
    assert line.count("not known") == 2
    assert len(line) <= 120
    printed = "\n".join(fit_lines(demo_facts))
    assert "None" not in printed
    assert "nan" not in printed
    assert "−0.0 " not in "".join(tables.detection_lines(demo_facts.detection))


def test_a_dog_left_out_of_the_table_is_named_with_the_reason(demo_facts: Facts) -> None:
    printed = list(fit_lines(demo_facts))
    left_out = demo_facts.detection.left_out
    assert left_out
    for x in left_out:
        assert printed.count(f"no d′: {x.term}: {x.reason}") == 1
    none = replace(demo_facts.detection, dogs=(), reason="too few", sentence="Not yet: too few.")
    printed = list(fit_lines(demo_facts.with_answers(detection=none)))
    assert "Not yet: too few." in printed


def test_without_an_answer_there_is_no_table(demo_facts: Facts) -> None:
    assert list(tables.search_time_lines(replace(demo_facts.search_time, terms=()))) == []
    assert list(tables.false_alert_lines(replace(demo_facts.false_alerts, by_dog=()))) == []
    nothing = replace(demo_facts.detection, dogs=(), left_out=())
    assert list(tables.detection_lines(nothing)) == []
    hazard = replace(demo_facts.lasting.next_cycles, next_cycles=())
    assert list(tables.next_cycle_lines(hazard)) == []
    assert demo_facts.training_diet.alone == ()
    assert list(tables.diet_lines(demo_facts.training_diet)) == []


def test_the_diet_is_told_alone_and_beside_the_others() -> None:
    diet = TrainingDiet(
        60, 90, 30, 5, "Poisson", 0.4, _terms(1.2), _terms(1.1), (), (), None, "Worn."
    )
    assert "1.20 (0.60 to 2.40)" in list(tables.diet_lines(diet))[1]
    assert "1.10 (0.55 to 2.20)" in list(tables.diet_lines(diet))[1]
    assert len(list(tables.diet_lines(replace(diet, together=())))) == 2


def test_each_curve_has_its_median_its_mean_and_the_sources_followed(demo_facts: Facts) -> None:
    lasting = demo_facts.lasting
    (curve,) = lasting.intervals.curves
    lines = list(tables.lifetime_lines(lasting))
    mean = next(m for m in lasting.group_means if m.group == curve.group)
    assert f"{mean.days:,.0f} ({mean.low:,.0f} to {mean.high:,.0f})" in lines[1]
    assert f"{curve.events} of {curve.sources}" in lines[1]
    last = curve.points[-1].time
    followed = sum(first <= last <= end for first, end in curve.spans)
    assert lines[3].split()[-1] == str(followed)
    assert sum(line.startswith("no curve: ") for line in lines) == len(lasting.intervals.not_drawn)


def test_no_rule_is_told_without_how_often_it_errs(demo_facts: Facts) -> None:
    rules = demo_facts.lasting.rules
    lines = list(tables.rule_lines(rules))
    for rule in rules.rules:
        (line,) = [one for one in lines if one.startswith(rule.name)]
        assert line.split()[-3:] == [
            f"{100 * rule.false_call_as_searched[n]:.0f}" for n in (10, 20, 50)
        ]
    failed = replace(rules.rules[1], reason="too few")
    told = "\n".join(tables.rule_lines(replace(rules, rules=(failed,))))
    assert "not applied: too few" in told
    assert lines[-1].startswith("within so many trials: of 100 sources that never change")


def test_the_next_cycles_are_a_row_each(demo_facts: Facts) -> None:
    hazard = demo_facts.lasting.next_cycles
    lines = list(tables.next_cycle_lines(hazard))[1:]
    assert [int(line.split()[0]) for line in lines] == [row.after for row in hazard.next_cycles]
    assert [int(line.split()[-1]) for line in lines] == [r.at_risk for r in hazard.next_cycles]
    assert float(lines[0].split()[1]) == pytest.approx(
        100 * hazard.next_cycles[0].probability, abs=0.5
    )


def test_the_terms_of_how_long_sources_last_have_their_lines(demo_facts: Facts) -> None:
    terms = (
        LifetimeTerm("regime", "refrigerated against frozen", 0.5, 0.301, 0.82, 0.01, -0.69, 0.2),
        LifetimeTerm("kind", "wet bone against blood", 1.2, 0.64, 2.25, 0.5, 0.18, 0.3),
    )
    weibull = WeibullLifetime(27, 18, 1.31, terms, (), None, "Refrigerated ones.")
    at_age = demo_facts.lasting.cycles_at_age
    lasting = replace(demo_facts.lasting, weibull=weibull)
    cases = (
        (tables.weibull_lines(weibull), "days: ", weibull.terms),
        (tables.cycles_at_age_lines(at_age), "hazard: ", at_age.terms),
    )
    printed = list(fit_lines(demo_facts.with_answers(lasting=lasting)))
    for found, start, terms in cases:
        lines = list(found)
        assert len(terms) > 0
        for term in terms:
            (line,) = [x for x in lines if x.startswith(f"{start}{term.term}") and term.unit in x]
            for number in (term.ratio, term.low, term.high):
                assert f"{number:.3f}" in line
        assert all(len(line) <= 120 for line in lines)
        assert set(lines) <= set(printed)
    bare = replace(weibull, terms=(), shape=None, left_out=())
    assert list(tables.weibull_lines(bare)) == []
    left = replace(at_age, terms=(), left_out=(LeftOut("sources", "2 sources: cycles not known"),))
    assert list(tables.cycles_at_age_lines(left)) == [
        "left out: sources: 2 sources: cycles not known"
    ]
