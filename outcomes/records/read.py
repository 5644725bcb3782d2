"""Reading a unit's records."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from outcomes.errors import UsageError
from outcomes.records.columns import TABLES, Table
from outcomes.records.tables import Records
from outcomes.settings import Settings


def read_records(path: str | Path, settings: Settings | None = None) -> Records:
    """Read a unit's records from a folder of CSV files.

    Parameters
    ----------
    path
        Folder of ``sources``, ``storage``, ``trials`` and (optional) ``dogs``.
    settings
        The unit's settings; None for the defaults.

    Raises
    ------
    UsageError
        If the folder or a needed table is not there.
    """
    folder = Path(path)
    if not folder.is_dir():
        raise UsageError(f"{folder}: no such folder. Give the folder that holds the records.")
    frames = {name: _table(folder / f"{name}.csv", table) for name, table in TABLES.items()}
    trials = frames["trials"]
    if "session_id" not in trials:
        trials["session_id"] = None
    trials["session_id"] = trials["session_id"].where(
        trials["session_id"].notna(), trials["started_at"].dt.strftime("%Y-%m-%d")
    )
    return Records(
        **frames,
        findings=(),
        rows_in={name: len(frame) for name, frame in frames.items()},
        settings=settings or Settings(),
    )


def _table(file: Path, table: Table) -> pd.DataFrame:
    if not file.exists():
        if table.needed:
            raise UsageError(f"{file}: no such file.")
        text = pd.DataFrame(columns=list(table.names), dtype=object)
    else:
        text = pd.read_csv(file, dtype=object, keep_default_na=False, encoding="utf-8-sig")
    frame = text.apply(lambda cells: cells.str.strip().where(cells.str.strip() != "", None))
    for column in table.columns:
        if column.name not in frame:
            continue
        cells = frame[column.name]
        if column.type == "time":
            frame[column.name] = pd.to_datetime(cells, format="ISO8601").astype("datetime64[ns]")
        elif column.type in ("number", "count"):
            frame[column.name] = pd.to_numeric(cells).astype("float64")
        elif column.type == "yes or no":
            frame[column.name] = cells.map({"yes": True, "no": False}).astype("boolean")
    return frame.assign(file=file.name, row=range(2, len(frame) + 2))
