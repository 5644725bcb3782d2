"""Findings as they come in: a table as read, and the log of what is wrong in it."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.records.columns import Table
from outcomes.records.rules import RULES
from outcomes.records.spelling import likeliest
from outcomes.records.tables import Finding
from outcomes.records.values import shown

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

    def open(self, sheet: Sheet) -> None:
        """Begin a table: no row of it is set aside yet."""
        self.aside[sheet.table.name] = np.zeros(len(sheet.frame), dtype=bool)

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
        if not len(at):
            return
        severity = RULES[rule].severity
        rows = sheet.rows[at].tolist()
        values: Sequence[str | None] = [None] * len(at)
        if column is not None and column in sheet.cells:
            values = shown(sheet.cells[column], at)
        for position, row, value in zip(at.tolist(), rows, values, strict=True):
            self.add(
                rule,
                table=sheet.table.name,
                file=sheet.file,
                row=row,
                column=None if column is None else sheet.names.get(column, column),
                value=value,
                facts={} if facts is None else facts(position),
            )
        if severity == "set aside":
            self.aside[sheet.table.name][at] = True

    def set_aside(self, rule: str, sheet: Sheet, position: int) -> None:
        """Take one row out of use, if that is what the rule does."""
        if RULES[rule].severity == "set aside":
            self.aside[sheet.table.name][position] = True

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
    ) -> None:
        """Record one finding; it sets nothing aside by itself."""
        text = RULES[rule]
        known = _Facts(facts or {}, table=table, value=value)
        self.findings.append(
            Finding(
                rule=rule,
                severity=text.severity,
                table=table,
                file=file,
                row=row,
                column=column,
                value=value,
                problem=text.problem.format_map(known),
                mend=text.mend.format_map(known),
                cause=known.get("cause"),
            )
        )


def quoted(text: str) -> str:
    """A text as TOML wants it."""
    return json.dumps(text, ensure_ascii=False)


def perhaps(text: str, known: Sequence[str], otherwise: str) -> str:
    """What to say of an unknown name: the known one most like it, if any, and what else to do."""
    guess = likeliest(text, known)
    return otherwise if guess is None else f"Perhaps {guess!r}? {otherwise}"
