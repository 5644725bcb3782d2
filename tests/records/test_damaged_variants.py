"""The demo unit, damaged in one way at a time: each damage gets the right finding."""

from __future__ import annotations

import csv
import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pandas as pd
import pytest

from outcomes.exposure.trials import join
from outcomes.records.read import examine_and_read, examine_records

DEMO = Path(__file__).parents[2] / "synthetic_data"
TODAY = dt.date(2026, 3, 14)
TABLES = ("sources", "storage", "trials", "dogs", "readings")

Damage = Callable[[Path], None]
Rows = list[list[str]]


# --- ways to damage -------------------------------------------------------------------------


def rows(table: str, change: Callable[[Rows], Rows | None]) -> Damage:
    """Change the rows of a table, header included."""

    def damage(folder: Path) -> None:
        file = folder / f"{table}.csv"
        with file.open(newline="", encoding="utf-8") as stream:
            before = list(csv.reader(stream))
        after = change(before)
        with file.open("w", newline="", encoding="utf-8") as stream:
            csv.writer(stream, lineterminator="\n").writerows(before if after is None else after)

    return damage


def raw(table: str, change: Callable[[bytes], bytes]) -> Damage:
    """Change the bytes of a table's file."""

    def damage(folder: Path) -> None:
        file = folder / f"{table}.csv"
        file.write_bytes(change(file.read_bytes()))

    return damage


def put(table: str, row: int, column: str, value: str) -> Damage:
    """Write one cell of a spreadsheet row (header = row 1)."""

    def change(found: Rows) -> None:
        found[row - 1][found[0].index(column)] = value

    return rows(table, change)


def add(table: str, like: int, **values: str) -> Damage:
    """Append a copy of a row with other values."""

    def change(found: Rows) -> None:
        line = list(found[like - 1])
        for name, value in values.items():
            line[found[0].index(name)] = value
        found.append(line)

    return rows(table, change)


def column(table: str, name: str, change: Callable[[str], str]) -> Damage:
    """Rewrite every filled cell of a column."""

    def damage(found: Rows) -> None:
        at = found[0].index(name)
        for line in found[1:]:
            line[at] = change(line[at]) if line[at] else ""

    return rows(table, damage)


def new_column(table: str, name: str, *values: str) -> Damage:
    """Append a column, filled from its first row on."""

    def damage(found: Rows) -> None:
        for number, line in enumerate(found):
            text = values[number - 1] if 0 < number <= len(values) else ""
            line.append(name if number == 0 else text)

    return rows(table, damage)


def rename(table: str, name: str, other: str) -> Damage:
    def change(found: Rows) -> None:
        found[0][found[0].index(name)] = other

    return rows(table, change)


def both(*damages: Damage) -> Damage:
    def damage(folder: Path) -> None:
        for one in damages:
            one(folder)

    return damage


def settings(text: str) -> Damage:
    return lambda folder: (folder / "unit.toml").write_text(text, encoding="utf-8") and None


def readings(*lines: str) -> Damage:
    text = "\n".join(("source_id,place_id,read_at,temperature_c", *lines)) + "\n"
    return lambda folder: (folder / "readings.csv").write_text(text, encoding="utf-8") and None


def workbook(folder: Path) -> None:
    """The same records as one workbook."""
    with pd.ExcelWriter(folder / "unit.xlsx") as book:
        for table in TABLES[:4]:
            frame = pd.read_csv(folder / f"{table}.csv", dtype=str)
            frame.to_excel(book, sheet_name=table, index=False)
            (folder / f"{table}.csv").unlink()


def in_workbook(change: Callable[[dict], None]) -> Damage:
    def damage(folder: Path) -> None:
        import openpyxl

        workbook(folder)
        book = openpyxl.load_workbook(folder / "unit.xlsx")
        change(book)
        book.save(folder / "unit.xlsx")

    return damage


def _minutes(text: str) -> str:
    return f"{int(text) // 60}:{int(text) % 60:02}"


class Variant(NamedTuple):
    """A damage, the rule that must find it, where, and what else follows from it."""

    name: str
    damage: Damage
    rule: str
    at: tuple[str, int | None, str | None]
    also: frozenset[str] = frozenset()


ALSO_TRIALS = frozenset({"source set aside"})
# Its source is then without a log from the day it was taken in.
WITHOUT_ITS_FIRST_MOVE = frozenset({"storage log begins late"})

VARIANTS = [
    # Files.
    Variant(
        "no storage log", lambda f: (f / "storage.csv").unlink(), "missing table",
        ("storage", None, None),
    ),
    Variant(
        "no trials", lambda f: (f / "trials.csv").unlink(), "missing table", ("trials", None, None)
    ),
    Variant(
        "the same table twice",
        lambda f: pd.read_csv(f / "dogs.csv").to_parquet(f / "dogs.parquet"),
        "table given twice", ("dogs", None, None),
    ),
    Variant("an empty file", raw("trials", lambda b: b""), "empty file", ("trials", None, None)),
    Variant(
        "only a header", rows("trials", lambda r: r[:1]), "no rows", ("trials", None, None)
    ),
    Variant(
        "an empty storage log", rows("storage", lambda r: r[:1]), "no storage rows",
        ("storage", None, None), frozenset({"source without storage history"}),
    ),
    Variant(
        "a blank first row", raw("trials", lambda b: b"\n" + b), "no header", ("trials", 1, None)
    ),
    Variant(
        "a title above the header", raw("trials", lambda b: b"Training log 2025\n" + b),
        "header not in row 1", ("trials", 1, None),
    ),
    Variant(
        "a binary file", raw("sources", lambda b: b"\x00\x01" + b), "unreadable file",
        ("sources", None, None),
    ),
    Variant(
        "a parquet file that is none",
        lambda f: (f / "dogs.csv").rename(f / "dogs.parquet") and None,
        "unreadable file", ("dogs", None, None),
    ),
    Variant(
        "an old encoding", both(
            put("sources", 2, "kind", "blood é"),
            raw("sources", lambda b: b.decode().encode("cp1252")),
        ),
        "Windows-1252 text", ("sources", None, None), frozenset({"spellings alike"}),
    ),
    Variant(
        "a quotation mark left open", raw("trials", lambda b: b.replace(b"Tilly", b'"Tilly', 1)),
        "unreadable file", ("trials", None, None),
    ),
    Variant(
        "two quotation marks rows apart",
        raw("trials", lambda b: b.replace(b"Tilly", b'"Tilly', 2)),
        "open quotation mark", ("trials", 2, "dog_id"),
    ),
    Variant(
        "a stray separator", raw("trials", lambda b: b.replace(b"\nT0002,", b"\nT0002,,", 1)),
        "more cells than the header", ("trials", 3, None),
    ),
    Variant(
        "a row that ends early",
        rows("trials", lambda r: [*r[:2], r[2][:9], *r[3:]]),
        "fewer cells than the header", ("trials", 3, None),
    ),
    Variant(
        "merged cells in the header",
        in_workbook(lambda book: book["trials"].merge_cells("A1:B1")),
        "merged header", ("trials", 1, None),
    ),
    Variant(
        "merged cells below it",
        in_workbook(lambda book: book["trials"].merge_cells("D5:D6")),
        "merged cells", ("trials", 5, "dog_id"),
    ),
    Variant(
        "a formula never worked out",
        in_workbook(lambda book: book["trials"].__setitem__("I2", "=60+76")),
        "formula without a value", ("trials", 2, "search_s"),
    ),
    Variant(
        "two sheets of one name",
        in_workbook(lambda book: setattr(book.copy_worksheet(book["dogs"]), "title", "Dogs ")),
        "table given twice", ("dogs", None, None),
    ),
    # Columns.
    Variant(
        "no result", rename("trials", "result", "outcome"), "missing column",
        ("trials", None, "result"), frozenset({"unknown column"}),
    ),
    Variant(
        "no date of acquisition", rename("sources", "acquired_on", "got"), "missing column",
        ("sources", None, "acquired_on"), frozenset({"unknown column"}),
    ),
    Variant(
        "no destination", rename("storage", "moved_to", "x"), "missing column",
        ("storage", None, "moved_to"), frozenset({"unknown column"}),
    ),
    Variant(
        "a column twice", new_column("trials", "result", "find"), "duplicate column",
        ("trials", None, "result"), frozenset({"repeated unknown column"}),
    ),
    Variant(
        "a column of the unit's own", new_column("trials", "remarks", "wet"), "unknown column",
        ("trials", None, "remarks"),
    ),
    Variant(
        "a column without a name", new_column("trials", "", "wet"), "unnamed column",
        ("trials", None, None),
    ),
    Variant(
        "a column named as an exposure", new_column("trials", "cycles", "4"),
        "column of an added name", ("trials", None, "cycles"), frozenset({"unknown column"}),
    ),
    Variant(
        "°F read as °C", column("trials", "temperature_c", lambda t: f"{float(t) * 1.8 + 50:.0f}"),
        "column in another unit", ("trials", None, "temperature_c"),
        frozenset({"impossible temperature"}),
    ),
    Variant(
        "a heading that names another unit",
        both(
            settings('[columns.trials]\nsearch_s = "Search (min)"\n'),
            raw("trials", lambda text: text.replace(b"search_s", b"Search (min)", 1)),
        ),
        "unit in the heading", ("trials", None, "Search (min)"),
    ),
    Variant(
        "a row of totals", add("trials", 2, trial_id="TOTAL:", started_at="", dog_id="1145"),
        "total row", ("trials", 1202, None),
    ),
    # Times.
    Variant(
        "a date that can be read two ways", put("trials", 2, "started_at", "03/04/2025 09:00"),
        "date ambiguous", ("trials", 2, "started_at"),
    ),
    Variant(
        "dates of both orders, and one of them said to hold",
        both(
            settings('date_order = "day first"\n'),
            put("trials", 2, "started_at", "04/09/2023 09:00"),
            put("trials", 3, "started_at", "26/10/2023 09:00"),
            put("trials", 4, "started_at", "10/26/23 10:47 AM"),
        ),
        "dates of both orders", ("trials", 2, "started_at"),
        frozenset({"date against the order"}),
    ),
    Variant(
        "a date that the stated order makes impossible",
        both(
            settings('date_order = "day first"\n'),
            put("trials", 2, "started_at", "10/26/23 10:47 AM"),
        ),
        "date against the order", ("trials", 2, "started_at"),
    ),
    Variant(
        "dates of the other order than is said to hold",
        both(
            settings('date_order = "day first"\n'),
            put("trials", 2, "started_at", "04/09/2023 09:00"),
            put("trials", 4, "started_at", "10/26/23 10:47 AM"),
        ),
        "date order in doubt", ("trials", 2, "started_at"),
        frozenset({"date against the order"}),
    ),
    Variant(
        "a date that does not exist", put("trials", 2, "started_at", "2025-02-30 09:00"),
        "date unreadable", ("trials", 2, "started_at"),
    ),
    Variant(
        "words for a date", put("storage", 2, "moved_at", "last spring"), "date unreadable",
        ("storage", 2, "moved_at"), WITHOUT_ITS_FIRST_MOVE,
    ),
    Variant(
        "a spreadsheet's date number", put("trials", 2, "started_at", "45689.375"),
        "spreadsheet date number", ("trials", 2, "started_at"),
    ),
    Variant(
        "a time zone", put("trials", 2, "started_at", "2023-09-04T09:00:00Z"), "time with a zone",
        ("trials", 2, "started_at"),
    ),
    Variant(
        "a year mistyped into the future", put("trials", 2, "started_at", "2033-09-04 09:00"),
        "date in the future", ("trials", 2, "started_at"),
    ),
    Variant(
        "a year mistyped into the past", put("sources", 2, "acquired_on", "0203-08-29"),
        "date unreadable", ("sources", 2, "acquired_on"), ALSO_TRIALS,
    ),
    Variant(
        "a dog born in 1905", put("dogs", 2, "born_on", "1905-09-09"), "date before 1950",
        ("dogs", 2, "born_on"),
    ),
    Variant(
        "qualified before it started", put("dogs", 2, "qualified_on", "2022-12-01"),
        "dog's dates out of order", ("dogs", 2, "qualified_on"),
    ),
    Variant(
        "a trial before the source was there", put("trials", 2, "started_at", "2021-09-04 09:00"),
        "before the source existed", ("trials", 2, "started_at"),
    ),
    Variant(
        "a move before the source was there", put("storage", 2, "moved_at", "2021-07-08"),
        "before the source existed", ("storage", 2, "moved_at"), WITHOUT_ITS_FIRST_MOVE,
    ),
    # Numbers and words.
    Variant(
        "a decimal comma", put("trials", 2, "wind_m_s", "1,3"), "comma in a number",
        ("trials", 2, "wind_m_s"),
    ),
    Variant(
        "a decimal point where commas are said", both(
            settings('decimal = ","\n'),
            column("trials", "wind_m_s", lambda t: t.replace(".", ",")),
            column("trials", "depth_cm", lambda t: t.replace(".", ",")),
            put("trials", 2, "wind_m_s", "1.3"),
        ),
        "point in a number", ("trials", 2, "wind_m_s"),
    ),
    Variant(
        "a unit in the cell", put("trials", 2, "wind_m_s", "3 mph"), "number with a unit in it",
        ("trials", 2, "wind_m_s"),
    ),
    Variant(
        "minutes and seconds", column("trials", "search_s", _minutes), "minutes and seconds",
        ("trials", 2, "search_s"),
    ),
    Variant(
        "seconds where minutes and seconds are said",
        both(settings('[units]\nsearch_s = "mm:ss"\n'), column("trials", "search_s", _minutes),
             put("trials", 2, "search_s", "136")),
        "not minutes and seconds", ("trials", 2, "search_s"),
    ),
    Variant(
        "a clock time among seconds", put("trials", 2, "search_s", "1:30"),
        "clock times among numbers", ("trials", 2, "search_s"),
    ),
    Variant(
        "3-4 made a date", put("trials", 2, "false_alerts", "2026-04-03"), "date for a number",
        ("trials", 2, "false_alerts"),
    ),
    Variant(
        "a find that says it is none", put("trials", 2, "search_s", "not found"),
        "result contradicts search time", ("trials", 2, "search_s"),
        frozenset({"number unreadable"}),
    ),
    Variant(
        "a log of another name",
        lambda f: (f / "storage.csv").rename(f / "Freezer log.csv") and None,
        "missing table", ("storage", None, None),
    ),
    Variant(
        "a list of dogs of another name",
        lambda f: (f / "dogs.csv").rename(f / "Our dogs.csv") and None,
        "table under another name", ("dogs", None, None),
    ),
    Variant(
        "a word for a number", put("trials", 2, "search_s", "quick"), "number unreadable",
        ("trials", 2, "search_s"),
    ),
    Variant(
        "an infinite number", put("trials", 2, "search_s", "1e400"), "number unreadable",
        ("trials", 2, "search_s"),
    ),
    Variant(
        "a negative time", put("trials", 2, "search_s", "-136"), "number out of range",
        ("trials", 2, "search_s"),
    ),
    Variant(
        "humidity above 100 %", put("trials", 2, "humidity_pct", "710"), "number out of range",
        ("trials", 2, "humidity_pct"),
    ),
    Variant(
        "half a false alert", put("trials", 2, "false_alerts", "0.5"), "not a whole number",
        ("trials", 2, "false_alerts"),
    ),
    Variant(
        "a temperature of 200 °C", put("trials", 2, "temperature_c", "200"),
        "impossible temperature", ("trials", 2, "temperature_c"),
    ),
    Variant(
        "a refrigerator at 39 °C", put("storage", 2, "temperature_c", "39"),
        "impossible storage temperature", ("storage", 2, "temperature_c"),
    ),
    Variant(
        "a spreadsheet's error", put("trials", 2, "dog_id", "#REF!"), "spreadsheet error",
        ("trials", 2, "dog_id"),
    ),
    Variant(
        "an unknown result", put("trials", 2, "result", "hit"), "unknown word",
        ("trials", 2, "result"),
    ),
    Variant(
        "an unknown place to keep it", put("storage", 2, "moved_to", "cellar"), "unknown word",
        ("storage", 2, "moved_to"), WITHOUT_ITS_FIRST_MOVE,
    ),
    Variant(
        "a line break in a name", put("trials", 2, "handler_id", "H\n4"), "line break in a name",
        ("trials", 2, "handler_id"),
    ),
    Variant(
        "an essay in a name", put("trials", 2, "handler_id", "H" * 300), "text too long",
        ("trials", 2, "handler_id"),
    ),
    Variant(
        "no dog", put("trials", 2, "dog_id", ""), "empty needed value", ("trials", 2, "dog_id")
    ),
    Variant(
        "no kind", put("sources", 2, "kind", ""), "empty needed value", ("sources", 2, "kind"),
        ALSO_TRIALS,
    ),
    # Rows against each other.
    Variant(
        "a row twice", add("trials", 2), "identical rows", ("trials", 1202, "trial_id")
    ),
    Variant(
        "a move twice", add("storage", 2), "identical rows", ("storage", 908, "source_id"),
        frozenset({"moves out of order", "move after discard"}),
    ),
    Variant(
        "one number for two trials", put("trials", 3, "trial_id", "T0001"), "duplicate id",
        ("trials", 3, "trial_id"),
    ),
    Variant(
        "one label for two sources", put("sources", 3, "source_id", "BLD-01"), "duplicate id",
        ("sources", 3, "source_id"),
        frozenset({"unknown source", "source set aside"}),
    ),
    Variant(
        "a source nobody has", put("trials", 2, "source_id", "FAT-99"), "unknown source",
        ("trials", 2, "source_id"),
    ),
    Variant(
        "a move of a source nobody has", put("storage", 2, "source_id", "BON-99"),
        "unknown source", ("storage", 2, "source_id"), WITHOUT_ITS_FIRST_MOVE,
    ),
    Variant(
        "a dog nobody has", put("trials", 2, "dog_id", "Tily"), "unknown dog",
        ("trials", 2, "dog_id"),
    ),
    Variant(
        "another spelling of a kind", put("sources", 2, "kind", "Blood "), "spellings alike",
        ("sources", 3, "kind"),
    ),
    Variant(
        "a source set aside with its trials", put("sources", 2, "age_at_acquisition_days", "old"),
        "source set aside", ("storage", 14, "source_id"), frozenset({"number unreadable"}),
    ),
    Variant(
        "a portion of nothing", new_column("sources", "parent_id", "BLD-99"), "unknown parent",
        ("sources", 2, "parent_id"), ALSO_TRIALS,
    ),
    Variant(
        "a portion of itself", new_column("sources", "parent_id", "BLD-01"), "portion of itself",
        ("sources", 2, "parent_id"), ALSO_TRIALS,
    ),
    Variant(
        "a portion of a younger source", new_column("sources", "parent_id", "BLD-05"),
        "parent acquired later", ("sources", 2, "parent_id"), ALSO_TRIALS,
    ),
    Variant(
        "two portions of each other",
        both(new_column("sources", "parent_id", "BLD-02", "BLD-01"),
             put("sources", 3, "acquired_on", "2023-08-29")),
        "ring of portions", ("sources", 2, "parent_id"),
        ALSO_TRIALS | {"before the source existed"},
    ),
    Variant(
        "a portion of a source set aside",
        both(new_column("sources", "parent_id", "", "", "BLD-02"), put("sources", 3, "kind", "")),
        "parent set aside", ("sources", 4, "parent_id"), ALSO_TRIALS | {"empty needed value"},
    ),
    # Storage.
    Variant(
        "moves out of order", rows("storage", lambda r: [r[0], *r[:0:-1]]), "moves out of order",
        ("storage", 4, "moved_at"),
    ),
    Variant(
        "two places at one minute",
        add("storage", 907, moved_to="freezer", temperature_c=""), "two moves at one time",
        ("storage", 908, "moved_at"),
    ),
    Variant(
        "twice to the same place", add("storage", 907, moved_at="2026-02-28"),
        "move to the same place", ("storage", 908, "moved_to"),
    ),
    Variant(
        "moved after it was discarded",
        add("storage", 2, source_id="BON-01", moved_at="2023-12-01"), "move after discard",
        ("storage", 908, "moved_at"),
    ),
    Variant(
        "used after it was discarded",
        add("storage", 2, source_id="FAT-04", moved_at="2023-09-04 08:00", moved_to="discarded"),
        "trial on a discarded source", ("trials", 2, "started_at"),
        frozenset({"move after discard", "moves out of order"}),
    ),
    Variant(
        "never moved at all",
        rows("storage", lambda r: [line for line in r if line[0] != "BLD-01"]),
        "source without storage history", ("sources", 2, "source_id"),
    ),
    Variant(
        "taken out without a note",
        rows("storage", lambda r: [r[0], *(m for m in r[1:] if m[2] in ("freezer", "discarded"))]),
        "trial while in the freezer", ("trials", 5, "started_at"),
        frozenset({"move to the same place", "source without storage history"})
        | WITHOUT_ITS_FIRST_MOVE,
    ),
    # Trials.
    Variant(
        "a find on a blank area", put("trials", 3, "result", "find"),
        "result contradicts blank area", ("trials", 3, "result"),
    ),
    Variant(
        "a hide called clear", put("trials", 2, "result", "clear"),
        "result contradicts blank area", ("trials", 2, "result"),
    ),
    Variant(
        "clear, with a false alert", put("trials", 3, "false_alerts", "1"),
        "result contradicts false alerts", ("trials", 3, "false_alerts"),
    ),
    Variant(
        "a search of no time", put("trials", 2, "search_s", "0"), "search time zero",
        ("trials", 2, "search_s"),
    ),
    Variant(
        "found after the limit", put("trials", 2, "search_s", "1300"), "find over the limit",
        ("trials", 2, "search_s"), frozenset({"one dog in two trials"}),
    ),
    Variant(
        "found at the limit", put("trials", 2, "search_s", "1200"), "find at the limit",
        ("trials", 2, "search_s"),
    ),
    Variant(
        "searched beyond the limit", put("trials", 3, "search_s", "1201"), "search over the limit",
        ("trials", 3, "search_s"),
    ),
    Variant(
        "two searches of one dog at once", put("trials", 3, "started_at", "2023-09-04 09:01"),
        "one dog in two trials", ("trials", 3, "started_at"),
    ),
    # Readings.
    Variant(
        "readings without a time",
        both(readings("BLD-01,,2024-01-01 08:00,-18"), rename("readings", "read_at", "x")),
        "missing column", ("readings", None, "read_at"), frozenset({"unknown column"}),
    ),
    Variant(
        "a reading of nothing", readings(",,2024-01-01 08:00,-18"), "reading of nothing",
        ("readings", 2, "source_id"),
    ),
    Variant(
        "a reading of a source and a place", readings("BLD-01,freezer,2024-01-01 08:00,-18"),
        "reading of two things", ("readings", 2, "place_id"),
    ),
    Variant(
        "a reading of a place nobody uses", readings(",attic,2024-01-01 08:00,-18"),
        "unknown place", ("readings", 2, "place_id"),
    ),
    Variant(
        "a reading of a source nobody has", readings("BLD-77,,2024-01-01 08:00,-18"),
        "unknown source", ("readings", 2, "source_id"),
    ),
    Variant(
        "an hour read twice as clocks went back",
        readings(",freezer,2024-10-27 02:30,-18", ",freezer,2024-10-27 02:30,-17"),
        "two readings at one time", ("readings", 3, "read_at"),
    ),
    Variant(
        "a logger without a battery",
        readings(",freezer,2024-10-27 02:30,-18", ",freezer,2024-12-27 02:30,-17"),
        "gap in the readings", ("readings", 3, "read_at"),
    ),
    Variant(
        "a freezer read in °F",
        readings(",freezer,2024-10-27 02:30,0.5", ",freezer,2024-10-27 03:30,1.5"),
        "readings unlike the place", ("readings", 2, "temperature_c"),
    ),
    Variant(
        "one name for a freezer and a refrigerator",
        both(new_column("storage", "place_id", "A", "A"), readings(",A,2024-10-27 02:30,3")),
        "place of two kinds", ("storage", 3, "place_id"),
    ),
    Variant(
        "an impossible reading",
        readings(",freezer,2024-10-27 02:30,-18", ",freezer,2024-10-27 03:30,999"),
        "impossible temperature", ("readings", 3, "temperature_c"),
    ),
]  # fmt: skip


@pytest.fixture(scope="module")
def usual() -> set[str]:
    """Rules that the demo unit itself calls up, all of them notes."""
    found = examine_records(DEMO, today=TODAY)
    assert found.set_aside == found.stops == ()
    return {f.rule for f in found.findings}


def _damaged(variant: Variant, folder: Path) -> Path:
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("README.md", "truth.toml"))
    variant.damage(folder)
    book = folder / "unit.xlsx"
    return book if book.exists() else folder


def _handed_over(path: Path) -> dict[str, int]:
    """Rows of each table that are not blank, counted by another reader."""
    if path.suffix == ".xlsx":
        sheets = pd.read_excel(path, sheet_name=None, dtype=str)
        return {name.strip().lower(): len(s.dropna(how="all")) for name, s in sheets.items()}
    return {
        file.stem: sum(any(cell.strip() for cell in line) for line in _lines(file)) - 1
        for file in path.glob("*.csv")
    }


def _lines(file: Path) -> Rows:
    text = file.read_bytes().decode("utf-8", errors="replace").replace("\x00", "")
    return list(csv.reader(text.splitlines(keepends=True)))


@pytest.mark.slow
@pytest.mark.parametrize("variant", VARIANTS, ids=[v.name for v in VARIANTS])
def test_a_damage_gets_its_finding_and_every_row_is_accounted_for(
    variant: Variant, tmp_path: Path, usual: set[str]
) -> None:
    path = _damaged(variant, tmp_path / "unit")
    found, records = examine_and_read(path, today=TODAY)
    where = [(f.table, f.row, f.column) for f in found.findings if f.rule == variant.rule]
    assert variant.at in where, sorted({f.rule for f in found.findings} - usual)
    assert {f.rule for f in found.findings} - usual <= {variant.rule} | variant.also
    handed = _handed_over(path)
    for table, rows_in in found.rows_in.items():
        aside = {f.row for f in found.set_aside if f.table == table}
        assert rows_in == handed[table]
        assert rows_in == found.used[table] + len(aside)
    assert (records is None) == bool(found.stops)
    if records is None:
        return
    for table, rows_in in found.rows_in.items():
        aside = {f.row for f in records.set_aside if f.table == table}
        used = set(getattr(records, table)["row"])
        assert not used & aside
        assert len(used) + len(aside) == rows_in
    joined = join(records)
    left = {f.row for f in (*records.set_aside, *joined.set_aside) if f.table == "trials"}
    assert len(joined.trials) + len(left) == found.rows_in["trials"]


def test_there_are_more_than_sixty_damages_and_no_two_of_one_name() -> None:
    assert len(VARIANTS) > 60
    assert len({v.name for v in VARIANTS}) == len(VARIANTS)
