"""Tables of search time, false alerts, and lifetimes, in lines for a terminal."""

from dataclasses import replace

import pytest

from outcomes.analysis.lifetimes.regression import WeibullLifetime
from outcomes.analysis.results import LeftOut
from outcomes.models.ratio import Estimate
from outcomes.report import tables
from outcomes.report.report import fit_lines


def test_every_term_and_dog_has_its_line(demo_facts) -> None:
    fit = demo_facts.search_time
    lines = list(tables.search_time_lines(fit))
    assert sum(line.startswith("seconds: ") for line in lines) == len(fit.terms)
    ratio = fit.terms[0]
    (told,) = [line for line in lines if line.startswith(f"seconds: {ratio.term}")]
    assert f"{ratio.ratio:.3f}" in told
    assert f"{ratio.high:.3f}" in told
    *_, first, _, last = lines
    for line, group in ((first, fit.curve.groups[0]), (last, fit.curve.groups[-1])):
        assert line.startswith(f"{group.at:.0f} cycles ")
        by_limit = group.curve[-1]
        end = f"{100 * by_limit.share:.0f} ({100 * by_limit.low:.0f} to {100 * by_limit.high:.0f})"
        assert line.endswith(end)
    alerts = list(tables.false_alert_lines(demo_facts.false_alerts))
    for dog in demo_facts.false_alerts.by_dog:
        (line,) = [one for one in alerts if one.startswith(dog.dog)]
        assert f"{dog.alerts} in " in line
        assert f"{dog.blank_alerts} of {dog.blanks}" in line
    assert "0 (0 to 16)" in "".join(alerts)  # Clopper and Pearson: none of 21


def test_unknown_is_said_and_lines_fit(demo_facts) -> None:
    alerts = demo_facts.false_alerts
    first = replace(alerts.by_dog[0], rate_per_hour=None, blanks=0, per_blank=None, dog="D" * 60)
    (_, line, *_) = tables.false_alert_lines(replace(alerts, by_dog=(first,), terms=()))
    assert line.count("not known") == 2
    assert len(line) <= 120
    printed = "\n".join(fit_lines(demo_facts))
    assert "None" not in printed
    assert "nan" not in printed


def test_without_an_answer_there_is_no_table(demo_facts) -> None:
    nothing = replace(demo_facts.search_time, terms=(), curve=None)
    assert list(tables.search_time_lines(nothing)) == []
    assert list(tables.false_alert_lines(replace(demo_facts.false_alerts, by_dog=()))) == []
    hazard = replace(demo_facts.lasting.next_cycles, next_cycles=())
    assert list(tables.next_cycle_lines(hazard)) == []


def test_curve_has_its_median_and_who_is_followed(demo_facts) -> None:
    lifetime = demo_facts.lifetime
    group = "frozen"
    lines = list(tables.lifetime_lines(lifetime))
    sources, events = lifetime.by_group[group]
    assert lines[1].split()[:4] == [group, str(events), "of", str(sources)]
    limits = f"{lifetime.median_low[group]:,.0f} to not reached"
    assert lines[1].endswith(f"{lifetime.median[group]:,.0f} ({limits})")
    at_end = lifetime.followed["exit_days"] >= max(lifetime.curve_to.values())
    of_group = lifetime.followed["regime"] == group
    by_day = next(line for line in lines[3:] if line.startswith(group))
    assert by_day.split()[-1] == str((at_end & of_group).sum())
    assert sum(line.startswith("no curve: ") for line in lines) == len(lifetime.not_drawn)


def test_the_next_cycles_are_a_row_each(demo_facts) -> None:
    hazard = demo_facts.lasting.next_cycles
    lines = list(tables.next_cycle_lines(hazard))[1:]
    assert [int(line.split()[0]) for line in lines] == [row.after for row in hazard.next_cycles]
    assert [int(line.split()[-1]) for line in lines] == [r.at_risk for r in hazard.next_cycles]
    assert float(lines[0].split()[1]) == pytest.approx(
        100 * hazard.next_cycles[0].probability, abs=0.5
    )


def test_lifetime_terms_have_their_lines(demo_facts) -> None:
    terms = (
        Estimate("regime", "refrigerated against frozen", -0.69, 0.2, 0.301, 0.82, 0.01),
        Estimate("kind", "wet bone against blood", 0.18, 0.3, 0.64, 2.25, 0.5),
    )
    weibull = WeibullLifetime(27, 18, 1.31, terms, (), None, 0.05)
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
