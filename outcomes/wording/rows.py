"""How many rows and trials an answer rests on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from outcomes.analysis.finds.design import Counted
from outcomes.analysis.finds.model import FindFit
from outcomes.records.tables import Finding
from outcomes.text import count
from outcomes.wording.numbers import joined


def describe_records_used(whose: str, hides: int, fit: Counted | FindFit) -> str:
    """What the figure of all records shows, and how many of them the others rest on."""
    if fit.n == hides:
        used = "All of them are used for what predicts finds."
    else:
        used = (
            f"Of these {count(hides, 'hide trial')}, {fit.n:,} "
            f"({count(fit.misses, 'miss', 'misses')}) of {count(fit.sources, 'source')} can be "
            "used for what predicts finds."
        )
    return f"{whose}. {used} Association in one unit's records, not proof of cause."


def describe_set_aside(set_aside: Sequence[Finding]) -> str | None:
    """How many rows of each table are not in an answer; None where all are."""
    rows = {(f.table, f.file, f.row) for f in set_aside}
    number = Counter(table for table, _, _ in rows)
    parts = [count(number[t], word) for t, word in _ROW_OF.items() if number[t]]
    if not parts:
        return None
    return (
        f"Not in this answer: {joined(parts)} set aside, so a source may be missing here. "
        "outcomes check says why."
    )


_ROW_OF = {
    "sources": "source",
    "storage": "storage row",
    "trials": "trial",
    "dogs": "dog",
    "readings": "reading",
    "inspections": "inspection",
}


def describe_not_on_shelf(set_aside: Sequence[Finding]) -> str | None:
    """How many rows of the source list could not be used; None where all could."""
    rows = {(f.file, f.row) for f in set_aside if f.table == "sources" and f.rule != "total row"}
    if not rows:
        return None
    return (
        f"{count(len(rows), 'row')} of the source list could not be used, so a source may be "
        "missing here (outcomes check says why)."
    )


def describe_rows(rows_in: Mapping[str, int], used: Mapping[str, int], set_aside: int) -> str:
    """Rows handed over, used and set aside."""
    parts = [f"{used[t]:,} of {n:,} in {t}" for t, n in rows_in.items() if t in used and n]
    return f"Rows used: {joined(parts)}; {count(set_aside, 'row')} set aside" + (
        ", each with its reason in set_aside.csv." if set_aside else "."
    )
