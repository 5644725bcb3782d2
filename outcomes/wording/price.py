"""What a retirement limit buys and costs."""

from __future__ import annotations

from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.decisions.trade_off import TradeOff
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.wording.exposure import whole_limit
from outcomes.wording.limit import limits_set
from outcomes.wording.numbers import in_100


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
        f"{in_100(now.find_probability)} in all trials as run; {many} {one} a year to replace "
        f"({point.sources_low:.0f} to {point.sources_high:.0f}), while over these records "
        f"{discarded}."
    )
