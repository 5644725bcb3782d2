"""How long the dogs search, and whether that changes with cycles or age."""

from __future__ import annotations

import numpy as np

from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.analysis.searches.search_time_curve import SearchTimeCurve
from outcomes.exposure.cycles_and_age import exposure_of
from outcomes.models.ratio import change, power, sized
from outcomes.text import count

_CURVE_NAMES = {"cycles": "cycles", "age_days": "days of age"}


def describe_search_time(fit: SearchTimeFit) -> str:
    """How search times change with cycles and age, or why that cannot be told."""
    if fit.reason is not None:
        return f"Search times say nothing about cycles or age here: {fit.reason}."
    parts = []
    for term in fit.time_ratio:
        exposure = exposure_of(term.term)
        if exposure is None:
            continue
        times, each, word = exposure.many_units, exposure.each_many, exposure.noun
        low, middle, high = (
            change(power(float(np.log(ratio)), times), "longer", "shorter", "as long")
            for ratio in (term.low, term.ratio, term.high)
        )
        interval = f"{100 * (1 - fit.alpha):g} % interval"
        if not sized(term.low, term.high, times):
            if term.low <= 1.0 <= term.high:
                parts.append(f"These records cannot tell how much search time changes with {word}")
            else:
                way = "longer" if term.low > 1.0 else "shorter"
                parts.append(
                    f"Searches got {way} with {word}, by how much these records cannot tell"
                )
        elif term.low <= 1.0 <= term.high:
            parts.append(
                f"No change in search time with {word} shows (for {each}, anything from {low} to "
                f"{high} fits these records, {interval})"
            )
        else:
            parts.append(
                f"{each[0].upper()}{each[1:]} went with searches {middle} "
                f"({interval}: {low} to {high})"
            )
    text = "; ".join([parts[0], *(part[0].lower() + part[1:] for part in parts[1:])])
    text += (
        f", in {count(fit.n, 'search', 'searches')} of "
        f"{count(fit.sources, 'source')} by {count(fit.dogs, 'dog')}, "
        f"{fit.n - fit.events:,} of them without a find."
    )
    if fit.copies:
        text += " Cycles and age move together in these records: either may be behind it."
    return text


def describe_search_time_curve(curve: SearchTimeCurve) -> str:
    """The ends of the curve: how soon a typical dog finds half of the hides."""
    # Where fewer than three sources reach, the curve is drawn but not said.
    solid = [point for point in curve.points if not point.thin]
    ends = dict.fromkeys((curve.points[0], solid[-1] if solid else curve.points[0]))
    name = _CURVE_NAMES[curve.exposure]
    parts = []
    for point in ends:
        median, low, high = (_minutes(s) for s in (point.median_s, point.low, point.high))
        parts.append(f"{median} minutes at {point.at:.0f} {name} ({low} to {high})")
    return (
        f"A typical dog finds half of the hides within {' and within '.join(parts)}; "
        f"{100 * curve.confidence:g} % intervals."
    )


def _minutes(seconds: float) -> str:
    minutes = seconds / 60.0
    return f"{minutes:.1f}" if minutes < 100 else f"{minutes:,.0f}"
