"""Files in every form a unit may hand over hold the same records."""

import datetime as dt
import shutil
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from outcomes.errors import RecordsError, UsageError
from outcomes.records.read import examine_records, read_records
from outcomes.records.suggest import suggest_settings

TODAY = dt.date(2026, 3, 14)


def same(one: pd.DataFrame, other: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(
        one.drop(columns="file"), other.drop(columns="file")[list(one.drop(columns="file"))]
    )


def again(folder: Path, change) -> Path:
    """A copy of a folder of CSV files with each file's bytes changed."""
    copy = folder / "copy"
    copy.mkdir()
    for file in folder.glob("*.csv"):
        (copy / file.name).write_bytes(change(file.read_text(encoding="utf-8")))
    return copy


def workbook(path: Path, tables: dict, convert=lambda column, text: text or None) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in tables.items():
        sheet = book.create_sheet(name)
        columns = list(dict.fromkeys(c for row in rows for c in row))
        sheet.append(columns)
        for row in rows:
            sheet.append([convert(column, row.get(column, "")) for column in columns])
    book.save(path)
    return path


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace(",", ";").encode(),
        lambda text: text.replace(",", "\t").encode(),
        lambda text: text.encode("utf-8-sig"),
        lambda text: text.encode("utf-16"),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.replace("\n", "\r").encode(),
        lambda text: text.rstrip("\n").encode(),
        lambda text: (
            "\n".join(
                ",".join(f'"{cell}"' for cell in line.split(",")) for line in text.splitlines()
            )
        ).encode(),
    ],
    ids=["semicolons", "tabs", "BOM", "UTF-16", "CRLF", "CR", "no last newline", "quoted"],
)
def test_every_form_of_csv_holds_the_same_records(clean, write, change) -> None:
    clean["sources"][0]["kind"] = clean["sources"][2]["kind"] = "Müskel"
    folder = write(clean)
    copy = again(folder, change)
    expected, found = read_records(folder, today=TODAY), read_records(copy, today=TODAY)
    assert found.findings == ()
    for table in ("sources", "storage", "trials", "dogs"):
        same(getattr(expected, table), getattr(found, table))


def test_windows_1252_is_read_and_said(clean, write) -> None:
    clean["dogs"][0]["dog_id"] = "Zoë"
    for row in clean["trials"]:
        row["dog_id"] = row["dog_id"].replace("Ash", "Zoë")
    records = read_records(again(write(clean), lambda t: t.encode("cp1252")), today=TODAY)
    assert {f.rule for f in records.findings} == {"Windows-1252 text"}
    assert records.dogs.loc[0, "dog_id"] == "Zoë"


def test_accented_letter_written_two_ways_is_one(clean, write) -> None:
    clean["dogs"][0]["dog_id"] = "Zoe\u0308"
    for row in clean["trials"]:
        row["dog_id"] = row["dog_id"].replace("Ash", "Zo\u00eb")
    assert read_records(write(clean), today=TODAY).findings == ()


def test_blank_lines_are_rows_and_no_records(clean, write) -> None:
    folder = write(clean)
    lines = (folder / "trials.csv").read_text().splitlines()
    lines[3:3] = ["", ",,,,,,,,,,"]
    lines[-1] = lines[-1].replace("Birch", "")
    (folder / "trials.csv").write_text("\n".join(lines) + "\n\n\n")
    records = read_records(folder, today=TODAY)
    assert list(records.trials["row"]) == [2, 3, 6, 7, 8]
    assert [f.row for f in records.set_aside] == [9]
    assert records.rows_in["trials"] == 6


def test_quoted_line_break_is_one_row(clean, write) -> None:
    clean["trials"][0]["remarks"] = 'first\nsecond, "third"\n\nfourth'
    clean["trials"][1]["dog_id"] = ""
    records = read_records(write(clean), today=TODAY)
    assert [f.row for f in records.set_aside] == [3]
    assert records.trials["remarks"][0] == 'first\nsecond, "third"\n\nfourth'


def test_row_with_extra_cells_is_set_aside(clean, write) -> None:
    folder = write(clean)
    lines = (folder / "trials.csv").read_text().splitlines()
    lines[2] += ",stray"
    lines[3] += ",,"
    (folder / "trials.csv").write_text("\n".join(lines))
    (finding,) = examine_records(folder, today=TODAY).findings
    assert (finding.rule, finding.row, finding.value) == ("more cells than the header", 3, "stray")
    assert finding.severity == "set aside"


def test_a_row_that_ends_early_is_noted(clean, write) -> None:
    folder = write(clean)
    lines = (folder / "trials.csv").read_text().splitlines()
    lines[6] = ",".join(lines[6].split(",")[:7])
    (folder / "trials.csv").write_text("\n".join(lines))
    (finding,) = examine_records(folder, today=TODAY).findings
    assert (finding.rule, finding.row, finding.severity) == (
        "fewer cells than the header",
        7,
        "note",
    )


def test_open_quotation_mark_sets_its_row_aside(clean, write) -> None:
    for row in clean["trials"]:
        row["remarks"] = "dry"
    folder = write(clean)
    lines = (folder / "trials.csv").read_text().splitlines()
    lines[1] = lines[1].replace(",dry", ',"dry')
    lines[4] = lines[4].replace(",dry", ',dry"')
    (folder / "trials.csv").write_text("\n".join(lines))
    found = examine_records(folder, today=TODAY)
    (finding,) = found.set_aside
    assert (finding.rule, finding.row, finding.column) == ("open quotation mark", 2, "remarks")
    assert found.used["trials"] == 2


def test_unclosed_quotation_mark_stops(clean, write) -> None:
    folder = write(clean)
    with (folder / "trials.csv").open("a") as file:
        file.write('T9,"2025-03-06,Ash\n')
    with pytest.raises(RecordsError, match=r"trials\.csv: it cannot be read"):
        read_records(folder, today=TODAY)


def test_headers_are_trimmed_and_oddities_noted(clean, write) -> None:
    folder = write(clean)
    lines = (folder / "dogs.csv").read_text().splitlines()
    lines[0] = " dog_id ,born_on,started_on,notes,notes,"
    lines[1:] = [f"{line},a,b,c" for line in lines[1:]]
    (folder / "dogs.csv").write_text("\n".join(lines))
    records = read_records(folder, today=TODAY)
    assert list(records.dogs)[:6] == [
        "dog_id", "started_on", "born_on", "notes", "notes (2)", "column 6",
    ]  # fmt: skip
    assert {f.rule for f in records.findings} == {
        "unknown column",
        "repeated unknown column",
        "unnamed column",
    }


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        (b"", "empty file"),
        (b"\n\n  \n", "empty file"),
        (b"\nsource_id,kind,acquired_on\nS1,muscle,2025-01-01\n", "no header"),
        (b",,\nS1,muscle,2025-01-01\n", "no header"),
    ],
)
def test_a_file_without_content_or_header_stops(clean, write, content, rule) -> None:
    folder = write(clean)
    (folder / "sources.csv").write_bytes(content)
    assert [(f.rule, f.file) for f in examine_records(folder, today=TODAY).stops] == [
        (rule, "sources.csv")
    ]


def test_separator_line_is_obeyed_not_counted(clean, write) -> None:
    folder = write(clean)
    text = (folder / "sources.csv").read_text().replace(",", ";").replace("blood", "")
    (folder / "sources.csv").write_text("sep=;\r\n" + text)
    found = examine_records(folder, today=TODAY)
    assert [(f.rule, f.row) for f in found.findings if f.table == "sources"] == [
        ("empty needed value", 3)
    ]


def test_title_above_other_names_is_told(clean, write) -> None:
    folder = write(clean)
    names = "Trial no,Start time,K9,Source,Outcome,Falses,Search time,Limit,Blind,Temp,Helped\n"
    body = (folder / "trials.csv").read_text().split("\n", 1)[1]
    (folder / "trials.csv").write_text("North unit\n\n" + names + body)
    (stop,) = examine_records(folder, today=TODAY).stops
    assert (stop.rule, stop.row) == ("header not in row 1", 1)
    assert "in row 3," in stop.problem


def test_merged_title_is_told_as_one(clean, tmp_path) -> None:
    path = workbook(tmp_path / "unit.xlsx", clean, typed)
    book = openpyxl.load_workbook(path)
    book["trials"].insert_rows(1)
    book["trials"]["A1"] = "Trials 2025"
    book["trials"].merge_cells("A1:F1")
    book.save(path)
    (stop,) = examine_records(path, today=TODAY).stops
    assert (stop.rule, stop.row) == ("merged header", 1)
    assert stop.mend.startswith("If they hold a title, remove the rows above the column names")


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
        False,
        True,
        True,
        True,
        False,
        False,
    ]


def test_cell_made_a_date_is_no_number(clean, tmp_path) -> None:
    path = workbook(tmp_path / "unit.xlsx", clean, typed)
    book = openpyxl.load_workbook(path)
    at = [cell.value for cell in book["trials"][1]].index("false_alerts") + 1
    book["trials"].cell(3, at).value = dt.datetime(2026, 4, 3)
    book.save(path)
    (told,) = examine_records(path, today=TODAY).findings
    assert (told.rule, told.row, told.value) == ("date for a number", 3, "2026-04-03")


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


@pytest.mark.parametrize(
    ("above", "row"), [("Sources of the unit,,\n", 2), ("Unit,,\n2025,,\n", 3)]
)
def test_header_below_a_title_is_told(clean, write, above, row) -> None:
    folder = write(clean)
    text = (folder / "sources.csv").read_text()
    (folder / "sources.csv").write_text(above + text)
    found = examine_records(folder, today=TODAY)
    stops = found.stops
    assert [(f.rule, f.file) for f in stops] == [("header not in row 1", "sources.csv")]
    # Row 1 has no names: nothing is guessed from it, and its empty cells are no columns.
    assert "unnamed column" not in {f.rule for f in found.findings if f.file == "sources.csv"}
    assert "columns.sources" not in suggest_settings(folder)
    assert f"in row {row}," in stops[0].problem


def test_title_hides_nothing_of_another_table(clean, write) -> None:
    folder = write(clean)
    for name, above in (("sources", "Sources of the unit,,\n"), ("trials", "")):
        text = (folder / f"{name}.csv").read_text()
        head, body = text.split("\n", 1)
        if not above:
            # A column without a name, with something in it.
            body = "".join(f"{line},x\n" for line in body.splitlines())
            head += ","
        (folder / f"{name}.csv").write_text(f"{above}{head}\n{body}")
    found = {(f.rule, f.table) for f in examine_records(folder, today=TODAY).findings}
    assert ("header not in row 1", "sources") in found
    assert ("unnamed column", "trials") in found
    assert ("unnamed column", "sources") not in found


def test_one_table_in_two_files_stops(clean, write) -> None:
    folder = write(clean)
    shutil.copy(folder / "trials.csv", folder / "Trials.CSV")
    (finding,) = examine_records(folder, today=TODAY).stops
    assert finding.rule == "table given twice"
    assert "Trials.CSV, trials.csv" in finding.problem


# --- workbooks ------------------------------------------------------------------------------


def typed(column: str, text: str):
    """Cells as a spreadsheet program holds them: real dates and numbers."""
    if not text:
        return None
    if column.endswith(("_at", "_on")):
        return dt.datetime.fromisoformat(text)
    try:
        return float(text)
    except ValueError:
        return text


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


def test_merged_header_stops_and_merged_cells_cost(clean, tmp_path) -> None:
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


# --- parquet --------------------------------------------------------------------------------


def test_parquet_is_the_same_typed_or_as_text(clean, write) -> None:
    folder = write(clean)
    expected = read_records(folder, today=TODAY)
    typed_folder, text_folder = folder / "typed", folder / "text"
    typed_folder.mkdir()
    text_folder.mkdir()
    for table, rows in clean.items():
        columns = list(dict.fromkeys(c for row in rows for c in row))
        cells = {c: [typed(c, row.get(c, "")) for row in rows] for c in columns}
        pq.write_table(pa.table(cells), typed_folder / f"{table}.parquet")
        frame = pd.DataFrame(rows).fillna("").set_index(columns[0], drop=False)
        frame.index.name = None
        frame.astype("category").to_parquet(text_folder / f"{table}.parquet")
    for other in (typed_folder, text_folder):
        found = read_records(other, today=TODAY)
        assert found.findings == ()
        for table in ("sources", "storage", "trials", "dogs"):
            same(getattr(expected, table), getattr(found, table))


def test_parquet_zones_and_nested_columns_are_told(clean, write) -> None:
    folder = write(clean)
    (folder / "trials.csv").unlink()
    (folder / "dogs.csv").unlink()
    frame = pd.DataFrame(clean["trials"])
    frame["started_at"] = pd.to_datetime(frame["started_at"]).dt.tz_localize("UTC")
    frame.to_parquet(folder / "trials.parquet")
    pq.write_table(pa.table({"dog_id": [["Ash"], ["Birch"]]}), folder / "dogs.parquet")
    found = examine_records(folder, today=TODAY)
    assert [f.rule for f in found.set_aside] == ["time with a zone"] * 6
    (stop,) = found.stops
    assert (stop.rule, stop.file) == ("unreadable file", "dogs.parquet")
