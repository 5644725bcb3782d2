"""A ``unit.toml`` to start from, guessed from the records; people decide, nothing is applied."""

from __future__ import annotations

import contextlib
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.records.checking.findings import quoted
from outcomes.records.columns import TABLES, Column, Table
from outcomes.records.reading.cells import CannotReadError, Cells, Place, clean, texts_of
from outcomes.records.reading.files import find_tables, load_table
from outcomes.records.reading.mapping import buried_header, likely_columns
from outcomes.records.reading.spelling import fold
from outcomes.records.reading.units import UNITS, unit_in_heading, unit_is_said
from outcomes.records.reading.values import read_column
from outcomes.records.reading.words import NO_SOURCE, NOTHING, likely_word
from outcomes.records.unit_file import load_settings, sections_of, settings_path
from outcomes.settings import RecordsSettings

MOST_WORDS = 12
MOST_COLUMNS = 8
# What a dog did, which is a miss where there was a source and right where there was none.
_NO_ALERT = frozenset(map(fold, ("no alert", "negative", "no indication", "no response")))
_TWO_MEANINGS = "with a source a miss, without one clear: write two words in the records"


def suggest_settings(
    path: str | Path,
    settings: RecordsSettings | None = None,
    sections: frozenset[str] | None = None,
) -> str:
    """The lines of a ``unit.toml`` to start from, or to add to the one there is.

    Parameters
    ----------
    path
        The records, as for :func:`~outcomes.records.read.read_records`.
    settings
        What the unit has said already; None for the ``unit.toml`` beside the records.
    sections
        Sections that the file has already, whose names are not given again;
        None for those of the ``unit.toml`` beside the records.

    Returns
    -------
    str
        Valid TOML with a guess for each of the unit's tables, columns and words
        that has no place yet. What is only possible, and what is needed and
        could not be guessed, is commented out. Empty where nothing needs to be
        said.

    Raises
    ------
    UsageError
        If there are no records at ``path``.
    SettingsError
        If ``unit.toml`` cannot be used.
    """
    path = Path(path)
    known = load_settings(path).records if settings is None else settings
    if sections is None:
        sections = sections_of(settings_path(path))
    lines = _Lines({}, set())
    loaded = _loaded(path, known)
    for name, place, cells in loaded:
        if place is not None:
            lines.add("tables", f"{name} = {quoted(place.sheet or place.path.stem)}")
        if cells is not None and not _names_lower(cells, TABLES[name], known):
            _suggest_of_table(cells, TABLES[name], known, lines)
    _suggest_names({name: cells for name, _, cells in loaded if cells is not None}, known, lines)
    return _toml(lines, sections)


@dataclass(frozen=True, slots=True)
class _Lines:
    """Lines by section (the top of the file has no name), and the date orders seen."""

    sections: dict[str, list[str]]
    orders: set[str]

    def add(self, section: str, line: str) -> None:
        lines = self.sections.setdefault(section, [])
        if line not in lines:
            lines.append(line)


def _names_lower(cells: Cells, table: Table, known: RecordsSettings) -> bool:
    """Whether the names of the columns stand lower than row 1, which then has none to map."""
    mapped = known.columns.get(table.name, {})
    names = {mapped.get(name, name) for name in table.names}
    return not _placed(cells, table, known)[0] and buried_header(cells, table, names) is not None


def _suggest_of_table(cells: Cells, table: Table, known: RecordsSettings, lines: _Lines) -> None:
    placed, guessed = _placed(cells, table, known)
    mapped = known.columns.get(table.name, {})
    section = f"columns.{table.name}"
    for ours in (name for name in table.names if name in guessed):
        lines.add(section, f"{ours} = {quoted(guessed[ours])}")
    free = [name for name in cells.header if name not in (placed | guessed).values() and name]
    offered = ", ".join(quoted(name) for name in free[:MOST_COLUMNS])
    for column in table.columns:
        if column.needed and column.name not in placed | guessed and column.name not in mapped:
            meaning = column.meaning.split(";")[0].rstrip(".").lower()
            which = f"; one of {offered}?" if free else ""
            lines.add(section, f'# {column.name} = ""  # needed: {meaning}{which}')
    for ours, theirs in (placed | guessed).items():
        column = table.column(ours)
        raw = cells.columns[cells.header.index(theirs)]
        texts = [clean(text) for text in texts_of(raw)[1]]
        rules = read_column(column, raw, known, table.name).rules
        if column.words:
            hides = _share_on_hides(cells, placed | guessed) if ours == "result" else {}
            for line in _word_lines(column, texts, known, hides):
                lines.add(f"words.{ours}", line)
        for line in _blank_lines(column, table, texts, known):
            lines.add(f"words.{ours}", line)
        if "date ambiguous" in rules:
            lines.add("", "date order")
        if column.type == "time" and known.date_order is None:
            orders = _orders(texts)
            # A column of both orders has none, and says nothing of the others'.
            lines.orders.update(orders if len(orders) == 1 else ())
        if "comma in a number" in rules:
            lines.add("", 'decimal = ","')
        for home, line in _unit_lines(column, table, theirs, texts, rules, known):
            lines.add(home, line)


# Where the names of a column are listed, and where they are used.
_LISTED: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "source_id": ("sources", ("storage", "trials", "readings")),
    "dog_id": ("dogs", ("trials",)),
}


def _suggest_names(tables: Mapping[str, Cells], known: RecordsSettings, lines: _Lines) -> None:
    """A line for each name that differs from a listed one in case, spaces and the like alone."""

    def names(table: str, column: str) -> list[str]:
        cells = tables.get(table)
        placed, guessed = ({}, {}) if cells is None else _placed(cells, TABLES[table], known)
        theirs = (placed | guessed).get(column)
        if cells is None or theirs is None:
            return []
        texts = map(clean, texts_of(cells.columns[cells.header.index(theirs)])[1])
        return list(dict.fromkeys(filter(None, texts)))

    for column, (home, users) in _LISTED.items():
        listed = defaultdict(list)
        for name in names(home, column):
            listed[fold(name)].append(name)
        said = {clean(word).casefold() for word in known.words.get(column, {})}
        used = dict.fromkeys(name for table in users for name in names(table, column))
        for name in used:
            same = listed.get(fold(name), [])
            # Two listed names that are alike could each be meant.
            if len(same) == 1 and name != same[0] and name.casefold() not in said:
                said.add(name.casefold())
                lines.add(f"words.{column}", f"{quoted(name)} = {quoted(same[0])}")


def _toml(lines: _Lines, sections: frozenset[str]) -> str:
    """The lines under their sections, in the order a file has them."""
    order = [*(f"columns.{name}" for name in TABLES), "units"]
    order += [f"units.{name}" for name in TABLES]
    rank = {name: at for at, name in enumerate(("", "tables", *order))}
    blocks = []
    for name in sorted(lines.sections, key=lambda name: (rank.get(name, len(rank)), name)):
        block = list(lines.sections[name])
        if not name:
            block = [_order_line(lines.orders) if line == "date order" else line for line in block]
            block = [*(["# at the top, above the first [section]:"] if sections else []), *block]
        elif name in sections:
            block = [f"# under [{name}], which is there already:", *block]
        else:
            block = [f"[{name}]{_SECTION_NOTES.get(name.partition('.')[0], '')}", *block]
        blocks.append("\n".join(block))
    return "".join(f"{block}\n" for block in "\n\n".join(blocks).splitlines())


_SECTION_NOTES: Mapping[str, str] = {
    "tables": "  # our name = your file's or sheet's name",
    "columns": "  # our name = your name",
    "words": "  # your word = our word",
    "units": "  # the unit a column is written in",
}


def _order_line(orders: set[str]) -> str:
    if len(orders) == 1:
        return f"date_order = {quoted(min(orders))}"
    return '# date_order = "day first"  # or "month first"'


def _loaded(path: Path, known: RecordsSettings) -> list[tuple[str, Place | None, Cells | None]]:
    """Each table: its name, its place if that has another name, and its cells if they read."""
    loaded: list[tuple[str, Place | None, Cells | None]] = []
    try:
        places = find_tables(path, known.tables)
    except CannotReadError:
        return []
    for name, found in places.found.items():
        likely = None if found or name in known.tables else places.likely.get(name)
        place = found[0] if found else likely
        if place is None:
            continue
        cells = None
        with contextlib.suppress(CannotReadError):  # examine_records says what is wrong with it
            cells = load_table(place)
        loaded.append((name, likely, cells))
    return loaded


def _placed(
    cells: Cells, table: Table, settings: RecordsSettings
) -> tuple[dict[str, str], dict[str, str]]:
    mapped = settings.columns.get(table.name, {})
    placed = {
        name: mapped.get(name, name)
        for name in table.names
        if mapped.get(name, name) in cells.header
    }
    absent = [name for name in table.names if name not in placed]
    free = [name for name in cells.header if name and name not in placed.values()]
    return placed, likely_columns(table, absent, free)


def _share_on_hides(cells: Cells, names: Mapping[str, str]) -> dict[str, float]:
    """Result as written → share of its trials that name a source; empty without both columns."""
    if "result" not in names or "source_id" not in names:
        return {}
    written, results = texts_of(cells.columns[cells.header.index(names["result"])])
    source, sources = texts_of(cells.columns[cells.header.index(names["source_id"])])
    nobody = {"", *NOTHING, *NO_SOURCE}
    # The last is for a cell without anything in it, of code -1.
    named = np.array([*(clean(text).casefold() not in nobody for text in sources), False])[source]
    words = np.array([*(clean(text) for text in results), ""], dtype=object)[written]
    shares = pd.Series(named.astype(float)).groupby(words).mean()
    return {str(word): float(share) for word, share in shares.items()}


def _word_lines(
    column: Column, texts: Sequence[str], settings: RecordsSettings, on_hides: Mapping[str, float]
) -> list[str]:
    said = {clean(word).casefold() for word in settings.words.get(column.name, {})}
    ours = {*column.words, *(("true", "false") if column.type == "yes or no" else ())}
    unknown = sorted(
        {t for t in texts if t and t.casefold() not in ours and t.casefold() not in said}
    )
    lines = []
    for text in unknown[:MOST_WORDS]:
        guess = likely_word(column, text)
        if column.name == "result" and fold(text) in _NO_ALERT:
            # The word alone does not tell a miss from a blank area rightly left alone.
            share = on_hides.get(text, 0.5)
            if 0.0 < share < 1.0:
                lines.append(f'# {quoted(text[:60])} = ""  # {_TWO_MEANINGS}')
                continue
            guess = "miss" if share == 1.0 else "clear"
        if guess is None:
            choices = ", ".join(column.words)
            lines.append(f'# {quoted(text[:60])} = ""  # one of: {choices}')
        else:
            lines.append(f"{quoted(text)} = {quoted(guess)}")
    if len(unknown) > MOST_WORDS:
        lines.append(f"# and {len(unknown) - MOST_WORDS} more words")
    return lines


def _orders(texts: Sequence[str]) -> set[str]:
    """Orders that some date of the column can only be read in."""
    pairs = [re.match(r"(\d{1,2})[/.\-](\d{1,2})[/.\-]\d{2,4}\b", text) for text in texts]
    numbers = np.array([(int(m[1]), int(m[2])) for m in pairs if m]).reshape(-1, 2)
    orders = set()
    if (numbers[:, 0] > 12).any():
        orders.add("day first")
    if (numbers[:, 1] > 12).any():
        orders.add("month first")
    return orders


def _unit_lines(
    column: Column,
    table: Table,
    theirs: str,
    texts: Sequence[str],
    rules: Sequence[str],
    settings: RecordsSettings,
) -> list[tuple[str, str]]:
    """Sections and lines for the unit a column seems to be written in."""
    if column.name not in UNITS or unit_is_said(column, settings, table.name):
        return []
    unit = unit_in_heading(column, theirs)
    if unit is not None:
        return [(f"units.{table.name}", f"{column.name} = {quoted(unit)}")]
    if "impossible temperature" in rules and _mostly_fahrenheit(column, texts):
        return [(f"units.{table.name}", f'{column.name} = "F"')]
    if "clock times among numbers" in rules:
        return [("units", f'# {column.name} = "mm:ss"  # once every cell is written as 1:30')]
    if "minutes and seconds" in rules:
        return [("units", f'{column.name} = "mm:ss"')]
    return []


def _mostly_fahrenheit(column: Column, texts: Sequence[str]) -> bool:
    numbers = pd.to_numeric(pd.Series(texts, dtype=object), errors="coerce").dropna()
    low, high = column.low or 0.0, column.high or 0.0
    beyond = ~numbers.between(low, high)
    as_celsius = ((numbers - 32) / 1.8).between(low, high)
    return bool(len(numbers)) and bool((beyond & as_celsius).mean() >= 0.5)


def _blank_lines(
    column: Column, table: Table, texts: Sequence[str], settings: RecordsSettings
) -> list[str]:
    """Words that units write where nothing is known, or where there is no source."""
    said = {clean(word).casefold() for word in settings.words.get(column.name, {})}
    blank = set(NOTHING)
    if table.name == "trials" and column.name == "source_id":
        blank |= NO_SOURCE
    elif column.type in ("id", "text") or column.words or (column.needed and not column.side):
        return []
    found = {text.casefold() for text in texts if text} & blank - said
    return [f'{quoted(text)} = ""  # an empty cell' for text in sorted(found)]
