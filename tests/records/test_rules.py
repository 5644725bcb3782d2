"""Every rule: an example that breaks it and only it, where it is reported, and what it does."""

import copy
import csv
import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pandas as pd
import pytest
from openpyxl import Workbook

from outcomes.exposure.trials import join
from outcomes.records.checking.rules import RULES, VALUE_RULES
from outcomes.records.columns import ADDED, TABLES
from outcomes.records.read import examine_and_read, examine_records, read_records
from outcomes.records.tables import Examination, Records
from tests.records.conftest import CLEAN, Tables, write_tables

TODAY = dt.date(2026, 3, 14)

Change = Callable[[dict], None]
Read = tuple[Tables, Examination, Records | None]


def put(table: str, row: int, **values: str) -> Change:
    """Overwrite cells of a spreadsheet row (header = row 1)."""
    return lambda tables: tables[table][row - 2].update(values)


def add(table: str, like: int, **values: str) -> Change:
    """Append a copy of a row with other values."""
    return lambda tables: tables[table].append({**tables[table][like - 2], **values})


def rename(table: str, column: str, name: str) -> Change:
    def change(tables: dict) -> None:
        for row in tables[table]:
            row[name] = row.pop(column)

    return change


def both(*changes: Change) -> Change:
    return lambda tables: [change(tables) for change in changes]


def readings(*rows: tuple[str, str, str, str]) -> Change:
    """Hand over readings: source, place, time, temperature."""
    names = ("source_id", "place_id", "read_at", "temperature_c")
    return lambda tables: tables.update(
        readings=[dict(zip(names, row, strict=True)) for row in rows]
    )


def inspections(*rows: dict[str, str]) -> Change:
    """Hand over inspections of S1, by what was found."""
    return lambda t: t.update(
        inspections=[
            {"source_id": "S1", "inspected_at": f"2025-02-{k:02d}", "mass_g": "", "drip_g": "",
             "ice_damage": "", "blind": ""} | row
            for k, row in enumerate(rows, start=2)
        ]
    )  # fmt: skip


read_a = readings(("", "A", "2025-02-01 08:00", "4"))


no_end = both(*(put("trials", row, ended_at="") for row in range(2, 8)))
both_orders = both(
    put("trials", 2, started_at="26/02/2025"),
    put("trials", 3, started_at="02/26/2025 10:47 AM"),
    put("trials", 4, started_at="03/04/2025 11:30"),
    put("trials", 5, started_at="02/02/2025 09:30"),
)


_ASIDE = {"source set aside", "parent set aside"}
# What else a breach of a rule brings with it in these examples; all others bring nothing.
ALSO: dict[str, set[str]] = {
    **dict.fromkeys(
        ("empty needed value", "number unreadable", "date for a number", "unknown parent",
         "portion of itself", "ring of portions", "parent acquired later"),
        _ASIDE,
    ),
    "source set aside": {"empty needed value"},
    "parent set aside": {"empty needed value", *_ASIDE},
    "duplicate id": {"unknown source", *_ASIDE},
    "date unreadable": {"storage log begins late", *_ASIDE},
    "date for a place": {"trial while in the freezer", "move to the same place"},
    "before the source existed": {"storage log begins late"},
    "dates of both orders": {"date against the order", "trial while in the freezer"},
    "date against the order": {"trial while in the freezer"},
    "date order in doubt": {"date against the order"},
    "missing column": {"unknown column"},
    "duplicate column": {"empty needed value"},
    "column of an added name": {"unknown column"},
    "repeated unknown column": {"unknown column"},
    "control characters": {"unknown column"},
    "column in another unit": {"impossible temperature"},
    "result contradicts search time": {"number unreadable"},
    "two moves at one time, order unknown": {"move to the same place"},
    "no storage rows": {"source without storage history"},
    "place of two kinds": {"readings unlike the place"},
}  # fmt: skip


class Case(NamedTuple):
    """A change to the clean unit, and where the rule must report it."""

    rule: str
    change: Change
    at: list[tuple]  # (table, row, column, value), in order
    settings: str | None = None


def cell(rule: str, table: str, row: int, **value: str) -> Case:
    """One cell overwritten, and the rule told there."""
    ((column, text),) = value.items()
    return Case(rule, put(table, row, **value), [(table, row, column, text)])


CASES = [
    Case(
        "inspection of nothing",
        inspections({"mass_g": "50"}, {}),
        [("inspections", 3, "inspected_at", "2025-02-03")],
    ),
    Case(
        "drip above mass",
        inspections({"mass_g": "50", "drip_g": "60"}),
        [("inspections", 2, "drip_g", "60")],
    ),
    Case(
        "mass that rises",
        inspections({"mass_g": "50"}, {"mass_g": "49"}, {"mass_g": "49.5"}, {"mass_g": "55"}),
        [("inspections", 5, "mass_g", "55")],
    ),
    Case(
        "number out of range",
        inspections({"ice_damage": "4"}, {"ice_damage": "3"}),
        [("inspections", 2, "ice_damage", "4")],
    ),
    Case(
        "unknown source",
        inspections({"source_id": "S9", "mass_g": "50"}),
        [("inspections", 2, "source_id", "S9")],
    ),
    Case(
        "before the source existed",
        inspections({"inspected_at": "2024-12-01", "mass_g": "50"}),
        [("inspections", 2, "inspected_at", "2024-12-01")],
    ),
    Case("no storage log", lambda t: t.pop("storage"), [("storage", None, None, None)]),
    Case(
        "discarded before it was acquired",
        put("sources", 3, discarded_on="2024-12-01"),
        [("sources", 3, "discarded_on", "2024-12-01")],
    ),
    Case(
        "long at ambient temperature",
        both(
            add("storage", 6, moved_at="2025-03-10", moved_to="ambient"),
            add("storage", 6, moved_at="2025-03-20", moved_to="freezer"),
        ),
        [("storage", 7, "moved_at", "2025-03-10")],
    ),
    Case(
        "date for a place",
        put("storage", 3, moved_to="2025-02-01 17:00"),
        [("storage", 3, "moved_to", "2025-02-01 17:00")],
    ),
    Case(
        "vague date",
        put("sources", 2, acquired_on="2024"),
        [("sources", 2, "acquired_on", "2024")],
    ),
    Case(
        "search ended before it began",
        both(no_end, put("trials", 2, ended_at="2025-02-01 05:00")),
        [("trials", 2, "ended_at", "2025-02-01 05:00")],
    ),
    Case(
        "search ended as it began",
        both(no_end, put("trials", 4, search_s="", ended_at="2025-02-01 11:30")),
        [("trials", 4, "ended_at", "2025-02-01 11:30")],
    ),
    Case(
        "rows that may be copies",
        both(
            lambda t: [row.pop("trial_id") for row in t["trials"]],
            put("trials", 2, started_at="2025-02-01"),
            add("trials", 2),
        ),
        [("trials", 8, "started_at", "2025-02-01")],
    ),
    Case("missing table", lambda t: t.pop("trials"), [("trials", None, None, None)]),
    Case(
        "missing table",
        lambda t: t.update({"Freezer log": t.pop("storage")}),
        [("storage", None, None, None)],
    ),
    Case(
        "no rows",
        lambda t: t.update(trials=[dict.fromkeys(t["trials"][0], "")]),
        [("trials", None, None, None)],
    ),
    Case(
        "missing column", rename("trials", "result", "Outcome"), [("trials", None, "result", None)]
    ),
    Case(
        "missing column",
        rename("sources", "acquired_on", "got"),
        [("sources", None, "acquired_on", None)],
    ),
    Case(
        "missing column", rename("storage", "moved_to", "x"), [("storage", None, "moved_to", None)]
    ),
    Case(
        "missing column",
        both(readings(("S1", "", "2025-02-01", "-18")), rename("readings", "read_at", "x")),
        [("readings", None, "read_at", None)],
    ),
    Case(
        "missing column",
        lambda t: None,
        [("trials", None, "Outcome", None)],
        '[columns.trials]\nresult = "Outcome"\n',
    ),
    Case(
        "duplicate column",
        put("trials", 2, Outcome="find"),
        [("trials", None, "Outcome", None)],
        '[columns.trials]\nresult = "Outcome"\n',
    ),
    Case(
        "column in another unit",
        lambda t: [row.update(temperature_c="68") for row in t["trials"]],
        [("trials", None, "temperature_c", None)],
    ),
    Case(
        "unit in the heading",
        rename("trials", "search_s", "Time (mins)"),
        [("trials", None, "Time (mins)", None)],
        '[columns.trials]\nsearch_s = "Time (mins)"\n',
    ),
    Case(
        "total row",
        add("trials", 2, trial_id="Total", source_id="", dog_id="", result="", search_s="812"),
        [("trials", 8, None, None)],
    ),
    Case(
        "total row",
        add("trials", 2, trial_id=" ", source_id="", session_id="", started_at="", dog_id="Sum:"),
        [("trials", 8, None, None)],
    ),
    cell("spreadsheet error", "trials", 2, dog_id="#REF!"),
    cell("line break in a name", "trials", 2, trial_id="T\n1"),
    cell("text too long", "trials", 2, trial_id="T" * 201),
    cell("empty needed value", "trials", 4, dog_id="  "),
    Case("empty needed value", put("sources", 4, kind=""), [("sources", 4, "kind", None)]),
    cell("unknown word", "trials", 2, result="hit"),
    cell("unknown word", "trials", 2, assisted="x"),
    cell("number unreadable", "trials", 2, search_s="long"),
    cell("number unreadable", "trials", 2, search_s="1e400"),
    cell("number unreadable", "sources", 2, age_at_acquisition_days="old"),
    cell("number unreadable", "trials", 2, temperature_c="=1+2"),
    cell("number with a unit in it", "trials", 2, temperature_c="54 R"),
    cell("comma in a number", "trials", 2, temperature_c="12,5"),
    Case(
        "point in a number",
        both(
            lambda t: [r.update(temperature_c="12,5") for r in t["trials"]],
            put("trials", 2, temperature_c="1.200"),
        ),
        [("trials", 2, "temperature_c", "1.200")],
        'decimal = ","\n',
    ),
    Case(
        "minutes and seconds",
        lambda t: [r.update(search_s="1:30") for r in t["trials"]],
        [("trials", row, "search_s", "1:30") for row in range(2, 8)],
    ),
    cell("clock times among numbers", "trials", 2, search_s="1:30"),
    Case(
        "date for a number",
        both(put("trials", 2, false_alerts="2026-03-04"), put("trials", 3, limit_s="4-Mar")),
        [("trials", 2, "false_alerts", "2026-03-04"), ("trials", 3, "limit_s", "4-Mar")],
    ),
    cell("date for a number", "sources", 2, age_at_acquisition_days="03.04.2026"),
    cell("result contradicts search time", "trials", 2, search_s="not found"),
    Case("result contradicts search time", put("trials", 3, search_s="not found"), []),
    Case("result contradicts search time", put("trials", 4, search_s="not found"), []),
    Case(
        "table under another name",
        lambda t: t.update({"Dog list": t.pop("dogs")}),
        [("dogs", None, None, None)],
    ),
    Case(
        "not minutes and seconds",
        both(
            lambda t: [r.update(search_s="1:30") for r in t["trials"]],
            put("trials", 2, search_s="90"),
        ),
        [("trials", 2, "search_s", "90")],
        '[units]\nsearch_s = "mm:ss"\n',
    ),
    cell("not a whole number", "trials", 2, false_alerts="0.5"),
    cell("number out of range", "trials", 2, false_alerts="-1"),
    cell("number out of range", "trials", 2, search_s="-45"),
    cell("number out of range", "trials", 2, humidity_pct="710"),
    cell("impossible temperature", "trials", 2, temperature_c="68"),
    cell("impossible storage temperature", "storage", 5, temperature_c="39"),
    cell("date unreadable", "trials", 2, started_at="last Monday"),
    cell("date unreadable", "trials", 2, started_at="2025-02-30"),
    cell("date unreadable", "sources", 2, acquired_on="0203-08-29"),
    cell("date unreadable", "storage", 2, moved_at="last spring"),
    cell("date ambiguous", "trials", 2, started_at="03/04/2025 09:30"),
    Case("dates of both orders", both_orders, [("trials", 4, "started_at", "03/04/2025 11:30")]),
    Case(
        "dates of both orders",
        both_orders,
        [("trials", 4, "started_at", "03/04/2025 11:30")],
        'date_order = "day first"\n',
    ),
    Case(
        "dates of both orders",
        both_orders,
        [("trials", 4, "started_at", "03/04/2025 11:30")],
        'date_order = "month first"\n',
    ),
    Case(
        "dates of both orders",
        both(
            put("dogs", 2, born_on="26/04/2019", started_on="1/2/21"),
            add("dogs", 2, dog_id="Cedar", born_on="04/26/2019"),
            add("dogs", 2, dog_id="Dogwood", born_on="4/5/2019"),
        ),
        [("dogs", 5, "born_on", "4/5/2019")],
        'date_order = "day first"\n',
    ),
    Case(
        "date against the order",
        both(
            put("trials", 2, started_at="26/02/2025"),
            put("trials", 3, started_at="02/26/2025 10:47 AM"),
        ),
        [("trials", 3, "started_at", "02/26/2025 10:47 AM")],
        'date_order = "day first"\n',
    ),
    Case(
        "date order in doubt",
        both(
            put("trials", 2, started_at="02/26/2025"),
            put("trials", 3, started_at="03/04/2025 11:30"),
        ),
        [("trials", 3, "started_at", "03/04/2025 11:30")],
        'date_order = "day first"\n',
    ),
    cell("time with a zone", "trials", 2, started_at="2025-02-01T09:30:00Z"),
    cell("time with a zone", "trials", 2, started_at="2025-02-01 09:30+01:00"),
    cell("spreadsheet date number", "trials", 2, started_at="45689.4"),
    cell("date in the future", "trials", 2, started_at="2026-03-16"),
    cell("date before 1950", "dogs", 2, born_on="1919-04-01"),
    Case("identical rows", add("trials", 2), [("trials", 8, "trial_id", "T1")]),
    Case("identical rows", add("storage", 5), [("storage", 7, "source_id", "S2")]),
    Case(
        "duplicate id",
        add("trials", 2, search_s="46"),
        [("trials", 2, "trial_id", "T1"), ("trials", 8, "trial_id", "T1")],
    ),
    Case(
        "duplicate id",
        put("sources", 3, source_id="S1"),
        [("sources", 2, "source_id", "S1"), ("sources", 3, "source_id", "S1")],
    ),
    cell("unknown source", "trials", 5, source_id="S-2x"),
    Case("unknown source", add("storage", 5, source_id="S9"), [("storage", 7, "source_id", "S9")]),
    cell("unknown dog", "trials", 4, dog_id="Ashe"),
    Case(
        "source set aside",
        put("sources", 3, acquired_on=""),
        [("storage", 5, "source_id", "S2"), ("trials", 5, "source_id", "S2")],
    ),
    cell("unknown parent", "sources", 4, parent_id="S7"),
    cell("portion of itself", "sources", 4, parent_id="P1"),
    Case(
        "ring of portions",
        both(put("sources", 2, parent_id="P1"), put("sources", 4, acquired_on="2025-01-01")),
        [("sources", 2, "parent_id", "P1"), ("sources", 4, "parent_id", "S1")],
    ),
    Case(
        "parent acquired later",
        put("sources", 4, acquired_on="2024-12-01"),
        [("sources", 4, "parent_id", "S1")],
    ),
    Case("parent set aside", put("sources", 2, kind=""), [("sources", 4, "parent_id", "S1")]),
    cell("before the source existed", "trials", 5, started_at="2025-01-04 23:59"),
    cell("before the source existed", "storage", 2, moved_at="2024-12-31"),
    Case(
        "move after discard",
        both(
            add("storage", 5, moved_at="2025-04-01", moved_to="discarded", temperature_c=""),
            add("storage", 5, moved_at="2025-04-02", moved_to="ambient", temperature_c=""),
        ),
        [("storage", 8, "moved_at", "2025-04-02")],
    ),
    Case(
        "two moves at one time, order unknown",
        both(
            add("storage", 5, moved_at="2025-05-01"),
            add("storage", 5, moved_at="2025-06-01"),
            add("storage", 5, moved_at="2025-05-01", moved_to="ambient", temperature_c=""),
        ),
        [("storage", 7, "moved_at", "2025-05-01"), ("storage", 9, "moved_at", "2025-05-01")],
    ),
    Case(
        "trial on a discarded source",
        add("storage", 5, moved_at="2025-02-01 18:00", moved_to="discarded", temperature_c=""),
        [("trials", 5, "started_at", "2025-02-02 09:30")],
    ),
    cell("result contradicts blank area", "trials", 4, result="find"),
    cell("result contradicts blank area", "trials", 2, result="clear"),
    cell("result contradicts false alerts", "trials", 4, false_alerts="2"),
    cell("result contradicts false alerts", "trials", 7, false_alerts="0"),
    cell("search time zero", "trials", 2, search_s="0"),
    cell("find over the limit", "trials", 2, search_s="301"),
    Case("unknown column", put("trials", 2, remarks="wet"), [("trials", None, "remarks", None)]),
    Case(
        "column of an added name",
        put("trials", 2, age_days="3"),
        [("trials", None, "age_days", None)],
    ),
    Case(
        "no storage rows",
        lambda t: t.update(storage=[dict.fromkeys(t["storage"][0], "")]),
        [("storage", None, None, None)],
    ),
    Case(
        "source without storage history",
        lambda t: t["storage"].pop(3),
        [("sources", 3, "source_id", "S2")],
    ),
    Case(
        "storage log begins late",
        lambda t: t["sources"][0].update(acquired_on="2023-01-01"),
        [("sources", 2, "acquired_on", "2023-01-01")],
    ),
    Case(
        "moves out of order",
        lambda t: t["storage"].append(t["storage"].pop(1)),
        [("storage", 6, "moved_at", "2025-02-01 08:00")],
    ),
    Case(
        "two moves at one time",
        both(
            add("storage", 5, moved_at="2025-05-01", moved_to="ambient", temperature_c=""),
            add("storage", 5, moved_at="2025-05-01"),
        ),
        [("storage", 7, "moved_at", "2025-05-01"), ("storage", 8, "moved_at", "2025-05-01")],
    ),
    Case(
        "move to the same place",
        add("storage", 5, moved_at="2025-05-01"),
        [("storage", 7, "moved_to", "refrigerator")],
    ),
    Case(
        "discarded on a busy day",
        add("storage", 5, moved_at="2025-02-02", moved_to="discarded", temperature_c=""),
        [("storage", 7, "moved_at", "2025-02-02")],
    ),
    cell("trial while in the freezer", "trials", 2, started_at="2025-02-01 07:30"),
    Case("miss without a time", put("trials", 3, search_s=""), [("trials", 3, "search_s", None)]),
    cell("search over the limit", "trials", 3, search_s="310"),
    cell("find at the limit", "trials", 2, search_s="300"),
    Case(
        "one dog in two trials",
        add("trials", 4, trial_id="T7", started_at="2025-02-01 11:31", search_s="100"),
        [],
    ),
    Case(
        "one dog in two trials",
        both(
            put("trials", 4, search_s="280"),
            add("trials", 4, trial_id="T7", started_at="2025-02-01 11:33"),
        ),
        [("trials", 8, "started_at", "2025-02-01 11:33")],
    ),
    cell("dog's dates out of order", "dogs", 2, started_on="2018-01-01"),
    cell("dog's dates out of order", "dogs", 2, qualified_on="2020-12-01"),
    Case(
        "unknown source",
        readings(("S1", "", "2025-02-01 08:00", "-18"), ("S8", "", "2025-02-01 08:00", "-18")),
        [("readings", 3, "source_id", "S8")],
    ),
    Case(
        "before the source existed",
        readings(("S1", "", "2024-12-31 08:00", "-18")),
        [("readings", 2, "read_at", "2024-12-31 08:00")],
    ),
    Case(
        "unknown place",
        readings(("", "Frezer", "2025-02-01 08:00", "-18")),
        [("readings", 2, "place_id", "Frezer")],
    ),
    Case(
        "reading of nothing",
        readings(("S1", "", "2025-02-01 08:00", "-18"), ("", "", "2025-02-01 09:00", "-18")),
        [("readings", 3, "source_id", None)],
    ),
    Case(
        "reading of two things",
        readings(("S1", "freezer", "2025-02-01 08:00", "-18")),
        [("readings", 2, "place_id", "freezer")],
    ),
    Case(
        "two readings at one time",
        readings(
            ("", "freezer", "2025-10-26 02:30", "-18"),
            ("", "freezer", "2025-10-26 02:30", "-17"),
            ("", "refrigerator", "2025-10-26 02:30", "4"),
        ),
        [
            ("readings", 2, "read_at", "2025-10-26 02:30"),
            ("readings", 3, "read_at", "2025-10-26 02:30"),
        ],
    ),
    Case(
        "identical rows",
        readings(*[("S1", "", "2025-02-01 08:00", "-18")] * 2),
        [("readings", 3, "read_at", "2025-02-01 08:00")],
    ),
    Case(
        "impossible temperature",
        readings(("S1", "", "2025-02-01 08:00", "99"), ("S1", "", "2025-02-01 09:00", "-18")),
        [("readings", 2, "temperature_c", "99")],
    ),
    Case(
        "empty needed value",
        readings(("S1", "", "2025-02-01 08:00", ""), ("S1", "", "2025-02-01 09:00", "-18")),
        [("readings", 2, "temperature_c", None)],
    ),
    Case(
        "gap in the readings",
        readings(
            ("", "freezer", "2025-02-01 08:00", "-18"),
            ("", "freezer", "2025-02-01 11:00", "-18"),
            ("", "freezer", "2025-02-01 10:00", "-18"),
            ("", "freezer", "2025-02-08 10:00", "-18"),
            ("", "freezer", "2025-02-05 10:00", "-18"),
            ("S1", "", "2025-02-09 10:00", "-18"),
        ),
        [("readings", 6, "read_at", "2025-02-05 10:00")],
    ),
    Case(
        "gap in the readings",
        readings(("S1", "", "2025-02-01 08:00", "-18"), ("S1", "", "2025-02-01 12:00", "-18")),
        [],
        "[readings]\nlongest_gap_h = 4\n",
    ),
    Case(
        "readings unlike the place",
        readings(
            ("", "freezer", "2025-02-01 08:00", "0.4"),
            ("", "freezer", "2025-02-01 08:30", "0.4"),
            ("", "freezer", "2025-02-01 09:00", "-1"),
            ("", "refrigerator", "2025-02-01 09:00", "4"),
        ),
        [("readings", 2, "temperature_c", "0.4")],
    ),
    Case(
        "place of two kinds",
        both(put("storage", 2, place_id="A"), put("storage", 5, place_id="A"), read_a),
        [("storage", 5, "place_id", "A")],
    ),
    cell("spellings alike", "sources", 4, kind="mussle"),
    Case("spellings alike", add("dogs", 3, dog_id="birch"), [("dogs", 4, "dog_id", "birch")]),
]

Damage = Callable[[Path], None]


def raw(table: str, change: Callable[[bytes], bytes]) -> Damage:
    """Change the bytes of a table's file."""

    def damage(folder: Path) -> None:
        file = folder / f"{table}.csv"
        file.write_bytes(change(file.read_bytes()))

    return damage


def in_workbook(change: Callable[[Workbook], object]) -> Damage:
    """Hand the tables over as one workbook, and change it."""

    def damage(folder: Path) -> None:
        book = Workbook()
        book.remove(book.active)
        for file in sorted(folder.glob("*.csv")):
            sheet = book.create_sheet(file.stem)
            for line in csv.reader(file.read_text(encoding="utf-8").splitlines()):
                sheet.append(line)
            file.unlink()
        change(book)
        book.save(folder / "unit.xlsx")

    return damage


class FileCase(NamedTuple):
    """A damage to the clean unit's files, and where the rule must report it."""

    rule: str
    damage: Damage
    at: tuple[str, int | None, str | None]


FILE_CASES = [
    FileCase(
        "table given twice",
        lambda folder: pd.read_csv(folder / "dogs.csv").to_parquet(folder / "dogs.parquet"),
        ("dogs", None, None),
    ),
    FileCase(
        "table given twice",
        in_workbook(lambda book: setattr(book.copy_worksheet(book["dogs"]), "title", "Dogs ")),
        ("dogs", None, None),
    ),
    FileCase("empty file", raw("trials", lambda b: b""), ("trials", None, None)),
    FileCase("no header", raw("trials", lambda b: b"\nx,y\n1,2\n"), ("trials", 1, None)),
    FileCase(
        "header not in row 1",
        raw("trials", lambda _: b"Training log\nNo,Start time,Dog,Source,Outcome\n1,2,3,4,5\n"),
        ("trials", 1, None),
    ),
    FileCase(
        "column names found lower",
        raw("trials", lambda b: b"Training log\n" + b),
        ("trials", None, None),
    ),
    FileCase(
        "not read",
        lambda folder: (folder / "kit list.csv").write_text("item,number\ntorch,3\n") and None,
        ("", None, None),
    ),
    FileCase(
        "control characters",
        raw("dogs", lambda b: b.replace(b"\n", b",x\n", 1).replace(b"-01\n", b"-01,w\x1bt\n")),
        ("dogs", 2, None),
    ),
    FileCase("unreadable file", raw("sources", lambda b: b"\0\1" + b), ("sources", None, None)),
    FileCase(
        "unreadable file",
        lambda folder: (folder / "dogs.csv").rename(folder / "dogs.parquet") and None,
        ("dogs", None, None),
    ),
    FileCase(
        "unreadable file",
        raw("trials", lambda b: b.replace(b"Ash", b'"Ash', 1)),
        ("trials", None, None),
    ),
    FileCase(
        "open quotation mark",
        raw("trials", lambda b: b.replace(b"Ash", b'"Ash', 2)),
        ("trials", 2, "dog_id"),
    ),
    FileCase(
        "more cells than the header",
        raw("trials", lambda b: b.replace(b"\nT2,", b"\nT2,,")),
        ("trials", 3, None),
    ),
    FileCase(
        "fewer cells than the header",
        raw("trials", lambda b: b.replace(b",single,12.5,no\nT3", b"\nT3")),
        ("trials", 3, None),
    ),
    FileCase(
        "Windows-1252 text",
        raw("sources", lambda b: b.replace(b"blood", "blood é".encode("cp1252"))),
        ("sources", None, None),
    ),
    FileCase(
        "unnamed column",
        raw("dogs", lambda b: b.replace(b"\n", b",\n", 1).replace(b"01-01\n", b"01-01,wet\n")),
        ("dogs", None, None),
    ),
    FileCase(
        "repeated unknown column",
        raw("dogs", lambda b: b.replace(b"\n", b",x,x\n", 1).replace(b"01-01\n", b"01-01,1,2\n")),
        ("dogs", None, "x"),
    ),
    FileCase(
        "merged header",
        in_workbook(lambda book: book["trials"].merge_cells("A1:B1")),
        ("trials", 1, None),
    ),
    FileCase(
        "merged cells",
        in_workbook(lambda book: book["trials"].merge_cells("C3:C4")),
        ("trials", 3, "dog_id"),
    ),
    FileCase(
        "formula without a value",
        in_workbook(lambda book: book["trials"].__setitem__("G2", "=20+25")),
        ("trials", 2, "search_s"),
    ),
]
OF_FILES = {case.rule for case in FILE_CASES}


@pytest.mark.parametrize("case", FILE_CASES, ids=lambda case: case.rule)
def test_a_damaged_file_gets_its_finding(clean, write, case: FileCase) -> None:
    folder = write(clean)
    case.damage(folder)
    book = folder / "unit.xlsx"
    found, records = examine_and_read(book if book.exists() else folder, today=TODAY)
    assert case.at in [(f.table, f.row, f.column) for f in found.findings if f.rule == case.rule]
    assert {f.rule for f in found.findings} - {case.rule} <= ALSO.get(case.rule, set())
    for table, rows_in in found.rows_in.items():
        aside = {f.row for f in found.set_aside if f.table == table}
        assert rows_in == found.used[table] + len(aside)
        if case.rule != "open quotation mark":  # the mark makes one row of three
            assert found.stops or rows_in == len(clean[table])
    assert (records is None) == bool(found.stops)


# What a row means without: a value here that cannot be used costs the value, not the row.
SIDE = {
    ("sources", "packaging"), ("sources", "mass_g"), ("sources", "kept_in"),
    ("sources", "cycles_counted"), ("sources", "counted_on"),
    ("storage", "packaging"), ("storage", "temperature_c"), ("storage", "mass_g"),
    *(
        ("inspections", name)
        for name in (
            "mass_g", "drip_g", "freezer_burn", "ice_damage", "ph", "inspected_by", "blind",
        )
    ),
    ("dogs", "started_on"), ("dogs", "qualified_on"), ("dogs", "born_on"),
    *(
        ("trials", name)
        for name in (
            "session_id", "handler_id", "false_alerts", "search_s", "ended_at", "limit_s",
            "set_min", "hide_id", "temperature_c", "humidity_pct", "wind_m_s", "setting",
            "placement", "depth_cm", "cycles", "blank_kind", "guess",
        )
    ),
}  # fmt: skip


def severity(case: Case) -> str:
    """What this breach does: in a side column, a fault of one cell costs the value alone."""
    in_side = bool(case.at) and all(at[:1] + at[2:3] in SIDE for at in case.at)
    return "note" if in_side and case.rule in VALUE_RULES else RULES[case.rule].severity


@pytest.mark.parametrize("table", TABLES)
def test_side_columns_leave_a_rows_meaning(table: str) -> None:
    sides = {c.name for c in TABLES[table].columns if c.side}
    assert sides == {name for home, name in SIDE if home == table}
    assert not any(c.needed for c in TABLES[table].columns if c.side)


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Case], Read]:
    """Each example as handed over, examined and read, once."""
    made: dict[int, Read] = {}

    def make(case: Case) -> Read:
        if id(case) not in made:
            tables = copy.deepcopy(CLEAN)
            case.change(tables)
            folder = write_tables(tmp_path_factory.mktemp("case"), tables, case.settings)
            made[id(case)] = (tables, *examine_and_read(folder, today=TODAY))
        return made[id(case)]

    return make


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.rule)
def test_a_breach_is_reported_at_its_cell(read, case: Case) -> None:
    _, found, _ = read(case)
    at = [(f.table, f.row, f.column, f.value) for f in found.findings if f.rule == case.rule]
    assert at == case.at
    assert {f.rule for f in found.findings} - {case.rule} <= ALSO.get(case.rule, set())
    for finding in found.findings:
        assert len(finding.line().splitlines()) == 1
        assert finding.mend.endswith((".", "?", '"', ")"))
        assert "{" not in finding.line().replace(str(finding.value), "")


def cases_that(wanted: Callable[[Case], bool]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("case", [*filter(wanted, CASES)], ids=lambda case: case.rule)


@cases_that(lambda c: severity(c) == "set aside")
def test_rows_are_set_aside_or_used(read, case: Case) -> None:
    tables, _, records = read(case)
    for table, handed in tables.items():
        aside = {f.row for f in records.set_aside if f.table == table}
        used = set(getattr(records, table)["row"])
        assert used | aside == set(range(2, len(handed) + 2))
        assert not used & aside
        assert records.rows_in[table] == len(handed)
    joined = join(records)
    left = {f.row for f in (*records.set_aside, *joined.set_aside) if f.table == "trials"}
    assert len(joined.trials) + len(left) == len(tables["trials"])


@cases_that(lambda c: severity(c) == "note")
def test_a_note_keeps_the_row(read, case: Case) -> None:
    _, found, _ = read(case)
    assert found.set_aside == ()
    assert found.used == found.rows_in


@cases_that(lambda c: severity(c) == "note" and c.rule in VALUE_RULES)
def test_value_left_out_leaves_rest_of_its_row(read, case: Case) -> None:
    _, _, records = read(case)
    for table, row, column, _ in case.at:
        line = getattr(records, table).set_index("row").loc[row]
        assert pd.isna(line[column])
        others = line.drop([column, "file"]).dropna()
        assert len(others) >= 2
        (told,) = [
            f for f in records.findings if (f.table, f.row, f.column) == (table, row, column)
        ]
        assert told.severity == "note"
        assert "this value is left out and the row used" in told.line()


def test_all_faults_of_a_row_are_told_at_once(clean, write) -> None:
    clean["trials"][0].update(result="hit", dog_id="Elm", source_id="S9", blinding="yes")
    clean["trials"][0].update(started_at="2031-01-01", wind_m_s="strong")
    clean["trials"][1].update(source_id="", dog_id="")
    found = examine_records(write(clean), today=TODAY).findings
    assert {(f.rule, f.column) for f in found if f.row == 2} == {
        ("unknown word", "result"),
        ("unknown word", "blinding"),
        ("unknown dog", "dog_id"),
        ("unknown source", "source_id"),
        ("date in the future", "started_at"),
        ("number unreadable", "wind_m_s"),
    }
    assert {(f.rule, f.column) for f in found if f.row == 3} == {
        ("result contradicts blank area", "result"),
        ("empty needed value", "dog_id"),
    }


def test_notes_call_no_row_used_that_is_set_aside(clean, write) -> None:
    clean["trials"][1].update(search_s="", humidity_pct="??", dog_id="")
    found = [f for f in examine_records(write(clean), today=TODAY).findings if f.row == 3]
    assert [(f.rule, f.severity) for f in found] == [
        ("number unreadable", "note"), ("empty needed value", "set aside"),
    ]  # fmt: skip
    assert not any("the row used" in f.line() for f in found)


def test_a_cell_in_doubt_is_told_of_once(clean, write) -> None:
    clean["trials"][1].update(search_s="long", started_at="soon")
    found = [f for f in examine_records(write(clean), today=TODAY).findings if f.row == 3]
    assert [(f.rule, f.column) for f in found] == [
        ("date unreadable", "started_at"), ("number unreadable", "search_s"),
    ]  # fmt: skip


def test_sound_row_of_two_with_one_id_is_used(clean, write) -> None:
    clean["trials"].append(clean["trials"][0] | {"result": "hit"})
    clean["trials"].append(clean["trials"][0] | {"result": "hit"})
    found = examine_records(write(clean), today=TODAY)
    told = {(f.row, f.rule) for f in found.set_aside}
    assert told == {
        (8, "unknown word"), (8, "duplicate id"), (9, "unknown word"), (9, "identical rows"),
    }  # fmt: skip


def test_cells_of_a_row_out_of_line_are_not_told(clean, write) -> None:
    folder = write(clean)
    file = folder / "trials.csv"
    file.write_text(file.read_text().replace("\nT2,", "\nT2,,"))
    found = [f for f in examine_records(folder, today=TODAY).findings if f.row == 3]
    assert [f.rule for f in found] == ["more cells than the header"]


def test_both_orders_name_a_row_each_and_no_order(clean, write) -> None:
    both_orders(clean)
    clean["sources"][1]["acquired_on"] = "05/01/2025"
    found = examine_records(write(clean), today=TODAY).findings
    (line,) = [f.line() for f in found if f.rule == "dates of both orders"]
    assert line == (
        "trials.csv, row 4, column started_at: the column has dates of both orders, day first in "
        "row 2 ('26/02/2025') and month first in row 3 ('02/26/2025 10:47 AM'), so no date_order "
        "can decide this one ('03/04/2025 11:30'). Write it as 2026-03-14; if one of those two "
        "rows is a slip, correct that."
    )
    # Another column of the unit is judged by what stands in it alone.
    (other,) = [f for f in found if f.rule == "date ambiguous"]
    assert (other.table, 'date_order = "day first"' in other.mend) == ("sources", True)


@pytest.mark.parametrize(
    ("order", "certain"), [("day first", "02/26/2025"), ("month first", "26/02/2025")]
)
def test_stated_order_without_proof_decides_none(clean, write, order, certain) -> None:
    other = "month first" if order == "day first" else "day first"
    clean["trials"][0]["started_at"] = certain
    clean["trials"][1]["started_at"] = "03/04/2025"
    # The same day in both orders, a month that is a word, and the standard are read all the same.
    clean["trials"][2]["started_at"] = "02/02/2025"
    clean["trials"][3]["started_at"] = "3 Apr 2025"
    folder = write(clean, f'date_order = "{order}"\n')
    found = examine_records(folder, today=TODAY)
    assert {(f.row, f.rule) for f in found.set_aside} == {
        (2, "date against the order"), (3, "date order in doubt"),
    }  # fmt: skip
    (line,) = [f.line() for f in found.set_aside if f.row == 3]
    assert line.startswith(
        "trials.csv, row 3, column started_at: the column has dates against the date_order that "
        f"unit.toml says, {other} in row 2 ('{certain}'), and none that bears it out"
    )
    trials = read_records(folder, today=TODAY).trials.set_index("row")
    assert [str(trials.loc[row, "started_at"].date()) for row in (4, 5)] == [
        "2025-02-02",
        "2025-04-03",
    ]


@pytest.mark.parametrize(
    ("order", "read"),
    [(None, {2, 3, 5, 6, 7}), ("day first", {2, 5, 6, 7}), ("month first", {3, 5, 6, 7})],
)
def test_only_certain_dates_of_both_are_read(clean, write, order, read) -> None:
    # 02/02 is one day in both orders; a date against the stated order is no date.
    both_orders(clean)
    settings = None if order is None else f'date_order = "{order}"\n'
    trials = read_records(write(clean, settings), today=TODAY).trials.set_index("row")
    assert set(trials.index) == read
    for row in read & {2, 3}:
        assert str(trials.loc[row, "started_at"].date()) == "2025-02-26"


def test_every_rule_has_an_example() -> None:
    # What joining tells of counts by hand has its example beside it, in tests/exposure.
    elsewhere = {"count unlike the log"}
    # What is told of whole columns has its examples in checking/test_level_shifts.py.
    elsewhere |= {"unit changes", "columns swapped", "own word redefined"}
    # Planned trials have theirs in test_planned.py.
    elsewhere |= {rule for rule in RULES if rule.startswith("planned")}
    elsewhere |= {"source unlike the plan", "dog unlike the plan"}
    assert {case.rule for case in CASES} | OF_FILES | elsewhere == set(RULES)


def test_a_clean_unit_has_no_findings(clean, write) -> None:
    found = examine_records(write(clean), today=TODAY)
    assert found.findings == ()
    assert found.used == found.rows_in == {"sources": 3, "storage": 5, "trials": 6, "dogs": 2}


def test_source_set_aside_takes_all_that_is_its(clean, write) -> None:
    clean["sources"][0]["kind"] = ""
    records = read_records(write(clean), today=TODAY)
    reasons = {(f.table, f.row): f.rule for f in records.set_aside}
    assert reasons == {
        ("sources", 2): "empty needed value",
        ("sources", 4): "parent set aside",
        ("storage", 2): "source set aside",
        ("storage", 3): "source set aside",
        ("storage", 4): "source set aside",
        ("storage", 6): "source set aside",
        ("trials", 2): "source set aside",
        ("trials", 3): "source set aside",
        ("trials", 6): "source set aside",
    }


def test_dated_discard_is_at_end_of_a_used_day(clean, write) -> None:
    clean["storage"].append({"source_id": "S2", "moved_at": "2025-02-02", "moved_to": "discarded"})
    records = read_records(write(clean), today=TODAY)
    moves = records.storage.set_index("row")
    assert str(moves.loc[7, "moved_at"]) == "2025-02-02 23:59:00"
    assert "T4" in set(records.trials["trial_id"])


def test_empty_dogs_sheet_misses_no_dog(clean, write) -> None:
    clean["dogs"] = [dict.fromkeys(clean["dogs"][0], "")]
    assert examine_records(write(clean), today=TODAY).findings == ()


def test_tomorrow_is_not_the_future(clean, write) -> None:
    clean["trials"][0]["started_at"] = "2026-03-15 23:00"
    rules = {f.rule for f in examine_records(write(clean), today=TODAY).findings}
    assert "date in the future" not in rules


def test_unknown_sources_are_suggested_not_merged(clean, write) -> None:
    clean["trials"][3]["source_id"] = "s-02"
    records = read_records(write(clean), today=TODAY)
    (finding,) = [f for f in records.findings if f.rule == "unknown source"]
    assert finding.mend.startswith("Perhaps 'S2'?")
    assert "T4" not in set(records.trials["trial_id"])


def _mend_of(found, rule: str, table: str = "trials") -> str:
    (mend,) = {f.mend for f in found.findings if (f.rule, f.table) == (rule, table)}
    return mend


def test_used_but_unlisted_source_is_to_be_added(clean, write) -> None:
    for at, name in enumerate(("BON-01", "BON-02", "BON-03")):
        clean["sources"][at]["source_id"] = name
    for row in (*clean["storage"], *clean["trials"]):
        row["source_id"] = row["source_id"] and "BON-01"
    clean["sources"][2]["parent_id"] = ""
    clean["trials"][0]["source_id"] = "BON-07"
    mend = "Correct it, or add the source to the sources. Leave it empty for a blank area."
    assert _mend_of(examine_records(write(clean), today=TODAY), "unknown source") == mend
    clean["storage"][3]["source_id"] = "BON-07"
    found = examine_records(write(clean), today=TODAY)
    add_first = "Add the source to the sources, or correct it."
    assert _mend_of(found, "unknown source", "storage") == add_first
    assert _mend_of(found, "unknown source") == f"{add_first} Leave it empty for a blank area."
    clean["storage"][3]["source_id"] = "BON-01"
    for at in (1, 3):
        clean["trials"][at]["source_id"] = "BON-07"
    found = examine_records(write(clean), today=TODAY)
    assert _mend_of(found, "unknown source").startswith(add_first)


def test_guess_comes_after_adding_a_common_name(clean, write) -> None:
    for row in clean["trials"]:
        row["dog_id"] = {"Birch": "Birhc"}.get(row["dog_id"], row["dog_id"])
    found = examine_records(write(clean), today=TODAY)
    mend = "Add the dog to the dogs; or correct it, if it is 'Birch' misspelt."
    assert _mend_of(found, "unknown dog") == mend
    for row in clean["trials"][1:]:
        row["dog_id"] = "Ash"
    clean["trials"][1]["dog_id"] = "Birhc"
    found = examine_records(write(clean), today=TODAY)
    mend = "Perhaps 'Birch'? Correct it, or add the dog to the dogs."
    assert _mend_of(found, "unknown dog") == mend


@pytest.mark.parametrize("word", ["BIRCH", "birch "])
def test_case_alone_is_guessed_however_often(clean, write, word: str) -> None:
    for row in clean["trials"]:
        row["dog_id"] = {"Birch": word}.get(row["dog_id"], row["dog_id"])
    found = examine_records(write(clean), today=TODAY)
    assert _mend_of(found, "unknown dog").startswith("Perhaps 'Birch'?")


def test_blank_areas_word_is_no_source_to_add(clean, write) -> None:
    for row in clean["trials"][:4]:
        row.update(source_id="Blank", result="clear", false_alerts="0")
    found = examine_records(write(clean), today=TODAY)
    assert _mend_of(found, "unknown source").endswith('under [words.source_id]: "Blank" = ""')


def test_words_match_trimmed_and_without_case(clean, write) -> None:
    clean["trials"][0]["result"] = " FIND "
    clean["storage"][0]["moved_to"] = "Freezer"
    records = read_records(write(clean), today=TODAY)
    assert not records.findings
    assert records.trials.loc[0, "result"] == "find"


def test_units_columns_are_carried_untouched(clean, write) -> None:
    clean["trials"][0]["remarks"] = " =HYPERLINK(1) "
    clean["trials"][1]["row"] = "theirs"
    records = read_records(write(clean), today=TODAY)
    assert list(records.trials["remarks"][:2]) == [" =HYPERLINK(1) ", None]
    assert list(records.trials["row"]) == [2, 3, 4, 5, 6, 7]
    assert list(records.trials["row (as given)"][:2]) == [None, "theirs"]


def test_a_session_is_the_day_unless_one_is_given(clean, write) -> None:
    clean["trials"][0]["session_id"] = "north field"
    records = read_records(write(clean), today=TODAY)
    assert list(records.trials["session_id"][:2]) == ["north field", "2025-02-01"]


def test_the_records_are_left_as_they_are(clean, write) -> None:
    folder: Path = write(clean, 'unit = "x"\n')
    before = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()}
    read_records(folder, today=TODAY)
    assert {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.iterdir()} == before


def test_joining_adds_no_column_of_the_units(clean, write) -> None:
    records = read_records(write(clean), today=TODAY)
    added = set(join(records).trials) - set(records.trials)
    assert added
    assert added <= ADDED["trials"]


def test_unknown_words_mend_offers_no_meaning() -> None:
    # "fridge" with freezer offered as its meaning was pasted, and changed every answer.
    rule = RULES["unknown word"]
    assert "{example}" not in rule.mend
    assert "=" not in rule.mend
