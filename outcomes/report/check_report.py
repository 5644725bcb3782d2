"""What ``check`` prints: findings and counts, for people and for programs."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.records.checking.findings import is_left_out
from outcomes.records.checking.mends import Mend, best_mend, best_value_mend
from outcomes.records.tables import Examination, Finding, shortened
from outcomes.text import count
from outcomes.wording.usable import ANALYSES

if TYPE_CHECKING:
    from outcomes.answers.facts import Facts

_SEVERITY_WORDS = {"stops": "STOPS", "set aside": "set aside", "note": "note"}
ROWS_NAMED = 3
VALUES_NAMED = 3
LINES_APART = 3
# Rule → how it is told of several columns or sheets at once.
OF_SHEETS: Mapping[str, str] = {
    "unknown column": "columns that are none of the records', carried through untouched",
    "column names found lower": "the column names were found below a title, which is not read",
}
AT_MOST = "(Up to so many: a model leaves out trials in which a condition that it uses is missing.)"


def check_results(
    examination: Examination,
    usable: Mapping[str, int] | None = None,
    why_not: Mapping[str, Sequence[str]] | None = None,
) -> dict[str, Any]:
    """Findings and row counts for programs.

    Parameters
    ----------
    examination
        What the checks found.
    usable
        Analysis → trials it can use; None where something stops the work.
    """
    mends = {
        "best_mend": best_mend(examination),
        "best_value_mend": best_value_mend(examination),
    }
    return {
        "format": 1,
        "rows_in": dict(examination.rows_in),
        "used": dict(examination.used),
        "usable": None if usable is None else dict(usable),
        "why_not": None if why_not is None else {k: list(v) for k, v in why_not.items()},
        **{name: None if mend is None else asdict(mend) for name, mend in mends.items()},
        "stops": len(examination.stops),
        "findings": [
            {
                "rule": f.rule,
                "severity": f.severity,
                "table": f.table,
                "file": f.file,
                "row": f.row,
                "column": f.column,
                "value": f.value,
                "problem": f.problem,
                "mend": f.mend,
            }
            for f in examination.findings
        ],
    }


def check_lines(
    examination: Examination,
    most: int | None,
    usable: Mapping[str, int] | None = None,
    why_not: Mapping[str, Sequence[str]] | None = None,
    *,
    grouped: bool = True,
) -> Iterator[str]:
    """Findings for people: what stops first, then rows set aside, then notes.

    Parameters
    ----------
    examination
        What the checks found.
    most
        Show at most this many lines of findings; None for all.
    usable
        Analysis → trials it can use; None where something stops the work.
    why_not
        Analysis → why the other trials that were read are not used.
    grouped
        One line for all rows with the same finding, and for what one rule found
        in more than ``LINES_APART`` lines; otherwise one for each row.
    """
    order = {"stops": 0, "set aside": 1, "note": 2}
    findings = sorted(examination.findings, key=lambda f: order[f.severity])
    groups = _groups(findings) if grouped else [(finding,) for finding in findings]
    gathered = _gathered(groups) if grouped else [(group,) for group in groups]
    for alike in gathered[:most]:
        told = _of_sheets(alike) or f"{_line(alike[0])}{_more(alike[1:])}"
        yield f"{_SEVERITY_WORDS[alike[0][0].severity]:>9}  {told}"
    if most is not None and len(gathered) > most:
        yield f"{'…':>9}  {len(gathered) - most:,} more; --all shows every one."
    elif any(len(alike) > 1 or len(alike[0]) > ROWS_NAMED for alike in gathered):
        yield f"{'':>9}  (--all shows every row on a line of its own.)"
    if findings:
        yield ""
    yield from _count_lines(examination, findings)
    if usable is not None:
        title = f"Trials that can be used, at most, of {examination.rows_in.get('trials', 0):,}"
        yield f"\n{title}\n{'-' * len(title)}"
        for analysis, question in ANALYSES.items():
            yield f"{question:<30}{usable[analysis]:>9,}{_reasons_of(analysis, why_not)}"
        yield AT_MOST
    # What a mend wins back is not known while something stops the work.
    if not examination.stops:
        yield from _mend_lines(best_mend(examination), best_value_mend(examination))


def _reasons_of(analysis: str, why_not: Mapping[str, Sequence[str]] | None) -> str:
    reasons = (why_not or {}).get(analysis)
    return f"  not: {', '.join(reasons)}" if reasons else ""


def not_used_line(facts: Facts, listed: Path) -> str:
    """How many rows, and single values, are not used, and where they are listed."""
    aside = len({(f.table, f.file, f.row) for f in facts.set_aside})
    rows_in = sum(facts.records.rows_in.values())
    if aside:
        text = (
            f"{aside:,} of {count(rows_in, 'row')} handed over "
            f"{'is' if aside == 1 else 'are'} not used; {listed} lists "
            f"{'it' if aside == 1 else 'them'} with the reasons."
        )
    else:
        text = f"All {count(rows_in, 'row')} handed over are read, and none is set aside."
    left_out = sum(is_left_out(finding) for finding in facts.records.findings)
    if left_out:
        text += (
            f" {count(left_out, 'single value')} could not be read and "
            f"{'is' if left_out == 1 else 'are'} left out; outcomes check lists "
            f"{'it' if left_out == 1 else 'them'}."
        )
    return text


def _mend_lines(rows: Mend | None, values: Mend | None) -> Iterator[str]:
    if rows is not None:
        yield ""
        yield f"The one mend that wins back most ({count(rows.rows, 'row')}): {rows.line()}"
    if values is not None:
        yield ""
        yield (
            "The one mend that wins back most values left out "
            f"({count(values.values, 'value')}): {values.line()}"
        )


def _groups(findings: Sequence[Finding]) -> list[tuple[Finding, ...]]:
    """Findings that say the same of several rows; of many values together, of few apart."""
    same: dict[tuple[Any, ...], list[Finding]] = {}
    for finding in findings:
        key = (finding.severity, finding.file, finding.rule, finding.column)
        same.setdefault((*key, finding.problem, finding.mend), []).append(finding)
    groups: list[tuple[Finding, ...]] = []
    for group in same.values():
        by_value: dict[str | None, list[Finding]] = {}
        for finding in group:
            by_value.setdefault(finding.value, []).append(finding)
        parts = [group] if len(by_value) > VALUES_NAMED else list(by_value.values())
        groups += [tuple(part) for part in parts]
    place = {id(finding): at for at, finding in enumerate(findings)}
    return sorted(groups, key=lambda group: place[id(group[0])])


def _gathered(groups: Sequence[tuple[Finding, ...]]) -> list[list[tuple[Finding, ...]]]:
    """Groups that one rule found and one mend mends together, where they are many; else apart.

    What differs in them is who or what is named, which would else fill the screen.
    """
    same: dict[tuple[Any, ...], list[tuple[Finding, ...]]] = {}
    for group in groups:
        first = group[0]
        where = (None, None) if first.rule in OF_SHEETS else (first.file, first.column)
        key = (first.severity, first.rule, first.mend, *where)
        same.setdefault(key, []).append(group)
    gathered: list[list[tuple[Finding, ...]]] = []
    for alike in same.values():
        rows_known = all(finding.row is not None for group in alike for finding in group)
        together = rows_known and len(alike) > LINES_APART
        together |= alike[0][0].rule in OF_SHEETS and len(alike) > 1
        gathered += [alike] if together else [[group] for group in alike]
    place = {id(group[0]): at for at, group in enumerate(groups)}
    return sorted(gathered, key=lambda alike: place[id(alike[0][0])])


def _more(groups: Sequence[tuple[Finding, ...]]) -> str:
    """How many rows more have a finding of the same kind, and the first of them."""
    rows = sorted(f.row for group in groups for f in group if f.row is not None)
    return f" {len(rows):,} more like it: {_rows(rows)}." if rows else ""


def _of_sheets(groups: Sequence[tuple[Finding, ...]]) -> str:
    """One line for what is told alike of several columns or sheets; empty where it is not."""
    first = groups[0][0]
    if first.rule not in OF_SHEETS or len(groups) == 1:
        return ""
    of_file: dict[str, list[str]] = {}
    for group in groups:
        for finding in group:
            said = finding.column or "".join(re.findall(r"row \d+", finding.problem)[:1])
            of_file.setdefault(finding.file, []).append(said)
    named = "; ".join(f"{file}: {', '.join(of)}" for file, of in of_file.items())
    return f"{OF_SHEETS[first.rule]}: {named}. {first.mend}"


def _line(group: Sequence[Finding]) -> str:
    """One line for a group of findings that say the same."""
    first = group[0]
    if len(group) == 1:
        return first.line()
    values = list(dict.fromkeys(shortened(f.value) for f in group if f.value is not None))
    named = ", ".join(repr(value) for value in values[:VALUES_NAMED])
    more = " and others" if len(values) > VALUES_NAMED else ""
    return first.line_of(f", {_rows([f.row for f in group if f.row is not None])}", named + more)


def _rows(rows: Sequence[int]) -> str:
    """``rows 5 and 9``, or ``rows 5, 9, 14 and 37 more``."""
    named = [str(row) for row in rows[:ROWS_NAMED]]
    if len(rows) == ROWS_NAMED + 1:
        named.append(str(rows[-1]))
    left = len(rows) - len(named)
    named.append(f"{left:,} more" if left else named.pop())
    return f"rows {', '.join(named[:-1])} and {named[-1]}"


def _count_lines(examination: Examination, findings: Sequence[Finding]) -> Iterator[str]:
    stops = [f for f in findings if f.severity == "stops"]
    for table, rows in examination.rows_in.items():
        used = examination.used.get(table, 0)
        rows_in = count(rows, "row")
        # While something stops the work no row is usable.
        told = f" = {used:,} usable + {rows - used:,} set aside" if not stops else ""
        yield f"{table}: {rows_in} in{told}"
    if stops:
        stop = (
            "stops the work; mend it first."
            if len(stops) == 1
            else "stop the work; mend them first."
        )
        yield f"{count(len(stops), 'thing')} above {stop}"
    elif not findings:
        yield "Nothing wrong found."
