"""What is said of a drafted ``unit.toml``."""

from pathlib import Path

from outcomes.records.suggest import Draft
from outcomes.records.tables import Examination, Finding
from outcomes.wording.draft import describe_draft, describe_first_draft, describe_next_step


def finding(row: int, rule: str, problem: str, severity: str = "set aside") -> Finding:
    return Finding(rule, severity, "trials", "log.xlsx", row, "Result", "?", problem, "Mend it.")


def told(draft: Draft, *findings: Finding, new_lines: bool = False) -> list[str]:
    found = Examination(findings, {"trials": 10}, {"trials": 7})
    return list(describe_draft(draft, Path("unit.toml"), found, new_lines=new_lines))


def test_others_are_told_by_reason_and_once_a_row() -> None:
    rows = [finding(row, "unknown word", "not one of the words") for row in (2, 3)]
    rows += [finding(3, "empty needed value", "a needed value is empty")]
    rows += [finding(4, "empty needed value", "a needed value is empty")]
    rows += [finding(9, "total row", "it begins with a word for a sum")]
    lines = told(Draft("", 7, 10, 1), *rows)
    assert lines[0] == (
        "unit.toml written: with it 7 of 10 trials can be used; 1 line left open. Every line is a "
        "guess: read and correct it."
    )
    assert lines[1:] == [
        "Of the others:",
        "  2: column Result: not one of the words",
        "  1: column Result: a needed value is empty",
    ]


def test_what_stops_is_told_first_where_nothing_can_be_used() -> None:
    lines = told(Draft("", 0, 10, 1), finding(1, "missing column", "it is missing", "stops"))
    assert lines[1] == "First of all, for nothing can be read without:"
    assert lines[2] == "  log.xlsx, row 1, column Result: it is missing ('?'). Mend it."


def test_a_whole_draft_says_no_more_than_that() -> None:
    (line,) = told(Draft("", 10, 10, 0), new_lines=True)
    assert "10 of 10 trials can be used. Every new line is a guess" in line


def test_commands_are_those_of_the_command_line() -> None:
    assert "outcomes brief --out briefing" in describe_next_step()
    assert "--draft 'our unit.toml'" in describe_first_draft(Path("our unit.toml"))
