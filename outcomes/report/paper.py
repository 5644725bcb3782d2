"""What of the page goes on paper: two sheets, with a word on where to find the rest."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from outcomes.analysis.results import ADVICE
from outcomes.text import count
from outcomes.wording.numbers import joined

_SHELF_LINES = 24  # of the table, with everything else that two sheets of either size hold
# About how many letters a line of a column holds; a long name narrows the reasons.
_LETTERS = {"reason": 70, "source": 18, "kind": 12}
_BESIDE_LONG = 44


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
    >>> row = {"source": "A", "kind": "fat", "advice": "keep", "left": None}
    >>> row["reason"] = "shown at or above 85 in 100"
    >>> shelf_rows_on_paper([row] * 50, lines=8)
    8
    >>> shelf_rows_on_paper([row | {"source": "N" * 60}] * 50, lines=8)
    2
    """
    used = 0
    narrow = any(len(row["source"]) > _LETTERS["source"] for row in rows)
    room = _LETTERS | ({"reason": _BESIDE_LONG} if narrow else {})
    for number, row in enumerate(rows):
        used += _lines(row, room)
        if used > lines:
            return max(number, 1)
    return len(rows)


def _lines(row: Mapping[str, Any], room: Mapping[str, int]) -> int:
    # Of a source to be tested the sheets leave out what it has left: the advice comes first.
    told = row["left"] and row["advice"] != "test"
    why = row["reason"] + (f"; {row['left']}" if told else "")
    texts = {"reason": why, "source": row["source"], "kind": row["kind"]}
    return max(1, *(math.ceil(len(texts[name]) / letters) for name, letters in room.items()))


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
    parts = [
        *(["each dog beside the others"] if fields["dogs"] else []),
        "search time and false alerts",
        "how it was worked out, and from which rows",
    ]
    if fields["figure"]:
        parts.append("the records at a glance")
    if fields["terms"] or fields["checks"]:
        parts.append("every term of the model")
    return (
        "Not on these sheets, to keep them to two; open briefing.html on a screen for it: "
        f"{'; '.join(parts)}."
    )
