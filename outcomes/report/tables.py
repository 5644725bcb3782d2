"""Tables of what goes beyond finds, in lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from outcomes.analysis.lifetimes.interval_censored import IntervalCurve
from outcomes.analysis.lifetimes.regression import CycleHazard, CyclesAtAge, WeibullLifetime
from outcomes.analysis.lifetimes.rules_compared import RuleComparison
from outcomes.analysis.searches.false_alerts import FalseAlertFit
from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.analysis.searches.signal_detection import Detection
from outcomes.analysis.searches.training_history import TrainingDiet
from outcomes.answers.lifetimes import Lasting
from outcomes.text import p_number, p_value

_MOST_DAYS = 6
_WITHIN = (10, 20, 50)


def _name(text: str, width: int) -> str:
    return f"{text if len(text) < width else f'{text[: width - 2]}…':<{width}}"


def _between(low: float | None, high: float | None, factor: float, digits: int) -> str:
    if low is None or high is None:
        return "not known"
    return f"{factor * low:.{digits}f} to {factor * high:.{digits}f}"


def _ratio_heading(what: str) -> str:
    return f"{what:<26}{'per':<30}{'ratio':>10}{'low':>8}{'high':>8}{'p':>9}"


def _ratio_line(what: str, unit: str, ratio: float, low: float, high: float, p: float) -> str:
    return (
        f"{_name(what, 26)}{_name(unit, 30)}{ratio:>10.3f}{low:>8.3f}{high:>8.3f}{p_number(p):>9}"
    )


def search_time_lines(fit: SearchTimeFit) -> Iterator[str]:
    """Hazard ratios of a find and ratios of search times, term by term."""
    if not fit.terms:
        return
    yield _ratio_heading("search time")
    for t in fit.terms:
        yield _ratio_line(f"finds: {t.term}", t.unit, t.ratio, t.low, t.high, t.p)
    for r in fit.time_ratio:
        yield _ratio_line(f"seconds: {r.term}", r.unit, r.ratio, r.low, r.high, r.p)
    if fit.proportional_p is not None:
        yield (
            "finds: ratio of the chances of a find at any second (Cox); the test of its being the "
            f"same throughout a search has {p_value(fit.proportional_p)}"
        )
    if fit.time_model is not None and fit.time_ratio:
        yield f"seconds: ratio of search times ({fit.time_model})"


def false_alert_lines(fit: FalseAlertFit) -> Iterator[str]:
    """Every dog's false alerts by the hour and by the blank area."""
    if not fit.by_dog:
        return
    yield (
        f"{'false alerts':<20}{'by the hour':>24}{'alerts, hours':>18}{'on 100 blanks':>24}"
        f"{'alerts, blanks':>18}"
    )
    for d in fit.by_dog:
        hour = blank = "not known"
        if d.rate_per_hour is not None:
            hour = f"{d.rate_per_hour:.2f} ({_between(d.rate_low, d.rate_high, 1.0, 2)})"
        if d.per_blank is not None:
            low_high = _between(d.per_blank_low, d.per_blank_high, 100.0, 0)
            blank = f"{100 * d.per_blank:.0f} ({low_high})"
        yield (
            f"{_name(d.dog, 20)}{hour:>24}{f'{d.alerts:,} in {d.hours:,.1f}':>18}{blank:>24}"
            f"{f'{d.blank_alerts:,} of {d.blanks:,}':>18}"
        )
    if fit.terms:
        yield _ratio_heading(f"on hides ({fit.model})")
    for t in fit.terms:
        yield _ratio_line(f"rate: {t.term}", t.unit, t.ratio, t.low, t.high, t.p)


def diet_lines(diet: TrainingDiet) -> Iterator[str]:
    """What a dog was trained on lately, each alone and beside the others."""
    beside = {t.term: t for t in diet.together}
    if not diet.alone:
        return
    alone, others = "rate ratio alone", "the others held"
    yield f"{'false alerts on blanks':<26}{'per':<12}{alone:>28}{others:>28}"
    for t in diet.alone:
        other = beside.get(t.term)
        held = "" if other is None else _ratio(other.ratio, other.low, other.high)
        alone = _ratio(t.ratio, t.low, t.high)
        yield f"{_name(t.term, 26)}{_name(t.unit, 12)}{alone:>28}{held:>28}"


def _ratio(ratio: float, low: float, high: float) -> str:
    return f"{ratio:.2f} ({low:.2f} to {high:.2f})"


def _signed(value: float) -> str:
    text = f"{value:.1f}"
    return text.removeprefix("-") if float(text) == 0.0 else text.replace("-", "−")


def detection_lines(detection: Detection) -> Iterator[str]:
    """Every dog's d′ and criterion, in the order of the names, and why a dog has none."""
    if detection.dogs:
        yield f"{'':<20}{'d′':>24}{'criterion':>24}{'finds':>14}{'false alerts':>16}"
    for d in sorted(detection.dogs, key=lambda one: one.dog):
        prime, criterion = (
            f"{_signed(middle)} ({_signed(low)} to {_signed(high)})"
            for middle, low, high in (
                (d.d_prime, d.d_low, d.d_high),
                (d.criterion, d.criterion_low, d.criterion_high),
            )
        )
        yield (
            f"{_name(d.dog, 20)}{prime:>24}{criterion:>24}{f'{d.finds:,} of {d.hides:,}':>14}"
            f"{f'{d.alerts:,} of {d.blanks:,}':>16}"
        )
    for x in sorted(detection.left_out, key=lambda one: one.term):
        yield f"no d′: {x.term}: {x.reason}"


def lifetime_lines(lasting: Lasting) -> Iterator[str]:
    """Curves by regime and by kind, their means, and the numbers followed."""
    curves = lasting.intervals.curves
    if curves:
        means = {(m.by, m.group): m for m in lasting.group_means}
        yield (
            f"{'days still reliable':<24}{'met the rule':>14}{'half by day':>30}"
            f"{'mean within days':>38}"
        )
        for c in curves:
            half = "not reached"
            if c.median is not None:
                ends = (
                    "not reached" if x is None else f"{x:,.0f}"
                    for x in (c.median_low, c.median_high)
                )
                half = f"{c.median:,.0f} ({' to '.join(ends)})"
            mean = means.get((c.by, c.group))
            told = ""
            if mean is not None:
                told = (
                    f"{mean.days:,.0f} ({mean.low:,.0f} to {mean.high:,.0f}) "
                    f"of {mean.to_days - mean.from_days:,.0f}"
                )
            yield (
                f"{_name(c.group, 24)}{f'{c.events:,} of {c.sources:,}':>14}{half:>30}{told:>38}"
            )
        days = _days(curves)
        yield f"{'sources followed on day':<24}" + "".join(f"{day:>10,.0f}" for day in days)
        for c in curves:
            yield _name(c.group, 24) + "".join(f"{_followed(c, day):>10,}" for day in days)
    for group, why in lasting.intervals.not_drawn.items():
        yield f"no curve: {group}: {why}"


def _days(curves: tuple[IntervalCurve, ...]) -> list[float]:
    last = max(c.points[-1].time for c in curves)
    return [last * k / (_MOST_DAYS - 1) for k in range(_MOST_DAYS)]


def _followed(curve: IntervalCurve, day: float) -> int:
    return sum(first <= day <= last for first, last in curve.spans)


def weibull_lines(model: WeibullLifetime) -> Iterator[str]:
    """Ratios of the days that sources stayed reliable, and what the model does without."""
    if model.terms:
        yield _ratio_heading("days still reliable")
    for t in model.terms:
        yield _ratio_line(f"days: {t.term}", t.unit, t.ratio, t.low, t.high, t.p)
    if model.shape is not None:
        yield "days: ratio of the days still reliable, above 1 the later (Weibull)"
        yield f"shape {model.shape:.2f}: above 1 the hazard rises with the days held"
    yield from (f"left out: {x.term}: {x.reason}" for x in model.left_out)


def cycles_at_age_lines(model: CyclesAtAge) -> Iterator[str]:
    """Ratios of the hazard of becoming unreliable at one age, and what the model does without."""
    if model.terms:
        yield _ratio_heading("hazard at the same age")
    for t in model.terms:
        yield _ratio_line(f"hazard: {t.term}", t.unit, t.ratio, t.low, t.high, t.p)
    if model.terms:
        yield "hazard: ratio of the chances of failing on a day, above 1 the sooner (Cox)"
    yield from (f"left out: {x.term}: {x.reason}" for x in model.left_out)


def next_cycle_lines(hazard: CycleHazard) -> Iterator[str]:
    """Of 100 sources still reliable, how many the next five cycles cost."""
    if not hazard.next_cycles:
        return
    yield f"{'after cycles':<16}{'of 100, lost in the next 5':>30}{'sources followed':>20}"
    for row in hazard.next_cycles:
        lost = f"{100 * row.probability:.0f} ({_between(row.low, row.high, 100.0, 0)})"
        yield f"{row.after:<16,}{lost:>30}{row.at_risk:>20,}"


def rule_lines(rules: RuleComparison) -> Iterator[str]:
    """Each rule for unreliable, what it calls, and how often it calls what never changes."""
    heading = "".join(f"{f'within {n}':>12}" for n in _WITHIN)
    yield f"{'rule':<24}{'calls':>12}{heading}"
    searched = False
    for rule in rules.rules:
        if rule.reason is not None:
            yield f"{_name(rule.name, 24)}not applied: {rule.reason}"
            continue
        searched = searched or rules.simulated_finds is not None
        share, _ = rule.told
        told = "".join(f"{f'{100 * share[n]:.0f}' if n in share else '–':>12}" for n in _WITHIN)
        yield f"{_name(rule.name, 24)}{f'{len(rule.called)} of {rule.sources}':>12}{told}"
    as_here = ", searched as here," if searched else ""
    yield f"within so many trials: of 100 sources that never change{as_here} so many are called"
