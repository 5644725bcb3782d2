"""Which columns of one table are ours, guessed from names and from what the cells hold."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.cell_kinds import (
    YES_OR_NO,
    Guess,
    column_of,
    filled_texts,
    is_clock,
    is_date,
    share_of,
)
from outcomes.records.columns import ALERTED, NOT_ALERTED, Column, Table
from outcomes.records.joint_columns import (
    BEGINS,
    TIMES,
    dogs_across,
    pair_times,
    result_of_two,
    search_end,
    ticked_results,
    two_moves_of_a_row,
)
from outcomes.records.read import header_finder
from outcomes.records.reading.cells import Array, CannotReadError, Cells, Place, clean, texts_of
from outcomes.records.reading.files import load_table
from outcomes.records.reading.gather import AS_ABOVE, gather, is_total
from outcomes.records.reading.headings import columns_by_signs
from outcomes.records.reading.mapping import guess_header, likely_columns, plain_name
from outcomes.records.reading.spelling import fold
from outcomes.records.reading.times import clock_of, vague_period
from outcomes.records.reading.units import UNITS
from outcomes.records.reading.values import read_column
from outcomes.records.reading.words import NOTHING, alerted, guess_word, yes_or_no
from outcomes.settings import RecordsSettings

FEWEST_DITTOS = 3
FEWEST_NUMBERED = 5  # rows by which it is seen that a column numbers them
MOST_UNKNOWN = 0.5  # of the words of a column that tells results or places, those unknown to us
_MOST_WORDS = 12


@dataclass(frozen=True, slots=True)
class TableGuess:
    """One table as it seems to be kept.

    Attributes
    ----------
    places
        Its files or sheets.
    named
        Whether they bear our name, or names that the unit has said.
    columns
        Our column → the unit's, for those that it has not said.
    free
        Columns that are none of ours as far as can be told.
    same_as_above
        Column whose empty cells seem to mean what stands above, and how many there are.
    ticked
        Columns in which a mark seems to mean their heading.
    dog_columns
        Columns that each seem to be a dog's, with its results.
    cells
        All of it read so; None where it cannot be read.
    whole
        All of it as handed over, but for rows that add up the others.
    """

    places: tuple[Place, ...]
    named: bool
    columns: Mapping[str, Guess] = field(default_factory=dict)
    free: tuple[str, ...] = ()
    same_as_above: tuple[str, int] | None = None
    ticked: tuple[str, ...] = ()
    dog_columns: tuple[str, ...] = ()
    cells: Cells | None = None
    whole: Cells | None = None


def parts_of(
    places: Sequence[Place], find: Callable[[Sequence[Sequence[str]]], int]
) -> list[Cells]:
    """The cells of each file or sheet that can be read, under the row that ``find`` tells."""
    parts = []
    for place in places:
        with contextlib.suppress(CannotReadError):  # examine_records says what is wrong with it
            parts.append(load_table(place, find))
    return parts


def guess_table(
    table: Table,
    places: tuple[Place, ...],
    named: bool,
    known: RecordsSettings,
    told: Mapping[str, Guess] | None = None,
) -> TableGuess:
    """One table as it seems to be kept; ``told`` are the columns known from other tables."""
    by_name = header_finder(table, known)

    def find(lines: Sequence[Sequence[str]]) -> int:
        return by_name(lines) or guess_header(lines, table)

    parts = parts_of(places, find)
    if not parts:
        return TableGuess(places, named)
    told = told or {}
    whole = _without_totals(gather(parts, table, replace(known, columns={}, same_as_above={})))
    mapped = known.columns.get(table.name, {})
    said = {name for names in mapped.values() for name in names}
    said |= {name for guess in told.values() for name in guess.names}
    ours = [n for n in table.names if n not in mapped and n not in told and n in whole.header]
    free = [n for n in whole.header if n and n not in said and n not in ours]
    of_its_own = {*mapped, *told, *ours, "ended_at"}  # the end of a search: known by its times
    absent = [n for n in table.names if n not in of_its_own]
    guessed = {
        column: Guess((theirs,), "by its name")
        for column, theirs in likely_columns(table, absent, free).items()
        if (
            plain_name(theirs) == "result" == column
            or _fits(table, column, column_of(whole, theirs), known)
        )
        and not (column in _HOW_LONG and BEGINS.search(theirs))
    }
    left = _left(free, guessed)
    guessed |= _by_words(table, whole, [n for n in absent if n not in guessed], left)
    ticked = () if table.name in known.ticked else ticked_results(table, whole, guessed, free)
    dogs = () if table.name in known.dog_columns else dogs_across(table, whole, guessed, free)
    free = [name for name in free if name not in dogs]
    absent = [name for name in absent if not dogs or name not in ("dog_id", "result")]
    pair_times(table, whole, guessed, free)
    search_end(table, whole, guessed, free)
    two_moves_of_a_row(table, whole, guessed, free)
    guessed |= _by_signs(table, whole, absent, free, guessed, known)
    _first_labels(table, whole, guessed, absent, free)
    _by_elimination(table, whole, absent, free, guessed)
    guessed = {**told, **guessed}
    result_of_two(table, whole, guessed)
    _names_in_other_sheets(table, parts, guessed, known)
    ditto = None if table.name in known.same_as_above else _ditto(table, whole, guessed, mapped)
    left = _left(free, guessed)
    return TableGuess(places, named, guessed, tuple(left), ditto, ticked, dogs, whole=whole)


def _names_in_other_sheets(
    table: Table, parts: Sequence[Cells], guessed: dict[str, Guess], known: RecordsSettings
) -> None:
    """Other names of a column in those of several sheets that lack it."""
    for ours, guess in list(guessed.items()):
        names = list(guess.names)
        for name in guess.names:
            for part in parts:
                if name in part.header or set(names) & set(part.header) - set(guess.names):
                    continue
                taken = {n for g in guessed.values() for n in g.names} | set(names)
                own = [n for n in part.header if n and n not in taken]
                alike = [n for n in own if plain_name(n) == plain_name(name)]
                alike = alike or [*likely_columns(table, [ours], own).values()]
                if alike and _fits(table, ours, column_of(part, alike[0]), known):
                    names.insert(names.index(name) + 1, alike[0])
        if len(names) > len(guess.names):
            ground = f"{guess.ground}; not called the same in every sheet"
            guessed[ours] = Guess(tuple(names), ground)


def _by_elimination(
    table: Table,
    cells: Cells,
    absent: Sequence[str],
    free: Sequence[str],
    guessed: dict[str, Guess],
) -> None:
    """What every row needs, where only one kind of column is left for it."""
    if table.name == "trials" and "dog_id" in absent and "dog_id" not in guessed:
        team = guessed.get("handler_id")
        if team is not None and re.search(r"(?i)\bdog|k-?9|canine|team", team.names[0]):
            guessed["dog_id"] = Guess(team.names, "its heading names the dog too")
            del guessed["handler_id"]
    if table.name != "sources":
        return
    left = _left(free, guessed)
    if "acquired_on" in absent and "acquired_on" not in guessed:
        dates = [
            n for n in left if share_of(filled_texts(column_of(cells, n)), _may_be_received) >= 0.8
        ]
        if len(dates) == 1:
            guessed["acquired_on"] = Guess((dates[0],), "the only dates that are left")
    if "kind" in absent and "kind" not in guessed:
        few = []
        for name in _left(free, guessed):
            texts = filled_texts(column_of(cells, name))
            letters = share_of(texts, lambda text: bool(re.search(r"[^\W\d_]{3}", text)))
            if letters >= 0.8 and len(set(texts)) < len(texts) >= 0.8 * len(cells.rows):
                few.append(name)
        if few:
            guessed["kind"] = Guess((few[0],), "words that several sources share")


def _left(free: Sequence[str], guessed: Mapping[str, Guess]) -> list[str]:
    taken = {name for guess in guessed.values() for name in guess.names}
    return [name for name in free if name not in taken]


def _by_signs(
    table: Table,
    cells: Cells,
    absent: Sequence[str],
    free: Sequence[str],
    guessed: Mapping[str, Guess],
    known: RecordsSettings,
) -> dict[str, Guess]:
    """Columns known by a word in their heading, where their cells are of that kind."""

    def fits(ours: str, theirs: str) -> bool:
        return _is_like(table, ours, column_of(cells, theirs), known, theirs)

    missing = [name for name in absent if name not in guessed]
    found = columns_by_signs(table.name, missing, _left(free, guessed), fits)
    return {ours: Guess((theirs,), "by its heading") for ours, theirs in found.items()}


def _without_totals(cells: Cells) -> Cells:
    """The table without the rows that add up the others."""
    kept = ~is_total(cells)
    if kept.all():
        return cells
    columns = tuple(column[kept].reset_index(drop=True) for column in cells.columns)
    return replace(cells, columns=columns, rows=cells.rows[kept], files=None)


def _fits(table: Table, name: str, cells: pd.Series[Any], known: RecordsSettings) -> bool:
    """Whether a column may hold this, by its cells: a number, dates, labels that differ."""
    column = table.column(name)
    texts = filled_texts(cells)
    if not texts:
        return True
    if name in ("session_id", "parent_id"):  # a label of each row is none of a day or of a parent
        return len(texts) < 2 * FEWEST_DITTOS or len(set(texts)) < 0.95 * len(texts)
    if column.name == table.key:
        return len(set(texts)) >= 0.95 * len(texts)
    if column.type in ("number", "count"):
        if _counts_rows(texts):
            return False
        told = read_column(column, cells, known, table.name)
        good = int(told.series.notna().sum()) + sum(_zero_word(t) for t in texts)
        yes_no = name == "false_alerts" and {fold(t) or t for t in texts} <= YES_OR_NO
        # What is written in another unit is out of range, but a number.
        clock = ":" if "mm:ss" in UNITS.get(name, {}) else ""
        form = rf"[+-]?[\d.,{clock}]+\s*[^\d:]{{0,8}}$"
        numbers = sum(bool(re.match(form, text)) for text in texts)
        return yes_no or max(good, numbers) >= 0.5 * len(texts)
    if column.words:
        words = set(texts)
        known_words = {clean(w) for w in known.words.get(name, {})}
        understood = sum(w in known_words or means(column, w, name) for w in words)
        if name in ("result", "moved_to", "blinding") and understood < MOST_UNKNOWN * len(words):
            return False
        return share_of(texts, is_date) < 0.5 and share_of(texts, is_clock) < 0.5
    if column.may_be_vague:
        return share_of(texts, _may_be_received) >= 0.5
    if column.type == "time":
        return share_of(texts, is_date) >= 0.5 or share_of(texts, is_clock) >= 0.5
    return True


def _counts_rows(texts: Sequence[str]) -> bool:
    """Whether a column numbers its rows: whole numbers that go up by one."""
    if len(texts) < FEWEST_NUMBERED or not all(text.isdecimal() for text in texts):
        return False
    steps = np.diff(np.array([int(text[:15]) for text in texts]))
    return bool((steps == 1).mean() >= 0.9)


def _may_be_received(text: str) -> bool:
    """Whether a text is a date, or a month, a season or a year."""
    return is_date(text) or vague_period(text) is not None


def _is_like(
    table: Table, name: str, cells: pd.Series[Any], known: RecordsSettings, heading: str
) -> bool:
    """Whether the cells of a column are of the kind of ours, which its heading alone cannot say."""
    column = table.column(name)
    texts = filled_texts(cells)
    if not texts or not _fits(table, name, cells, known):
        return False
    if column.words:
        words = set(texts)
        meant = sum(means(column, word, heading) for word in words)
        return len(words) <= _MOST_WORDS and meant >= 0.6 * len(words)
    if column.type in ("number", "count", "time"):
        return True
    numbers = share_of(texts, lambda text: bool(re.fullmatch(r"[\d.,:]+", text)))
    dates = share_of(texts, is_date)
    of_names = column.type == "id" or len(set(texts)) <= max(0.5 * len(texts), 1)
    return dates < 0.5 and of_names and (numbers < 0.5 or column.name in ("source_id", "hide_id"))


def means(column: Column, text: str, heading: str) -> bool:
    """Whether a text says one of our words, or nothing."""
    plain = text.casefold()
    if column.name == "result" and alerted(text) is not None:
        return True
    return plain in NOTHING or guess_word(column, text, heading) is not None


def _zero_word(text: str) -> bool:
    return text.casefold() in ZERO_WORDS


ZERO_WORDS = frozenset(("surface", "on surface", "ground", "ground level", "on the ground"))


def _by_words(
    table: Table, cells: Cells, absent: Sequence[str], free: Sequence[str]
) -> dict[str, Guess]:
    """Columns known by the set of words in them, where the name tells nothing."""
    found = {}
    for name in ("result", "moved_to", "blinding"):
        if name not in absent:
            continue
        for theirs in free:
            words = sorted(set(filled_texts(column_of(cells, theirs))))
            if not 2 <= len(words) <= _MOST_WORDS:
                continue
            if name == "blinding" and not any("blind" in word.casefold() for word in words):
                continue
            of_words = [_word_told(table.column(name), word, theirs) for word in words]
            meant, few = set(of_words) - {None}, of_words.count(None)
            if len(meant) >= 2 and few <= 0.2 * len(words):
                found[name] = Guess((theirs,), f"by its words: {', '.join(words[:5])}")
                break
    return found


_HOW_LONG = ("search_s", "limit_s", "set_min")


def _first_labels(
    table: Table,
    cells: Cells,
    guessed: dict[str, Guess],
    absent: Sequence[str],
    free: Sequence[str],
) -> None:
    """The labels of a list, where no name tells: the first column whose cells all differ."""
    if table.key is None or table.name not in ("sources", "dogs"):
        return
    if table.key not in absent or table.key in guessed:
        return
    taken = {name for guess in guessed.values() for name in guess.names}
    for theirs in free[:3]:
        texts = filled_texts(column_of(cells, theirs))
        if theirs not in taken and texts and len(set(texts)) == len(texts):
            guessed[table.key] = Guess((theirs,), "its labels all differ")
            return


def _word_told(column: Column, word: str, heading: str) -> str | None:
    """Our word for a text, or what the dog did by it; a bare yes or no tells neither."""
    did = alerted(word) if column.name == "result" and yes_or_no(word) is None else None
    if did is not None:
        return ALERTED if did else NOT_ALERTED
    return guess_word(column, word, heading)


def _ditto(
    table: Table, cells: Cells, guessed: Mapping[str, Guess], mapped: Mapping[str, tuple[str, ...]]
) -> tuple[str, int] | None:
    """The column of dates whose empty cells under a date seem to mean the same date."""
    name = next((name for name in TIMES if name in table.names), None)
    if name is None:
        return None
    names = guessed[name].names if name in guessed else mapped.get(name, (name,))
    date = next((n for n in names if n in cells.header), None)
    in_guess = guessed["moved_back_at"].names if "moved_back_at" in guessed else ()
    back = mapped.get("moved_back_at", in_guess)
    if date is None or (back and date not in back):
        return None  # of a source that is in, or not out again, there is no date
    codes, texts = texts_of(column_of(cells, date))
    says = [not clean(t) or clean(t).casefold() in AS_ABOVE for t in texts]
    empty = np.array([*says, True])[codes]
    others = np.zeros(len(codes), dtype=int)
    for column, theirs in zip(cells.columns, cells.header, strict=True):
        if theirs != date:
            others += column.notna().to_numpy()
    dittos = empty & (others >= 2)
    if dittos.sum() < FEWEST_DITTOS or empty[0]:
        return None
    if (
        len(names) > 1
        and names[1] in cells.header
        and not _times_go_up(table, cells, guessed, names[1], dittos)
    ):
        return None
    return date, int(dittos.sum())


def _times_go_up(
    table: Table, cells: Cells, guessed: Mapping[str, Guess], clock: str, dittos: Array
) -> bool:
    """Whether times go up within one day: where they do not, another date is missing.

    In a storage log those of one source do, for one source is written after another.
    """
    codes, texts = texts_of(column_of(cells, clock))
    clocks = [clock_of(clean(texts[c])) if c >= 0 else None for c in codes.tolist()]
    of_row = [""] * len(clocks)
    if table.name == "storage":
        label = guessed["source_id"].names[0] if "source_id" in guessed else "source_id"
        if label in cells.header:
            codes, texts = texts_of(column_of(cells, label))
            of_row = [fold(clean(texts[c])) if c >= 0 else "" for c in codes.tolist()]
    last: dict[str, str] = {}
    compared = up = 0
    for row, (time, label) in enumerate(zip(clocks, of_row, strict=True)):
        if not dittos[row]:
            last = {}
        if not time:
            continue
        if dittos[row] and label in last:
            compared += 1
            up += time >= last[label]
        last[label] = time
    return up >= 0.9 * compared
