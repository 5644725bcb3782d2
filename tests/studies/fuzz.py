"""Damaged records by the thousand: every one must be read, or end in one clear line.

From the repository's root:

    .venv/bin/python tests/studies/fuzz.py --minutes 60

Small units are written as CSV, workbook or Parquet with their settings, damaged by Hypothesis
(cells, headings, bytes, types, parts of the workbook, settings), then checked, read and joined. An
error of the toolkit's own is an answer; anything else, a warning too, is a finding: it is made as
small as Hypothesis can and shown with its traceback. Exit status 1 if there was one. ``--seed``
starts elsewhere. A short run is part of the tests (``test_fuzz.py``). Each run by this command is a
line of ``tests/studies/fuzz_units/runs.csv``, of which ``tests/studies/pages/fuzz.md`` is made.
"""

import argparse
import datetime as dt
import io
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any
from unittest import mock

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from side_by_side import begin_run

from outcomes.errors import OutcomesError
from outcomes.exposure.trials import Joined, join
from outcomes.records.checking.storage import KEPT_IN_SOURCES
from outcomes.records.read import examine_and_read
from outcomes.records.tables import Records

FOLDER = Path(__file__).parent / "fuzz_units"
PAGE = Path(__file__).parent / "pages" / "fuzz.md"
TODAY = dt.date(2026, 3, 1)
UNIT: dict[str, list[list[str]]] = {
    "sources": [
        ["source_id", "kind", "acquired_on", "age_at_acquisition_days", "packaging", "parent_id"],
        ["A1", "muscle", "2025-01-01", "3", "sealed", ""],
        ["A2", "blood", "2025-02-01", "", "vented", ""],
        ["A3", "muscle", "2025-03-01", "", "sealed", "A1"],
    ],
    "storage": [
        ["source_id", "moved_at", "moved_to", "temperature_c", "packaging"],
        ["A1", "2025-01-01", "freezer", "-18", ""],
        ["A1", "2025-03-01 08:00", "ambient", "", ""],
        ["A1", "2025-03-01 18:00", "freezer", "", "open"],
        ["A2", "2025-02-01", "refrigerator", "4", ""],
        ["A3", "2025-03-01 19:00", "freezer", "", ""],
    ],
    "trials": [
        ["trial_id", "started_at", "dog_id", "source_id", "result", "search_s", "limit_s",
         "blinding", "set_min", "assisted", "false_alerts", "temperature_c", "setting"],
        ["T1", "2025-03-01 09:00", "Juno", "A1", "find", "40", "600", "single", "20", "no", "0",
         "9", "field"],
        ["T2", "2025-03-01 09:30", "Moss", "A1", "miss", "", "600", "double", "50", "", "1",
         "9", "field"],
        ["T3", "2025-03-02 10:00", "Juno", "A2", "find", "90", "600", "open", "5", "yes", "",
         "", ""],
        ["T4", "2025-03-02 11:00", "Moss", "", "clear", "300", "300", "", "", "", "0", "",
         "woodland"],
        ["T5", "2025-03-05 11:00", "Moss", "A3", "find", "300", "300", "", "", "", "0", "",
         "woodland"],
    ],
    "dogs": [
        ["dog_id", "started_on", "qualified_on", "born_on"],
        ["Juno", "2022-01-01", "2023-01-01", "2021-05-01"],
        ["Moss", "2022-01-01", "", ""],
    ],
}  # fmt: skip
UNIT_TOML = """unit = "Made up"
date_order = "day first"
[columns.trials]
dog_id = "dog_id"
[words.result]
"hit" = "find"
[units]
temperature_c = "C"
[temperatures]
freezer_c = -20
[exposure]
unlogged_thaws = "strict"
[decision]
floor = 0.8
"""
ODD = (
    "", " ", "0", "-1", "1e309", "-0.0", "nan", "NaN", "inf", "-inf", "NULL", "None", "#REF!",
    "#N/A",
    "=1+1", "1,5", "1.5.2", "12:61", "25:00", "03/04/2026", "2026-02-30", "0000-00-00",
    "9999-12-31",
    "1677-09-21", "2262-04-12", "0001-01-01", "2025-03-01T09:00:00Z", "2025-03-01 09:00+02:00",
    "20250301", "45000", "45000.5", "freezer", "discarded", "ambient", "find", "miss",
    "false alert",
    "A1", "A2", "A3", "Juno", "yes", "no", "TRUE", "١٢", "½", "\u200b", "\ufeff", "\x00",
    "\x1f", "\r",
    "\n", '"', "'", ";", "\t", "a\nb", "é", "e\u0301", "𝟙", "💀", "9" * 400, "x" * 70_000, "-" * 50,
)  # fmt: skip
TYPED: tuple[Any, ...] = (
    None, True, False, 0, -1, 2**70, 1.5, float("nan"), float("inf"), "", "A1", "find",
    dt.date(2025, 3, 1), dt.datetime(2025, 3, 1, 9, 30), dt.time(9, 30), dt.timedelta(hours=30),
    dt.datetime(1900, 1, 1), dt.datetime(9999, 12, 31, 23, 59, 59), "=NOW()", "=1/0", "#DIV/0!",
)  # fmt: skip
ARROW: tuple[Callable[[int], pa.Array], ...] = (
    lambda n: pa.nulls(n),
    lambda n: pa.array([b"\xff\x00"] * n),
    lambda n: pa.array([[1, 2]] * n),
    lambda n: pa.array([{"a": 1}] * n),
    lambda n: pa.array([Decimal("1.50")] * n),
    lambda n: pa.array([True] * n),
    lambda n: pa.array([2**62] * n),
    lambda n: pa.array([float("inf")] * n),
    lambda n: pa.array(["A1"] * n).dictionary_encode(),
    lambda n: pa.array([dt.time(9, 30)] * n),
    lambda n: pa.array([dt.timedelta(days=200_000)] * n),
    lambda n: pa.array([dt.date(1, 1, 1)] * n),
    lambda n: pa.array([dt.datetime(2025, 3, 1)] * n, pa.timestamp("us", "America/New_York")),
    lambda n: pa.array([dt.datetime(9999, 1, 1)] * n, pa.timestamp("s")),
)

tables = st.sampled_from(sorted(UNIT))
text = st.one_of(st.sampled_from(ODD), st.text(max_size=12))
places = st.tuples(tables, st.integers(0, 6), st.integers(0, 12))
cells = st.lists(st.tuples(places, text), max_size=4)
typed_cells = st.lists(st.tuples(places, st.sampled_from(TYPED)), max_size=4)
byte_edits = st.lists(
    st.tuples(st.floats(0, 1), st.sampled_from(["put", "drop", "cut"]), st.binary(max_size=6)),
    max_size=3,
)
rows = st.lists(
    st.tuples(tables, st.sampled_from(["twice", "gone", "short", "long", "blank"]),
    st.integers(0, 6)),
    max_size=2,
)  # fmt: skip
odd_toml = st.one_of(
    st.tuples(
        st.sampled_from(
            [
                "[decision]\nfloor", "[decision]\nseed", "[exposure]\nthaw_after_h",
                "[exposure]\nbase_c", "[temperatures]\nambient_c", "[rule]\nwindow",
                "[columns.trials]\nresult", "[words.result]\nhit", "[tables]\nstorage",
                "[units]\nsearch_s", "[units.storage]\ntemperature_c", "[early_warning]\nwithin",
                "[readings]\nlongest_gap_h", "unit", "date_order", "decimal", "columns", "words",
            ]
        ),
        st.sampled_from(
            [
                "1", "-1", "0.5", "1e400", "nan", "inf", "true", "2025-01-01", '""', '"result"',
                '"mm:ss"', '"F"', '"strict"', '"month first"', "[]", "[1, 'a']", "{}", "{a = 1}",
            ]
        ),
    ).map(lambda pair: f"{pair[0]} = {pair[1]}\n"),
    st.text(max_size=30),
)  # fmt: skip
# Settings that are refused hide what lies behind them: most inputs have none, or good ones.
toml = st.sampled_from(range(10)).flatmap(
    lambda kind: odd_toml if kind == 9 else st.just("" if kind % 2 else UNIT_TOML)
)
damage = st.fixed_dictionaries(
    {
        "form": st.sampled_from(["csv", "csv", "xlsx", "parquet"]),
        "cells": cells,
        "typed": typed_cells,
        "rows": rows,
        "bytes": byte_edits,
        "file": tables,
        "encoding": st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1", "cp1252"]),
        "separator": st.sampled_from([",", ",", ";", "\t", "|"]),
        "arrow": st.none() | st.tuples(tables, st.integers(0, 12),
        st.sampled_from(range(len(ARROW)))),
        "part": st.integers(0, 30),
        "toml": toml,
    }
)  # fmt: skip


def edited(content: bytes, edits: list[tuple[float, str, bytes]]) -> bytes:
    """Bytes put in, taken out, or cut off at shares of the length."""
    for share, what, extra in edits:
        at = int(share * len(content))
        if what == "put":
            content = content[:at] + extra + content[at:]
        elif what == "drop":
            content = content[:at] + content[at + max(len(extra), 1) :]
        else:
            content = content[:at]
    return content


def damaged_rows(given_damage: dict[str, Any]) -> dict[str, list[list[str]]]:
    """The unit's tables with cells and rows changed."""
    unit = {name: [list(row) for row in rows] for name, rows in UNIT.items()}
    for (name, row, column), value in given_damage["cells"]:
        if row < len(unit[name]) and column < len(unit[name][row]):
            unit[name][row][column] = value
    for name, what, row in given_damage["rows"]:
        if row < len(unit[name]):
            own = unit[name][row]
            new = {"twice": [own, own], "gone": [], "short": [own[:1]], "long": [[*own, "extra"]]}
            unit[name][row : row + 1] = new.get(what, [[""] * len(own)])
    return unit


def as_csv(rows: list[list[str]], separator: str, encoding: str) -> bytes:
    lines = [
        separator.join(f'"{v}"' if any(c in v for c in f'{separator}\n"') else v for v in row)
        for row in rows
    ]
    return "\n".join(lines).encode(encoding, errors="replace")


def as_workbook(unit: dict[str, list[list[str]]], given_damage: dict[str, Any]) -> bytes:
    """One workbook, cells of other types among them, one of its parts damaged."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in unit.items():
        sheet = book.create_sheet(name)
        for r, row in enumerate(rows, start=1):
            for c, value in enumerate(row, start=1):
                try:
                    sheet.cell(r, c, value[:32_000])
                except openpyxl.utils.exceptions.IllegalCharacterError:
                    sheet.cell(r, c, "?")
    for (name, row, column), value in given_damage["typed"]:
        try:
            book[name].cell(row + 1, column + 1, value)
        except (ValueError, OverflowError):
            continue
    out = io.BytesIO()
    try:
        book.save(out)
    except (ValueError, OverflowError, TypeError):
        return b"PK"
    if not given_damage["bytes"]:
        return out.getvalue()
    if given_damage["part"] > 25:
        return edited(out.getvalue(), given_damage["bytes"])
    damaged = io.BytesIO()
    with zipfile.ZipFile(out) as old, zipfile.ZipFile(damaged, "w") as new:
        names = old.namelist()
        for place, name in enumerate(names):
            content = old.read(name)
            if place == given_damage["part"] % len(names):
                content = edited(content, given_damage["bytes"])
            new.writestr(name, content)
    return damaged.getvalue()


def as_parquet(name: str, rows: list[list[str]], given_damage: dict[str, Any]) -> bytes:
    """One table, a column of it of some other type."""
    heads, body = rows[0] if rows else [], rows[1:]
    columns = {
        head or "_": pa.array([row[i] if i < len(row) else None for row in body], pa.string())
        for i, head in enumerate(heads)
    }
    other = given_damage["arrow"]
    if other is not None and other[0] == name and columns:
        columns[list(columns)[other[1] % len(columns)]] = ARROW[other[2]](len(body))
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out)
    return out.getvalue()


def write_damaged(folder: Path, given_damage: dict[str, Any]) -> Path:
    """Write the records into an empty folder and return what a person would name."""
    unit = damaged_rows(given_damage)
    form = given_damage["form"]
    try:
        settings_text = given_damage["toml"].encode("utf-8")
    except UnicodeEncodeError:
        settings_text = b"\xff"
    if settings_text:
        (folder / "unit.toml").write_bytes(settings_text)
    if form == "xlsx":
        path = folder / "unit.xlsx"
        path.write_bytes(as_workbook(unit, given_damage))
        return path
    for name, rows in unit.items():
        if form == "csv":
            content = as_csv(rows, given_damage["separator"], given_damage["encoding"])
        else:
            content = as_parquet(name, rows, given_damage)
        if name == given_damage["file"]:
            content = edited(content, given_damage["bytes"])
        (folder / f"{name}.{form}").write_bytes(content)
    return folder


def use(path: Path) -> str:
    """Check, read and join; tell how it ended. An error is one line, and no row is lost."""
    try:
        _, records = examine_and_read(path, today=TODAY)
        if records is None:
            return "stopped by a finding"
        joined = join(records)
    except OutcomesError as error:
        if not str(error).strip():
            raise AssertionError("an error without a word") from error
        if len(str(error).splitlines()) > 1:
            raise AssertionError("an error of several lines") from error
        return type(error).__name__
    add_up(records, joined)
    return "joined"


def add_up(records: Records, joined: Joined) -> None:
    """Every row handed over is used or set aside, and none is both."""
    for table, handed in records.rows_in.items():
        aside = {(f.file, f.row) for f in records.set_aside if f.table == table}
        used = getattr(records, table)
        # Moves that the list of sources stands for are no rows of a log.
        used = used[~used["file"].str.endswith(KEPT_IN_SOURCES)]
        if handed != len(used) + len(aside):
            raise AssertionError(f"{table}: {handed} rows, {len(used)} used, {len(aside)} aside")
    later = {(f.file, f.row) for f in joined.set_aside}
    if len(records.trials) != len(joined.trials) + len(later):
        raise AssertionError(f"{len(records.trials)} trials, {len(joined.trials)} joined")


@dataclass
class Fuzz:
    """What was tried and what came of it."""

    inputs: int = 0
    ended: Counter[str] = field(default_factory=Counter)
    slowest: float = 0.0
    findings: dict[str, str] = field(default_factory=dict)

    def run(self, until: float, first_seed: int, examples: int = 200) -> None:
        """Rounds of Hypothesis, each with a seed of its own, until the time is up."""
        number = first_seed
        while time.monotonic() < until:
            self._round(number, until, examples)
            number += 1

    def _round(self, number: int, until: float, examples: int) -> None:
        latest: dict[str, str] = {}

        @seed(number)
        @settings(
            max_examples=examples,
            deadline=None,
            database=None,
            phases=(Phase.generate, Phase.shrink),
            suppress_health_check=list(HealthCheck),
            print_blob=False,
        )
        @given(drawn=damage)
        def every_input_is_answered(drawn: dict[str, Any]) -> None:
            if time.monotonic() > until and not latest:
                return
            with tempfile.TemporaryDirectory() as folder:
                path = write_damaged(Path(folder), drawn)
                begin = time.perf_counter()
                left: list[Any] = []
                self.inputs += 1
                try:
                    # A file left open is told when it is collected, where nothing can be raised.
                    with warnings.catch_warnings(), mock.patch("sys.unraisablehook", left.append):
                        warnings.simplefilter("error")
                        how = use(path)
                    if left:
                        raise AssertionError(str(left.pop().exc_value))
                    self.ended[how] += 1
                except Exception as error:
                    where = where_it_arose(error)
                    if where in self.findings:
                        return
                    latest["where"] = where
                    latest["text"] = f"{traceback.format_exc()}\nwith {drawn!r}"
                    raise
                finally:
                    self.slowest = max(self.slowest, time.perf_counter() - begin)

        try:
            every_input_is_answered()
        except BaseException:
            if not latest:
                raise
            self.findings[latest["where"]] = latest["text"]


def where_it_arose(error: BaseException) -> str:
    """Type of the error and the last line of the toolkit's own it passed: one finding each."""
    own = [
        f"{Path(frame.filename).name}:{frame.lineno}"
        for frame in traceback.extract_tb(error.__traceback__)
        if "outcomes" in Path(frame.filename).parts
    ]
    return f"{type(error).__name__} at {own[-1] if own else '?'}"


def as_markdown(folder: Path) -> str:
    """Every run so far as a page of the documentation."""
    text = [
        "# Damaged records: does every one end in a clear line?",
        "",
        "Made by `tests/studies/fuzz.py`; nothing here is typed by hand. Small units are damaged "
        "by the thousand, in cells, headings, bytes, types, parts of the workbook and settings; "
        "then they are checked, read and joined. A finding is an input that ended in anything but "
        "a result or one clear line: a traceback, or a warning.",
        "",
        "| date | run | Python | program |",
        "|---|---|---|---|",
    ]
    for run in pd.read_csv(folder / "runs.csv").to_dict("records"):
        text.append(f"| {run['date']} | {run['options']} | {run['python']} | {run['program']} |")
    return "\n".join(text) + "\n"


def main() -> int:
    """Run for so many minutes and report."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    chosen = parser.parse_args()
    found = Fuzz()
    found.run(time.monotonic() + 60.0 * chosen.minutes, chosen.seed)
    for where, text_of in found.findings.items():
        sys.stdout.write(f"\n{where}\n{text_of}\n")
    ended = ", ".join(f"{how} {count:,}" for how, count in found.ended.most_common())
    sys.stdout.write(
        f"{found.inputs:,} inputs in {chosen.minutes:g} minutes: {ended}; slowest "
        f"{found.slowest:.1f} s; {len(found.findings)} findings\n"
    )
    told = (
        f"{chosen.minutes:g} minutes from seed {chosen.seed}: {found.inputs:,} inputs ({ended}); "
        f"{len(found.findings)} findings"
    )
    begin_run(FOLDER, told)
    PAGE.write_text(as_markdown(FOLDER), encoding="utf-8")
    return 1 if found.findings else 0


if __name__ == "__main__":
    raise SystemExit(main())
