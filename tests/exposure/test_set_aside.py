"""What joining sets aside, added to what the checks found."""

from outcomes.exposure.set_aside import with_set_aside
from outcomes.records.tables import Examination, Finding


def finding(severity: str, table: str, row: int, problem: str = "p") -> Finding:
    return Finding("a rule", severity, table, f"{table}.csv", row, None, None, problem, "mend it")


NOTE = finding("note", "trials", 3)
OTHER_NOTE = finding("note", "trials", 4)
BEFORE = Examination(
    findings=(NOTE, OTHER_NOTE),
    rows_in={"trials": 10, "storage": 7},
    used={"trials": 9, "storage": 7},
)


def test_row_set_aside_is_counted_once() -> None:
    twice = (finding("set aside", "trials", 3), finding("set aside", "trials", 3, "q"))
    # From an iterator, which can be walked only once.
    after = with_set_aside(BEFORE, iter((*twice, finding("set aside", "trials", 8))))
    assert after.used == {"trials": 7, "storage": 7}
    assert after.rows_in == BEFORE.rows_in
    assert after.findings == (OTHER_NOTE, *twice, finding("set aside", "trials", 8))


def test_like_rows_of_two_tables_are_two() -> None:
    new = [finding("set aside", "trials", 5), finding("set aside", "storage", 5)]
    assert with_set_aside(BEFORE, new).used == {"trials": 8, "storage": 6}


def test_without_a_row_set_aside_nothing_changes() -> None:
    assert with_set_aside(BEFORE, []) == BEFORE
