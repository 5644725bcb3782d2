"""Files that are broken, absurd or meant to do harm give one clear line."""

import datetime as dt
import os
import re
import zipfile
from pathlib import Path

import openpyxl
import pytest

from outcomes.errors import OutcomesError, RecordsError, UsageError
from outcomes.records.read import examine_records, read_records
from outcomes.records.reading import csv_file

TODAY = dt.date(2026, 3, 14)


def one_line(error: Exception) -> str:
    (line,) = str(error).splitlines()
    return line


def unit_workbook(path: Path) -> Path:
    book = openpyxl.Workbook()
    book.active.title = "sources"
    book.active.append(["source_id", "kind", "acquired_on"])
    book.active.append(["S1", "muscle", "2025-01-01"])
    for name, header, row in (
        ("storage", ["source_id", "moved_at", "moved_to"], ["S1", "2025-01-01", "freezer"]),
        (
            "trials",
            ["trial_id", "started_at", "dog_id", "source_id", "result"],
            ["T1", "2025-02-01 09:30", "Ash", "S1", "find"],
        ),
    ):
        sheet = book.create_sheet(name)
        sheet.append(header)
        sheet.append(row)
    book.save(path)
    return path


def rewritten(path: Path, part: str, change) -> Path:
    """The workbook with one part of its archive changed."""
    other = path.with_name("changed.xlsx")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(other, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, change(data) if name == part else data)
    return other


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("nowhere", "no such file"),
        ("records.ods", "not a folder and not an .xlsx"),
        ("trials.csv", "Give the folder that holds it"),
        ("empty", "no tables of records"),
        ("with_book", "Perhaps you mean the workbook"),
        ("a\0b", "not a usable path"),
        ("x" * 300, "too long"),
    ],
)
def test_path_without_records_is_wrong_usage(tmp_path, name: str, words: str) -> None:
    for file in ("records.ods", "trials.csv"):
        (tmp_path / file).write_text("x")
    (tmp_path / "empty").mkdir()
    (tmp_path / "with_book").mkdir()
    unit_workbook(tmp_path / "with_book" / "unit.xlsx")
    with pytest.raises(UsageError) as caught:
        read_records(tmp_path / name)
    assert words in one_line(caught.value)


def test_a_pipe_is_not_opened(tmp_path) -> None:
    os.mkfifo(tmp_path / "trials.csv")
    (tmp_path / "sources.csv").mkdir()
    found = examine_records(tmp_path)
    assert {(f.rule, f.file) for f in found.stops} == {
        ("unreadable file", "trials.csv"),
        ("unreadable file", "sources.csv"),
    }
    os.mkfifo(tmp_path / "unit.xlsx")
    with pytest.raises(UsageError, match="neither a folder nor a file"):
        read_records(tmp_path / "unit.xlsx")


def test_unreadable_file_gives_one_line(clean, write, monkeypatch) -> None:
    folder = write(clean)

    def refuse(path: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(RecordsError, match="4 things stop the work") as caught:
        read_records(folder, today=TODAY)
    assert "it cannot be read: permission denied" in str(caught.value)


@pytest.mark.parametrize(
    "content",
    [
        b"\x00" * 5000,
        b"PK\x03\x04" + bytes(range(256)) * 20,
        b"source_id,kind,acquired_on\nS1,a\x00b,2025-01-01\n",
        "source_id,kind,acquired_on\nS1,a\x00b,2025-01-01\n".encode("utf-16"),
        b"source_id,kind,acquired_on\nS1,\x81\x8d,2025-01-01\n",
        b'source_id,kind,acquired_on\nS1,"' + b"x" * 200_000 + b'",2025-01-01\n',
        b"source_id,kind,acquired_on" + b"," * 100_000 + b"\nS1,muscle,2025-01-01\n",
    ],
    ids=["NULs", "binary", "NUL in a cell", "UTF-16 NUL", "no encoding", "huge cell", "wide"],
)
def test_bytes_of_no_table_give_one_line(clean, write, content) -> None:
    folder = write(clean)
    (folder / "sources.csv").write_bytes(content)
    with pytest.raises(RecordsError, match=r"sources\.csv") as caught:
        read_records(folder, today=TODAY)
    assert one_line(caught.value)


def test_a_file_too_large_is_not_read(clean, write, monkeypatch) -> None:
    monkeypatch.setattr(csv_file, "MAX_TEXT_BYTES", 100)
    with pytest.raises(RecordsError, match=r"trials\.csv: it cannot be read: it is larger"):
        read_records(write(clean), today=TODAY)


def test_workbook_of_gigabytes_is_not_unpacked(tmp_path, monkeypatch) -> None:
    path = unit_workbook(tmp_path / "unit.xlsx")
    bomb = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
        with new.open("xl/filler.xml", "w", force_zip64=True) as part:
            for _ in range(40):
                part.write(bytes(10_000_000))
    assert bomb.stat().st_size < 1_000_000

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a part was unpacked")

    monkeypatch.setattr(zipfile.ZipFile, "read", refuse)
    with pytest.raises(RecordsError, match="unpacked it would hold 400 MB"):
        read_records(bomb)


def test_part_larger_than_declared_is_refused(tmp_path) -> None:
    path = unit_workbook(tmp_path / "unit.xlsx")
    path = rewritten(path, "xl/worksheets/sheet1.xml", lambda xml: xml + b" " * 1_000_000)
    data = path.read_bytes()
    with zipfile.ZipFile(path) as archive:
        size = archive.getinfo("xl/worksheets/sheet1.xml").file_size
    assert data.count(size.to_bytes(4, "little")) == 2
    path.write_bytes(data.replace(size.to_bytes(4, "little"), (400).to_bytes(4, "little")))
    with pytest.raises(RecordsError) as caught:
        read_records(path)
    assert one_line(caught.value).startswith("changed.xlsx")


@pytest.mark.parametrize(
    ("part", "change"),
    [
        ("xl/workbook.xml", lambda xml: xml[:200]),
        ("_rels/.rels", lambda xml: b"<x/>"),
        ("[Content_Types].xml", lambda xml: b""),
        ("xl/worksheets/sheet3.xml", lambda xml: xml[: len(xml) // 2]),
        (
            "xl/worksheets/sheet3.xml",
            lambda xml: xml.replace(b't="inlineStr"><is><t>Ash</t></is>', b't="s"><v>99</v>'),
        ),
        (
            "xl/worksheets/sheet3.xml",
            lambda xml: b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>' + xml,
        ),
    ],
    ids=["workbook", "relations", "types", "sheet", "strings", "entities"],
)
def test_a_damaged_workbook_gives_one_line(tmp_path, part, change) -> None:
    path = rewritten(unit_workbook(tmp_path / "unit.xlsx"), part, change)
    with pytest.raises(OutcomesError, match=r"changed\.xlsx"):
        read_records(path)


@pytest.mark.parametrize("content", [b"", b"PK", b"\xd0\xcf\x11\xe0" + bytes(2000)])
def test_what_is_no_workbook_gives_one_line(tmp_path, content) -> None:
    path = tmp_path / "unit.xlsx"
    path.write_bytes(content)
    with pytest.raises(RecordsError, match=r"not an \.xlsx workbook"):
        read_records(path)


def test_stray_far_cell_costs_no_time(tmp_path) -> None:
    path = unit_workbook(tmp_path / "unit.xlsx")
    book = openpyxl.load_workbook(path)
    book["trials"]["XFD1048576"].value = "x"
    book.save(path)
    with pytest.raises(RecordsError, match="more than 500 columns"):
        read_records(path)


def test_a_declared_extent_is_not_believed(tmp_path) -> None:
    path = unit_workbook(tmp_path / "unit.xlsx")
    path = rewritten(
        path, "xl/worksheets/sheet3.xml", lambda xml: xml.replace(b'ref="A1:E2"', b'ref="A1"')
    )
    assert len(read_records(path, today=TODAY).trials) == 1


def test_damaged_parquet_gives_one_line(clean, write) -> None:
    folder = write(clean)
    (folder / "dogs.csv").unlink()
    (folder / "dogs.parquet").write_bytes(b"PAR1" + bytes(100) + b"PAR1")
    with pytest.raises(RecordsError, match=r"dogs\.parquet: it cannot be read") as caught:
        read_records(folder, today=TODAY)
    assert one_line(caught.value)


def test_long_values_are_shown_short(clean, write) -> None:
    clean["trials"][0]["dog_id"] = "x" * 30_000
    (finding,) = examine_records(write(clean), today=TODAY).findings
    assert finding.value is not None
    assert len(finding.value) == 30_000
    assert len(finding.line()) < 250


def test_first_stops_are_shown_and_all_counted(tmp_path) -> None:
    (tmp_path / "sources.csv").write_text("a,b\n1,2\n")
    (tmp_path / "trials.csv").write_text("a,b\n1,2\n")
    with pytest.raises(RecordsError) as caught:
        read_records(tmp_path)
    lines = str(caught.value).splitlines()
    assert lines[0].endswith("7 things stop the work:")
    assert len(lines) == 7
    assert lines[-1] == "… and 2 more."


def _renumbered(xml: bytes, *changes: tuple[bytes, bytes]) -> bytes:
    for old, new in changes:
        assert xml.count(old) == 1, old
        xml = xml.replace(old, new)
    return xml


@pytest.mark.parametrize(
    ("changes", "row", "words"),
    [
        ([(b'<row r="2">', b'<row r="1">')], 1, "row 1 stands after row 1"),
        ([(b'<row r="1">', b'<row r="9">')], 9, "a cell of row 9 is called 'A1'"),
        ([(b'<row r="2">', b'<row r="1048577">')], 1048577, "no sheet has more than 1,048,576"),
        ([(b'<row r="1">', b'<row r="999999999">')], 999999999, "no sheet has more"),
        ([(b'<row r="2">', b'<row r="2.5">')], 2, "a row is numbered '2.5'"),
        ([(b'r="B2"', b'r="A2"')], 2, "the cells of row 2 are not in order"),
        ([(b'r="B2"', b'r="B3"')], 2, "a cell of row 2 is called 'B3'"),
    ],
)
def test_rows_read_over_others_are_refused(tmp_path, changes, row: int, words: str) -> None:
    path = rewritten(
        unit_workbook(tmp_path / "unit.xlsx"),
        "xl/worksheets/sheet3.xml",
        lambda xml: _renumbered(xml, *changes),
    )
    (stop,) = examine_records(path, today=TODAY).stops
    assert (stop.rule, stop.table, stop.row) == ("unreadable file", "trials", row)
    assert words in stop.line()


def test_rows_without_numbers_are_read(tmp_path) -> None:
    path = rewritten(
        unit_workbook(tmp_path / "unit.xlsx"),
        "xl/worksheets/sheet3.xml",
        lambda xml: re.sub(rb'(<(?:row|c)) r="[^"]*"', rb"\1", xml),
    )
    assert read_records(path, today=TODAY).trials["trial_id"].tolist() == ["T1"]


def test_two_sheets_of_one_name_are_refused(tmp_path) -> None:
    path = rewritten(
        unit_workbook(tmp_path / "unit.xlsx"),
        "xl/workbook.xml",
        lambda xml: xml.replace(b'name="storage"', b'name="trials"'),
    )
    (stop,) = examine_records(path, today=TODAY).stops
    assert "two of its sheets are called 'trials'" in stop.line()


def test_part_that_is_there_twice_is_refused(tmp_path) -> None:
    path = unit_workbook(tmp_path / "unit.xlsx")
    with zipfile.ZipFile(path, "a") as archive, pytest.warns(UserWarning, match="Duplicate name"):
        archive.writestr("xl/worksheets/sheet3.xml", archive.read("xl/worksheets/sheet1.xml"))
    (stop,) = examine_records(path, today=TODAY).stops
    assert "xl/worksheets/sheet3.xml is there twice" in stop.line()
