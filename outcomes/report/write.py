"""A briefing as the bytes of its files."""

from __future__ import annotations

from pathlib import Path

import msgspec

from outcomes.answers.facts import Facts
from outcomes.exposure.set_aside import set_aside_frame
from outcomes.exposure.trials import Joined
from outcomes.records.csv_text import csv_bytes
from outcomes.records.tables import Records
from outcomes.report.page import render_figures, render_page, render_page_figure
from outcomes.report.results import results
from outcomes.report.results.values import plain


def results_text(told: object) -> str:
    """``results.json``, or what ``--json`` prints, as text with stable bytes."""
    return msgspec.json.format(msgspec.json.encode(plain(told)), indent=1).decode() + "\n"


def briefing_files(facts: Facts, png: bytes | None = None) -> dict[str, bytes]:
    """Name → bytes of every file of the briefing.

    Parameters
    ----------
    facts
        The unit's facts.
    png
        The main figure as PNG, if it has been rendered already.
    """
    figures = render_figures(facts, png)
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
