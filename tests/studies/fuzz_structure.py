"""Messy workbooks damaged by structure: each must end in a right answer or one clear line.

From the repository's root:

    .venv/bin/python tests/studies/fuzz_structure.py --inputs 500

Made-up units' workbooks (``messy_units.py``, ``more_messy_units.py``) have columns dropped or
swapped, sheets renamed or doubled, rows moved, types changed, headings repeated, cells merged,
the file cut, by ones and twos. The draft is made and used unread, then all is read and joined. A
finding is a traceback, a warning, an error of several lines, a row that is neither used nor told,
or, where a damage leaves the meaning as it was, a trial read as another than was meant. Exit
status 1 if there was one. A short run is part of the tests (``test_fuzz_structure.py``).
"""

import argparse
import datetime as dt
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
from fuzz import add_up, where_it_arose
from messy_units import UNITS as FIRST_UNITS
from messy_units import Messy
from more_messy_units import MORE_UNITS
from openpyxl.workbook import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from outcomes.errors import OutcomesError
from outcomes.exposure.trials import join
from outcomes.records.read import examine_and_read
from outcomes.records.suggest import draft_settings
from outcomes.records.tables import Examination, Records
from outcomes.records.unit_file import settings_of
from outcomes.settings import RecordsSettings

TODAY = dt.date(2026, 3, 1)
DAYS = 9
SLOWEST_S = 60.0
UNITS = {**FIRST_UNITS, **MORE_UNITS}
OF_WORKBOOKS = ("ridge", "tally", "county", "terse", "hollow", "ticks", "diary", "valley")
Random = np.random.Generator


def header_of(sheet: Worksheet) -> int:
    """The row with most cells of text, which these units have their headings in."""
    counts = [sum(isinstance(c.value, str) for c in row) for row in sheet.iter_rows(max_row=4)]
    return int(np.argmax(counts)) + 1


def _sheet(book: Workbook, rng: Random) -> Worksheet:
    return book.worksheets[int(rng.integers(len(book.worksheets)))]


def _column(sheet: Worksheet, rng: Random) -> int:
    return int(rng.integers(1, sheet.max_column + 1))


def drop_column(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    sheet.delete_cols(_column(sheet, rng))


def swap_columns(book: Workbook, rng: Random) -> None:
    """Two columns change places, each with its heading."""
    sheet = _sheet(book, rng)
    one, other = _column(sheet, rng), _column(sheet, rng)
    for row in range(header_of(sheet), sheet.max_row + 1):
        a, b = sheet.cell(row, one), sheet.cell(row, other)
        a.value, b.value = b.value, a.value


def swap_headings(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    row = header_of(sheet)
    a, b = (sheet.cell(row, _column(sheet, rng)) for _ in range(2))
    a.value, b.value = b.value, a.value


def rename_sheet(book: Workbook, rng: Random) -> None:
    names = ("Sheet7", "Data", "Archive", "Log", "X" * 31, "données", "Main (2)")
    _sheet(book, rng).title = str(rng.choice(names))


def double_sheet(book: Workbook, rng: Random) -> None:
    book.copy_worksheet(_sheet(book, rng))


def shuffle_rows(book: Workbook, rng: Random) -> None:
    """The last rows go to the top, as those added later are sometimes put in."""
    sheet = _sheet(book, rng)
    top = header_of(sheet) + 1
    rows = [[c.value for c in row] for row in sheet.iter_rows(min_row=top)]
    at = int(rng.integers(1, max(len(rows), 2)))
    for offset, values in enumerate([*rows[at:], *rows[:at]]):
        for column, value in enumerate(values, start=1):
            sheet.cell(top + offset, column).value = value


def blank_rows(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    for _ in range(3):
        sheet.insert_rows(int(rng.integers(header_of(sheet) + 1, sheet.max_row + 1)))


def blank_column(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    sheet.insert_cols(_column(sheet, rng))


def repeat_headings(book: Workbook, rng: Random) -> None:
    """The headings again further down, as on each printed page."""
    sheet = _sheet(book, rng)
    values = [c.value for c in sheet[header_of(sheet)]]
    at = int(rng.integers(header_of(sheet) + 2, sheet.max_row + 2))
    sheet.insert_rows(at)
    for column, value in enumerate(values, start=1):
        sheet.cell(at, column).value = value


def double_heading(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    row = header_of(sheet)
    sheet.cell(row, _column(sheet, rng)).value = sheet.cell(row, _column(sheet, rng)).value


def merge_cells(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    row, column = int(rng.integers(1, sheet.max_row + 1)), _column(sheet, rng)
    down, across = int(rng.integers(0, 4)), int(rng.integers(0, 3))
    sheet.merge_cells(
        start_row=row, start_column=column, end_row=row + down, end_column=column + across
    )


def title_row(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    for _ in range(int(rng.integers(1, 4))):
        sheet.insert_rows(1)
    sheet.cell(1, 1).value = "Kept by the team"


def numbers_as_text(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    column = _column(sheet, rng)
    for row in range(header_of(sheet) + 1, sheet.max_row + 1):
        cell = sheet.cell(row, column)
        if isinstance(cell.value, int | float):
            cell.value = str(cell.value)


def dates_as_numbers(book: Workbook, rng: Random) -> None:
    """Dates lose their format, as in a paste of values alone."""
    sheet = _sheet(book, rng)
    for row in sheet.iter_rows(min_row=header_of(sheet) + 1):
        for cell in row:
            if isinstance(cell.value, dt.date):
                cell.number_format = "General"


def other_type(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    column = _column(sheet, rng)
    value: Any = [
        True,
        dt.time(9, 30),
        "=A1",
        "#REF!",
        2.5,
        dt.date(2025, 1, 1),
        "\u200b",
        "x" * 300,
    ][int(rng.integers(8))]
    for row in range(header_of(sheet) + 1, sheet.max_row + 1):
        if sheet.cell(row, column).value is not None:
            sheet.cell(row, column).value = value


def empty_sheet(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    sheet.delete_rows(1, sheet.max_row)


def headings_only(book: Workbook, rng: Random) -> None:
    sheet = _sheet(book, rng)
    sheet.delete_rows(header_of(sheet) + 1, sheet.max_row)


def turned_sheet(book: Workbook, rng: Random) -> None:
    """Rows become columns."""
    sheet = _sheet(book, rng)
    rows = [[c.value for c in row] for row in sheet.iter_rows(max_row=40)]
    sheet.delete_rows(1, sheet.max_row)
    for column, values in enumerate(rows, start=1):
        for row, value in enumerate(values, start=1):
            sheet.cell(row, column).value = value


def second_table_beside(book: Workbook, rng: Random) -> None:
    """A small table of its own to the right of another."""
    sheet = _sheet(book, rng)
    at, row = sheet.max_column + 2, header_of(sheet)
    for offset, pair in enumerate((("Dog", "Finds"), ("all", 12), ("best", 7))):
        for column, value in enumerate(pair):
            sheet.cell(row + offset, at + column).value = value


# What leaves every trial as it was meant, whatever the order of two of them.
KEEPS_MEANING = {
    f.__name__
    for f in (swap_columns, shuffle_rows, blank_rows, blank_column, repeat_headings, title_row,
              numbers_as_text, second_table_beside)
}  # fmt: skip
DAMAGES: tuple[Callable[[Workbook, Random], None], ...] = (
    drop_column, swap_columns, swap_headings, rename_sheet, double_sheet, shuffle_rows, blank_rows,
    blank_column, repeat_headings, double_heading, merge_cells, title_row, numbers_as_text,
    dates_as_numbers, other_type, empty_sheet, headings_only, turned_sheet, second_table_beside,
)  # fmt: skip


def damaged(folder: Path, number: int) -> tuple[Messy, str, tuple[str, ...]]:
    """One damaged workbook, the unit it is of, and what was done to it."""
    rng = np.random.default_rng([number, 2512])
    name = OF_WORKBOOKS[number % len(OF_WORKBOOKS)]
    messy = UNITS[name](folder, seed=1, days=DAYS)
    book = openpyxl.load_workbook(messy.path)
    # Each damage alone in turn, then two at once.
    first = DAMAGES[(number // len(OF_WORKBOOKS)) % len(DAMAGES)]
    done = [first]
    if number >= len(OF_WORKBOOKS) * len(DAMAGES):
        done.append(DAMAGES[int(rng.integers(len(DAMAGES)))])
    for damage in done:
        damage(book, rng)
    book.save(messy.path)
    told = tuple(damage.__name__ for damage in done)
    if rng.random() < 0.04:
        content = messy.path.read_bytes()
        messy.path.write_bytes(content[: int(rng.uniform(0.05, 0.99) * len(content))])
        told += ("cut",)
    return messy, name, told


def use_unread(messy: Messy, keeps: bool) -> str:
    """Draft, check, read and join; tell how it ended.

    Raises
    ------
    AssertionError
        A row is lost, a trial is read as another, or an error has several lines.
    """

    def usable(settings: RecordsSettings) -> tuple[int, int]:
        found, records = examine_and_read(messy.path, settings, today=TODAY)
        return (0 if records is None else len(records.trials)), found.rows_in.get("trials", 0)

    try:
        draft = draft_settings(messy.path, usable)
        settings = settings_of(draft.text).records
        found, records = examine_and_read(messy.path, settings, today=TODAY)
        _one_line(finding.line() for finding in found.findings)
        if records is None:
            return "stopped by a finding"
        joined = join(records)
    except OutcomesError as error:
        if not str(error).strip():
            raise AssertionError("an error without a word") from error
        _one_line([str(error)])
        return type(error).__name__
    add_up(records, joined)
    _no_row_lost(messy.path, found)
    if keeps:
        _as_meant(records, messy)
    return "joined" if len(joined.trials) else "no trial left"


def _one_line(texts: Iterable[str]) -> None:
    for text in texts:
        if len(text.splitlines()) != 1:
            raise AssertionError(f"not one line: {text!r}")


def _no_row_lost(path: Path, found: Examination) -> None:
    """Rows of a sheet that hold anything, below its headings, are all among those handed over."""
    book = openpyxl.load_workbook(path)
    lower = {f.file: f for f in found.findings if f.rule == "column names found lower"}
    sheets = {f"{path.name}, sheet {sheet.title}": sheet for sheet in book.worksheets}
    for table, rows_in in found.rows_in.items():
        of_table = {
            file for f in found.findings if f.table == table for file in f.file.split(" and ")
        }
        names = [name for name in sheets if name in of_table]
        if not names:
            continue
        there = 0
        for name in names:
            below = int(lower[name].problem.split("row ")[1].split(";")[0]) if name in lower else 1
            for row in sheets[name].iter_rows(min_row=below + 1, values_only=True):
                there += any(str(v).strip("\u200b ") for v in row if v is not None)
        # Findings name sheets that are read; one without any finding is not counted here.
        if there > rows_in:
            raise AssertionError(f"{table}: {there} rows in the sheets, {rows_in} handed over")


def _as_meant(records: Records, messy: Messy) -> None:
    """No trial that is read says another result or source than was meant."""
    meant = messy.meant.assign(started_at=messy.meant["started_at"].dt.floor("min"))
    both = records.trials.merge(meant, on=["started_at", "dog_id"], suffixes=("", "_meant"))
    for column in ("source_id", "result"):
        wrong = both[column].fillna("") != both[f"{column}_meant"].fillna("")
        if wrong.any():
            raise AssertionError(f"{int(wrong.sum())} trials of another {column} than meant")


@dataclass
class Tried:
    """What was tried and what came of it."""

    inputs: int = 0
    ended: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0
    findings: dict[str, str] = field(default_factory=dict)

    def run(self, numbers: Iterable[int], until: float = np.inf) -> None:
        """Damage, draft, read and join, for each number until the time is up."""
        for number in numbers:
            if time.monotonic() > until:
                return
            with tempfile.TemporaryDirectory() as folder:
                messy, name, done = damaged(Path(folder), number)
                begin = time.process_time()
                self.inputs += 1
                try:
                    with warnings.catch_warnings():
                        warnings.simplefilter("error")
                        how = use_unread(messy, set(done) <= KEEPS_MEANING)
                    took = time.process_time() - begin
                    if took > SLOWEST_S:
                        raise AssertionError(f"{took:.0f} s")
                    self.ended[how] += 1
                    self.slowest_s = max(self.slowest_s, took)
                except Exception as error:
                    text = f"{number}: {name}, {' and '.join(done)}\n{traceback.format_exc()}"
                    where = f"{where_it_arose(error)}: {error}"[:150]
                    if where not in self.findings:
                        sys.stdout.write(f"\n{where}\n{text}\n")
                        sys.stdout.flush()
                    self.findings.setdefault(where, text)


def main() -> int:
    """Try so many and report."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--inputs", type=int, default=500)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--minutes", type=float, default=np.inf)
    chosen = parser.parse_args()
    tried = Tried()
    numbers = range(chosen.first, chosen.first + chosen.inputs)
    tried.run(numbers, time.monotonic() + 60.0 * chosen.minutes)
    ended = ", ".join(f"{how} {count:,}" for how, count in tried.ended.most_common())
    sys.stdout.write(
        f"\n{tried.inputs:,} inputs: {ended}; slowest {tried.slowest_s:.1f} s; "
        f"{len(tried.findings)} findings\n"
    )
    return 1 if tried.findings else 0


if __name__ == "__main__":
    raise SystemExit(main())
