"""Text files in every form a unit may hand over hold the same records."""

from pathlib import Path

import pytest

from outcomes.errors import RecordsError
from outcomes.records.read import examine_records, read_records
from outcomes.records.suggest import suggest_settings

from .forms import TODAY, same


def again(folder: Path, change) -> Path:
    """A copy of a folder of CSV files with each file's bytes changed."""
    copy = folder / "copy"
    copy.mkdir()
    for file in folder.glob("*.csv"):
        (copy / file.name).write_bytes(change(file.read_text(encoding="utf-8")))
    return copy


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
        (b"\na,b\nS1,muscle\n", "no header"),
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


@pytest.mark.parametrize(
    ("above", "row"), [("Sources of the unit,,\n", 2), ("Unit,,\n2025,,\n", 3)]
)
def test_header_below_a_title_is_told(clean, write, above, row) -> None:
    folder = write(clean)
    text = (folder / "sources.csv").read_text()
    (folder / "sources.csv").write_text(above + text)
    (found,) = examine_records(folder, today=TODAY).findings
    assert (found.rule, found.file) == ("column names found lower", "sources.csv")
    assert f"found in row {row};" in found.problem
    assert suggest_settings(folder) == ""
    assert read_records(folder, today=TODAY).sources["row"].iloc[0] == row + 1


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
    assert ("column names found lower", "sources") in found
    assert ("unnamed column", "trials") in found
    assert ("unnamed column", "sources") not in found
