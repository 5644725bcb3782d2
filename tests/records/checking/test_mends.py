"""The single mend that would win back the most rows: what it says, and that it does."""

import datetime as dt
from collections.abc import Callable

import pytest

from outcomes.records.checking.mends import Mend, best_mend, best_value_mend
from outcomes.records.read import examine_records

TODAY = dt.date(2026, 3, 14)


def _set(table: str, column: str, value: str, *positions: int) -> Callable[[dict], None]:
    return lambda t: [t[table][i].update({column: value}) for i in positions]


CASES = {
    "a word said once in unit.toml": (
        _set("trials", "result", "hit", 0, 3),
        ("unknown word", None, "result", "hit", 2),
    ),
    "one source named wrongly in two tables": (
        lambda t: [
            t["trials"][3].update(source_id="S9"),
            t["storage"].append({**t["storage"][3], "source_id": "S9", "moved_at": "2025-03-01"}),
        ],
        ("unknown source", None, "source_id", "S9", 2),
    ),
    "one source named wrongly in columns of two names": (
        lambda t: [
            [row.update({"Aid used": row.pop("source_id")}) for row in t["trials"]],
            t["trials"][3].update({"Aid used": "S9"}),
            t["storage"].append({**t["storage"][3], "source_id": "S9", "moved_at": "2025-03-01"}),
        ],
        ("unknown source", None, "source_id", "S9", 2),
        '[columns.trials]\nsource_id = "Aid used"\n',
    ),
    "a source that takes its portions, moves and trials with it": (
        _set("sources", "kind", "", 0),
        ("empty needed value", 2, "kind", None, 9),
    ),
    "a source's age in words": (
        lambda t: [
            [row.update(age_at_acquisition_days="3 moons") for row in t["sources"]],
            _set("trials", "dog_id", "", 2)(t),
        ],
        ("number with a unit in it", None, "age_at_acquisition_days", None, 12),
    ),
    "dates that can be read two ways, in any table": (
        lambda t: [
            _set("trials", "started_at", "03/04/2025", 0)(t),
            _set("storage", "moved_at", "03/04/2025", 0)(t),
            _set("trials", "dog_id", "", 3)(t),
        ],
        ("date ambiguous", None, None, None, 2),
    ),
    "one number for two trials": (
        _set("trials", "trial_id", "T1", 1),
        ("duplicate id", 2, "trial_id", "T1", 2),
    ),
    "the first of equals": (
        lambda t: [_set("trials", "dog_id", "", 1)(t), _set("trials", "source_id", "", 0)(t)],
        ("result contradicts blank area", 2, "result", "find", 1),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_the_mend_that_wins_back_most_is_named(clean, write, name: str) -> None:
    damage, (rule, row, column, value, rows), *settings = CASES[name]
    damage(clean)
    found = best_mend(examine_records(write(clean, *settings), today=TODAY))
    assert isinstance(found, Mend)
    assert (found.rule, found.row, found.column, found.value, found.rows) == (
        rule, row, column, value, rows,
    )  # fmt: skip
    assert len(found.line().splitlines()) == 1
    assert found.text in found.line()


def test_mostly_ambiguous_dates_are_told(clean, write) -> None:
    for at in (0, 1, 2):
        clean["trials"][at]["started_at"] = f"0{at + 1}/04/2025"
    clean["storage"][0]["moved_at"] = "03/04/2025"
    mend = best_mend(examine_records(write(clean), today=TODAY))
    assert mend.line().startswith(
        "trials.csv, column started_at (as in '01/04/2025', 3 rows) and storage.csv, column "
        "moved_at (as in '03/04/2025', 1 row): Write it as"
    )
    assert (mend.file, mend.table, sum(place.count for place in mend.places)) == (
        "trials.csv", "trials", mend.rows,
    )  # fmt: skip
    clean["storage"][0]["moved_at"] = "2025-01-01"
    mend = best_mend(examine_records(write(clean), today=TODAY))
    assert mend.line().startswith("trials.csv, column started_at (as in '01/04/2025'): Write it")


def test_missing_name_is_told_in_every_table(clean, write) -> None:
    for at in (3, 4):
        clean["trials"][at]["source_id"] = "S9"
    clean["storage"][4]["source_id"] = "S9"
    mend = best_mend(examine_records(write(clean), today=TODAY))
    assert mend.line() == (
        "trials.csv, column source_id ('S9', 2 rows) and storage.csv, column source_id "
        "('S9', 1 row): Add the source to the sources, or correct it. Leave it empty for a blank "
        "area."
    )


def test_first_columns_of_one_fault_are_named(clean, write) -> None:
    for row in clean["trials"]:
        row["temperature_c"] = row["humidity_pct"] = row["wind_m_s"] = row["depth_cm"] = "2,5"
    line = best_value_mend(examine_records(write(clean), today=TODAY)).line()
    assert "; trials.csv, column wind_m_s (as in '2,5', 6 values) and 1 more column: " in line


def test_mend_wins_back_what_it_says(clean, write) -> None:
    clean["sources"][0]["kind"] = ""
    clean["trials"][3]["dog_id"] = "Elm"
    before = examine_records(write(clean), today=TODAY)
    mend = best_mend(before)
    clean["sources"][mend.row - 2]["kind"] = "muscle"
    after = examine_records(write(clean), today=TODAY)
    assert sum(after.used.values()) - sum(before.used.values()) == mend.rows == 9


def test_row_of_two_faults_needs_two_mends(clean, write) -> None:
    clean["trials"][0].update(result="hit", dog_id="Elm")
    assert best_mend(examine_records(write(clean), today=TODAY)) is None


def test_clean_records_need_no_mend(clean, write) -> None:
    assert best_mend(examine_records(write(clean), today=TODAY)) is None


def test_what_stops_the_work_keeps_every_row(clean, write) -> None:
    for row in clean["trials"]:
        row["outcome"] = row.pop("result")
    examination = examine_records(write(clean), today=TODAY)
    mend = best_mend(examination)
    assert (mend.rule, mend.rows) == ("missing column", sum(examination.used.values()))
    clean["sources"] = [dict.fromkeys(clean["sources"][0], "")]
    assert best_mend(examine_records(write(clean), today=TODAY)) is None


def test_values_left_out_have_their_mend(clean, write) -> None:
    for row in clean["trials"]:
        row["search_s"] = "1:30"
    clean["trials"][0]["dog_id"] = "Elm"
    found = examine_records(write(clean), today=TODAY)
    assert best_mend(found).rule == "unknown dog"
    mend = best_value_mend(found)
    assert (mend.rule, mend.column, mend.value, mend.rows, mend.values) == (
        "minutes and seconds", "search_s", None, 0, 5,
    )  # fmt: skip


def test_odd_cells_have_no_common_mend(clean, write) -> None:
    clean["trials"][0]["search_s"] = clean["trials"][1]["search_s"] = "quick"
    assert best_value_mend(examine_records(write(clean), today=TODAY)) is None


def test_one_cause_outweighs_one_value(clean, write) -> None:
    words = ("hit", "hit", "walked past", "quiet", "hit", "FA!")
    for row, word in zip(clean["trials"], words, strict=True):
        row["result"] = word
    mend = best_mend(examine_records(write(clean), today=TODAY))
    assert (mend.rule, mend.column, mend.value, mend.rows) == ("unknown word", "result", "hit", 6)
    assert mend.text.endswith("The same for 'walked past' (1), 'quiet' (1), 'FA!' (1).")


def test_no_mend_is_asked_for_what_no_question_uses(clean, write) -> None:
    for row in clean["dogs"] * 2:
        row["born_on"] = "spring"
    clean["dogs"] += [{"dog_id": f"D{n}", "born_on": "spring"} for n in range(3)]
    assert best_value_mend(examine_records(write(clean), today=TODAY)) is None
