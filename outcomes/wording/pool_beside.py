"""One unit beside other units: its own answer, theirs, and both."""

from __future__ import annotations

import math

from outcomes.models.ratio import Estimate
from outcomes.pool.prior import UnitWithPool
from outcomes.text import count
from outcomes.wording.pool import finds_after

_ALONG = {"cycles": "cycles", "age": "age"}
_MORE = {"cycles": "After 10 more cycles", "age": "After a year more of age"}
LIMIT_IS_OWN = "Limit, shelf and figure rest on this unit's own records alone."


def describe_with_pool(found: UnitWithPool) -> str:
    """What other units change in this unit's answer, and what each says by itself."""
    along, others = _ALONG[found.exposure], count(found.units, "other unit")
    if found.in_pool is not None:
        return (
            f"The pool is not used: this unit seems to be in it ({found.in_pool}), and its records "
            f"would count twice. Pool the other units alone. {LIMIT_IS_OWN}"
        )
    if found.pooled is None:
        return (
            f"The pool is not used: {others} are too few to tell where another one lies. "
            f"{LIMIT_IS_OWN}"
        )
    beside = " ".join(pool_beside_lines(found))
    if found.clash:
        return (
            f"These records and {others} do not agree on {along}, so the pool is not used. "
            f"{beside} {LIMIT_IS_OWN}"
        )
    if found.own_can_say:
        return (
            f"These records give an answer by themselves, so {others} change nothing in it. "
            f"{beside} {LIMIT_IS_OWN}"
        )
    return f"{_answer(found, along, others)} {beside} {LIMIT_IS_OWN}"


def _answer(found: UnitWithPool, along: str, others: str) -> str:
    assert found.both is not None
    alone = "These records alone cannot say."
    if found.both.high < 1.0:
        return f"{alone} Starting from what {others} predict, finds fall with {along}."
    if found.both.low > 1.0:
        return f"{alone} Starting from what {others} predict, finds rise with {along}."
    return f"{alone} Starting from what {others} predict, it is still open."


def pool_beside_lines(found: UnitWithPool) -> list[str]:
    """Own, pool and both, a sentence each; which is which is never left out."""
    lines = [
        f"{_MORE[found.exposure]}, of 90 finds in 100 there are left (95 % intervals):",
        f"by this unit's own records {_left(found.own)};",
        f"by other units alone {_left(found.pooled)};",
        f"by both {_left(found.both)}." if found.both is not None else "by both: not put together.",
    ]
    return lines


def _left(estimate: Estimate | None) -> str:
    if estimate is None:
        return "not known"
    low, high = (finds_after(_log(limit)) for limit in (estimate.low, estimate.high))
    return f"{finds_after(estimate.log_ratio)} ({low} to {high})"


def _log(ratio: float) -> float:
    return math.log(ratio) if 0.0 < ratio < math.inf else math.copysign(50.0, ratio - 1.0)
