"""The blank workbook in a spreadsheet program: opened, saved in its own form and back, and read."""

import datetime as dt
import shutil
import subprocess
import warnings
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from outcomes.records.columns import TABLES
from outcomes.records.read import examine_records, read_records
from outcomes.records.workbook import write_template

SOFFICE = shutil.which("soffice") or shutil.which("libreoffice")

TODAY = dt.date(2026, 3, 14)

pytestmark = pytest.mark.skipif(
    SOFFICE is None,
    reason="NOT TESTED: LibreOffice is not installed (apt-get install libreoffice-calc); whether "
    "the blank workbook survives a spreadsheet program has not been looked at",
)


def _convert(path: Path, form: str, folder: Path) -> Path:
    """Open a workbook without a screen and save it in another form."""
    done = subprocess.run(
        [
            SOFFICE,
            f"-env:UserInstallation={(folder / 'profile').as_uri()}",
            *("--headless", "--norestore", "--convert-to", form, "--outdir", str(folder)),
            str(path),
        ],
        capture_output=True,
        text=True,
        timeout=180,
    )
    made = folder / f"{path.stem}.{form}"
    assert made.is_file(), done.stdout + done.stderr
    return made


def _there_and_back(path: Path, folder: Path) -> Path:
    (folder / "back").mkdir()
    return _convert(_convert(path, "ods", folder), "xlsx", folder / "back")


def _quietly(path: Path) -> openpyxl.Workbook:
    with warnings.catch_warnings():
        # openpyxl warns of what another program adds and it does not keep.
        warnings.simplefilter("ignore")
        return openpyxl.load_workbook(path)


def _fill(path: Path) -> None:
    book = openpyxl.load_workbook(path)
    day = dt.datetime(2025, 2, 1)
    first = {"source_id": "007", "kind": "muscle", "acquired_on": dt.date(2025, 1, 1)}
    portion = {"source_id": "P1", "kind": "bone", "acquired_on": dt.date(2025, 1, 20)}
    trial = {"trial_id": 1, "started_at": day.replace(hour=9, minute=30), "dog_id": "Zoë"}
    hide = {"source_id": "007", "result": "find", "false_alerts": 0, "search_s": 45}
    read = {"place_id": "freezer", "temperature_c": -18.5}
    out = {"source_id": "007", "moved_at": day.replace(hour=8, minute=5), "moved_to": "ambient"}
    rows = {
        "sources": [first, portion | {"parent_id": "007", "packaging": "sealed", "mass_g": 12.5}],
        "storage": [
            {"source_id": "007", "moved_at": dt.datetime(2025, 1, 1), "moved_to": "freezer"},
            out | {"temperature_c": 17.5},
        ],
        "trials": [
            trial | hide | {"limit_s": 300, "assisted": "no"},
            trial | {"trial_id": 2, "result": "clear", "wind_m_s": 1.25},
        ],
        "dogs": [{"dog_id": "Zoë", "born_on": dt.date(2019, 2, 28)}],
        "readings": [
            read | {"read_at": dt.datetime(2025, 1, 3, 0, minute)} for minute in (0, 20, 40)
        ],
        "inspections": [
            {
                "source_id": "007",
                "inspected_at": day,
                "mass_g": 11.9,
                "drip_g": 0.4,
                "ice_damage": 1,
                "blind": "yes",
            },
        ],
    }
    for name, lines in rows.items():
        for at, line in enumerate(lines, start=2):
            for column, value in line.items():
                book[name].cell(at, TABLES[name].names.index(column) + 1, value)
    book.save(path)


@pytest.fixture(scope="module")
def calc(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A blank and a filled-in workbook, as written and as a spreadsheet program saves them."""
    made = {}
    for name in ("blank", "filled"):
        folder = tmp_path_factory.mktemp(name)
        write_template(folder / "unit.xlsx")
        if name == "filled":
            _fill(folder / "unit.xlsx")
        made[name] = folder / "unit.xlsx"
        made[f"{name} back"] = _there_and_back(folder / "unit.xlsx", folder)
    return made


def test_calc_keeps_sheets_columns_and_lists(calc) -> None:
    before, after = _quietly(calc["blank"]), _quietly(calc["blank back"])
    assert after.sheetnames == before.sheetnames == ["instructions", *TABLES]
    for name, table in TABLES.items():
        assert [cell.value for cell in after[name][1]] == list(table.names)
        lists = {
            str(rule.sqref).split("2", 1)[0]: rule.formula1
            for rule in after[name].data_validations.dataValidation
            if rule.type == "list"
        }
        for cell, column in zip(after[name][1], table.columns, strict=True):
            if column.words:
                assert lists[cell.column_letter] == '"' + ",".join(column.words) + '"'
    assert after["instructions"]["A1"].value == before["instructions"]["A1"].value


def test_blank_workbook_is_told_to_be_filled(calc) -> None:
    found = [
        [(f.rule, f.table) for f in examine_records(calc[name], today=TODAY).findings]
        for name in ("blank", "blank back")
    ]
    assert found[0] == found[1] == [
        ("no rows", "sources"), ("no storage rows", "storage"), ("no rows", "trials")
    ]  # fmt: skip


def test_filled_in_it_is_read_without_settings(calc) -> None:
    before = read_records(calc["filled"], today=TODAY)
    after = read_records(calc["filled back"], today=TODAY)
    assert before.findings == after.findings == ()
    assert after.rows_in == {"sources": 2, "storage": 2, "trials": 2, "dogs": 1, "readings": 3} | {
        "inspections": 1
    }
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(before, name), getattr(after, name))
    assert list(after.sources["source_id"]) == ["007", "P1"]
    assert str(after.storage["moved_at"][1]) == "2025-02-01 08:05:00"
    assert after.trials["wind_m_s"][1] == 1.25
