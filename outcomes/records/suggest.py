"""A ``unit.toml`` to start from, guessed from the records and tried on them; people decide."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import SettingsError
from outcomes.records.checking.findings import quoted
from outcomes.records.columns import TABLES, Column, Table
from outcomes.records.reading.cells import Cells, clean, texts_of
from outcomes.records.reading.fold import LABELS, bare_label, fold_label, spellings_to_join
from outcomes.records.reading.gather import is_total
from outcomes.records.reading.times import WEEKDAY
from outcomes.records.reading.units import UNITS, unit_in_heading, unit_is_said
from outcomes.records.reading.values import read_column
from outcomes.records.reading.words import (
    NO_SOURCE,
    NOTHING,
    guess_word,
    says_no_source,
)
from outcomes.records.structure import guess_structure
from outcomes.records.suggest_words import (
    FEWEST_BLANKS,
    blank_lines,
    no_mark_lines,
    share_on_hides,
    vague_lines,
    word_lines,
)
from outcomes.records.table_guess import TableGuess
from outcomes.records.unit_file import load_settings, sections_of, settings_of, settings_path
from outcomes.settings import RecordsSettings

MOST_COLUMNS = 8
JOINS_SHOWN = 3
GOOD_SHARE = 0.97


@dataclass(frozen=True, slots=True)
class Line:
    """One guess: where it stands, what it says, and why; a comment where it is left open."""

    section: str
    text: str
    ground: str = ""

    @property
    def open(self) -> bool:
        """Whether a person has to fill it in."""
        return self.text.startswith("#")

    def shown(self) -> str:
        """The line of the file."""
        return f"{self.text}  # {self.ground}" if self.ground else self.text


@dataclass(frozen=True, slots=True)
class Draft:
    """A whole proposal for ``unit.toml``.

    Attributes
    ----------
    text
        Valid TOML: a line a guess with its ground; empty where nothing needs to be said.
    usable, trials
        Trials that can be used with it as it is, of so many handed over; None where it
        was not tried.
    left_open
        Lines that a person has to fill in or decide.
    """

    text: str
    usable: int | None
    trials: int | None
    left_open: int


@dataclass(slots=True)
class _Lines:
    lines: list[Line] = field(default_factory=list)
    orders: set[str] = field(default_factory=set)

    def add(self, section: str, text: str, ground: str = "") -> None:
        if all((line.section, line.text) != (section, text) for line in self.lines):
            self.lines.append(Line(section, text, ground))


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
        that has no place yet, each with its ground. What is only possible, and what is
        needed and could not be guessed, is commented out. Empty where nothing needs to
        be said.

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
    return _toml(_suggested(path, known), sections)


def draft_settings(
    path: str | Path, usable: Callable[[RecordsSettings], tuple[int, int]], there: str = ""
) -> Draft:
    """A whole ``unit.toml``, tried on the records; a guess that loses trials is left open.

    Parameters
    ----------
    path
        The records; a ``unit.toml`` beside them is not looked at.
    usable
        Settings → usable trials, and trials handed over.
    there
        What the unit's file says already: all of it is kept, and only what is new is
        added to its sections.

    Returns
    -------
    Draft
        Its text is empty where there is nothing to add.

    Raises
    ------
    UsageError
        If there are no records at ``path``.
    SettingsError
        If what is there cannot be used, or no line can be added to it.
    """
    lines = _suggested(Path(path), settings_of(there).records, whole=not there.strip())
    if not lines:
        return Draft("", None, None, 0)

    def text_of(lines: Sequence[Line]) -> str:
        return _added_to(there, lines) if there.strip() else _toml(lines, frozenset())

    def tried(lines: Sequence[Line]) -> tuple[int, int]:
        return usable(settings_of(text_of(lines)).records)

    good, trials = tried(lines)
    # Where a column is missing that all rows need, no other line is at fault.
    missing = any(line.open and line.section.startswith("columns") for line in lines)
    if trials and good < GOOD_SHARE * trials and not missing:
        for at, line in enumerate(list(lines)):
            if line.open or line.section == "tables" or line.section.startswith("columns"):
                continue
            without = [*lines[:at], *lines[at + 1 :]]
            now = tried(without)[0]
            if now > good:
                ground = f"left open: with it {now - good:,} more trials could not be used"
                lines[at] = replace(line, text=f"# {line.text}", ground=ground)
                good = now
    left_open = sum(line.open for line in lines)
    return Draft(text_of(lines), good, trials, left_open)


_SECTION = re.compile(r"^\s*\[([^\[\]]+)\]\s*(#.*)?$")


def _join_told(one: str, other: str) -> str:
    """A spelling and the one it is read as; what cannot be seen is said."""
    seen, home = (
        "".join(c for c in text if unicodedata.category(c) not in ("Cf", "Cc"))
        for text in (one, other)
    )
    return f"{seen} is {home}" if seen != home else f"{seen} with hidden characters is {home}"


def _added_to(there: str, lines: Sequence[Line]) -> str:
    """What the file says, whole, with each new line at the end of its section.

    Raises
    ------
    SettingsError
        If what comes of it says less than before, or is no TOML.
    """
    blocks: list[tuple[str, list[str]]] = [("", [])]
    for row in there.splitlines():
        found = _SECTION.match(row)
        if found:
            blocks.append((re.sub(r"[\s\"']", "", found[1]), []))
        blocks[-1][1].append(row)
    sections = {name for name, _ in blocks}
    for name, rows in blocks:
        new = [line.shown() for line in lines if line.section == name]
        while new and rows and not rows[-1].strip():
            rows.pop()
        rows += [*new, ""] if new else []
    rest = [line for line in lines if line.section not in sections]
    rows = [row for _, rows in blocks for row in rows]
    while rows and not rows[-1].strip():
        rows.pop()
    text = "\n".join([*rows, ""]) + (f"\n{_toml(rest, frozenset())}" if rest else "")
    try:
        before, now = tomllib.loads(there), tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        before, now = {"": ""}, {}
    if not _holds(now, before):
        raise SettingsError(
            "unit.toml is written so that no line can be added to it. Write each section as "
            "[its name] on a line alone; or add the lines that outcomes check shows."
        )
    return text


def _holds(now: Mapping[str, Any], before: Mapping[str, Any]) -> bool:
    """Whether all that was said is still said, and the same."""
    return all(
        key in now
        and (
            _holds(now[key], value)
            if isinstance(value, Mapping) and isinstance(now[key], Mapping)
            else now[key] == value
        )
        for key, value in before.items()
    )


def _suggested(path: Path, known: RecordsSettings, *, whole: bool = False) -> list[Line]:
    """The lines there are to say; with ``whole`` those that only ask, too."""
    lines = _Lines()
    guesses, said = guess_structure(path, known)
    for name, guess in guesses.items():
        if not guess.named:
            names = [quoted(place.sheet or place.path.stem) for place in guess.places]
            text = names[0] if len(names) == 1 else f"[{', '.join(names)}]"
            lines.add("tables", f"{name} = {text}", "by its name and columns")
        _suggest_columns(TABLES[name], guess, known, lines)
    cells = {name: guess.cells for name, guess in guesses.items() if guess.cells is not None}
    for name, ground in _blank_words(cells, said).items():
        lines.add("words.source_id", f'{quoted(name)} = ""', ground)
        of_sources = {**said.words.get("source_id", {}), name: ""}
        said = replace(said, words={**said.words, "source_id": of_sources})
    for name, table in cells.items():
        _suggest_of_table(table, TABLES[name], said, lines, whole=whole)
    _suggest_folding(cells, said, lines)
    return [
        Line("", _order_line(lines.orders)) if line.text == "date order" else line
        for line in lines.lines
    ]


def _suggest_columns(table: Table, guess: TableGuess, known: RecordsSettings, out: _Lines) -> None:
    section = f"columns.{table.name}"
    for ours in (name for name in table.names if name in guess.columns):
        of = guess.columns[ours]
        names = [quoted(name) for name in of.names]
        text = names[0] if len(names) == 1 else f"[{', '.join(names)}]"
        out.add(section, f"{ours} = {text}", of.ground)
    if guess.same_as_above is not None:
        name, times = guess.same_as_above
        ground = f"{times:,} empty cells stand under a date: read as that date"
        out.add("same_as_above", f"{table.name} = [{quoted(name)}]", ground)
    if guess.ticked:
        names_ = ", ".join(map(quoted, guess.ticked))
        out.add("ticked", f"{table.name} = [{names_}]", "a mark there means the heading")
    if guess.dog_columns:
        names_ = ", ".join(map(quoted, guess.dog_columns))
        ground = "each holds the results of one dog"
        out.add("dog_columns", f"{table.name} = [{names_}]", ground)
    if guess.cells is None:
        return
    offered = ", ".join(quoted(name) for name in guess.free[:MOST_COLUMNS])
    for column in table.columns:
        if (
            column.needed
            and column.name not in guess.columns
            and column.name not in guess.cells.header
            and column.name not in known.columns.get(table.name, {})
            and not (column.name == "moved_to" and "moved_back_at" in guess.columns)
        ):
            meaning = column.meaning.split(";")[0].rstrip(".").lower()
            which = f"; one of {offered}?" if guess.free else ""
            out.add(section, f'# {column.name} = ""', f"needed: {meaning}{which}")


def _placed(cells: Cells, table: Table, settings: RecordsSettings) -> dict[str, str]:
    names = {name: settings.name_of(table.name, name) for name in table.names}
    return {ours: theirs for ours, theirs in names.items() if theirs in cells.header}


def _suggest_of_table(
    cells: Cells, table: Table, known: RecordsSettings, lines: _Lines, *, whole: bool
) -> None:
    placed = _placed(cells, table, known)
    rows = ~is_total(cells)
    for ours, theirs in placed.items():
        column = table.column(ours)
        raw = cells.columns[cells.header.index(theirs)]
        # Each of their texts once, but for those of rows that add up the others.
        texts = list(dict.fromkeys(_texts(raw[rows].reset_index(drop=True))))
        rules = read_column(column, raw, known, table.name).rules
        if column.words:
            hides = share_on_hides(cells, placed, known) if ours == "result" else {}
            for text, ground in word_lines(column, theirs, texts, known, hides):
                lines.add(f"words.{ours}", text, ground)
        other_lines = [
            *(no_mark_lines(cells, placed, table, known) if ours == "result" else ()),
            *(vague_lines(texts) if whole and column.may_be_vague else ()),
            *blank_lines(column, table, texts, known),
        ]
        for text, ground in other_lines:
            lines.add(f"words.{ours}", text, ground)
        if "date ambiguous" in rules:
            lines.add("", "date order")
        if column.type == "time" and known.date_order is None:
            orders = _orders(texts)
            # A column of both orders has none, and says nothing of the others'.
            lines.orders.update(orders if len(orders) == 1 else ())
        if "comma in a number" in rules:
            lines.add("", 'decimal = ","', "numbers such as 12,5")
        for home, text, ground in _unit_lines(column, table, theirs, texts, rules, known):
            lines.add(home, text, ground)


def _blank_words(tables: Mapping[str, Cells], known: RecordsSettings) -> dict[str, str]:
    """Words in the place of a source that seem to say that there was none, and why."""
    trials, listed = tables.get("trials"), tables.get("sources")
    if trials is None or listed is None:
        return {}
    at = _placed(trials, TABLES["trials"], known)
    of_list = _placed(listed, TABLES["sources"], known)
    if "source_id" not in at or "source_id" not in of_list:
        return {}
    column = listed.columns[listed.header.index(of_list["source_id"])]
    names = {fold_label(text) for text in _texts(column)}
    said = {clean(word).casefold() for word in known.words.get("source_id", {})}
    rows = ~is_total(trials)
    used = trials.columns[trials.header.index(at["source_id"])][rows].reset_index(drop=True)
    counts = Counter(t for t in _texts(used) if t and t.casefold() not in said)
    numbered = sum(any(map(str.isdigit, name)) for name in names) >= 0.8 * max(len(names), 1)
    found: dict[str, tuple[str, str]] = {}
    for text, times in counts.items():
        if fold_label(text) in names:
            continue
        if text.casefold() in NOTHING | NO_SOURCE:
            continue  # said with the other words of empty cells
        if text == "0" and times >= FEWEST_BLANKS:
            found.setdefault(text, (text, "the list has no source of that number"))
        elif says_no_source(text):
            found.setdefault(text.casefold(), (text, "an empty cell: no source was there"))
        elif (
            times >= FEWEST_BLANKS
            and numbered
            and not any(map(str.isdigit, text))
            and _only_on_blanks(trials, at, known, text)
        ):
            found.setdefault(text.casefold(), (text, "never with a find or a miss"))
    return dict(found.values())


def _only_on_blanks(
    trials: Cells, at: Mapping[str, str], known: RecordsSettings, label: str
) -> bool:
    """Whether the results beside a label are those of blank areas alone."""
    if "result" not in at:
        return False
    codes, texts = texts_of(trials.columns[trials.header.index(at["source_id"])])
    mine = np.array([*(clean(text).casefold() == label.casefold() for text in texts), False])[codes]
    beside = trials.columns[trials.header.index(at["result"])][mine].reset_index(drop=True)
    column = TABLES["trials"].column("result")
    words = {text for text in _texts(beside) if text}
    meant = {known.words.get("result", {}).get(w) or guess_word(column, w, "") for w in words}
    return bool(meant) and meant <= {"clear", "false alert"}


def _texts(cells: pd.Series[Any]) -> list[str]:
    """The text of every cell that is there."""
    codes, texts = texts_of(cells)
    seen = [clean(text) for text in texts]
    return [seen[code] for code in codes.tolist() if code >= 0]


def _suggest_folding(tables: Mapping[str, Cells], known: RecordsSettings, lines: _Lines) -> None:
    """One line for labels that differ in case, blanks, leading zeros or ``#`` alone."""

    def cells_of(table: str, column: str) -> list[str]:
        cells = tables.get(table)
        theirs = {} if cells is None else _placed(cells, TABLES[table], known)
        if cells is None or column not in theirs:
            return []
        said = {clean(word).casefold(): ours for word, ours in known.words.get(column, {}).items()}
        codes, texts = texts_of(cells.columns[cells.header.index(theirs[column])])
        seen = [clean(text) for text in texts]
        seen = [said.get(text.casefold(), text) for text in seen]
        nobody = NOTHING | NO_SOURCE
        return [
            seen[code]
            for code in codes.tolist()
            if code >= 0 and seen[code] and seen[code].casefold() not in nobody
        ]

    folded = []
    for label, (home, columns) in LABELS.items():
        if label in known.fold_labels:
            continue
        listed = cells_of(home, label) if home in ("sources", "dogs") else []
        used = [text for table in tables for column in columns for text in cells_of(table, column)]
        joined = spellings_to_join(list(dict.fromkeys(listed)), used)
        if joined:
            shown = [_join_told(*pair) for pair in sorted(joined.items())[:JOINS_SHOWN]]
            more = len(joined) - len(shown)
            told = ", ".join(shown) + (f" and {more:,} more" if more else "")
            bracketed = any(bare_label(one) != one for one in joined)
            told += ", without what stands in brackets" if bracketed else ""
            folded.append((label, told))
    if folded:
        names = ", ".join(quoted(label) for label, _ in folded)
        ground = "case, blanks, zeros and # tell nothing apart: " + "; ".join(t for _, t in folded)
        said = ", ".join(quoted(label) for label in known.fold_labels)
        open_ = f"# fold_labels = [{said}, {names}]" if said else f"fold_labels = [{names}]"
        lines.add("", open_, f"in place of the line there is; {ground}" if said else ground)


def _toml(lines: Sequence[Line], sections: frozenset[str]) -> str:
    """The lines under their sections, in the order a file has them."""
    order = [*(f"columns.{name}" for name in TABLES), "same_as_above", "ticked"]
    order += ["dog_columns", "units"]
    order += [f"units.{name}" for name in TABLES]
    rank = {name: at for at, name in enumerate(("", "tables", *order))}
    blocks = []
    homes = {line.section for line in lines}
    for name in sorted(homes, key=lambda name: (rank.get(name, len(rank)), name)):
        block = [line.shown() for line in lines if line.section == name]
        if not name:
            block = [*(["# at the top, above the first [section]:"] if sections else []), *block]
        elif name in sections:
            block = [f"# under [{name}], which is there already:", *block]
        else:
            block = [f"[{name}]{_SECTION_NOTES.get(name.partition('.')[0], '')}", *block]
        blocks.append("\n".join(block))
    return "".join(f"{block}\n" for block in "\n\n".join(blocks).splitlines())


_SECTION_NOTES: Mapping[str, str] = {
    "tables": "  # our name = your files' or sheets' names",
    "columns": "  # our name = your name",
    "same_as_above": "  # your columns in which an empty cell means what stands above",
    "dog_columns": "  # your columns that are each a dog's: a row a hide, a trial a cell",
    "ticked": "  # your columns in which a mark means their heading",
    "words": "  # your word = our word",
    "units": "  # the unit a column is written in",
}


def _order_line(orders: set[str]) -> str:
    if len(orders) == 1:
        return f"date_order = {quoted(min(orders))}  # some dates can only be read so"
    return '# date_order = "day first"  # or "month first"'


def _orders(texts: Sequence[str]) -> set[str]:
    """Orders that some date of the column can only be read in."""
    days = [WEEKDAY.sub("", text) for text in texts]
    pairs = [re.match(r"(\d{1,2})[/.\-](\d{1,2})[/.\-]\d{2,4}\b", text) for text in days]
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
) -> list[tuple[str, str, str]]:
    """Sections, lines and grounds for the unit a column seems to be written in."""
    if column.name not in UNITS or unit_is_said(column, settings, table.name):
        return []
    section = f"units.{table.name}"
    unit = unit_in_heading(column, theirs)
    if unit is not None:
        return [(section, f"{column.name} = {quoted(unit)}", "by the heading")]
    if column.name == "humidity_pct" and _all_fractions(texts):
        return [(section, 'humidity_pct = "fraction"', "none is above 1")]
    if "impossible temperature" in rules and _mostly_fahrenheit(column, texts):
        return [(section, f'{column.name} = "F"', "most are too high for °C")]
    if "clock times among numbers" in rules:
        return [("units", f'# {column.name} = "mm:ss"', "once every cell is written as 1:30")]
    if "minutes and seconds" in rules:
        return [("units", f'{column.name} = "mm:ss"', "cells such as 1:30")]
    return []


def _all_fractions(texts: Sequence[str]) -> bool:
    """Whether the numbers of a percentage are all between 0 and 1, and not all the same."""
    numbers = pd.to_numeric(pd.Series(texts, dtype=object), errors="coerce").dropna()
    return len(numbers) > 1 and numbers.min() < numbers.max() <= 1.0 and numbers.min() >= 0.0


def _mostly_fahrenheit(column: Column, texts: Sequence[str]) -> bool:
    numbers = pd.to_numeric(pd.Series(texts, dtype=object), errors="coerce").dropna()
    low, high = column.low or 0.0, column.high or 0.0
    beyond = ~numbers.between(low, high)
    as_celsius = ((numbers - 32) / 1.8).between(low, high)
    return bool(len(numbers)) and bool((beyond & as_celsius).mean() >= 0.5)
