"""Findings as they come in: a table as read, and the log of what is wrong in it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.records.checking.rules import RULES, TEARING_RULES, VALUE_RULES
from outcomes.records.columns import Table
from outcomes.records.reading.cells import shown
from outcomes.records.reading.spelling import fold, likeliest
from outcomes.records.tables import LEFT_OUT, Finding

Array = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table, read: n rows.

    Attributes
    ----------
    table, file
        What it is, and the file as people know it.
    names
        Our column name → the unit's, for the columns that are there.
    cells
        Our column name → the cells as handed over.
    frame
        Typed columns and carried-through text, with ``file`` and ``row``; index 0..n-1.
    """

    table: Table
    file: str
    names: Mapping[str, str]
    cells: Mapping[str, pd.Series[Any]]
    frame: pd.DataFrame

    @property
    def rows(self) -> Array:
        """Row numbers as in the spreadsheet, shape (n,)."""
        return self.frame["row"].to_numpy()

    @property
    def files(self) -> Array:
        """The file of each row, shape (n,)."""
        return self.frame["file"].to_numpy()

    def place(self, position: int) -> str:
        """A row as messages name it, with its file."""
        return f"{self.files[position]}, row {self.rows[position]}"

    def row_name(self, position: int, beside: int | None = None) -> str:
        """A row as messages name it, with its file where ``beside`` is of another one."""
        files = self.files
        away = beside is not None and files[position] != files[beside]
        return f"{self.rows[position]}{f' of {files[position]}' if away else ''}"

    def has(self, *names: str) -> bool:
        """Whether all these columns were handed over."""
        return all(name in self.names for name in names)

    def values(self, name: str) -> Array:
        """Typed values of a column, shape (n,)."""
        return self.frame[name].to_numpy()

    def missing(self, name: str) -> Array:
        """Where a column has no value, shape (n,)."""
        return self.frame[name].isna().to_numpy()


class _Facts(dict[str, Any]):
    """What a message fills in; the value as TOML wants it only where it is asked for."""

    def __missing__(self, key: str) -> str:
        if key != "quoted":
            raise KeyError(key)
        return quoted(self["value"] or "")


@dataclass(slots=True)
class Log:
    """Findings as they come in, and the rows they have set aside."""

    findings: list[Finding] = field(default_factory=list)
    aside: dict[str, Array] = field(default_factory=dict)
    faulty: dict[tuple[str, str], Array] = field(default_factory=dict)
    torn: dict[str, Array] = field(default_factory=dict)

    def open(self, sheet: Sheet) -> None:
        """Begin a table: no row of it is set aside yet."""
        for rows in (self.aside, self.torn):
            rows[sheet.table.name] = np.zeros(len(sheet.frame), dtype=bool)

    def in_doubt(self, sheet: Sheet, column: str) -> Array:
        """Cells of a column that a rule about cells has found wrong, shape (n,)."""
        none = np.zeros(len(sheet.frame), dtype=bool)
        return self.faulty.get((sheet.table.name, column), none)

    def without_doubtful(self, sheet: Sheet) -> Sheet:
        """The table with every value in doubt missing."""
        emptied = {
            name: _emptied(sheet.frame[name], where)
            for (table, name), where in self.faulty.items()
            if table == sheet.table.name and (where & ~sheet.missing(name)).any()
        }
        return replace(sheet, frame=sheet.frame.assign(**emptied)) if emptied else sheet

    def usable(self, sheet: Sheet) -> Array:
        """Rows not set aside so far, shape (n,)."""
        return ~self.aside[sheet.table.name]

    def flag(
        self,
        rule: str,
        sheet: Sheet,
        where: Array,
        column: str | None,
        facts: Callable[[int], Mapping[str, Any]] | None = None,
    ) -> None:
        """Record a breach in every row of ``where`` (mask or positions).

        ``facts`` gives, for a position, what the message fills in.
        """
        at = np.flatnonzero(where) if where.dtype == bool else where
        # Cells of a torn row stand under other columns' names: nothing is said of them.
        at = at[~self.torn[sheet.table.name][at]]
        if not len(at):
            return
        severity, clause = severity_of(rule, sheet.table, column)
        rows, files = sheet.rows[at].tolist(), sheet.files[at]
        values: Sequence[str | None] = [None] * len(at)
        if column is not None and column in sheet.cells:
            values = shown(sheet.cells[column], at)
        for position, file, row, value in zip(at.tolist(), files, rows, values, strict=True):
            self.add(
                rule,
                table=sheet.table.name,
                file=file,
                row=row,
                column=None if column is None else sheet.names.get(column, column),
                value=value,
                facts={} if facts is None else facts(position),
                severity=severity,
                clause=clause,
            )
        self.settle(rule, sheet, at, column)

    def settle(self, rule: str, sheet: Sheet, at: Array, column: str | None) -> None:
        """Take rows out of use, or single values, as the rule does."""
        if severity_of(rule, sheet.table, column)[0] == "set aside":
            self.aside[sheet.table.name][at] = True
        if rule in TEARING_RULES:
            self.torn[sheet.table.name][at] = True
        if rule in VALUE_RULES and column is not None:
            doubted = self.in_doubt(sheet, column).copy()
            doubted[at] = True
            self.faulty[sheet.table.name, column] = doubted

    def add(
        self,
        rule: str,
        *,
        table: str,
        file: str,
        row: int | None = None,
        column: str | None = None,
        value: str | None = None,
        facts: Mapping[str, Any] | None = None,
        severity: str | None = None,
        clause: str = "",
    ) -> None:
        """Record one finding; it sets nothing aside by itself.

        ``severity`` is the rule's own where it is not given; ``clause`` ends
        the problem's text.
        """
        text = RULES[rule]
        known = _Facts(facts or {}, table=table, value=value)
        self.findings.append(
            Finding(
                rule=rule,
                severity=severity or text.severity,
                table=table,
                file=file,
                row=row,
                column=column,
                value=value,
                problem=text.problem.format_map(known) + clause,
                mend=text.mend.format_map(known),
                cause=known.get("cause"),
            )
        )


def _emptied(values: pd.Series[Any], where: Array) -> pd.Series[Any]:
    return values.where(~where, None) if values.dtype == object else values.mask(where)


def severity_of(rule: str, table: Table, column: str | None) -> tuple[str, str]:
    """What a breach does, and the clause that says so where it costs a value alone."""
    severity = RULES[rule].severity
    if rule not in VALUE_RULES or column is None or not table.column(column).side:
        return severity, ""
    instead = table.column(column).instead
    return "note", LEFT_OUT + (f" ({instead})" if instead else "")


def is_left_out(finding: Finding) -> bool:
    """Whether a finding tells of a single value left out of a row that is used."""
    return finding.severity == "note" and LEFT_OUT in finding.problem


def consistent(findings: Sequence[Finding]) -> list[Finding]:
    """Findings without notes that speak of a row as used where it is set aside."""
    aside = {(f.table, f.file, f.row) for f in findings if f.severity == "set aside"}
    kept = []
    for finding in findings:
        if finding.severity == "note" and (finding.table, finding.file, finding.row) in aside:
            if finding.rule in VALUE_RULES:
                problem = finding.problem.partition(LEFT_OUT)[0]
                kept.append(replace(finding, problem=problem))
            elif finding.rule == "fewer cells than the header":
                kept.append(finding)
        else:
            kept.append(finding)
    return kept


def quoted(text: str) -> str:
    """A text as TOML wants it."""
    return json.dumps(text, ensure_ascii=False)


def perhaps(text: str, known: Sequence[str], otherwise: str) -> str:
    """What to say of an unknown name: the known one most like it, if any, and what else to do."""
    guess = likeliest(text, known)
    return otherwise if guess is None else f"Perhaps {guess!r}? {otherwise}"


def missing_name(text: str, known: Sequence[str], to_add: str, *, often: bool) -> str:
    """What to say of a name that its list lacks: to correct it, or to add it.

    Parameters
    ----------
    text
        The name.
    known
        The names in the list.
    to_add
        What adding it is called, as in ``add the dog to the dogs``.
    often
        Whether it is used so often that the list is more likely at fault than its
        spelling: to add it is named first then, unless a known name differs in
        no more than case, accents, spaces, punctuation and leading zeros.
    """
    guess = likeliest(text, known)
    same = guess is not None and fold(guess) == fold(text)
    if not often or same:
        return perhaps(text, known, f"Correct it, or {to_add}.")
    first = f"{to_add[0].upper()}{to_add[1:]}"
    if guess is None:
        return f"{first}, or correct it."
    return f"{first}; or correct it, if it is {guess!r} misspelt."


def date_text(time: Any) -> str:
    """A time as messages tell its date."""
    return str(pd.Timestamp(time).strftime("%Y-%m-%d"))
