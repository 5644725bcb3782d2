"""Workbooks hold the same records as text files, as a person sees their cells."""

import datetime as dt

import openpyxl
import pytest

from outcomes.records.read import examine_records, read_records

from .forms import TODAY, same, typed, workbook


def test_title_above_the_names_is_passed(clean, tmp_path) -> None:
    path = workbook(tmp_path / "unit.xlsx", clean, typed)
    book = openpyxl.load_workbook(path)
    book["trials"].insert_rows(1)
    book["trials"]["A1"] = "Trials 2025"
    book["trials"].merge_cells("A1:F1")
    book.save(path)
    found = examine_records(path, today=TODAY)
    assert [(f.rule, f.table) for f in found.findings] == [("column names found lower", "trials")]
    assert "found in row 2" in found.findings[0].line()
    assert read_records(path, today=TODAY).trials["row"].tolist() == [3, 4, 5, 6, 7, 8]


def test_merged_side_cells_cost_their_values(clean, tmp_path) -> None:
    path = workbook(tmp_path / "unit.xlsx", clean, typed)
    book = openpyxl.load_workbook(path)
    at = [cell.value for cell in book["trials"][1]].index("temperature_c") + 1
    letter = openpyxl.utils.get_column_letter(at)
    book["trials"].merge_cells(f"{letter}3:{letter}5")
    book.save(path)
    records = read_records(path, today=TODAY)
    told = [(f.row, f.severity) for f in records.findings if f.rule == "merged cells"]
    assert told == [(3, "note"), (4, "note"), (5, "note")]
    assert records.set_aside == ()
    assert records.trials["temperature_c"].isna().tolist() == [
        False, True, True, True, False, False,
    ]  # fmt: skip


def test_cell_made_a_date_is_no_number(clean, tmp_path) -> None:
    path = workbook(tmp_path / "unit.xlsx", clean, typed)
    book = openpyxl.load_workbook(path)
    at = [cell.value for cell in book["trials"][1]].index("false_alerts") + 1
    book["trials"].cell(3, at).value = dt.datetime(2026, 4, 3)
    book.save(path)
    (told,) = examine_records(path, today=TODAY).findings
    assert (told.rule, told.row, told.value) == ("date for a number", 3, "2026-04-03")


@pytest.mark.parametrize("convert", [typed, lambda column, text: text or None])
def test_workbook_is_the_same_typed_or_as_text(clean, write, convert) -> None:
    folder = write(clean)
    path = workbook(folder / "unit.xlsx", clean, convert)
    expected, found = read_records(folder, today=TODAY), read_records(path, today=TODAY)
    assert found.findings == ()
    for table in ("sources", "storage", "trials", "dogs"):
        same(getattr(expected, table), getattr(found, table))
    assert found.trials.loc[0, "file"] == "unit.xlsx, sheet trials"


def test_number_label_is_the_same_in_both_forms(clean, write) -> None:
    for table in ("sources", "storage", "trials"):
        for row in clean[table]:
            for column in ("source_id", "parent_id"):
                if column in row:
                    row[column] = row[column].replace("S", "10").replace("P", "20")
    folder = write(clean)
    path = workbook(folder / "unit.xlsx", clean, typed)
    found = read_records(path, today=TODAY)
    assert list(found.sources["source_id"]) == ["101", "102", "201"]
    same(read_records(folder, today=TODAY).trials, found.trials)


def test_clock_times_and_percentages_as_seen(clean, tmp_path) -> None:
    for row in clean["trials"]:
        row["humidity_pct"] = ""
    path = workbook(tmp_path / "unit.xlsx", clean, typed)
    book = openpyxl.load_workbook(path)
    sheet = book["trials"]
    names = [cell.value for cell in sheet[1]]
    search, humidity = names.index("search_s") + 1, names.index("humidity_pct") + 1
    for row in range(2, 8):
        sheet.cell(row, search).value = dt.time(1, 30)  # typed as 1:30, shown as 1:30
        sheet.cell(row, search).number_format = "h:mm"
        sheet.cell(row, humidity).value = 0.45
        sheet.cell(row, humidity).number_format = "0%"
    sheet.cell(3, search).value = dt.time(0, 2, 15)  # typed as 0:02:15
    sheet.cell(3, search).number_format = "h:mm:ss"
    book.save(path)
    (tmp_path / "unit.toml").write_text('[units]\nsearch_s = "mm:ss"\n')
    trials = read_records(path, today=TODAY).trials
    assert list(trials["search_s"][:3]) == [90.0, 135.0, 90.0]
    assert list(trials["humidity_pct"][:3]) == [45.0, 45.0, 45.0]


def test_workbook_rows_are_counted_as_shown(clean, tmp_path) -> None:
    path = workbook(tmp_path / "unit.xlsx", clean, typed)
    book = openpyxl.load_workbook(path)
    sheet = book["trials"]
    sheet.insert_rows(4, 2)
    sheet["D9"].value = "Nowhere"
    sheet["A1048576"].font = openpyxl.styles.Font(bold=True)  # stray formatting far below
    book.save(path)
    found = examine_records(path, today=TODAY)
    assert [(f.row, f.column) for f in found.set_aside] == [(9, "source_id")]
    assert found.rows_in["trials"] == 6


def test_merged_header_stops_merged_cells_cost(clean, tmp_path) -> None:
    path = workbook(tmp_path / "unit.xlsx", clean, typed)
    book = openpyxl.load_workbook(path)
    book["trials"].merge_cells("C3:C4")
    book["dogs"].merge_cells("A1:B1")
    book.save(path)
    found = examine_records(path, today=TODAY)
    (stop,) = found.stops
    assert (stop.rule, stop.row) == ("merged header", 1)
    assert "A1:B1" in stop.problem
    rows = [(f.rule, f.row, f.column, f.value) for f in found.set_aside if f.table == "trials"]
    assert rows[:2] == [
        ("merged cells", 3, "dog_id", "C3:C4"),
        ("merged cells", 4, "dog_id", "C3:C4"),
    ]


def test_formula_without_a_value_is_not_empty(clean, tmp_path) -> None:
    path = workbook(tmp_path / "unit.xlsx", clean, typed)
    book = openpyxl.load_workbook(path)
    book["trials"]["D2"].value = "=sources!A2"
    book.save(path)
    (finding,) = examine_records(path, today=TODAY).set_aside
    assert (finding.rule, finding.row, finding.column, finding.value) == (
        "formula without a value", 2, "source_id", "=sources!A2",
    )  # fmt: skip


def test_text_like_a_formula_stays_text(clean, write) -> None:
    signs = ["=1+1", "+44", "-x", "@home"]
    for source, sign in zip(clean["sources"], signs, strict=False):
        source["kind"] = sign
    folder = write(clean)
    assert list(read_records(folder, today=TODAY).sources["kind"]) == signs[:3]
    path = workbook(folder / "unit.xlsx", clean, lambda column, text: text or None)
    book = openpyxl.load_workbook(path)
    cell = book["sources"]["B2"]
    cell.data_type = "s"
    book.save(path)
    assert list(read_records(path, today=TODAY).sources["kind"]) == signs[:3]
