"""The records after reading: typed tables, and what was found wrong in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from outcomes.records.plan_file import PlanFile
from outcomes.settings import RecordsSettings

LONGEST_SHOWN = 60
LEFT_OUT = "; this value is left out and the row used"
"""Ends the problem of a finding that costs a single value and not the row."""


def shortened(value: str) -> str:
    """A value short enough for one line, with an ellipsis for what is left off."""
    return value if len(value) <= LONGEST_SHOWN else value[: LONGEST_SHOWN - 1] + "…"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found in the records: where it stands, what it is, what would mend it.

    Attributes
    ----------
    rule
        Name of the rule that found it.
    severity
        ``"stops"`` (no work is possible), ``"set aside"`` (this row is not used) or ``"note"``.
    table, file
        Table of the contract, and the file (or workbook sheet) as the user named it.
    row
        Row as the person sees it in the spreadsheet (header = row 1); None for a whole table.
    column, value
        The unit's own column name and the text found there; None where there is none.
    problem, mend
        What is wrong, and what would mend it.
    cause
        File and row of the sources that this row was set aside with; None where there is none.
    """

    rule: str
    severity: str
    table: str
    file: str
    row: int | None
    column: str | None
    value: str | None
    problem: str
    mend: str
    cause: tuple[str, int] | None = None

    def line(self) -> str:
        """The finding as one line for people."""
        where = "" if self.row is None else f", row {self.row}"
        return self.line_of(where, "" if self.value is None else repr(shortened(self.value)))

    def line_of(self, rows: str, values: str) -> str:
        """The finding as one line, said of these rows and values."""
        where = f"{self.file}{rows}"
        if self.column is not None:
            where += f", column {self.column}"
        problem, clause, rest = self.problem.partition(LEFT_OUT)
        found = f" ({values})" if values else ""
        return f"{where}: {problem}{found}{clause}{rest}. {self.mend}"


def no_readings() -> pd.DataFrame:
    """A table of readings without rows."""
    return pd.DataFrame(
        {
            "source_id": pd.Series(dtype=object),
            "place_id": pd.Series(dtype=object),
            "read_at": pd.Series(dtype="datetime64[ns]"),
            "temperature_c": pd.Series(dtype="float64"),
            "file": pd.Series(dtype=object),
            "row": pd.Series(dtype="int64"),
        }
    )


def no_inspections() -> pd.DataFrame:
    """A table of inspections without rows."""
    return pd.DataFrame(
        {
            "source_id": pd.Series(dtype=object),
            "inspected_at": pd.Series(dtype="datetime64[ns]"),
            "file": pd.Series(dtype=object),
            "row": pd.Series(dtype="int64"),
        }
    )


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that tables were read from.

    Attributes
    ----------
    tables
        The tables in it.
    file
        Its name, without the folder.
    bytes
        Its size.
    sha256
        Digest of its content, in hexadecimal digits.
    """

    tables: tuple[str, ...]
    file: str
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Records:
    """A unit's records, typed and checked; only usable rows are in the frames.

    Every frame has the columns ``file`` (text) and ``row`` (int, as in the
    spreadsheet). Ids and words are text (object, missing = None), times are
    ``datetime64[ns]`` (missing = NaT), numbers are float64 (missing = NaN),
    ``assisted`` is pandas ``boolean``. A column the unit did not hand over is
    absent, except those the contract needs. Columns the toolkit does not know
    are kept as text.

    Attributes
    ----------
    sources, storage, trials, dogs
        The tables; ``dogs`` is empty where none was handed over. In ``trials``
        a blank area has ``source_id`` missing; ``session_id`` is always filled.
    findings
        All that the checks found, in order of table and row.
    rows_in
        Table → rows handed over (used + set aside).
    settings
        The settings they were read with.
    readings
        What temperature loggers read; empty where none was handed over.
    inspections
        What was weighed and seen of sources; empty where none was handed over.
    files
        The files they were read from; empty where they were not read from files.
    plan
        The key of planned trials; None where there is none. Those trials have the source that
        it tells.
    """

    sources: pd.DataFrame
    storage: pd.DataFrame
    trials: pd.DataFrame
    dogs: pd.DataFrame
    findings: tuple[Finding, ...]
    rows_in: Mapping[str, int]
    settings: RecordsSettings
    readings: pd.DataFrame = field(default_factory=no_readings)
    inspections: pd.DataFrame = field(default_factory=no_inspections)
    files: tuple[InputFile, ...] = ()
    plan: PlanFile | None = None

    @property
    def set_aside(self) -> tuple[Finding, ...]:
        """Findings that took a row out of use; a row may have more than one."""
        return tuple(f for f in self.findings if f.severity == "set aside")


@dataclass(frozen=True, slots=True)
class Examination:
    """What is wrong with a unit's records, row by row, whether or not they can be used.

    Attributes
    ----------
    findings
        All that the checks found, in order of table and row.
    rows_in
        Table → rows handed over, for each table that could be read.
    used
        Table → rows that are not set aside; rows in = used + set aside. Where a
        finding stops the work nothing is used, whatever this says of single rows.
    """

    findings: tuple[Finding, ...]
    rows_in: Mapping[str, int]
    used: Mapping[str, int]

    @property
    def stops(self) -> tuple[Finding, ...]:
        """Findings that make work on these records impossible."""
        return tuple(f for f in self.findings if f.severity == "stops")

    @property
    def set_aside(self) -> tuple[Finding, ...]:
        """Findings that took a row out of use; a row may have more than one."""
        return tuple(f for f in self.findings if f.severity == "set aside")

    @property
    def notes(self) -> tuple[Finding, ...]:
        """Findings that a person should look at; their rows are used."""
        return tuple(f for f in self.findings if f.severity == "note")
