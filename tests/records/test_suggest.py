"""Suggestions: the likeliest columns and words, as a file to correct, never applied."""

import tomllib

import pytest

from outcomes.errors import RecordsError, UsageError
from outcomes.records.read import examine_records, read_records
from outcomes.records.reading.mapping import likely_tables, tables_by_columns
from outcomes.records.suggest import suggest_settings


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "sources.csv").write_text("Source ID,Tissue,Date acquired\nA1,muscle,25/12/2024\n")
    (tmp_path / "storage.csv").write_text(
        "Source ID,Moved at,Location\nA1,25/12/2024,Fridge\nA1,01/02/2025,limbo\n"
    )
    (tmp_path / "trials.csv").write_text(
        "Trial,Start time,Dog,Source,Outcome,Search time,Temp (F),weather diary\n"
        "1,03/04/2025 09:30,Ash,A1,Hit,1:30,60,grey\n"
        "2,03/04/2025 10:30,Ash,,clear,2:10,61,grey\n"
    )
    return tmp_path


def test_suggested_file_says_what_can_be_said(folder) -> None:
    said = tomllib.loads(suggest_settings(folder))
    assert said == {
        "date_order": "day first",
        "columns": {
            "sources": {"source_id": "Source ID", "kind": "Tissue", "acquired_on": "Date acquired"},
            "storage": {"source_id": "Source ID", "moved_at": "Moved at", "moved_to": "Location"},
            "trials": {
                "trial_id": "Trial",
                "started_at": "Start time",
                "dog_id": "Dog",
                "source_id": "Source",
                "result": "Outcome",
                "search_s": "Search time",
                "temperature_c": "Temp (F)",
            },
        },
        "words": {"moved_to": {"Fridge": "refrigerator"}, "result": {"Hit": "find"}},
        "units": {"search_s": "mm:ss", "trials": {"temperature_c": "F"}},
    }
    assert '# "limbo" = ""' in suggest_settings(folder)


@pytest.mark.parametrize("word", ["No alert", "negative"])
def test_no_alert_is_a_miss_or_clear_by_source(folder, word) -> None:
    head = "Trial,Start time,Dog,Source,Outcome\n1,2025-04-13,Ash,A1,Hit\n"
    on_hide, on_blank = f"2,2025-04-13,Ash,A1,{word}\n", f"3,2025-04-13,Ash,none,{word}\n"
    for lines, guess in (
        (on_hide, "miss"),
        (on_blank, "clear"),
        (on_hide + on_blank, "miss or clear"),
    ):
        (folder / "trials.csv").write_text(head + lines)
        text = suggest_settings(folder)
        assert tomllib.loads(text)["words"]["result"].get(word) == guess
    (folder / "unit.toml").write_text(text)
    assert read_records(folder).trials["result"].tolist() == ["find", "miss", "clear"]


def test_suggestion_is_never_applied_by_itself(folder) -> None:
    before = sorted(p.name for p in folder.iterdir())
    suggest_settings(folder)
    assert sorted(p.name for p in folder.iterdir()) == before
    with pytest.raises(RecordsError, match="things stop the work"):
        read_records(folder)


def test_saved_it_makes_the_records_readable(folder) -> None:
    (folder / "unit.toml").write_text(suggest_settings(folder))
    records = read_records(folder)
    assert [(f.rule, f.value) for f in records.set_aside] == [("unknown word", "limbo")]
    assert list(records.trials["search_s"]) == [90, 130]


def test_no_date_order_for_a_column_of_both(folder) -> None:
    file = folder / "trials.csv"
    mixed = "3,26/04/2025,Ash,,clear,2:10,61,grey\n4,04/26/2025,Ash,,clear,2:10,61,grey\n"
    file.write_text(file.read_text() + mixed)
    # The storage log still has a date to be read two ways, and one that shows its order.
    assert tomllib.loads(suggest_settings(folder))["date_order"] == "day first"
    for name in ("storage", "sources"):
        other = folder / f"{name}.csv"
        other.write_text(other.read_text().replace("01/02/2025", "2025-02-01"))
    assert "date_order" not in suggest_settings(folder)


def test_clean_records_need_nothing_said(clean, write) -> None:
    assert suggest_settings(write(clean)) == ""


def test_a_missing_column_names_the_likeliest_one(folder) -> None:
    mends = {f.column: f.mend for f in examine_records(folder).stops if f.table == "trials"}
    assert mends["result"].endswith('under [columns.trials]: result = "Outcome"')


def test_needed_columns_without_a_place_are_asked(folder) -> None:
    file = folder / "trials.csv"
    file.write_text(file.read_text().replace("Dog", "Hund"))
    text = suggest_settings(folder)
    assert '# dog_id = ""  # needed: the dog; one of "Hund", "weather diary"?' in text.splitlines()
    assert "dog_id" not in tomllib.loads(text)["columns"]["trials"]


def test_lines_added_to_the_file_make_it_readable(folder) -> None:
    (folder / "unit.toml").write_text('[columns.trials]\nresult = "Outcome"\n')
    text = suggest_settings(folder)
    assert "[columns.trials]" not in text.splitlines()
    blocks = text.split("\n\n")
    (top,) = [b for b in blocks if b.startswith("# at the top, above the first [section]:")]
    (under,) = [b for b in blocks if b.startswith("# under [columns.trials], which is there")]
    rest = [b for b in blocks if b not in (top, under)]
    written = [top, '[columns.trials]\nresult = "Outcome"', under, *rest]
    (folder / "unit.toml").write_text("\n".join(written))
    assert [f.rule for f in read_records(folder).set_aside] == ["unknown word"]
    assert tomllib.loads(suggest_settings(folder)) == {}


def test_tables_of_other_names_are_guessed(folder) -> None:
    (folder / "storage.csv").rename(folder / "Storage log.csv")
    (folder / "trials.csv").rename(folder / "Searches 2025.csv")
    said = tomllib.loads(suggest_settings(folder))
    assert said["tables"] == {"storage": "Storage log", "trials": "Searches 2025"}
    assert said["columns"]["storage"]["moved_to"] == "Location"
    (folder / "unit.toml").write_text(suggest_settings(folder))
    assert len(read_records(folder).trials) == 2


def test_names_apart_in_case_alone_are_one(clean, write) -> None:
    listed = clean["sources"][0]["source_id"]
    for row in clean["trials"]:
        if row["source_id"] == listed:
            row["source_id"] = f"{listed.lower()} "
    dog = clean["dogs"][0]["dog_id"]
    clean["trials"][0]["dog_id"] = dog.upper()
    clean["trials"][1]["dog_id"] = "Nobody"
    folder = write(clean)
    text = suggest_settings(folder)
    assert tomllib.loads(text) == {"fold_labels": ["source_id", "dog_id"]}
    # What would be joined is shown beside it.
    assert f"{listed.lower()} is {listed}; {dog.upper()} is {dog}" in text
    (folder / "unit.toml").write_text(suggest_settings(folder))
    assert {f.rule for f in examine_records(folder).set_aside} == {"unknown dog"}
    assert suggest_settings(folder) == ""


def test_names_between_two_are_not_guessed(clean, write) -> None:
    first = clean["sources"][0]
    clean["sources"][1]["source_id"] = first["source_id"].lower()
    clean["trials"][0]["source_id"] = f"{first['source_id']} ."
    assert "words" not in tomllib.loads(suggest_settings(write(clean)))


def test_word_for_no_source_is_none(clean, write) -> None:
    for row in clean["trials"]:
        row["source_id"] = row["source_id"] or "Blank"
    found = [f for f in examine_records(write(clean)).set_aside if f.value == "Blank"]
    assert found
    assert all(f.mend.endswith('under [words.source_id]: "Blank" = ""') for f in found)


@pytest.mark.parametrize(("unit", "said"), [("in", "in"), ("cm", "cm")])
def test_number_is_asked_in_its_columns_unit(clean, write, unit, said) -> None:
    clean["trials"][0]["depth_cm"] = "6 hands"
    found = examine_records(write(clean, f'[units]\ndepth_cm = "{unit}"\n')).findings
    (line,) = [f.mend for f in found if f.rule == "number with a unit in it"]
    assert line.startswith(f"Write the number alone, in {said};")


def test_decimal_comma_and_nothing_are_suggested(clean, write) -> None:
    for row in clean["trials"]:
        row.update(temperature_c="12,5", humidity_pct="n/a")
        row["source_id"] = row["source_id"] or "Blank"
    folder = write(clean)
    said = tomllib.loads(suggest_settings(folder))
    assert said == {
        "decimal": ",", "words": {"humidity_pct": {"n/a": ""}, "source_id": {"blank": ""}},
    }  # fmt: skip
    (folder / "unit.toml").write_text(suggest_settings(folder))
    assert read_records(folder).findings == ()


def test_fahrenheit_is_suggested_if_it_alone_fits(clean, write) -> None:
    for row in clean["trials"]:
        row["temperature_c"] = "68"
    assert tomllib.loads(suggest_settings(write(clean))) == {
        "units": {"trials": {"temperature_c": "F"}}
    }


def test_no_unit_for_a_column_of_two(clean, write) -> None:
    clean["trials"][0]["search_s"] = "1:30"
    text = suggest_settings(write(clean))
    assert '# search_s = "mm:ss"  # once every cell is written as 1:30' in text
    assert tomllib.loads(text) == {"units": {}}


SEEN = {
    "Training aids": ("Aid #", "Material", "Rec'd", "Weight (g)"),
    "Freezer log": ("Aid", "When", "To where"),
    "Trials 23-26": ("No", "Date", "Dog", "Aid used", "Outcome", "Temp F"),
}


@pytest.fixture
def workbook(tmp_path):
    """Write sheets, each a header and a row, as one workbook."""
    import openpyxl

    def write(sheets):
        book = openpyxl.Workbook()
        book.remove(book.active)
        for name, header in sheets.items():
            sheet = book.create_sheet(name)
            sheet.append(header)
            sheet.append(["1"] * len(header))
        book.save(tmp_path / "mess.xlsx")
        return tmp_path / "mess.xlsx"

    return write


def _missing(path) -> dict[str, str]:
    return {f.table: f.line() for f in examine_records(path).stops if f.rule == "missing table"}


def test_table_is_known_by_its_columns_or_not() -> None:
    assert {name: list(tables_by_columns(header)) for name, header in SEEN.items()} == {
        "Training aids": ["sources"], "Freezer log": ["storage"], "Trials 23-26": ["trials"],
    }  # fmt: skip
    assert tables_by_columns(["Dog", "Date", "Aid", "Weather"]) == {}


def test_sheet_is_known_by_name_then_columns(workbook) -> None:
    lines = _missing(workbook(SEEN))
    for table, sheet in zip(("sources", "storage", "trials"), SEEN, strict=True):
        assert f"If it is 'mess.xlsx, sheet {sheet}', rename it to {table}" in lines[table]
    assert tomllib.loads(suggest_settings(workbook(SEEN)))["tables"] == {
        "sources": "Training aids", "storage": "Freezer log", "trials": "Trials 23-26",
    }  # fmt: skip
    # The name of a training log is like that of trials; its columns say what it is.
    renamed = dict(zip(("Training", "Box 3", "2023-26"), SEEN.values(), strict=True))
    lines = _missing(workbook(renamed))
    for table, sheet in zip(("sources", "storage", "trials"), renamed, strict=True):
        assert f"If it is 'mess.xlsx, sheet {sheet}'" in lines[table]


def test_two_likely_sheets_are_both_named(workbook) -> None:
    sheets = {name: SEEN[name] for name in ("Training aids", "Freezer log")}
    sheets |= {f"Trials {year}": SEEN["Trials 23-26"] for year in (2023, 2024)}
    line = _missing(workbook(sheets))["trials"]
    assert 'under [tables]: trials = ["Trials 2023", "Trials 2024"]; otherwise: Add' in line
    # A copy is no second year.
    sheets["Trials 2024 copy"] = sheets.pop("Trials 2024")
    line = _missing(workbook(sheets))["trials"]
    assert "if it is one of them, rename it to trials" in line
    # Of two by name, the one with the columns.
    assert likely_tables(["trials"], ["Trials a", "Trials b"], {"Trials b": {"trials": 5}}) == {
        "trials": "Trials b"
    }


def test_unlike_sheets_are_named(workbook) -> None:
    many = {f"Blatt {number}": ("Hund", "Tag") for number in range(1, 11)}
    with pytest.raises(UsageError, match=r"there are 'Blatt 1', .*'Blatt 8' and 2 more\. Rename"):
        examine_records(workbook(many))


@pytest.mark.parametrize("suffix", ["csv", "parquet"])
def test_files_too_are_known_by_their_columns(folder, suffix: str) -> None:
    import pandas as pd

    frame = pd.read_csv(folder / "trials.csv", dtype=str)
    (folder / "trials.csv").unlink()
    if suffix == "csv":
        (folder / "all.csv").write_text("sep=;\n" + frame.to_csv(sep=";", index=False))
    else:
        frame.to_parquet(folder / "all.parquet")
    (folder / "notes.csv").write_bytes(b"\x00\x01")
    assert f"If it is 'all.{suffix}', rename it to trials.{suffix}" in _missing(folder)["trials"]
