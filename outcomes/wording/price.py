"""What a retirement limit buys and costs."""

from __future__ import annotations

from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.decisions.trade_off import TradeOff, TradeOffPoint
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.text import DAYS_PER_MONTH
from outcomes.wording.exposure import whole_limit
from outcomes.wording.limit import limits_set
from outcomes.wording.numbers import few, floor_in_100, in_100, percent


def describe_price(price: TradeOff, retirement: Retirement) -> str | None:
    """What the limit given buys and costs; None where there is no limit or no price."""
    leading = next((t for t in retirement.thresholds if t.retire_after is not None), None)
    if price.present is None or leading is None or leading.retire_after is None:
        return None
    by_cycles = leading.by == "cycles"
    points = price.by_cycles if by_cycles else price.by_age
    limit = float(leading.retire_after)
    within = [p for p in points if (CYCLES_AND_AGE[leading.by].of(p) or 0.0) <= limit + 0.5]
    if not within:
        return None
    point, now = within[-1], price.present
    many = "fewer than 1" if point.sources_per_year < 0.5 else f"about {point.sources_per_year:.0f}"
    one = "source" if many in ("about 1", "fewer than 1") else "sources"
    which = "that limit"
    if len(limits_set(retirement)) > 1:
        of_age = CYCLES_AND_AGE[leading.by].of_value
        which = f"the limit of {whole_limit(leading.by, leading.retire_after)}{of_age}"
    yearly = f"{now.sources_per_year:.1f}".removesuffix(".0")
    discarded = (
        "no source was discarded"
        if not now.discards
        else "1 source a year was discarded"
        if yearly == "1"
        else f"{yearly} sources a year were discarded"
    )
    return (
        f"What {which} buys and costs, at this unit's own rate of use: about "
        f"{in_100(point.find_probability)} finds in the trials still run, against "
        f"{in_100(now.find_probability)} in all trials as run. It costs {many} {one} a year "
        f"({point.sources_low:.0f} to {point.sources_high:.0f}); over these records {discarded}."
    )


def describe_price_in_short(trade_off: TradeOff) -> str:
    """Whether a limit by cycles or by age keeps more finds for as many sources given up."""
    best = trade_off.advantage
    if best is None:
        return "Retiring sources sooner brings more finds and costs more sources"
    start = f"With about {few(best.sources_per_year)} sources retired a year, a limit by"
    if best.low > 0.0:
        size = _points_more(best.points, best.low, best.high, trade_off.confidence)
        return f"{start} cycles keeps more finds than one by age: {size}"
    if best.high < 0.0:
        size = _points_more(-best.points, -best.high, -best.low, trade_off.confidence)
        return f"{start} age keeps more finds than one by cycles: {size}"
    return "Whether a limit by cycles or by age buys more, these records do not settle"


def _points_more(points: float, low: float, high: float, confidence: float) -> str:
    """A difference with its own interval: either limit's alone, and so the band, is wider."""
    middle, near, far = (f"{v:.1f}" if v < 0.95 else f"{v:.0f}" for v in (points, low, high))
    return (
        f"on best estimate {middle} more in 100 trials "
        f"({100.0 * confidence:g} % interval {near} to {far})"
    )


def describe_limits_of_rule(point: TradeOffPoint) -> str:
    """A rule in a few words: "20 cycles", "18 months", or both."""
    parts = []
    if point.cycles is not None:
        parts.append(f"{point.cycles:g} cycle{'' if point.cycles == 1 else 's'}")
    if point.age_days is not None:
        months = f"{point.age_days / DAYS_PER_MONTH:.6g}"
        parts.append(f"{months} month{'' if months == '1' else 's'}")
    return " or ".join(parts)


def describe_price_table(price: TradeOff, retirement: Retirement) -> str:
    """What stands over the table of limits."""
    by = "age" if retirement.thresholds and retirement.thresholds[0].by != "cycles" else "cycles"
    return (
        f"What limits by {by} buy and cost, at the floor of {floor_in_100(price.floor)}: finds in "
        "the trials still run, trials on sources below the floor, and sources retired a year. In "
        f"brackets: {percent(price.confidence)} intervals"
    )
