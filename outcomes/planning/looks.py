"""When a plan is looked at, by information, and what a result must reach at each look."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from scipy import stats

from outcomes.models.group_sequential import obrien_fleming_spending, spending_bounds
from outcomes.planning.document import Look


def plan_looks(
    number: int, days: Sequence[int], share_by: Callable[[int], float], alpha: float
) -> tuple[Look, ...]:
    """Looks at equal steps of information.

    Parameters
    ----------
    number
        How many.
    days
        Training days.
    share_by
        Share of the information that stands at the end of a day.
    alpha
        Two-sided level over all looks.
    """
    shares = [(k + 1) / number for k in range(number)]
    bounds = spending_bounds(shares, alpha)
    return tuple(
        Look(
            number=k + 1,
            information=share,
            expected_day=first_day(days, share_by, share),
            spent=float(obrien_fleming_spending(share, alpha)),
            bound=bounds[k],
        )
        for k, share in enumerate(shares)
    )


def first_day(days: Sequence[int], share_by: Callable[[int], float], share: float) -> int:
    """First day at whose end so much information stands; the last where it never does.

    Information never falls, so that halving finds it.
    """
    low, high = 0, len(days) - 1
    while low < high:
        middle = (low + high) // 2
        if share_by(days[middle]) >= share - 1e-9:
            high = middle
        else:
            low = middle + 1
    return int(days[low])


def level_of(bound: float) -> float:
    """Two-sided level of a single look whose normal value must reach the bound."""
    return float(2.0 * stats.norm.sf(bound))
