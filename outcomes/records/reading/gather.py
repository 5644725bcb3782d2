"""Cells of one table from the unit's own layout: parts joined, sheets put below each other."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.columns import BACK, Table
from outcomes.records.reading.cells import (
    Array,
    Cells,
    Mark,
    categories_of,
    clean,
    from_codes,
    texts_of,
)
from outcomes.records.reading.times import clock_of
from outcomes.records.reading.values import read_column
from outcomes.records.reading.words import NOTHING
from outcomes.settings import RecordsSettings

BOTH = " and "
"""Between the headings of two columns that are marked in one row."""
AS_ABOVE = frozenset(('"', "''", "”", "“", "〃", "ditto", "do.", "as above", "same"))
"""What people write, beside nothing, for what stands above."""
_MONTHS = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
_TOTAL = re.compile(
    r"(grand |sub[ -]?)?totals?"
    rf"(\W*(for|of|to|in|this|so far|year|month|week|{_MONTHS}|\d).{{0,15}})?"
    r"|sums?|.{1,20}\b(grand |sub[ -]?)?totals?",
    re.IGNORECASE,
)
MARKS = frozenset(("x", "xx", "✓", "✔", "√", "☑", "*", "•", "y", "yes", "true"))
"""What people put into a column for what its heading says; a number above 0 counts too."""
NO_MARKS = frozenset(("", "0", "n", "no", "false", "☐", *NOTHING))


def gather(parts: Sequence[Cells], table: Table, settings: RecordsSettings) -> Cells:
    """One table of the cells of its files or sheets.

    Parameters
    ----------
    parts
        Each as read, in the order that the unit names them.
    table, settings
        Whose columns they are, and how the unit writes them.

    Returns
    -------
    Cells
        Empty cells filled from above where the unit says so, several columns of the
        unit's joined to the one of ours that they are, rows in the order of the parts.
    """
    shaped = [
        _in_two_moves(
            _joined(_a_row_a_dog(_filled(part, table, settings), table, settings), table, settings),
            table,
            settings,
        )
        for part in parts
    ]
    return shaped[0] if len(shaped) == 1 else stacked(shaped)


def _filled(cells: Cells, table: Table, settings: RecordsSettings) -> Cells:
    """Empty cells, and marks for it, replaced by what stands above in the same sheet."""
    names = set(settings.same_as_above.get(table.name, ())) & set(cells.header)
    if not names or not len(cells.rows):
        return cells
    total = is_total(cells)
    columns = list(cells.columns)
    marks = cells.marks
    for at, name in enumerate(cells.header):
        if name not in names:
            continue
        codes, texts = texts_of(columns[at])
        says = np.array([not clean(t) or clean(t).casefold() in AS_ABOVE for t in texts] + [True])
        given = np.where(says[codes] | total, -1, np.arange(len(codes)))
        above = np.maximum.accumulate(given)
        filled = np.where(total, codes, np.where(above < 0, codes, codes[above]))
        columns[at] = from_codes(filled, np.array([*texts], dtype=object))
        # A date that is merged down its rows says the same.
        marks = tuple(m for m in marks if (m.rule, m.position) != ("merged cells", at))
    return replace(cells, columns=tuple(columns), marks=marks)


def _a_row_a_dog(cells: Cells, table: Table, settings: RecordsSettings) -> Cells:
    """A row for each dog that has a result in the row of a hide; one where none has."""
    dogs = [d for d in settings.dog_columns.get(table.name, ()) if d in cells.header]
    if not dogs:
        return cells
    at = {dog: cells.header.index(dog) for dog in dogs}
    said = {dog: _texts(cells.columns[position]) for dog, position in at.items()}
    runs: list[tuple[int, str | None]] = []
    for row in range(len(cells.rows)):
        ran = [dog for dog in dogs if said[dog][row].casefold() not in {"", *NOTHING}]
        runs += [(row, dog) for dog in ran] or [(row, None)]
    rows = np.array([row for row, _ in runs], dtype=int)
    first = np.r_[True, rows[1:] != rows[:-1]] if len(rows) else np.zeros(0, dtype=bool)
    kept = [i for i in range(len(cells.header)) if i not in at.values()]
    columns = [from_codes(codes[rows], np.array([*texts, None], dtype=object)[:-1])
               for codes, texts in (texts_of(cells.columns[i]) for i in kept)]  # fmt: skip
    results = [None if dog is None else said[dog][row] for row, dog in runs]
    added = {"dog_id": [dog for _, dog in runs], "result": results}
    names = [cells.header[i] for i in kept]
    for ours, values in added.items():
        names.append(settings.name_of(table.name, ours))
        columns.append(categories_of(pd.Series(values, dtype=object)))
    moved = {old: new for new, old in enumerate(kept)}
    return replace(
        cells,
        header=tuple(names),
        columns=tuple(columns),
        rows=cells.rows[rows],
        marks=tuple(
            m if m.position is None else replace(m, position=moved[m.position])
            for m in cells.marks
            if m.position is None or m.position in moved
        ),
        # Trials of one row, each with a place of its own in what is told and counted.
        files=np.array(
            [
                cells.file if one or dog is None else f"{cells.file} ({dog})"
                for (_, dog), one in zip(runs, first, strict=True)
            ],
            dtype=object,
        ),
    )


def _joined(cells: Cells, table: Table, settings: RecordsSettings) -> Cells:
    """Columns that are one of ours together, as one, named after all of them."""
    mapped = settings.columns.get(table.name, {})
    ticked = set(settings.ticked.get(table.name, ()))
    several = {
        ours: names
        for ours, names in mapped.items()
        if len(names) > 1 or (set(names) <= ticked and table.column(ours).words)
    }
    cells = _counted(cells, table, settings, ticked)
    if not several:
        return cells
    alone = {names[0] for ours, names in mapped.items() if ours not in several}
    taken: set[str] = set()
    of_first: dict[int, int] = {}
    header, columns = list(cells.header), list(cells.columns)
    marks = list(cells.marks)
    for ours, names in several.items():
        at = [cells.header.index(name) for name in names if name in cells.header]
        if not at:
            continue
        texts = [_texts(cells.columns[i]) for i in at]
        if table.column(ours).type == "time":
            values = [_date_and_time(row) for row in zip(*texts, strict=True)]
        elif set(names) <= ticked:
            headings = [cells.header[i] for i in at]
            values = [_ticked(row, headings) for row in zip(*texts, strict=True)]
        else:
            values = [_first(row) for row in zip(*texts, strict=True)]
        of_first[len(header)] = at[0]
        header.append(settings.name_of(table.name, ours))
        columns.append(categories_of(pd.Series(values, dtype=object)))
        marks += [replace(m, position=len(header) - 1) for m in cells.marks if m.position in at]
        taken |= set(names) - alone
    given = len(cells.header)
    keep = [i for i, name in enumerate(header) if i >= given or name not in taken]
    keep.sort(key=lambda i: of_first.get(i, i))  # where its first part stood
    moved = {old: new for new, old in enumerate(keep)}
    kept = [m if m.position is None else replace(m, position=moved[m.position])
            for m in marks if m.position is None or m.position in moved]  # fmt: skip
    return replace(
        cells,
        header=tuple(header[i] for i in keep),
        columns=tuple(columns[i] for i in keep),
        marks=tuple(kept),
    )


def _counted(cells: Cells, table: Table, settings: RecordsSettings, ticked: set[str]) -> Cells:
    """Marks of a column that is a count of ours as numbers: 1, and 0 where there is none."""
    columns = list(cells.columns)
    for ours, names in settings.columns.get(table.name, {}).items():
        if len(names) > 1 or table.column(ours).type != "count" or names[0] not in ticked:
            continue
        for at in [i for i, name in enumerate(cells.header) if name == names[0]]:
            texts = _texts(columns[at])
            plain = ["1" if is_mark(t) and not t.isdecimal() else t or "0" for t in texts]
            columns[at] = categories_of(pd.Series(plain, dtype=object))
    return replace(cells, columns=tuple(columns))


def _first(texts: Sequence[str]) -> str:
    """The first text that says something, else the first there is."""
    said = (text for text in texts if text and text.casefold() not in NOTHING)
    return next(said, next(filter(None, texts), ""))


def is_mark(text: str) -> bool:
    """Whether a cell has a mark in it, or a number above 0.

    >>> [is_mark(text) for text in ("x", "✓", "2", "0", "", "maybe")]
    [True, True, True, False, False, False]
    """
    return text.casefold() in MARKS or (text.isdecimal() and int(text) > 0)


def _ticked(texts: Sequence[str], headings: Sequence[str]) -> str:
    """The headings of the cells that are marked; what is no mark stands as it is."""
    said = [
        heading if is_mark(text) else text
        for text, heading in zip(texts, headings, strict=True)
        if is_mark(text) or text.casefold() not in NO_MARKS
    ]
    return BOTH.join(said)


def _in_two_moves(cells: Cells, table: Table, settings: RecordsSettings) -> Cells:
    """A row that tells when a source was taken out and when it came back, as two moves of it."""
    back = settings.name_of(table.name, "moved_back_at")
    if table.name != "storage" or back not in cells.header:
        return cells
    when, to = (settings.name_of(table.name, name) for name in ("moved_at", "moved_to"))
    if when not in cells.header:
        return cells
    returned = _texts(cells.columns[cells.header.index(back)])
    if not any(returned):
        return cells  # a column of the blank workbook that nobody used
    left = _texts(cells.columns[cells.header.index(when)])
    # Of a row that tells when it went in and when it came out again, the second is the earlier.
    of_time = table.column("moved_at")
    gone, home = (
        read_column(of_time, cells.columns[cells.header.index(name)], settings, table.name).series
        for name in (when, back)
    )
    earlier = (home < gone).to_numpy()
    moves = [
        (row, again)
        for row in range(len(returned))
        for again in ((True, False) if earlier[row] else (False, True))
        if (returned[row] if again else left[row] or not returned[row])
    ]
    twice = np.array([row for row, _ in moves], dtype=int)
    second = np.array([again for _, again in moves], dtype=bool)
    header, columns = [], []
    for name, column in zip(cells.header, cells.columns, strict=True):
        if name == to:
            continue
        codes, texts = texts_of(column)
        taken = [texts[code] if code >= 0 else None for code in codes[twice].tolist()]
        if name == back:  # said by the second move
            taken = [None] * len(taken)
        if name == when:
            pairs = zip(twice.tolist(), second.tolist(), taken, strict=True)
            taken = [returned[row] if again else text for row, again, text in pairs]
        header.append(name)
        columns.append(categories_of(pd.Series(taken, dtype=object)))
    out = ["ambient"] * len(returned)
    if to in cells.header:
        out = _texts(cells.columns[cells.header.index(to)])
    moved = [BACK if again else out[row] for row, again in zip(twice, second, strict=True)]
    header.append(to)
    columns.append(categories_of(pd.Series(moved, dtype=object)))
    place = {name: at for at, name in enumerate(header)}
    kept = [
        m if m.position is None else replace(m, position=place[cells.header[m.position]])
        for m in cells.marks
        if m.position is None or cells.header[m.position] in place
    ]
    return replace(
        cells,
        header=tuple(header),
        columns=tuple(columns),
        rows=cells.rows[twice],
        marks=tuple(kept),
        # Two moves of one row, each with a place of its own in what is told and counted.
        files=np.array(
            [f"{cells.file}{' (put back)' if again else ''}" for again in second], dtype=object
        ),
    )


def _texts(column: pd.Series[Any]) -> list[str]:
    codes, texts = texts_of(column)
    return [clean(texts[code]) if code >= 0 else "" for code in codes.tolist()]


def _date_and_time(parts: Sequence[str]) -> str:
    """A date and a time of day as one text; as they stand where the second is no time of day."""
    date, *rest = parts
    time = next(filter(None, rest), "")
    if not date or not time:
        return date
    # A spreadsheet may hold a time as one of its own first day, and a date with no time as 00:00.
    date = re.sub(r"[ T]00:00(:00)?$", "", date)
    clock = clock_of(time.rpartition(" ")[2] if re.match(r"1(899|900)-\d\d-\d\d ", time) else time)
    return f"{date} {clock or time}"


def is_total(cells: Cells) -> Array:
    """Rows whose first filled cell says that they add up the others, shape (n,)."""
    total = np.zeros(len(cells.rows), dtype=bool)
    before = np.zeros(len(cells.rows), dtype=bool)
    for column in cells.columns:
        filled = column.notna().to_numpy()
        if isinstance(column.dtype, pd.CategoricalDtype):
            texts = [clean(text).rstrip(":") for text in column.cat.categories]
            # The last is for a cell without anything in it, of code -1.
            says = np.array([*(bool(_TOTAL.fullmatch(t)) for t in texts), False])[column.cat.codes]
            filled = np.array([*(bool(text) for text in texts), False])[column.cat.codes]
            total |= says & ~before
        before |= filled
    return total


def stacked(parts: Sequence[Cells]) -> Cells:
    """The rows of several sheets below each other, columns matched by their names.

    Parameters
    ----------
    parts
        At least one, of one table.
    """
    names: list[tuple[str, int]] = []  # a name, and which of its columns it is
    of_part = []
    for part in parts:
        seen: dict[str, int] = {}
        mine = []
        for name in part.header:
            seen[name] = seen.get(name, 0) + 1
            mine.append((name, seen[name]))
        of_part.append(mine)
        names += [key for key in mine if key not in names]
    columns = []
    for key in names:
        cells: list[str | None] = []
        for part, mine in zip(parts, of_part, strict=True):
            if key not in mine:
                cells += [None] * len(part.rows)
                continue
            codes, texts = texts_of(part.columns[mine.index(key)])
            cells += [texts[code] if code >= 0 else None for code in codes.tolist()]
        columns.append(categories_of(pd.Series(cells, dtype=object)))
    marks: list[Mark] = []
    for part, mine in zip(parts, of_part, strict=True):
        for mark in part.marks:
            at = None if mark.position is None else names.index(mine[mark.position])
            marks.append(replace(mark, position=at, file=part.file))
    return Cells(
        name=parts[0].name,
        file=" and ".join(part.file for part in parts),
        header=tuple(name for name, _ in names),
        columns=tuple(columns),
        rows=np.concatenate([part.rows for part in parts]),
        marks=tuple(marks),
        header_row=parts[0].header_row,
        files=np.concatenate(
            [
                np.full(len(p.rows), p.file, dtype=object) if p.files is None else p.files
                for p in parts
            ]
        ),
    )
