"""Whatever is wrong with records is one clear line: where it stands, what it is, what mends it."""

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from outcomes.cli import main
from outcomes.cli.options import called_as

Rows = list[list[str]]


def _edit(folder: Path, table: str, change: Callable[[Rows], Rows]) -> None:
    file = folder / f"{table}.csv"
    with file.open(newline="", encoding="utf-8") as stream:
        rows = list(csv.reader(stream))
    with file.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows(change(rows))


def _put(folder: Path, table: str, row: int, column: str, value: str) -> None:
    """Write one cell, with the row number a spreadsheet shows."""

    def change(rows: Rows) -> Rows:
        rows[row - 1][rows[0].index(column)] = value
        return rows

    _edit(folder, table, change)


def _find_row(folder: Path) -> int:
    """Row number of the first find."""
    with (folder / "trials.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.reader(stream))
    at = rows[0].index("result")
    return next(number for number, cells in enumerate(rows[1:], start=2) if cells[at] == "find")


@pytest.mark.parametrize("command", ["check", "fit", "retire", "compare", "watch"])
def test_a_path_that_is_not_there_is_wrong_usage(command, call, tmp_path) -> None:
    answer = call(command, tmp_path / "nowhere")
    assert answer.status == 2
    assert answer.complaints == [
        f"outcomes: {tmp_path / 'nowhere'}: no such file or directory. "
        "Give the folder or the .xlsx workbook of the records."
    ]
    assert answer.out == ""


def _empty(folder: Path) -> None:
    (folder / "trials.csv").write_text("")


def _header_only(folder: Path) -> None:
    _edit(folder, "trials", lambda rows: rows[:1])


def _no_table(folder: Path) -> None:
    (folder / "sources.csv").unlink()


def _no_column(folder: Path) -> None:
    _edit(
        folder,
        "trials",
        lambda rows: [["outcome" if c == "result" else c for c in rows[0]], *rows[1:]],
    )


def _twice(folder: Path) -> None:
    _edit(folder, "trials", lambda rows: [[*r, r[rows[0].index("result")]] for r in rows])


STOPS = pytest.mark.parametrize(
    ("spoil", "line"),
    [
        (_empty, "trials.csv: there is nothing in it. Fill it in."),
        (_header_only, "trials.csv: there are no rows under the header. Fill in at least one row."),
        (
            _no_table,
            "own: there is no table of sources. Add sources.csv or sources.parquet to the folder, "
            "or a sheet called sources to the workbook.",
        ),
        (
            _no_column,
            "trials.csv, column result: the column is missing. Add it, or say in unit.toml, beside "
            'the records, which column it is, under [columns.trials]: result = "outcome"',
        ),
        (
            _twice,
            "trials.csv, column result: 2 columns would be result. Keep one of them, or give the "
            "others another name.",
        ),
    ],
)


@STOPS
def test_check_names_what_stops_and_exits_1(spoil, line, call, own_records) -> None:
    spoil(own_records)
    answer = call("check", own_records)
    assert answer.status == 1
    assert f"    STOPS  {line}" in answer.out.splitlines()
    assert "1 thing above stops the work; mend it first." in answer.out.splitlines()
    assert answer.err == ""
    found = json.loads(call("check", own_records, "--json").out)
    assert found["stops"] == 1


@STOPS
@pytest.mark.parametrize("command", ["fit", "retire", "compare", "watch", "brief", "join"])
def test_no_command_works_past_it(command, spoil, line, call, own_records, tmp_path) -> None:
    spoil(own_records)
    out = {"brief": ["--out", tmp_path / "b"], "join": ["--out", tmp_path / "j.csv"]}
    answer = call(command, own_records, *out.get(command, []))
    assert answer.status == 1
    assert answer.complaints == [f"outcomes: {line}"]
    assert answer.out == ""
    assert sorted(p.name for p in tmp_path.iterdir()) == ["own"]


def test_several_things_are_told_at_once(call, own_records) -> None:
    _no_table(own_records)
    _no_column(own_records)
    answer = call("fit", own_records, "--json")
    assert answer.status == 1
    assert answer.out == ""
    assert answer.complaints[0] == f"outcomes: {own_records}: 2 things stop the work:"
    assert len(answer.complaints) == 3
    assert "2 things above stop the work; mend them first." in call("check", own_records).out


def test_unusable_settings_say_where(call, own_records) -> None:
    (own_records / "unit.toml").write_text("[decision]\nfloor = 85\n")
    answer = call("fit", own_records)
    assert answer.status == 1
    assert len(answer.complaints) == 1
    assert "unit.toml: [decision] floor = 85 cannot be used." in answer.err
    (own_records / "unit.toml").write_text("floor = = 1\n")
    answer = call("fit", own_records)
    assert answer.status == 1
    assert "unit.toml" in answer.complaints[0]


@pytest.mark.parametrize(
    ("table", "column", "value", "problem", "mend"),
    [
        ("trials", "source_id", "ZZZ-99", "there is no such source in the table of sources", ""),
        ("trials", "search_s", "not found", "the search time says something else", "seconds"),
        ("trials", "assisted", "a bit", "not one of the words for assisted", "yes or no"),
        ("trials", "blinding", "semi", "not one of the words for blinding", "open, single"),
        ("sources", "age_at_acquisition_days", "old", "not a number", "Write a plain number"),
        ("trials", "started_at", "03/04/2024", "the date can be read two ways", "2026-03-14"),
        ("trials", "started_at", "2024-02-30", "not a date or time", "2026-03-14"),
        ("trials", "started_at", "2199-01-01", "today is", "Correct the date."),
        ("trials", "result", "maybe", "not one of the words for result", "Write find, miss"),
        ("trials", "dog_id", "", "a needed value is empty", "Fill it in."),
        ("storage", "moved_to", "cellar", "not one of the words for moved_to", "freezer"),
        ("sources", "acquired_on", "31.12.23", "the date can be read two ways", "2026-03-14"),
    ],
)
def test_one_bad_cell_sets_its_row_aside(
    table, column, value, problem, mend, call, own_records
) -> None:
    row = _find_row(own_records) if table == "trials" else 3
    _put(own_records, table, row, column, value)
    answer = call("check", own_records)
    assert answer.status == 0
    where = f"set aside  {table}.csv, row {row}, column {column}: "
    told = [line for line in answer.out.splitlines() if line.startswith(where)]
    assert len(told) == 1
    assert problem in told[0]
    assert mend in told[0]
    if value:
        assert f"({value!r})" in told[0]
    assert "1 set aside" in answer.out or "set aside" in answer.out


@pytest.mark.parametrize(
    ("table", "column", "value", "problem", "mend"),
    [
        ("trials", "search_s", "quick", "not a number", "Write a plain number, as in 12.5"),
        ("trials", "search_s", "12 laps", "there is more than a number in the cell", "in s"),
        ("trials", "search_s", "1:30", "this is a clock time, but other cells", "90 for 1:30"),
        ("trials", "temperature_c", "68", "not between -50 and 55 °C", "[units.trials]"),
        ("trials", "humidity_pct", "n/a?", "not a number", "leave it empty"),
        ("trials", "wind_m_s", "strong", "not a number", "leave it empty"),
        ("trials", "false_alerts", "2026-03-04", "this is a date, not a number", "number format"),
        ("sources", "packaging", "jar", "not one of the words for packaging", "sealed, vented"),
        ("dogs", "born_on", "spring", "not a date or time", "2026-03-14"),
    ],
)
def test_odd_side_cell_costs_the_value_only(
    table, column, value, problem, mend, call, own_records
) -> None:
    before = call("check", own_records).out
    row = _find_row(own_records) if table == "trials" else 3
    _put(own_records, table, row, column, value)
    answer = call("check", own_records)
    assert answer.status == 0
    where = f"     note  {table}.csv, row {row}, column {column}: {problem}"
    (told,) = [line for line in answer.out.splitlines() if line.startswith(where)]
    assert f"({value!r}); this value is left out and the row used" in told
    assert mend in told
    counts = re.compile(r"^\w+: [\d,]+ rows in .*$", re.MULTILINE)
    assert counts.findall(answer.out) == counts.findall(before)


def test_one_finding_of_many_rows_is_one_line(call, own_records) -> None:
    def spoil(rows: Rows) -> Rows:
        wind, temperature = rows[0].index("wind_m_s"), rows[0].index("temperature_c")
        for number, row in enumerate(rows[1:43]):
            row[wind] = "?"
            row[temperature] = f"{number} deg"
        return rows

    _edit(own_records, "trials", spoil)
    answer = call("check", own_records)
    (wind,) = [
        line for line in answer.out.splitlines() if "column wind_m_s" in line and "note" in line
    ]
    assert wind.startswith(
        "     note  trials.csv, rows 2, 3, 4 and 39 more, column wind_m_s: not a number ('?'); "
    )
    (warm,) = [
        line
        for line in answer.out.splitlines()
        if "note" in line and "column temperature_c" in line
    ]
    assert "rows 2, 3, 4 and 39 more" in warm
    assert "('0 deg', '1 deg', '2 deg' and others)" in warm
    assert "(--all shows every row on a line of its own.)" in answer.out
    every = call("check", own_records, "--all").out
    assert every.count("column wind_m_s: not a number") == 42
    assert "and 39 more" not in every


def test_suggested_lines_can_be_used_as_they_are(call, own_records) -> None:
    _no_column(own_records)
    answer = call("check", own_records)
    file = own_records / "unit.toml"
    told, lines = answer.out.split(f"Save these lines as a text file beside the records: {file}. ")
    assert '[columns.trials]: result = "outcome"' in told
    file.write_text(lines.split("\n\n", 1)[1])
    assert call("check", own_records).status == 0
    assert "these lines" not in call("check", own_records).out


def test_lines_are_added_to_a_file_that_is_there(call, own_records) -> None:
    _put(own_records, "trials", _find_row(own_records), "result", "hit")
    file = own_records / "unit.toml"
    file.write_text('unit = "x"\n[words.result]\n"Hmm" = "miss"\n')
    out = call("check", own_records).out
    assert f"Add these lines to {file}. " in out
    assert '# under [words.result], which is there already:\n"hit" = "find"' in out
    file.write_text(file.read_text() + '"hit" = "find"\n')
    assert "these lines" not in call("check", own_records).out


def test_file_named_like_a_table_can_be_mapped(call, own_records) -> None:
    (own_records / "storage.csv").rename(own_records / "Storage log.csv")
    answer = call("check", own_records)
    assert answer.status == 1
    assert (
        "there is no table of storage. If it is 'Storage log.csv', rename it to storage.csv, or "
        'say in unit.toml, beside the records, under [tables]: storage = "Storage log"; '
    ) in answer.out
    (own_records / "unit.toml").write_text('[tables]\nstorage = "storage LOG"\n')
    assert call("check", own_records).status == 0
    (own_records / "unit.toml").write_text('[tables]\nstorage = "Store"\n')
    assert (
        'Correct its name in unit.toml, [tables] storage = "Store".'
        in call("check", own_records).out
    )


def test_strict_sets_freezer_trials_aside(call, own_records) -> None:
    _edit(own_records, "storage", lambda rows: [rows[0], *(r for r in rows[1:] if "freezer" in r)])
    (own_records / "unit.toml").write_text('[exposure]\nunlogged_thaws = "strict"\n')
    found = json.loads(call("check", own_records, "--json").out)
    aside = {f["row"] for f in found["findings"] if f["severity"] == "set aside"}
    assert aside
    assert found["used"]["trials"] == found["rows_in"]["trials"] - len(aside)
    assert not [
        f for f in found["findings"] if f["severity"] == "note" and f["row"] in aside
        and f["table"] == "trials"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "found", "name"),
    [
        ("outcomes", None, "outcomes"),
        (".venv/bin/outcomes", None, ".venv/bin/outcomes"),
        ("/opt/unit/bin/outcomes", "/opt/unit/bin/outcomes", "outcomes"),
        ("/opt/unit/bin/outcomes", "/usr/bin/outcomes", "/opt/unit/bin/outcomes"),
        ("/usr/lib/python/pytest/__main__.py", None, "outcomes"),
    ],
)
def test_messages_name_the_command_as_called(typed, found, name, monkeypatch) -> None:
    monkeypatch.setattr("sys.argv", [typed])
    monkeypatch.setattr("shutil.which", lambda _: found)
    assert called_as() == name


def test_template_tells_next_command_as_called(tmp_path, monkeypatch, capsys) -> None:
    file = tmp_path / "our unit.xlsx"
    monkeypatch.setattr("sys.argv", [".venv/bin/outcomes", "template", str(file)])
    with pytest.raises(SystemExit):
        main()
    told = capsys.readouterr().out.splitlines()
    assert told[-1].removeprefix("then: ") == f".venv/bin/outcomes check '{file}'"


@pytest.mark.slow
def test_briefing_says_what_was_not_used(call, own_records, tmp_path) -> None:
    assert (
        "handed over are read, and none is set aside."
        in call("brief", own_records, "--out", tmp_path / "a").out
    )
    row = _find_row(own_records)
    _put(own_records, "trials", row, "result", "hmm")
    _put(own_records, "trials", row + 1, "wind_m_s", "strong")
    out = call("brief", own_records, "--out", tmp_path / "b").out
    (line,) = [line for line in out.splitlines() if "not used" in line]
    assert line.startswith("1 of ")
    assert f"rows handed over is not used; {tmp_path / 'b' / 'set_aside.csv'} lists it" in line
    assert "1 single value could not be read and is left out; outcomes check lists it." in line
    joined = call("join", own_records, "--out", tmp_path / "j.csv").out
    assert joined == (
        f"{tmp_path / 'j.csv'}: 59 trials; 1 row set aside, listed in "
        f"{tmp_path / 'j_set_aside.csv'}.\n"
    )


@pytest.mark.slow
def test_row_set_aside_is_in_the_results(call, own_records, tmp_path) -> None:
    row = _find_row(own_records)
    _put(own_records, "trials", row, "started_at", "soon")
    answer = call("brief", own_records, "--json", "--out", tmp_path / "b")
    assert answer.status == 0
    records = json.loads(answer.out)["records"]
    assert records["set_aside"] == [
        {
            "file": "trials.csv",
            "row": row,
            "column": "started_at",
            "value": "soon",
            "reason": "not a date or time",
        }
    ]
    assert records["rows_in"]["trials"] == records["used"]["trials"] + 1
    page = (tmp_path / "b" / "briefing.html").read_text(encoding="utf-8")
    assert "59 of 60 in trials" in page
    assert "1 row of trials.csv: not a date or time" in page
    aside = (tmp_path / "b" / "set_aside.csv").read_text(encoding="utf-8").splitlines()
    assert aside[0] == "file,row,column,value,reason"
    assert aside[1].startswith(f"trials.csv,{row},started_at,soon,")


def test_no_trial_left_stops_with_one_line(call, own_records, tmp_path) -> None:
    def spoil(rows: Rows) -> Rows:
        at = rows[0].index("result")
        return [rows[0], *([*r[:at], "maybe", *r[at + 1 :]] for r in rows[1:])]

    _edit(own_records, "trials", spoil)
    answer = call("brief", own_records, "--out", tmp_path / "b")
    assert answer.status == 1
    assert len(answer.complaints) == 1
    assert "no trial can be used" in answer.complaints[0]
    assert not (tmp_path / "b").exists()


def test_findings_beyond_200_are_counted(call, own_records) -> None:
    def spoil(rows: Rows) -> Rows:
        trial, result = rows[0].index("trial_id"), rows[0].index("result")
        hides = [row for row in rows[1:] if row[rows[0].index("source_id")]]
        many = [list(row) for row in hides * (240 // len(hides) + 1)]
        for number, row in enumerate(many):
            # Each word wants a line of its own in unit.toml, so none stands for another.
            row[trial], row[result] = f"N{number}", f"word {number}"
        return [rows[0], *many]

    _edit(own_records, "trials", spoil)
    short, whole = call("check", own_records).out, call("check", own_records, "--all").out
    assert "more; --all shows every one." in short
    assert "--all shows every one" not in whole
    assert whole.count("set aside  ") > 240
