"""Which single mend would win back the most rows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from outcomes.records.findings import is_left_out
from outcomes.records.tables import Examination, Finding, shortened

# One mend for every row that breaks these: a line in unit.toml, for the whole unit or a column.
_OF_THE_UNIT = frozenset(("date ambiguous", "comma in a number", "point in a number"))
_OF_A_COLUMN = frozenset(
    (
        *("minutes and seconds", "not minutes and seconds", "number with a unit in it"),
        *("clock times among numbers", "date for a number"),
        *("impossible temperature", "impossible storage temperature", "number out of range"),
        *("spreadsheet date number", "formula without a value"),
    )
)
# One mend for every row with this value: a word's meaning, a name added or corrected.
_MISSING_NAMES = frozenset(("unknown source", "unknown dog", "unknown place", "unknown parent"))
_OF_A_VALUE = _MISSING_NAMES | {"unknown word"}
_CASCADES = frozenset(("source set aside", "parent set aside"))

_Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Mend:
    """One thing to mend, and what it would win back.

    Attributes
    ----------
    rule, table, file
        Rule that is broken, and where.
    row
        Row in the spreadsheet, where the mend is in that row alone; else None.
    column, value
        The unit's own column name and the value there, where the mend is about those.
    text
        What would mend it.
    rows
        Rows of all tables that are set aside for this alone. Mended, a row is
        checked on, and may then show another fault.
    values
        Single values that are left out for this, of rows that are used.
    """

    rule: str
    table: str
    file: str
    row: int | None
    column: str | None
    value: str | None
    text: str
    rows: int
    values: int = 0

    def line(self) -> str:
        """The mend as one line for people."""
        where = self.file
        if self.row is not None:
            where += f", row {self.row}"
        if self.column is not None:
            where += f", column {self.column}"
        found = "" if self.value is None else f" ({shortened(self.value)!r})"
        return f"{where}{found}: {self.text}"


def best_mend(examination: Examination) -> Mend | None:
    """The single mend that would win back the most rows.

    Rows set aside because their source was count for what set the source
    aside. A row with several faults is won back by no single mend.

    Parameters
    ----------
    examination
        What the checks found.

    Returns
    -------
    Mend or None
        None where nothing is set aside, no row could be read, or several things
        stop the work; one thing that stops it keeps every usable row from use.
    """
    stops = examination.stops
    if stops:
        kept = sum(examination.used.values())
        return _mend(stops[0], (), kept) if len(stops) == 1 and kept else None
    keys = _keys_of_rows(examination.set_aside)
    rows: dict[_Key, int] = defaultdict(int)
    for found in keys.values():
        if len(found) == 1:
            rows[next(iter(found))] += 1
    first: dict[_Key, Finding] = {}
    for finding in examination.set_aside:
        first.setdefault(_key(finding), finding)
    if not rows:
        return None
    # At equal numbers the one that stands first.
    best = max(rows, key=lambda key: (rows[key], -list(first).index(key)))
    return _mend(first[best], best, rows[best])


FEWEST_VALUES = 3


def best_value_mend(examination: Examination) -> Mend | None:
    """The single mend that would win back the most values left out of rows that are used.

    Parameters
    ----------
    examination
        What the checks found.

    Returns
    -------
    Mend or None
        None where something stops the work, or fewer than ``FEWEST_VALUES``
        values share one mend.
    """
    if examination.stops:
        return None
    values: dict[_Key, int] = defaultdict(int)
    first: dict[_Key, Finding] = {}
    for finding in examination.notes:
        if is_left_out(finding):
            key = _value_key(finding)
            values[key] += 1
            first.setdefault(key, finding)
    if not values or max(values.values()) < FEWEST_VALUES:
        return None
    best = max(values, key=lambda key: (values[key], -list(first).index(key)))
    return replace(_mend(first[best], best, 0), row=None, values=values[best])


def _value_key(finding: Finding) -> _Key:
    if finding.rule in _OF_THE_UNIT | _OF_A_COLUMN:
        return _key(finding)
    return (finding.rule, finding.table, finding.column or "", finding.value or "")


def _mend(finding: Finding, key: _Key, rows: int) -> Mend:
    of_row = finding.rule not in _OF_THE_UNIT | _OF_A_COLUMN | _OF_A_VALUE
    of_value = of_row or finding.rule in _OF_A_VALUE or key[-1:] == ("row",)
    return Mend(
        rule=finding.rule,
        table=finding.table,
        file=finding.file,
        row=finding.row if of_row else None,
        column=None if finding.rule in _OF_THE_UNIT else finding.column,
        value=finding.value if of_value else None,
        text=finding.mend,
        rows=rows,
    )


def _key(finding: Finding) -> _Key:
    """What findings share that one mend would clear together."""
    if finding.rule in _OF_THE_UNIT:
        return (finding.rule,)
    place = (finding.rule, finding.table, finding.column or "")
    if finding.rule in _OF_A_COLUMN:
        return place
    if finding.rule in _OF_A_VALUE or finding.rule == "duplicate id":
        # A name is missing from the same list, whichever table and column ask for it.
        table = "" if finding.rule.startswith("unknown") else finding.table
        column = "" if finding.rule in _MISSING_NAMES else finding.column or ""
        return (finding.rule, table, column, finding.value or "")
    return (*place, str(finding.row), "row")


def _keys_of_rows(findings: Iterable[Finding]) -> Mapping[tuple[str, int], frozenset[_Key]]:
    """For each row set aside, what has to be mended; cascades stand for what began them."""
    of_row: dict[tuple[str, int], list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.row is not None:
            of_row[finding.table, finding.row].append(finding)
    known: dict[tuple[str, int], frozenset[_Key]] = {}

    def keys(row: tuple[str, int]) -> frozenset[_Key]:
        if row not in known:
            known[row] = frozenset()  # a row never waits for itself
            found: set[_Key] = set()
            for finding in of_row[row]:
                if finding.rule in _CASCADES and finding.cause is not None:
                    found |= keys(("sources", finding.cause))
                else:
                    found.add(_key(finding))
            known[row] = frozenset(found)
        return known[row]

    return {row: keys(row) for row in list(of_row)}
