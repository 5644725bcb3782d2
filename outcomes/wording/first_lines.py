"""What to tell the unit in three lines."""

from __future__ import annotations

from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.model import FindFit
from outcomes.text import count
from outcomes.wording.limit import describe_retirement_in_short


def describe_first_lines(
    fit: FindFit, verdict: WhichPredicts, retirement: Retirement, shelf: str
) -> list[str]:
    """What to tell the unit, in three lines: the limit, the shelf, and how sure it is.

    Parameters
    ----------
    fit, verdict, retirement
        The fit of finds, the verdict, and the thresholds by it.
    shelf
        The summary of the shelf.
    """
    return [describe_retirement_in_short(verdict, retirement), shelf, describe_evidence(fit)]


def describe_evidence(fit: FindFit) -> str:
    """What it rests on, and what it is not."""
    return (
        f"It rests on {count(fit.n, 'usable hide trial')} ({count(fit.misses, 'miss', 'misses')}) "
        f"of {count(fit.sources, 'source')} by {count(fit.dogs, 'dog')}: what went together in one "
        "unit's records, not proof of cause."
    )
