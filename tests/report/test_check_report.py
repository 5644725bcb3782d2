"""What ``check`` lists: a line for each thing to do, and no row lost to brevity."""

import re
from collections.abc import Sequence

from outcomes.records.tables import Examination, Finding
from outcomes.report.check_report import LINES_APART, check_lines


def _found(
    row: int | None, who: str, *, mend: str = "Log when it was taken out.", **other: str
) -> Finding:
    fields = {
        "rule": "thaw not logged",
        "severity": "note",
        "table": "trials",
        "file": "trials.csv",
        "column": "started_at",
        "value": f"2026-03-14 09:{(row or 0) % 60:02d}",
        **other,
    }
    return Finding(row=row, problem=f"the log has {who} in the freezer", mend=mend, **fields)


def _lines(findings: Sequence[Finding], most: int | None = 200, **how: bool) -> list[str]:
    seen = Examination(findings=tuple(findings), rows_in={"trials": 90}, used={"trials": 90})
    return list(check_lines(seen, most, **how))


def _listed(lines: Sequence[str]) -> list[str]:
    return [line for line in lines if re.match(r" *(note|set aside|STOPS)  ", line)]


def test_one_rule_of_many_names_is_one_line() -> None:
    many = [_found(row, f"S-{row}") for row in range(10, 31)]
    (line,) = _listed(_lines(many))
    assert line == (
        "     note  trials.csv, row 10, column started_at: the log has S-10 in the freezer "
        "('2026-03-14 09:10'). Log when it was taken out. 20 more like it: rows 11, 12, 13 and "
        "17 more."
    )
    assert "(--all shows every row on a line of its own.)" in "\n".join(_lines(many))


def test_lone_finding_is_not_buried() -> None:
    many = [_found(row, f"S-{row}") for row in range(10, 31)]
    lone = _found(40, "S-1", rule="another rule", mend="Fill it in.")
    listed = _listed(_lines([*many[:10], lone, *many[10:]]))
    assert len(listed) == 2
    assert listed[1].endswith("Fill it in.")


def test_a_few_lines_of_one_rule_stay_apart() -> None:
    few = [_found(row, f"S-{row}") for row in range(10, 10 + LINES_APART)]
    assert len(_listed(_lines(few))) == LINES_APART


def test_only_like_findings_are_gathered() -> None:
    many = [_found(row, f"S-{row}") for row in range(10, 20)]
    for other in (
        {"file": "more.csv"},
        {"column": "ended_at"},
        {"mend": "Perhaps 'S-1'?"},
        {"severity": "set aside"},
    ):
        lone = _found(40, "S-40", **other)
        listed = _listed(_lines([*many, lone]))
        assert len(listed) == 2
        assert sum("row 40," in line for line in listed) == 1


def test_every_row_is_counted_in_its_line() -> None:
    findings = [_found(row, f"S-{row % 7}") for row in range(2, 80)]
    (line,) = _listed(_lines(findings))
    first, rest = line.split(" more like it: ")
    in_first = int(re.findall(r"and (\d+) more, column", first)[0]) + 3
    assert in_first + int(first.rsplit(" ", 1)[1]) == len(findings)
    rows = [int(row) for row in re.findall(r"\d+", rest)]
    assert sum(rows[-1:]) + len(rows[:-1]) == len(findings) - in_first
    every = _listed(_lines(findings, most=None, grouped=False))
    assert len(every) == len(findings)
    assert {f.line() for f in findings} == {line.split("  ")[-1] for line in every}


def test_whole_table_findings_stand_alone() -> None:
    tables = [_found(None, f"S-{at}", severity="stops") for at in range(6)]
    assert len(_listed(_lines(tables))) == 6
