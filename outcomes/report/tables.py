"""Tables of what goes beyond finds, in lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from outcomes.analysis.lifetimes.regression import CycleHazard, CyclesAtAge, WeibullLifetime
from outcomes.analysis.results import Lifetime
from outcomes.analysis.searches.false_alerts import FalseAlertFit
from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.draw.lifetime_panel import followed_at
from outcomes.text import p_number
from outcomes.wording.search_time import told_at, told_minutes

_MOST_DAYS = 6
_PARTS = 4  # of the time limit, for which the share found is printed


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
    """Ratios of the time of finds, term by term, and the share found by some minutes."""
    if fit.terms:
        yield _ratio_heading("time to the find")
    for t in fit.terms:
        yield _ratio_line(f"seconds: {t.term}", t.unit, t.ratio, t.low, t.high, t.p)
    if fit.curve is None:
        return
    parts = len(fit.curve.groups[0].curve) // _PARTS
    points = [group.curve[parts - 1 :: parts] for group in fit.curve.groups]
    yield f"{'found of 100 within':<22}" + "".join(
        f"{told_minutes(p.seconds):>20}" for p in points[0]
    )
    for group, own in zip(fit.curve.groups, points, strict=True):
        shares = (f"{100 * p.share:.0f} ({_between(p.low, p.high, 100.0, 0)})" for p in own)
        yield f"{told_at(fit.curve, group):<22}" + "".join(f"{share:>20}" for share in shares)


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


def lifetime_lines(lifetime: Lifetime) -> Iterator[str]:
    """When half had become unreliable by regime, and the numbers followed."""
    groups = list(lifetime.median)
    if groups:
        yield f"{'days still reliable':<24}{'met the rule':>14}{'half by day':>30}"
    for group in groups:
        sources, events = lifetime.by_group.get(group, (lifetime.sources, lifetime.events))
        half = _day(lifetime.median[group])
        if lifetime.median[group] is not None:
            limits = (lifetime.median_low[group], lifetime.median_high[group])
            half = f"{half} ({' to '.join(_day(limit) for limit in limits)})"
        yield f"{_name(group, 24)}{f'{events:,} of {sources:,}':>14}{half:>30}"
    if groups:
        last = max(lifetime.curve_to.values())
        days = [last * k / (_MOST_DAYS - 1) for k in range(_MOST_DAYS)]
        yield f"{'sources followed on day':<24}" + "".join(f"{day:>10,.0f}" for day in days)
        for group in groups:
            followed = (followed_at(lifetime, group, day) for day in days)
            yield _name(group, 24) + "".join(f"{number:>10,}" for number in followed)
    for group, why in lifetime.not_drawn.items():
        yield f"no curve: {group}: {why}"


def _day(days: float | None) -> str:
    return "not reached" if days is None else f"{days:,.0f}"


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
