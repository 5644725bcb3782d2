"""How numbers are told, alike in every stage: a count with its noun, a p-value, months."""

from __future__ import annotations

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
