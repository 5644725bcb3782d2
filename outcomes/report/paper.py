"""What of the page goes on paper: two sheets, with a word on where to find the rest."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from outcomes.analysis.results import ADVICE
from outcomes.text import count
from outcomes.wording.numbers import joined

_SHELF_LINES = 24  # rows of the shelf, with everything else that two sheets of either size hold
_NAME_LETTERS = 14  # about how many a line of a name holds


def shelf_rows_on_paper(rows: Sequence[Mapping[str, Any]], lines: int = _SHELF_LINES) -> int:
    """How many rows of the shelf, from the top, fit on the sheets; at least one.

    Parameters
    ----------
    rows
        The shelf as laid out for the page, what to act on first on top.
    lines
        Lines of the table there is room for.

    Examples
    --------
    >>> shelf_rows_on_paper([{"source": "A"}] * 50, lines=8)
    8
    >>> shelf_rows_on_paper([{"source": "N" * 50}] * 50, lines=8)
    2
    """
    used = 0
    for number, row in enumerate(rows):
        used += math.ceil(len(row["source"]) / _NAME_LETTERS)
        if used > lines:
            return max(number, 1)
    return len(rows)


def shelf_on_paper(rows: Sequence[Mapping[str, Any]], printed: int) -> str | None:
    """Which sources of the shelf are not printed, and where they are; None where all are."""
    rest = [row["advice"] for row in rows[printed:]]
    if not rest:
        return None
    number = joined([f"{rest.count(a)} to {a}" for a in ADVICE if a in rest])
    first = "The source" if printed == 1 else f"The {printed} sources"
    return (
        f"{first} to act on first {'is' if printed == 1 else 'are'} printed here. The other "
        f"{count(len(rest), 'source')} ({number}) {'is' if len(rest) == 1 else 'are'} on the "
        "page itself: open briefing.html on a screen."
    )


def elsewhere(fields: Mapping[str, Any]) -> str:
    """What the sheets leave out, and where it is.

    Parameters
    ----------
    fields
        The page's texts by their place.
    """
    answers = [
        *(["each dog beside the others"] if fields["dogs"] else []),
        "search time and false alerts",
        "when to find the next sources",
        *(["what was weighed and seen"] if len(fields["inspections"]) > 1 else []),
    ]
    behind = [
        *(["the records at a glance"] if fields["figure"] else []),
        *(["every term of the model"] if fields["terms"] or fields["checks"] else []),
        "how it was worked out, and from which rows",
    ]
    return (
        f"Not on these sheets, to keep them to two: {joined(answers)}. Behind the answers, also in "
        f"briefing.html on a screen: {joined(behind)}."
    )
