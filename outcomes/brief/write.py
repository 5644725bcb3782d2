"""Write a briefing so that a failure leaves whatever was there before."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from outcomes.brief.facts import Facts
from outcomes.brief.page import render_figures, render_page, render_page_figure
from outcomes.brief.results import results
from outcomes.errors import UsageError
from outcomes.joining.set_aside import set_aside_frame
from outcomes.joining.trials import Joined
from outcomes.records.csv_text import csv_bytes
from outcomes.records.tables import Records

FILES = (
    "briefing.html",
    "figure.png",
    "figure.svg",
    "figure.pdf",
    "results.json",
    "trials.csv",
    "set_aside.csv",
)


def results_text(results_: Mapping[str, Any]) -> str:
    """``results.json`` as text with stable bytes."""
    return json.dumps(results_, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def briefing_files(facts: Facts) -> dict[str, bytes]:
    """Name → bytes of every file of the briefing."""
    figures = render_figures(facts)
    trials = facts.joined.trials.drop(columns=["file", "row"], errors="ignore")
    return {
        "briefing.html": render_page(facts, render_page_figure(facts)).encode(),
        "figure.png": figures["png"],
        "figure.svg": figures["svg"],
        "figure.pdf": figures["pdf"],
        "results.json": results_text(results(facts)).encode(),
        "trials.csv": csv_bytes(trials),
        "set_aside.csv": csv_bytes(set_aside_frame(facts.set_aside)),
    }


def joined_files(records: Records, joined: Joined, out: Path) -> dict[str, bytes]:
    """Name → bytes of the joined trials and of the rows set aside, named after ``out``."""
    trials = joined.trials.drop(columns=["file", "row"], errors="ignore")
    content = trials.to_parquet(index=False) if out.suffix == ".parquet" else csv_bytes(trials)
    aside = set_aside_frame((*records.set_aside, *joined.set_aside))
    return {
        out.name: content,
        f"{out.stem}_set_aside.csv": csv_bytes(aside),
    }


_RECORDS = ("sources", "storage", "trials", "dogs", "readings")
_TABLE_ENDINGS = (".csv", ".parquet")


def check_out(folder: Path, records: Path, names: Sequence[str] = FILES) -> None:
    """Refuse to write where records lie, these or another unit's.

    Parameters
    ----------
    folder
        Where results are to be written.
    records
        The records they are made from: a folder, or a workbook.
    names
        Names of the files to be written.

    Raises
    ------
    UsageError
        ``folder`` is the records' own folder, holds tables of records, is where
        the workbook lies and would get a file named like a table of records, or
        is there and is not a folder.
    """
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file, not a folder. Name a folder to write to.")
    taken = [name for name in names if _is_table(Path(name))]
    # The demo's records are still to be written: a folder, though it is not there yet.
    home = records.parent if records.is_file() else records
    if folder.resolve() == home.resolve() and (home is records or taken):
        raise UsageError(f"--out {folder} is where the records are. Name another folder.")
    if not folder.is_dir():
        return
    # A table of trials beside our own results is one that an earlier run wrote.
    ours = {Path(name).stem for name in taken} if (folder / "results.json").is_file() else set()
    for entry in folder.iterdir():
        if _is_table(entry) and entry.stem.lower() not in ours:
            raise UsageError(f"--out {folder} holds tables of records. Name another folder.")


def _is_table(path: Path) -> bool:
    return path.stem.lower() in _RECORDS and path.suffix.lower() in _TABLE_ENDINGS
