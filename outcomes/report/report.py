"""What the commands print: lines for people, and parts of results for programs."""

from __future__ import annotations

from collections.abc import Iterator
from math import log
from pathlib import Path

from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.answers.facts import Facts
from outcomes.answers.sensitivity import Further
from outcomes.report import price_table, tables
from outcomes.simulate import Unit, find_true_threshold
from outcomes.wording import answers as words
from outcomes.wording import decisions
from outcomes.wording import sensitivity as further_words
from outcomes.wording.as_of import as_of_notes


def _strong(title: str) -> str:
    return f"\n{title}\n{'-' * len(title)}"


def fit_lines(facts: Facts) -> Iterator[str]:
    """What predicts finds, for people."""
    fit, verdict = facts.fit, facts.verdict
    yield words.headline(fit, verdict, facts.retirement) + "."
    yield words.answer(fit, verdict, facts.retirement)
    if fit.terms:
        yield _strong("Terms of the model")
        yield f"{'term':<18}{'per':<32}{'odds ratio':>10}{'low':>8}{'high':>8}{'p':>9}"
        for t in fit.terms:
            yield (
                f"{t.term:<18}{t.unit:<32}{t.odds_ratio:>10.3f}{t.low:>8.3f}{t.high:>8.3f}"
                f"{words.p_number(t.p):>9}"
            )
        spread = ", ".join(f"{g} {sd:.2f}" for g, sd in fit.sd.items())
        yield f"standard deviations (log-odds): {spread}"
    for line in words.left_out_lines(fit):
        yield f"left out: {line}"
    yield _strong("What these records cannot say")
    yield from words.limits(fit, verdict)
    yield from further_words.not_parted(facts.further, verdict)
    if facts.further is not None and facts.further.penalised is not None:
        yield facts.further.penalised.sentence
    if facts.further is not None and fit.mixed is not None:
        yield from _further_lines(facts.further, verdict)
    yield _strong("Search time and false alerts")
    yield facts.search_time.sentence
    yield from tables.search_time_lines(facts.search_time)
    yield facts.false_alerts.sentence
    yield from tables.false_alert_lines(facts.false_alerts)
    yield _strong("When sources become unreliable")
    lasting = facts.lasting
    yield facts.lifetime.sentence
    yield from tables.lifetime_lines(facts.lifetime)
    yield lasting.weibull.sentence
    yield from tables.weibull_lines(lasting.weibull)
    yield lasting.cycles_at_age.sentence
    yield from tables.cycles_at_age_lines(lasting.cycles_at_age)
    yield lasting.next_cycles.sentence
    yield from tables.next_cycle_lines(lasting.next_cycles)
    yield words.rule_sentences(
        facts.settings.rule, facts.lifetime, lasting.rule_false_call.get(words.RULE_TRIALS)
    )
    yield f"The rule: {facts.lifetime.rule}."
    yield from _caution()


def _further_lines(further: Further, verdict: WhichPredicts) -> Iterator[str]:
    exposures = further_words.named_exposures(verdict)
    yield _strong("Asked in other ways")
    yield from further_words.way_lines(further.ways, exposures)
    for exposure in exposures:
        if exposure in further.shapes:
            yield further.shapes[exposure].sentence
    yield _strong("Crystals, drying, warmth or age")
    yield from further_words.suspect_lines(further.suspects)
    yield _strong("How well it predicts")
    quality = further.quality
    yield from quality.sentences if quality.reason is None else [f"Not checked: {quality.reason}."]
    yield _strong("Each dog beside the others")
    yield from further_words.dog_lines(further.dogs)


def retire_lines(facts: Facts) -> Iterator[str]:
    """Threshold and shelf, for people."""
    yield words.retire_sentence(facts.verdict, facts.retirement)
    if facts.verdict.verdict == "too few trials":
        yield words.answer(facts.fit, facts.verdict, facts.retirement)
    yield _strong(f"Sources held on {facts.shelf_day.isoformat()}")
    yield words.shelf_summary(facts.shelf, facts.retirement)
    aside = words.set_aside_sentence(facts.set_aside)
    if aside is not None:
        yield aside
    yield from as_of_notes(facts)
    alike = words.none_can_be_judged(facts.shelf)
    if alike is not None:
        yield alike
        yield from _caution()
        return
    remaining = {left.source_id: left for left in facts.left}
    cycles = {s.source_id: words.cycles_so_far(s) or "? cycles" for s in facts.shelf}
    wide = max(10, *map(len, cycles.values()))
    for s in facts.shelf:
        age = "age unknown" if s.age_days is None else words.months(s.age_days)
        expected = words.expected_finds(s, facts.settings.floor)
        predicted = "no prediction" if expected is None else expected.replace(" (", " in 100 (", 1)
        reason = words.advice_reason(s, facts.settings.floor)
        been = f"{cycles[s.source_id]:>{wide}}, {age:<10}"
        yield f"{s.advice:<7} {s.source_id:<14} {been} {predicted:<24} {reason}"
        left = remaining.get(s.source_id)
        if left is not None and decisions.left_is_told(s, left):
            yield f"{'':<23}{decisions.left_words(left, facts.settings.confidence)}"
    past = words.past_limit_sentence(facts.shelf, facts.retirement)
    if past is not None:
        yield past
    yield words.SHELF_NOTE
    priced = list(price_table.price_lines(facts.price, facts.retirement))
    if priced:
        yield _strong("What each limit buys and costs")
        yield from priced
    yield from _caution()


def compare_lines(facts: Facts) -> Iterator[str]:
    """Refrigerated against frozen, for people."""
    c = facts.comparison
    # The first line is the answer: portions of one source are the fairest there is.
    if facts.portions.reason is None:
        yield decisions.portions_sentence(facts.portions, facts.settings.alpha)
    yield words.compare_sentence(c, facts.settings.alpha)
    few = words.few_sources_sentence(c, facts.few_sources)
    if few is not None:
        yield few
    yield further_words.lifetimes_compared(facts.lasting.weibull, chosen=c.reason is not None)
    if facts.portions.reason is not None:
        yield decisions.portions_sentence(facts.portions, facts.settings.alpha)
    if c.kinds_left_out:
        yield f"Kept only one way, so not compared: {words.joined(c.kinds_left_out)}."
    if c.reason is None and decisions.only_together(facts.kinds):
        yield "The difference above is of the kinds together; no kind has enough by itself:"
    for kind in facts.kinds:
        yield f"  {decisions.kind_sentence(kind, facts.settings.alpha)}"
    yield decisions.bounds_sentence(facts.bounds)
    yield from _caution()


def written_lines(folder: Path) -> Iterator[str]:
    """Where to look now."""
    yield f"Open {folder / 'briefing.html'}; the figure alone is figure.png, .svg and .pdf."
    yield "It is an association in one unit's records: read the cautions before acting on it."


def planted_lines(unit: Unit, facts: Facts) -> Iterator[str]:
    """What was planted in a synthetic unit beside what was found."""
    yield _strong("Planted and found (synthetic unit: the truth is known)")
    confidence = words.percent(1.0 - facts.settings.alpha)
    for name, planted, unit_word in (
        ("cycles", unit.truth.cycle_log_odds, "cycle"),
        ("age_days", unit.truth.age_log_odds, "30 days"),
    ):
        term = facts.fit.term(name)
        found = "not estimated"
        if term is not None:
            low, high = (f"{x:+.3f}" for x in (log(term.low), log(term.high)))
            found = f"{term.log_odds:+.3f} ({confidence} interval {low} to {high})"
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
            f"({words.percent(threshold.confidence)} interval {low} to {high})"
        )
    floor = words.floor_in_100(facts.settings.floor)
    yield f"crosses {floor} at: planted {planted_words}   found {found}"
    yield f"verdict: {facts.verdict.verdict}"
    yield ""


def _caution() -> Iterator[str]:
    yield ""
    yield words.CAUTIONS[0]
    yield words.ACT_CAUTION
