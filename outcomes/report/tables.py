"""Tables of what goes beyond finds, in lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from outcomes.analysis.lifetimes.regression import CycleHazard, CyclesAtAge, WeibullLifetime
from outcomes.analysis.results import Lifetime
from outcomes.analysis.searches.false_alerts import FalseAlertFit
from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.draw.lifetime_panel import followed_at
from outcomes.models.ratio import Estimate
from outcomes.text import Row, p_number, table
from outcomes.wording.search_time import told_at, told_minutes

_MOST_DAYS = 6
_PARTS = 4  # of the time limit, for which the share found is printed


def _between(low: float | None, high: float | None, factor: float, digits: int) -> str:
    if low is None or high is None:
        return "not known"
    return f"{factor * low:.{digits}f} to {factor * high:.{digits}f}"


def _ratios(heading: str, what: str, terms: Sequence[Estimate]) -> Iterator[Row]:
    """A row for each term: what its ratio is of, its step, the ratio with its interval."""
    if not terms:
        return
    rows = [(heading, "per", "ratio", "low", "high", "p")]
    for t in terms:
        ratio = (f"{value:.3f}" for value in (t.ratio, t.low, t.high))
        rows.append((f"{what}: {t.term}", t.unit, *ratio, p_number(t.p)))  # type: ignore[arg-type]
    yield from table(rows, left=(0, 1))


def search_time_lines(fit: SearchTimeFit) -> Iterator[str]:
    """Ratios of the time of finds, term by term, and the share found by some minutes."""
    yield from _ratios("time to the find", "seconds", fit.terms)
    if fit.curve is None:
        return
    parts = len(fit.curve.groups[0].curve) // _PARTS
    points = [group.curve[parts - 1 :: parts] for group in fit.curve.groups]
    minutes = (told_minutes(p.seconds).removesuffix("utes") for p in points[0])
    rows = [["found of 100 within", *minutes]]
    for group, own in zip(fit.curve.groups, points, strict=True):
        shares = (f"{100 * p.share:.0f} ({_between(p.low, p.high, 100.0, 0)})" for p in own)
        rows.append([told_at(fit.curve, group), *shares])
    yield from table(rows)


def false_alert_lines(fit: FalseAlertFit) -> Iterator[str]:
    """Every dog's false alerts by the hour and by the blank area."""
    if not fit.by_dog:
        return
    rows = [("false alerts", "by the hour", "in hours", "on 100 blanks", "of blanks")]
    for d in fit.by_dog:
        hour = blank = "not known"
        if d.rate_per_hour is not None:
            hour = f"{d.rate_per_hour:.2f} ({_between(d.rate_low, d.rate_high, 1.0, 2)})"
        if d.per_blank is not None:
            low_high = _between(d.per_blank_low, d.per_blank_high, 100.0, 0)
            blank = f"{100 * d.per_blank:.0f} ({low_high})"
        hours, blanks = f"{d.alerts:,} in {d.hours:,.1f}", f"{d.blank_alerts:,} of {d.blanks:,}"
        rows.append((d.dog, hour, hours, blank, blanks))
    yield from table(rows)
    yield from _ratios(f"on hides ({fit.model})", "rate", fit.terms)


def lifetime_lines(lifetime: Lifetime) -> Iterator[str]:
    """When half had become unreliable by regime, and the numbers followed."""
    groups = list(lifetime.median)
    if groups:
        yield from table(
            [
                ("days still reliable", "met the rule", "half by day"),
                *(_met_and_half(lifetime, group) for group in groups),
            ]
        )
        last = max(lifetime.curve_to.values())
        days = [last * k / (_MOST_DAYS - 1) for k in range(_MOST_DAYS)]
        rows = [["sources followed on day", *(f"{day:,.0f}" for day in days)]]
        for group in groups:
            rows.append([group, *(f"{followed_at(lifetime, group, day):,}" for day in days)])
        yield from table(rows)
    for group, why in lifetime.not_drawn.items():
        yield f"no curve: {group}: {why}"


def _met_and_half(lifetime: Lifetime, group: str) -> tuple[str, str, str]:
    sources, events = lifetime.by_group.get(group, (lifetime.sources, lifetime.events))
    half = _day(lifetime.median[group])
    if lifetime.median[group] is not None:
        limits = (lifetime.median_low[group], lifetime.median_high[group])
        half = f"{half} ({' to '.join(_day(limit) for limit in limits)})"
    return group, f"{events:,} of {sources:,}", half


def _day(days: float | None) -> str:
    return "not reached" if days is None else f"{days:,.0f}"


def weibull_lines(model: WeibullLifetime) -> Iterator[str]:
    """Ratios of the days that sources stayed reliable, and what the model does without."""
    yield from _ratios("days still reliable", "days", model.terms)
    if model.shape is not None:
        yield "days: ratio of the days still reliable, above 1 the later (Weibull)"
        yield f"shape {model.shape:.2f}: above 1 the hazard rises with the days held"
    yield from (f"left out: {x.term}: {x.reason}" for x in model.left_out)


def cycles_at_age_lines(model: CyclesAtAge) -> Iterator[str]:
    """Ratios of the hazard of becoming unreliable at one age, and what the model does without."""
    yield from _ratios("hazard at the same age", "hazard", model.terms)
    if model.terms:
        yield "hazard: ratio of the chances of failing on a day, above 1 the sooner (Cox)"
    yield from (f"left out: {x.term}: {x.reason}" for x in model.left_out)


def next_cycle_lines(hazard: CycleHazard) -> Iterator[str]:
    """Of 100 sources still reliable, how many the next five cycles cost."""
    if not hazard.next_cycles:
        return
    rows = [("after cycles", "of 100, lost in the next 5", "sources followed")]
    for row in hazard.next_cycles:
        lost = f"{100 * row.probability:.0f} ({_between(row.low, row.high, 100.0, 0)})"
        rows.append((f"{row.after:,}", lost, f"{row.at_risk:,}"))
    yield from table(rows)
