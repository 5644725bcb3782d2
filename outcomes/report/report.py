"""What the commands print: lines for people, and parts of results for programs."""

from __future__ import annotations

from collections.abc import Iterator
from math import log
from pathlib import Path

from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.answers.facts import Facts
from outcomes.answers.sensitivity import Further
from outcomes.answers.side_tests import SideTests
from outcomes.exposure.places_read import places_read
from outcomes.report import price_table, tables
from outcomes.report.planned_lines import planned_lines, settling_lines
from outcomes.simulate import Unit, find_true_threshold
from outcomes.text import Row, in_months, table
from outcomes.wording.as_of import as_of_notes
from outcomes.wording.asked_again import describe_asked_again
from outcomes.wording.cautions import ACT_CAUTION, CAUTIONS
from outcomes.wording.exposure import exposure_value
from outcomes.wording.exposure_left import describe_exposure_left_by_source
from outcomes.wording.false_alerts import describe_false_alerts
from outcomes.wording.inspections import describe_inspections
from outcomes.wording.lifetime import (
    describe_chance_test,
    describe_lifetime,
    describe_rule_errors,
)
from outcomes.wording.lifetime_regression import (
    describe_cycles_at_age,
    describe_next_cycles,
    describe_storage_lifetimes,
)
from outcomes.wording.limit import describe_retirement
from outcomes.wording.limitations import describe_limitations
from outcomes.wording.method import p_of_term
from outcomes.wording.next_step import (
    BLIND_NOTE,
    describe_choices,
    describe_next_step,
    describe_next_steps,
)
from outcomes.wording.numbers import few, floor_in_100, percent
from outcomes.wording.penalised import describe_penalised
from outcomes.wording.places_read import describe_places_read
from outcomes.wording.quality import describe_quality
from outcomes.wording.rows import describe_set_aside
from outcomes.wording.search_time import describe_search_time
from outcomes.wording.sensitivity import (
    describe_not_parted,
    dog_lines,
    named_exposures,
    suspect_lines,
    way_lines,
)
from outcomes.wording.shape import describe_shape
from outcomes.wording.shelf import (
    RETIRE_MEANING,
    SHELF_NOTE,
    describe_before_and_since,
    describe_cycles_in_short,
    describe_expected_finds,
    describe_ground_in_short,
    describe_none_can_be_judged,
    describe_shelf,
)
from outcomes.wording.side_tests import describe_side_tests, side_test_lines
from outcomes.wording.stock import describe_day, describe_stock, describe_stock_interval
from outcomes.wording.stock import stock_lines as following_lines
from outcomes.wording.storage_compared import (
    describe_bounds,
    describe_estimand,
    describe_kinds,
    describe_kinds_left_out,
    describe_portions,
    describe_storage_compared,
)
from outcomes.wording.terms import describe_left_out
from outcomes.wording.verdict import describe_verdict, describe_verdict_in_short


def _strong(title: str) -> Row:
    return Row(f"\n{title}\n{'-' * len(title)}")


def fit_lines(facts: Facts) -> Iterator[str]:
    """What predicts finds, for people."""
    fit, verdict = facts.fit, facts.verdict
    yield describe_verdict_in_short(fit, verdict, facts.retirement) + "."
    yield describe_verdict(fit, verdict, facts.retirement)
    yield from settling_lines(facts)
    yield from planned_lines(facts)
    if fit.terms:
        yield _strong("Terms of the model")
        rows = [("term", "per", "odds ratio", "low", "high", "p")]
        for t in fit.terms:
            low, high = f"{t.low:.3f}", f"{t.high:.3f}"
            rows.append((t.term, t.unit, f"{t.ratio:.3f}", low, high, p_of_term(t, verdict)))
        yield from table(rows, left=(0, 1))
        spread = ", ".join(f"{g} {sd:.2f}" for g, sd in fit.sd.items())
        yield f"standard deviations (log-odds): {spread}"
    if facts.asked_again is not None:
        yield describe_asked_again(facts.asked_again, facts.settings.alpha)
    for line in describe_left_out(fit):
        yield f"left out: {line}"
    yield _strong("What these records cannot say")
    yield from describe_limitations(fit, verdict, by_lot=facts.told_by_lot)
    yield from describe_not_parted(facts.further, verdict)
    if facts.further is not None and facts.further.penalised is not None:
        yield describe_penalised(facts.further.penalised)
    if facts.further is not None and fit.mixed is not None:
        yield from _further_lines(facts.further, verdict, facts.side_tests)
    yield _strong("Search time and false alerts")
    side = facts.side_tests
    yield describe_search_time(facts.search_time, side)
    yield from tables.search_time_lines(facts.search_time)
    yield describe_false_alerts(facts.false_alerts, side)
    yield from tables.false_alert_lines(facts.false_alerts)
    yield _strong("When sources become unreliable")
    lasting = facts.lasting
    yield describe_lifetime(facts.lifetime)
    if facts.lifetime.chance is not None:
        yield describe_chance_test(facts.lifetime.chance)
    if facts.lifetime.beyond_chance:
        yield from tables.lifetime_lines(facts.lifetime)
    yield describe_storage_lifetimes(lasting.weibull, side)
    yield from tables.weibull_lines(lasting.weibull)
    yield describe_cycles_at_age(lasting.cycles_at_age, side)
    yield from tables.cycles_at_age_lines(lasting.cycles_at_age)
    yield describe_next_cycles(lasting.next_cycles)
    yield from tables.next_cycle_lines(lasting.next_cycles)
    rule = describe_rule_errors(facts.lifetime)
    if rule is not None:
        yield rule
    yield _strong("What was weighed and seen")
    yield from describe_inspections(facts.inspected, facts.verdict.verdict)
    if (warmth := describe_places_read(places_read(facts.records))) is not None:
        yield warmth
    together = describe_side_tests(side)
    if together is not None:
        yield _strong("Beside the verdict")
        yield together
        yield from side_test_lines(side)
    yield from _caution()


def _further_lines(further: Further, verdict: WhichPredicts, side: SideTests) -> Iterator[str]:
    exposures = named_exposures(verdict)
    yield _strong("Asked in other ways")
    yield from way_lines(further.ways, exposures)
    for exposure in exposures:
        if told := describe_shape(verdict, exposure):
            yield told
    yield _strong("Crystals, drying, warmth or age")
    yield from suspect_lines(further.suspects, verdict, side)
    yield _strong("How well it predicts")
    quality = further.quality
    unchecked = [f"Not checked: {quality.reason}."]
    yield from describe_quality(quality, side) if quality.reason is None else unchecked
    yield _strong("Each dog beside the others")
    yield from dog_lines(further.dogs, side)


def retire_lines(facts: Facts) -> Iterator[str]:
    """Threshold and shelf, for people."""
    yield describe_retirement(facts.verdict, facts.retirement)
    if facts.verdict.verdict == "too few trials":
        yield describe_verdict(facts.fit, facts.verdict, facts.retirement)
        yield from settling_lines(facts)
    yield _strong(f"Sources held on {facts.shelf_day.isoformat()}")
    yield describe_shelf(facts.shelf, facts.retirement)
    aside = describe_set_aside(facts.set_aside)
    if aside is not None:
        yield aside
    yield from as_of_notes(facts)
    alike = describe_none_can_be_judged(facts.shelf)
    following = describe_next_steps(facts.next_steps)
    if alike is not None:
        yield alike
        if following is not None:
            yield f"{following} {BLIND_NOTE}"
        yield from _caution()
        return
    yield from _shelf_lines(facts)
    if following is not None:
        yield ""
        yield following
        yield BLIND_NOTE
    chosen = describe_choices(facts.next_steps)
    if chosen is not None:
        yield chosen
    yield SHELF_NOTE
    priced = list(price_table.price_lines(facts.price, facts.retirement))
    if priced:
        yield _strong("What each limit buys and costs")
        yield from priced
    yield from _caution()


def stock_lines(facts: Facts) -> Iterator[str]:
    """Which source reaches its limit when, and how many to find by when, for people."""
    stock = facts.stock
    yield describe_stock(stock)
    yield from following_lines(stock)
    if not stock.dated:
        yield from _caution()
        return
    yield ""
    rows = [("source", "to the limit", "thaws a year", "reaches it")]
    for s in stock.sources:
        to_go = "" if s.left is None or s.by is None else exposure_value(s.by, s.left)
        year = "" if s.per_year is None else few(s.per_year)
        rows.append((s.source_id, to_go, year, describe_day(stock, s)))
    yield from table(rows, left=(0, 3))
    yield describe_stock_interval(stock)
    yield from _caution()


def _shelf_lines(facts: Facts) -> Iterator[str]:
    """Every source held: a row of a table, and below it what persuades."""
    if not facts.shelf:
        return
    yield ""
    steps = {step.source_id: describe_next_step(step) for step in facts.next_steps}
    left = describe_exposure_left_by_source(facts)
    counted = facts.before_and_since
    rows = [("advice", "source", "cycles", "months", "finds in 100", "do next")]
    for s in facts.shelf:
        rows.append(
            (
                s.advice,
                s.source_id,
                describe_cycles_in_short(s),
                "?" if s.age_days is None else in_months(s.age_days),
                describe_expected_finds(s, facts.settings.floor) or "not known",
                steps[s.source_id],
            )
        )
    heading, *laid = table(rows, left=(0, 1, 5))
    yield heading
    for s, row in zip(facts.shelf, laid, strict=True):
        yield row
        told = [describe_before_and_since(counted.get(s.source_id))]
        if (ground := describe_ground_in_short(s, facts.settings.floor)) is not None:
            told.append(ground)
        if s.source_id in left:
            told.append(left[s.source_id])
        yield f"{'':<8}{' '.join(f'{one[:1].upper()}{one[1:]}.' for one in told)}"
    yield f"In brackets: {percent(facts.settings.confidence)} intervals. {RETIRE_MEANING}"


def compare_lines(facts: Facts) -> Iterator[str]:
    """Refrigerated against frozen, for people."""
    c = facts.comparison.at(facts.settings.confidence)
    # The first line is the answer: by lot if it was drawn; then portions of one source.
    if facts.planned is not None and facts.planned.plan.question == "storage":
        yield from planned_lines(facts)
    if facts.portions.reason is None:
        yield describe_portions(facts.portions, facts.settings.alpha)
    yield describe_storage_compared(c)
    side = facts.side_tests
    yield describe_storage_lifetimes(facts.lasting.weibull, side, chosen=c.reason is not None)
    if facts.portions.reason is not None:
        yield describe_portions(facts.portions, facts.settings.alpha)
    kinds = describe_kinds(c, side)
    if kinds is not None:
        yield kinds
    left_out = describe_kinds_left_out(c)
    if left_out is not None:
        yield left_out
    if c.difference is not None:
        yield f"What is compared: {describe_estimand(c)}"
    yield describe_bounds(facts.bounds)
    yield from _caution()


def written_lines(folder: Path) -> Iterator[str]:
    """Where to look now."""
    yield f"Open {folder / 'briefing.html'}; the figure alone is figure.png, .svg and .pdf."
    yield "It is an association in one unit's records: read the cautions before acting on it."


def planted_lines(unit: Unit, facts: Facts) -> Iterator[str]:
    """What was planted in a synthetic unit beside what was found."""
    yield _strong("Planted and found (synthetic unit: the truth is known)")
    confidence = percent(1.0 - facts.settings.alpha)
    for name, planted, unit_word in (
        ("cycles", unit.truth.cycle_log_odds, "cycle"),
        ("age_days", unit.truth.age_log_odds, "30 days"),
    ):
        term = facts.fit.term(name)
        found = "not estimated"
        if term is not None:
            low, high = (f"{x:+.3f}" for x in (log(term.low), log(term.high)))
            found = f"{term.log_ratio:+.3f} ({confidence} interval {low} to {high})"
        yield f"log-odds per {unit_word:<8} planted {planted:+.3f}   found {found}"
    threshold = next((t for t in facts.retirement.thresholds if t.by == "cycles"), None)
    true = find_true_threshold(unit, facts.settings.floor)
    planted_words = "none in range" if true is None else f"{true:.1f} cycles"
    found = "none"
    if threshold is not None and threshold.estimate is not None:
        low = "start" if threshold.low is None else f"{threshold.low:.1f}"
        high = "beyond records" if threshold.high is None else f"{threshold.high:.1f}"
        found = (
            f"{threshold.estimate:.1f} cycles "
            f"({percent(threshold.confidence)} interval {low} to {high})"
        )
    floor = floor_in_100(facts.settings.floor)
    yield f"crosses {floor} at: planted {planted_words}   found {found}"
    yield from _planted_seen_lines(unit, facts)
    yield f"verdict: {facts.verdict.verdict}"
    yield ""


def _planted_seen_lines(unit: Unit, facts: Facts) -> Iterator[str]:
    """What was planted of the sources themselves beside what the scale showed."""
    inspected = facts.inspected
    if inspected is None:
        return
    change = next((c for c in inspected.change if c.measure == "mass_lost"), None)
    thaw = None if change is None else change.of("cycles")
    planted = 100.0 * unit.truth.mass_lost_per_cycle
    found = "not estimated"
    if thaw is not None:
        confidence = percent(1.0 - inspected.alpha)
        found = f"{thaw.slope:.2f} ({confidence} interval {thaw.low:.2f} to {thaw.high:.2f})"
    # Each thaw takes its part of what is left; what is told is a part of the first mass.
    yield f"% of mass a thaw: planted {planted:.2f} of what is left   found {found} of the first"
    carried = [one.carried for one in inspected.finds if one.carried is not None]
    told = "not shown" if not carried or carried[0].share is None else f"{carried[0].share:.2f}"
    yield (
        f"share of the effect of cycles that damage carries: planted "
        f"{unit.truth.damage_share:.2f}   found {told}"
    )


def _caution() -> Iterator[str]:
    yield ""
    yield CAUTIONS[0]
    yield ACT_CAUTION
