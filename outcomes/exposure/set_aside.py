"""The rows not used, as one table a person can work through."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

import pandas as pd

from outcomes.records.checking.findings import consistent
from outcomes.records.tables import Examination, Finding


def set_aside_frame(findings: Iterable[Finding]) -> pd.DataFrame:
    """Findings as a table: where each stands, what was found, why and what would mend it.

    Parameters
    ----------
    findings
        What the checks and the joining found, in the order to be shown.

    Returns
    -------
    DataFrame
        One row per finding: ``file``, ``row`` (nullable integer, as in the
        spreadsheet, header = row 1; missing for a whole table), ``column``,
        ``value`` (None where there is none) and ``reason``.
    """
    rows = [(f.file, f.row, f.column, f.value, f"{f.problem}. {f.mend}") for f in findings]
    frame = pd.DataFrame(rows, columns=["file", "row", "column", "value", "reason"], dtype=object)
    return frame.astype({"row": "Int64"})


def with_set_aside(examination: Examination, findings: Iterable[Finding]) -> Examination:
    """What the checks found, with the rows that joining set aside.

    Parameters
    ----------
    examination
        What the checks found.
    findings
        What joining set aside: rows that the checks left in use.

    Returns
    -------
    Examination
        Notes that speak of those rows as used are left off.
    """
    new = tuple(findings)
    aside = {(f.table, f.file, f.row) for f in new if f.severity == "set aside"}
    rows = Counter(table for table, *_ in aside)
    used = {table: number - rows[table] for table, number in examination.used.items()}
    return replace(
        examination, findings=tuple(consistent((*examination.findings, *new))), used=used
    )
