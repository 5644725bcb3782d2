"""Which of the unit's columns and files are likely ours; only ever used to suggest."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from rapidfuzz import fuzz

from outcomes.records.columns import OTHER_NAMES, TABLES, Table
from outcomes.records.reading.cells import ROWS_SEARCHED, Cells
from outcomes.records.reading.spelling import pieces_of

LEAST_LIKENESS = 72.0
# Words of a question, which headings of forms are ("Which source was used?").
_ASKING = frozenset(
    (
        *("the", "was", "were", "is", "are", "did", "does", "do", "a", "an", "it", "its", "your"),
        *("please", "any", "which", "how", "s", "at", "this"),
    )
)
SHORT = 5  # letters of a word that is known by its first one too
MOST_OF_TITLE = 2  # cells of a row that is a title or a remark above the column names
LEAST_OF_HEADER = 0.6  # of the cells of the widest row, those of the column names
LEAST_NEEDED = 0.6  # share of its needed columns by which a table is known


def likely_columns(table: Table, absent: Sequence[str], free: Sequence[str]) -> dict[str, str]:
    """For our columns that are absent, the unplaced column most like each.

    Parameters
    ----------
    table
        The table they belong to.
    absent
        Our names without a column.
    free
        The unit's columns without a place.

    Returns
    -------
    dict
        Our name → the unit's; each column once, only where they are alike.
    """
    scores = sorted(
        (
            (-_likeness(ours, theirs), not table.column(ours).needed, ours, theirs)
            for ours in absent
            for theirs in dict.fromkeys(free)
        ),
    )
    likely: dict[str, str] = {}
    for score, _, ours, theirs in scores:
        if -score < LEAST_LIKENESS:
            break
        if ours not in likely and theirs not in likely.values():
            likely[ours] = theirs
    return likely


def _likeness(ours: str, theirs: str) -> float:
    text = plain_name(theirs)
    if not text:
        return 0.0
    names = (ours.replace("_", " "), *OTHER_NAMES.get(ours, ()))
    bare = " ".join(word for word in text.split() if word not in _ASKING)
    return max(_alike(form, name) for form in {text, bare} - {""} for name in names)


def _alike(one: str, other: str) -> float:
    # Of short words a letter makes another one: "find" is no "kind".
    if max(len(one), len(other)) <= SHORT and one[0] != other[0]:
        return 0.0
    return fuzz.ratio(one, other)


def plain_name(name: str) -> str:
    """A column name without units, case, punctuation and run-together words."""
    name = re.sub(r"[(\[].*?[)\]]", " ", name)
    name = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return " ".join(re.findall(r"[^\W_]+", name.casefold()))


def tables_by_columns(header: Sequence[str]) -> dict[str, int]:
    """The tables that these could be the columns of, and how many of theirs are there.

    Parameters
    ----------
    header
        The unit's column names.

    Returns
    -------
    dict
        Table → columns found, for the tables that every unit has; only where the
        column that tells the table is among them, and most of those it needs.
    """
    found = {}
    for name, table in TABLES.items():
        if table.told_by is None:
            continue
        needed = [column.name for column in table.columns if column.needed]
        likely = likely_columns(table, needed, header)
        if table.told_by in likely and len(likely) >= LEAST_NEEDED * len(needed):
            found[name] = len(likely_columns(table, table.names, header))
    return found


def likely_tables(
    wanted: Sequence[str],
    names: Sequence[str],
    by_columns: Mapping[str, Mapping[str, int]] | None = None,
) -> dict[str, str]:
    """For tables that are missing, the file or sheet name most like each.

    A name that holds the table's own comes first; of several, and of none, the
    columns decide; where they say nothing, the likeness of the names does.

    Parameters
    ----------
    wanted
        Tables without a file or sheet of their name.
    names
        Files or sheets that are no table by name.
    by_columns
        Name → the tables its columns could be those of, and how many they are.

    Returns
    -------
    dict
        Table → name; each name once, only where they are alike, and none for a
        table of which two names are as likely.
    """
    scores: dict[tuple[str, str], tuple[bool, int, float]] = {}
    for name in names:
        columns = (by_columns or {}).get(name, {})
        for table in wanted:
            named = table in name.casefold()
            likeness = _table_likeness(table, name)
            # By its name alone a file is not taken for a table that its columns are not of.
            if named or table in columns or (likeness >= 80 and not columns):
                scores[table, name] = (named, columns.get(table, 0), likeness)
    likely: dict[str, str] = {}
    settled: set[str] = set()
    for table, name in sorted(scores, key=lambda pair: (*(-x for x in scores[pair]), *pair)):
        if table in settled or name in likely.values():
            continue
        settled.add(table)
        rivals = [
            other
            for other in names
            if other not in likely.values() and scores.get((table, other)) == scores[table, name]
        ]
        if len(rivals) == 1:
            likely[table] = name
    return likely


def _table_likeness(table: str, name: str) -> float:
    pieces = [piece for piece in pieces_of(name) if not piece.isdecimal()]
    whole = " ".join(pieces)
    scores = [fuzz.ratio(whole, known) for known in TABLES[table].other_names]
    # The first word that names a table outweighs likeness: "Storage log", "trials (old)".
    scores += [
        100.0 - at / 10 if " " not in known else 100.0
        for known in TABLES[table].other_names
        for at, piece in enumerate(pieces)
        if piece == known or (" " in known and known in whole)
    ]
    return max(scores, default=0.0)


def find_header(lines: Sequence[Sequence[str]], names: set[str]) -> int:
    """Position of the one row that holds most of the names, two at least; the first otherwise.

    >>> find_header([["Log 2025"], [], ["Date", "Dog"], ["Ash", "Dog"]], {"Date", "Dog"})
    2
    """
    found = [len({cell.strip() for cell in line} & names) for line in lines]
    best = max(found, default=0)
    return found.index(best) if best >= 2 and found.count(best) == 1 else 0


def guess_header(lines: Sequence[Sequence[str]], table: Table) -> int:
    """Position of the row with most cells that are like our names, three at least.

    Where none has so many: of the first row that is wider than a title above it; else 0.
    """
    alike = []
    for line in lines:
        texts = [cell.strip() for cell in line if re.search(r"[^\W\d]", cell)]
        alike.append(len(likely_columns(table, table.names, texts)))
    best = max(alike, default=0)
    if best >= 3:
        return alike.index(best) if alike[0] < best else 0
    return _below_title(lines)


def _below_title(lines: Sequence[Sequence[str]]) -> int:
    """Position of the first row of words alone, all different, below rows of few cells.

    >>> _below_title([["Freezer log"], [], ["Jar", "Into freezer", "Out"], ["A", "3 May", ""]])
    2
    >>> _below_title([["Jar", "Into freezer", "Out"], ["A", "3 May", ""]])
    0
    """
    filled = [[cell.strip() for cell in line if cell.strip()] for line in lines]
    widest = max(map(len, filled), default=0)
    for at, cells in enumerate(filled):
        if len(cells) <= MOST_OF_TITLE:
            continue
        words = all(re.search(r"[^\W\d_]", cell) for cell in cells)
        wide = len(cells) >= LEAST_OF_HEADER * widest
        return at if words and wide and len(set(cells)) == len(cells) else 0
    return 0


def buried_header(cells: Cells, table: Table) -> int | None:
    """The row among the first few that holds names like ours, where the column names do not.

    Three will do, where no more than one of the column names is like one of ours.
    """
    if len(likely_columns(table, table.names, cells.header)) > 1:
        return None
    lines: dict[int, set[str]] = {int(row): set(line) for row, line in cells.top}
    for position in range(min(len(cells.rows), ROWS_SEARCHED)):
        line = {str(column.iloc[position]).strip() for column in cells.columns}
        lines.setdefault(int(cells.rows[position]), set()).update(line)
    for line in lines.values():
        line |= {part.strip('" ') for cell in line for part in re.split("[,;\t]", cell)}
    for row, line in lines.items():
        texts = [cell for cell in sorted(line) if re.search(r"[^\W\d]", cell)]
        if len(likely_columns(table, table.names, texts)) >= 3:
            return row
    return None
