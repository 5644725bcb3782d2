"""Which single mend would win back the most rows."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from outcomes.records.checking.findings import is_left_out
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
# One cause for every row of a column or list: words without a meaning, names not on the list.
_MISSING_NAMES = frozenset(("unknown source", "unknown dog", "unknown place", "unknown parent"))
_OF_VALUES = _MISSING_NAMES | {"unknown word"}
_NO_QUESTION_ASKS = frozenset(("handler_id", "born_on", "started_on"))
VALUES_SHOWN = 3
_NOTHING_LOST = frozenset(("total row", "identical rows"))  # no mend wins anything back
_CASCADES = frozenset(("source set aside", "parent set aside"))

PLACES_NAMED = 3

_Key = tuple[str, ...]
_Row = tuple[str, str, int]  # table, file, row


@dataclass(frozen=True, slots=True)
class MendPlace:
    """Where one mend wins rows back: a column, a value there, and how many.

    Attributes
    ----------
    file, column, value
        The file or sheet, the unit's own column name, and the first value there.
    count
        Rows that are won back by it, or single values where the mend is about those.
    """

    file: str
    column: str | None
    value: str | None
    count: int


@dataclass(frozen=True, slots=True)
class Mend:
    """One thing to mend, and what it would win back.

    Attributes
    ----------
    rule, table, file
        Rule that is broken, and where; where it is in several places, the one
        with the most rows.
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
    places
        Every place it is about, the one with the most rows first; empty where it is
        about a row, or stops the work.
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
    places: tuple[MendPlace, ...] = ()

    def line(self) -> str:
        """The mend as one line for people."""
        if self.places and (len(self.places) > 1 or self.rule in _OF_THE_UNIT):
            return f"{self._where()}: {self.text}"
        where = self.file
        if self.row is not None:
            where += f", row {self.row}"
        if self.column is not None:
            where += f", column {self.column}"
        found = "" if self.value is None else f" ({shortened(self.value)!r})"
        return f"{where}{found}: {self.text}"

    def _where(self) -> str:
        """The places with a value of each, and how much of it lies in each."""
        unit = "value" if self.values else "row"
        found = []
        for place in self.places[:PLACES_NAMED]:
            inside = [] if place.value is None else [repr(shortened(place.value))]
            if self.value is None and inside:
                inside = [f"as in {inside[0]}"]
            if len(self.places) > 1:
                inside.append(f"{place.count:,} {unit}{'' if place.count == 1 else 's'}")
            column = "" if place.column is None else f", column {place.column}"
            found.append(f"{place.file}{column}" + (f" ({', '.join(inside)})" if inside else ""))
        left = len(self.places) - PLACES_NAMED
        if left > 0:
            found.append(f"{left} more column{'' if left == 1 else 's'}")
        return "; ".join([*found[:-2], " and ".join(found[-2:])])


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
    rows: dict[_Key, list[Finding]] = defaultdict(list)
    for found in _causes_of_rows(examination.set_aside).values():
        if any(finding.rule in _NOTHING_LOST for finding in found):
            continue
        keys = {_key(finding) for finding in found}
        if len(keys) == 1:
            rows[next(iter(keys))].append(found[0])
    if not rows:
        return None
    first: dict[_Key, int] = {}
    for at, finding in enumerate(examination.set_aside):
        first.setdefault(_key(finding), at)
    # At equal numbers the one that stands first.
    best = max(rows, key=lambda key: (len(rows[key]), -first[key]))
    return _mend_of(rows[best], best, rows=len(rows[best]))


def describe_no_trial_left(examination: Examination) -> str:
    """That no trial can be used, and what most of them have in common."""
    first: dict[_Row, Finding] = {}
    for finding in examination.set_aside:
        if finding.table == "trials" and finding.row is not None:
            first.setdefault(("trials", finding.file, finding.row), finding)
    told = "No trial can be used."
    if not first:
        return f"{told} There is none in the records."
    reasons = Counter((f.column, f.problem, f.mend) for f in first.values())
    (column, problem, mend), times = reasons.most_common(1)[0]
    place = "" if column is None else f" column {column}:"
    return f"{told} In {times:,} of {len(first):,} rows:{place} {problem}. {mend}"


FEWEST_VALUES = 3


def best_value_mend(examination: Examination) -> Mend | None:
    """The single mend that would win back the most values left out of rows that are used.

    Of columns that no question asks for, none is told.

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
    unasked = _NO_QUESTION_ASKS
    values: dict[_Key, list[Finding]] = defaultdict(list)
    for finding in examination.notes:
        if is_left_out(finding) and finding.column not in unasked:
            values[_value_key(finding)].append(finding)
    # At equal numbers the one that stands first.
    best = max(values, key=lambda key: len(values[key]), default=None)
    if best is None or len(values[best]) < FEWEST_VALUES:
        return None
    return replace(_mend_of(values[best], best, rows=0), row=None, values=len(values[best]))


def _mend_of(found: Sequence[Finding], key: _Key, rows: int) -> Mend:
    """The mend that these findings share, told of the place where most of them are."""
    at: dict[tuple[str, str | None], list[Finding]] = defaultdict(list)
    for finding in found:
        at[finding.file, finding.column].append(finding)
    # Sorting keeps the order of equal numbers.
    groups = sorted(at.values(), key=len, reverse=True)
    values = Counter(f.value for f in found if f.value is not None).most_common()
    if len(values) > 1 and found[0].rule in _OF_VALUES:
        # The commonest value stands for all, and the others are named after it.
        first = next(f for f in found if f.value == values[0][0])
        others = [f"{shortened(value)!r} ({times:,})" for value, times in values[1:]]
        left = len(others) - VALUES_SHOWN
        more = f" and {left:,} more" if left > 0 else ""
        text = f"{first.mend} The same for {', '.join(others[:VALUES_SHOWN])}{more}."
        groups = [[f for f in group if f.value == first.value] for group in groups]
        groups = sorted(filter(None, groups), key=len, reverse=True)
        mend = replace(_mend(first, key, rows), text=text)
    else:
        mend = _mend(groups[0][0], key, rows)
    places = tuple(MendPlace(g[0].file, g[0].column, g[0].value, len(g)) for g in groups)
    return mend if mend.row is not None else replace(mend, places=places)


def _value_key(finding: Finding) -> _Key:
    if finding.rule in _OF_THE_UNIT | _OF_A_COLUMN:
        return _key(finding)
    return (finding.rule, finding.table, finding.column or "")


def _mend(finding: Finding, key: _Key, rows: int) -> Mend:
    of_row = finding.rule not in _OF_THE_UNIT | _OF_A_COLUMN | _OF_VALUES
    of_value = of_row or finding.rule in _OF_VALUES or key[-1:] == ("row",)
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
    if finding.rule in _OF_VALUES or finding.rule == "duplicate id":
        if finding.rule == "duplicate id":
            return (*place, finding.value or "")
        # A name is missing from the same list, whichever table and column ask for it.
        return (finding.rule, "") if finding.rule in _MISSING_NAMES else place
    return (*place, finding.file, str(finding.row), "row")


def _causes_of_rows(
    findings: Iterable[Finding],
) -> Mapping[_Row, tuple[Finding, ...]]:
    """For each row set aside, what has to be mended; cascades stand for what began them."""
    of_row: dict[_Row, list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.row is not None:
            of_row[finding.table, finding.file, finding.row].append(finding)
    known: dict[_Row, tuple[Finding, ...]] = {}

    def causes(row: _Row) -> tuple[Finding, ...]:
        if row not in known:
            known[row] = ()  # a row never waits for itself
            found: list[Finding] = []
            for finding in of_row[row]:
                if finding.rule in _CASCADES and finding.cause is not None:
                    found += causes(("sources", *finding.cause))
                else:
                    found.append(finding)
            known[row] = tuple(found)
        return known[row]

    return {row: causes(row) for row in list(of_row)}
