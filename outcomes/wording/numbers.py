"""How numbers are told in sentences: of a hundred, with a decimal where it would say zero.

Numbers go to the nearest whole one, or to one decimal where that would say zero; a fall
still allowed goes up, and trials still wanted to two digits.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from outcomes.text import of_100


def in_100(probability: float) -> str:
    """A probability as a count of a hundred; never "0" or "100" where it is neither.

    >>> in_100(0.853), in_100(0.998), in_100(0.002), in_100(1.0)
    ('85 in 100', 'more than 99 in 100', 'fewer than 1 in 100', '100 in 100')
    """
    return f"{of_100(probability)} in 100"


def floor_in_100(floor: float) -> str:
    """A floor as a count of a hundred, as it was set: it is a choice, not an estimate.

    >>> floor_in_100(0.85), floor_in_100(0.999), floor_in_100(0.855)
    ('85 in 100', '99.9 in 100', '85.5 in 100')
    """
    return f"{100.0 * floor:.6g} in 100"


def percent(confidence: float) -> str:
    """A confidence in percent without needless decimals.

    >>> percent(0.9), percent(0.975)
    ('90 %', '97.5 %')
    """
    return f"{100.0 * confidence:.4g} %"


def joined(parts: Sequence[str], last: str = "and") -> str:
    """A list in words.

    >>> joined(["a"]), joined(["a", "b"]), joined(["a", "b", "c"], "or")
    ('a', 'a and b', 'a, b or c')
    """
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def number_of_finds(points: float) -> str:
    """A number of finds, with a decimal where a whole number would say zero."""
    if points < 0.05:
        return "0"
    return f"{points:.1f}" if points < 0.95 else f"{points:.0f}"


def finds_more_or_fewer(points: float, sign: str) -> str:
    """Finds with the word for their sign: "6 fewer finds", "1 more find"."""
    number = number_of_finds(points)
    return f"{number} {sign} {'find' if number == '1' else 'finds'}"


def two_digits(number: int) -> int:
    """A whole number to two digits, for what is only roughly known.

    >>> two_digits(341), two_digits(18), two_digits(995)
    (340, 18, 1000)
    """
    return number if number < 100 else int(float(f"{number:.2g}"))


def limit_beside_floor(value: float, floor: float) -> str:
    """A limit of predicted finds in 100, with a decimal where it would else read as the floor.

    The advice rests on which side of the floor the limit lies.

    >>> limit_beside_floor(0.8454, 0.85), limit_beside_floor(0.8454, 0.80)
    ('84.5', '85')
    """
    shown = finds_in_100(value)
    if shown != finds_in_100(floor) or value >= floor:
        return shown
    return f"{math.floor(1000.0 * value) / 10.0:.1f}"


def finds_in_100(probability: float) -> str:
    """A predicted share for a table: a bare number, never 0 or 100 where it is neither.

    >>> finds_in_100(0.853), finds_in_100(0.999), finds_in_100(0.001)
    ('85', '>99', '<1')
    """
    if 0.995 <= probability < 1.0:
        return ">99"
    if 0.0 < probability <= 0.005:
        return "<1"
    return f"{100.0 * probability:.0f}"


def exactly(number: float, noun: str) -> str:
    """A limit as it was asked for and priced, not rounded.

    >>> exactly(18.7, "month"), exactly(1.0, "cycle")
    ('18.7 months', '1 cycle')
    """
    return f"{number:,.10g} {noun}{'' if number == 1 else 's'}"


def few(number: float) -> str:
    """A small number: one place after the point below 10.

    >>> few(3.24), few(4.0), few(12.7)
    ('3.2', '4', '13')
    """
    return f"{number:.1f}".removesuffix(".0") if number < 9.95 else f"{number:,.0f}"


def bare_in_100(probability: float) -> str:
    """A probability of a hundred without the hundred, for a table: "85", ">99"."""
    return in_100(probability).removesuffix(" in 100").replace("more than ", ">").replace(
        "fewer than ", "<"
    )  # fmt: skip
