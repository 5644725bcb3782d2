"""How numbers and lines are told, alike in every stage: counts, p-values, months, tables."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Collection, Iterator, Sequence

DAYS_PER_YEAR = 365.25
DAYS_PER_MONTH = DAYS_PER_YEAR / 12.0
FEWEST_MONTHS = 2  # a limit below that is told in days


def count(number: int, one: str, many: str | None = None) -> str:
    """Give a number with its noun.

    Parameters
    ----------
    number
        How many.
    one, many
        The noun for one and for any other number; ``many`` is ``one`` with an s
        where it is not given.

    Examples
    --------
    >>> count(1, "miss", "misses"), count(1200, "trial"), count(0, "source")
    ('1 miss', '1,200 trials', '0 sources')
    """
    return f"{number:,} {one if number == 1 else (many or one + 's')}"


def of_100(probability: float) -> str:
    """Give a probability as a whole number of a hundred; never 0 or 100 where it is neither.

    Examples
    --------
    >>> of_100(0.853), of_100(0.998), of_100(0.002), of_100(1.0)
    ('85', 'more than 99', 'fewer than 1', '100')
    """
    share = 100.0 * probability
    if 99.5 <= share < 100.0:
        return "more than 99"
    if 0.0 < share <= 0.5:
        return "fewer than 1"
    return f"{share:.0f}"


def in_months(days: float) -> str:
    """Give days as a number of months: whole from two on, one decimal below.

    Examples
    --------
    >>> in_months(12.0), in_months(256.0), in_months(717.0), in_months(0.0)
    ('0.4', '8', '24', '0')
    """
    months = days / DAYS_PER_MONTH
    return f"{months:.0f}" if abs(months) >= 1.95 else f"{months:.1f}".removesuffix(".0")


def months(days: float) -> str:
    """Give days as months with their noun.

    Examples
    --------
    >>> months(30.4), months(400.0)
    ('1 month', '13 months')
    """
    told = in_months(days)
    return f"{told} month{'' if told == '1' else 's'}"


def still_reliable_at(days: float) -> str:
    """Say of sources from when on they are told of; nothing where that is from the first.

    Examples
    --------
    >>> still_reliable_at(12.0), still_reliable_at(0.0)
    (' still reliable at 0.4 months', '')
    """
    return "" if in_months(days) == "0" else f" still reliable at {months(days)}"


def p_number(p: float) -> str:
    """Give a p-value as it stands in a table.

    To three decimals below 0.1, so that 0.049 does not read as 0.05, and to two above.

    Examples
    --------
    >>> p_number(0.0494), p_number(0.31), p_number(0.00002)
    ('0.049', '0.31', '< 0.001')
    """
    if p < 0.001:
        return "< 0.001"
    return f"{p:.3f}" if p < 0.0995 else f"{p:.2f}"


def p_value(p: float) -> str:
    """Give a p-value as it stands in a sentence.

    Examples
    --------
    >>> p_value(0.0312), p_value(0.00002), p_value(1.0)
    ('p = 0.031', 'p < 0.001', 'p = 1.00')
    """
    number = p_number(p)
    return f"p {number}" if number.startswith("<") else f"p = {number}"


KEPT_TOGETHER = "\u00a0"
"""Stands for a space at which :func:`wrapped` breaks no line."""

_PER_CENT = re.compile(r"(\d) %")
_HANGING = re.compile(r" *(?:\S+(?: \S+)? )? +(?=\S)")
_MOST_NAME = 60


class Row(str):
    """A line of a table, or one to be pasted: never wrapped."""

    __slots__ = ()


def table(rows: Sequence[Sequence[str]], left: Collection[int] = (0,)) -> Iterator[Row]:
    """Rows laid out in columns as wide as they need, two spaces apart.

    Parameters
    ----------
    rows
        The heading first; each of the same number of cells. The first cell of a row is a name,
        and cut where it is long.
    left
        Columns whose cells begin below one another; those of the others end so.

    Examples
    --------
    >>> for row in table([["dog", "found"], ["Moss", "9"], ["Fern", "12"]]):
    ...     print(row)
    dog   found
    Moss      9
    Fern     12
    """
    cells = [[_shortened(row[0]), *row[1:]] for row in rows]
    wide = [max(map(len, column)) for column in zip(*cells, strict=True)]
    for row in cells:
        laid = (
            f"{cell:<{w}}" if k in left else f"{cell:>{w}}"
            for k, (cell, w) in enumerate(zip(row, wide, strict=True))
        )
        yield Row("  ".join(laid).rstrip())


def _shortened(name: str) -> str:
    return name if len(name) <= _MOST_NAME else f"{name[: _MOST_NAME - 1]}…"


def wrapped(line: str, width: int) -> list[str]:
    """A line in lines no longer than ``width`` letters, but for words that are longer.

    Lines after the first hang below the text that follows a label with two spaces, or below
    the indent. A :class:`Row` stays whole, and so does what :data:`KEPT_TOGETHER` holds
    together, and a number with its per cent sign.

    Examples
    --------
    >>> wrapped("   note  the dog was out", 18)
    ['   note  the dog', '         was out']
    >>> wrapped(Row("a table is never broken"), 10)
    ['a table is never broken']
    """
    if isinstance(line, Row):
        return line.splitlines()
    lines: list[str] = []
    for one in line.split("\n"):
        hanging = _HANGING.match(one)
        indent = len(hanging[0]) if hanging else 0
        lines += textwrap.wrap(
            _PER_CENT.sub(rf"\1{KEPT_TOGETHER}%", one),
            width,
            subsequent_indent=" " * (indent if 2 * indent <= width else 0),
            break_long_words=False,
            break_on_hyphens=False,
            replace_whitespace=False,
            expand_tabs=False,
        ) or [""]
    return [one.replace(KEPT_TOGETHER, " ") for one in lines]
