"""A plan carried out by simulated people: each knows their own sheet, and dogs know the truth."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import openpyxl

from outcomes.planning.document import Plan, planned_cycles

HEADINGS = {"handler": "plan_id", "results": "plan_id", "storekeeper": "containers"}


def sheet_rows(book: openpyxl.Workbook, name: str) -> tuple[int, list[dict[str, object]]]:
    """Row of the headings, and the rows below it by heading."""
    sheet = book[name]
    lines = list(sheet.iter_rows(values_only=True))
    at = next(k for k, line in enumerate(lines) if HEADINGS[name] in line)
    return at + 1, [dict(zip(lines[at], line, strict=True)) for line in lines[at + 1 :]]


def carry_out(
    folder: Path,
    plan: Plan,
    log_odds: float,
    *,
    seed: int = 1,
    until: dt.date | None = None,
    lost: Iterable[str] = (),
    ticks: bool = True,
) -> None:
    """Fill in the sheets of a plan's folder.

    Parameters
    ----------
    folder
        With ``plan.xlsx``, which is changed as a person would.
    plan
        The key: what the dogs' noses know.
    log_odds
        Planted change per planned cycle (or of the freezer against the refrigerator).
    seed
        Of dogs, sources and luck.
    until
        The last day carried out; None: all.
    lost
        Labels of trials that nobody did.
    ticks
        Whether the storekeeper ticks what was done.
    """
    rng = np.random.default_rng(seed)
    key = {t.plan_id: t for t in plan.trials}
    held = {s.source_id: s for s in plan.storage}
    dogs = {d: rng.normal(0.0, 0.4) for d in sorted({t.dog_id for t in plan.trials})}
    own = {s: rng.normal(0.0, 0.3) for s in sorted(held)}
    book = openpyxl.load_workbook(folder / "plan.xlsx")
    _, handlers = sheet_rows(book, "handler")
    told: dict[str, tuple[str, float]] = {}
    for row in handlers:
        label, day = str(row["plan_id"]), row["day"].date()
        if label in lost or (until is not None and day > until):
            continue
        trial = key[label]
        eta = -2.5
        if trial.source_id is not None:
            source = held[trial.source_id]
            exposed = float(planned_cycles(source, trial.day))
            if plan.question == "storage":
                exposed = float(source.arm == "freezer")
            eta = 2.4 + dogs[trial.dog_id] + own[trial.source_id] + log_odds * exposed
        found = rng.random() < 1.0 / (1.0 + np.exp(-eta))
        told[label] = ("alert" if found else "no alert", float(rng.integers(20, 280)))
    heading, rows = sheet_rows(book, "results")
    sheet = book["results"]
    columns = {cell.value: cell.column for cell in sheet[heading]}
    for number, row in enumerate(rows, start=heading + 1):
        if str(row["plan_id"]) in told:
            said, seconds = told[str(row["plan_id"])]
            sheet.cell(number, columns["result"]).value = said
            sheet.cell(number, columns["search_s"]).value = seconds
            guess = "hide" if rng.random() < 0.7 else "blank"
            sheet.cell(number, columns["guess"]).value = guess
    if ticks:
        heading, rows = sheet_rows(book, "storekeeper")
        store = book["storekeeper"]
        at = {cell.value: cell.column for cell in store[heading]}["done"]
        for number, row in enumerate(rows, start=heading + 1):
            if until is None or row["day"].date() <= until:
                store.cell(number, at).value = "x"
    book.save(folder / "plan.xlsx")
