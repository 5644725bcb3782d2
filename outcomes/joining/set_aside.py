"""The rows not used, as one table a person can work through."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from outcomes.records.tables import Finding


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
