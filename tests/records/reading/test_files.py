"""Which file or sheet is which table, by our names and the unit's own."""

import shutil

import openpyxl
import pytest

from outcomes.errors import UsageError
from outcomes.records.read import examine_records

from .forms import TODAY, typed, workbook


def test_sheets_are_read_under_unit_tomls_names(clean, tmp_path) -> None:
    path = workbook(tmp_path / "unit.xlsx", clean, typed)
    book = openpyxl.load_workbook(path)
    book["trials"].title = "Trials 2025"
    book["storage"].title = "Freezer log"
    book["dogs"].title = "Our dogs"
    book.save(path)
    found = examine_records(path, today=TODAY)
    assert [(f.rule, f.table) for f in found.findings] == [
        ("missing table", "storage"),
        ("missing table", "trials"),
        ("table under another name", "dogs"),
    ]
    assert 'trials = "Trials 2025"' in found.stops[1].mend
    (tmp_path / "unit.toml").write_text(
        '[tables]\ntrials = "trials 2025"\nstorage = "Freezer log"\ndogs = "Our dogs"\n'
    )
    assert examine_records(path, today=TODAY).findings == ()


def test_our_name_and_the_units_is_twice(clean, write) -> None:
    folder = write(clean, '[tables]\nstorage = "log"\n')
    (folder / "log.csv").write_bytes((folder / "storage.csv").read_bytes())
    assert [f.rule for f in examine_records(folder, today=TODAY).stops] == ["table given twice"]


def test_workbooks_of_one_table_go_into_one(tmp_path) -> None:
    for name in ("sources", "storage", "trials"):
        (tmp_path / f"{name}.xlsx").write_bytes(b"")
    with pytest.raises(UsageError, match="put their sheets into one"):
        examine_records(tmp_path, today=TODAY)


def test_one_table_in_two_files_stops(clean, write) -> None:
    folder = write(clean)
    shutil.copy(folder / "trials.csv", folder / "Trials.CSV")
    (finding,) = examine_records(folder, today=TODAY).stops
    assert finding.rule == "table given twice"
    assert "Trials.CSV, trials.csv" in finding.problem
