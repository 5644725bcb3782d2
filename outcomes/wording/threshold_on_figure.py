"""What the main figure says of the threshold and the limit, and how its exposure is written."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

import numpy as np

from outcomes.analysis.results import FindCurve
from outcomes.exposure.cycles_and_age import CYCLES
from outcomes.text import DAYS_PER_MONTH, FEWEST_MONTHS, count

MONTHS_FROM_DAYS = 400.0


@dataclass(frozen=True, slots=True)
class ThresholdMark:
    """Where one exposure's find probability falls to the floor, in the exposure's own unit.

    Attributes
    ----------
    estimate, low, high
        The exposure at which the curve falls to the floor, with its interval;
        ``None`` where there is none within what was observed. A limit that is
        ``None`` beside an estimate is open on that side.
    retire_after
        The largest exposure at which the lower limit of the find probability
        is still at or above the floor; ``None`` where there is none.
    """

    estimate: float | None
    low: float | None
    high: float | None
    retire_after: float | None


@dataclass(frozen=True, slots=True)
class ExposureScale:
    """How an exposure is written on its axis: ``factor`` of its own units make one ``noun``."""

    factor: float
    noun: str
    axis_name: str

    def number(self, value: float, decimals: int = 0) -> str:
        """The value in this scale; a whole number without its decimals."""
        return f"{value / self.factor:,.{decimals}f}".removesuffix(".0")


def extent(curve: FindCurve) -> tuple[float, float]:
    """Lowest and highest exposure shown: the curve's own and those of its bins.

    ``(0.0, 1.0)`` where there is neither.
    """
    values = [float(v) for v in np.asarray(curve.at, dtype=float)]
    values += [b.mean for b in curve.bins]
    if not values:
        return 0.0, 1.0
    return min(values), max(values)


def exposure_scale(curve: FindCurve) -> ExposureScale:
    """Cycles as they are; ages in days, or in months where they pass 400 days."""
    if curve.exposure == CYCLES.name:
        name = "freeze/thaw cycles"
        if curve.without:
            name += f" ({count(curve.without, 'source')} never thawed: not here)"
        return ExposureScale(1.0, "cycles", name)
    if extent(curve)[1] > MONTHS_FROM_DAYS:
        return ExposureScale(DAYS_PER_MONTH, "months", "age of the source, months")
    return ExposureScale(1.0, "days", "age of the source, days")


def plain_in_100(probability: float) -> str:
    """A probability as a number out of 100, without needless decimals."""
    return f"{100.0 * probability:.1f}".removesuffix(".0")


def describe_threshold_on_figure(
    curve: FindCurve, mark: ThresholdMark | None, floor_probability: float, *, brief: bool = False
) -> tuple[str, str]:
    """What to say of the threshold and of the retirement limit; empty where nothing is known.

    Where it must be ``brief``, the interval bears its confidence without its noun.
    """
    if mark is None:
        return "", ""
    scale = exposure_scale(curve)
    at_floor = f"{plain_in_100(floor_probability)} in 100"
    if mark.estimate is not None:
        interval_name = f"{100 * curve.confidence:g} %{':' if brief else ' interval'}"
        # No-break spaces keep the number with its unit, and the interval on one line.
        about, interval = (
            part.replace(" ", "\u00a0")
            for part in _estimate_words(mark.estimate, mark.low, mark.high, scale, interval_name)
        )
        said = f"◆\u00a0falls to {at_floor} at about\u00a0{about} {interval}"
    else:
        said = _without_threshold(curve, floor_probability, at_floor)
    if mark.retire_after is None:
        return said, ""
    return said, f"■\u00a0limit {_limit_words(mark.retire_after, scale)}"


def _limit_words(limit: float, scale: ExposureScale) -> str:
    """The limit as the page tells it; never rounded up: the source would be kept past it."""
    if scale.noun == "cycles":
        return count(floor(limit), "cycle").replace(" ", "\u00a0")
    days = count(floor(limit), "day").replace(" ", "\u00a0")
    months = floor(limit / DAYS_PER_MONTH)
    if months < FEWEST_MONTHS:
        return days
    told = f"{months:,}\u00a0months"
    return told if scale.noun == "months" else f"{days} ({told})"


def _without_threshold(curve: FindCurve, floor_probability: float, at_floor: str) -> str:
    """What the line does where no threshold was read off it."""
    if not curve.at.size:
        return ""
    above = np.asarray(curve.probability) >= floor_probability
    if above.all():
        return f"the line stays above {at_floor} as far as the records go"
    if not above.any():
        return f"the line is below {at_floor} throughout"
    if not above[0]:
        return f"the line starts below {at_floor}"
    if above[~np.asarray(curve.thin, dtype=bool)].all():
        return f"the line stays above {at_floor} as far as enough sources go"
    return f"no threshold at {at_floor} in these records"


def _estimate_words(
    estimate: float, low: float | None, high: float | None, scale: ExposureScale, interval: str
) -> tuple[str, str]:
    """The estimate with its unit, and in brackets its interval, which bears its confidence."""
    decimals = 0 if estimate / scale.factor >= 10 else 1
    about = f"{scale.number(estimate, decimals)} {scale.noun}"
    if low is not None and high is not None:
        shown = f"{scale.number(low, decimals)}–{scale.number(high, decimals)}"
    elif low is not None:
        shown = f"{scale.number(low, decimals)} or more"
    elif high is not None:
        shown = f"{scale.number(high, decimals)} or fewer"
    else:
        shown = "wider than the records"
    return about, f"({interval} {shown})"
