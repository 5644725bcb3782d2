"""A blank workbook to fill in."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

from outcomes.errors import OutputError, UsageError
from outcomes.records.columns import TABLES, Column, Table

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

LAST_ROW = 20_000
INSTRUCTIONS = "instructions"

_DATES = "yyyy-mm-dd"
_TIMES = "yyyy-mm-dd hh:mm"
_HEADER = "1F3A4D"
_NEEDED = "8C4A00"

_STEPS = (
    "One row in sources for every source the unit has had, one in storage for every move, one in "
    "trials for every search of one hide or one blank area by one dog.",
    "Columns with an orange header are needed; the others help, and may stay empty.",
    "Leave source_id in trials empty for a blank area, and record blank areas too.",
    "Record a miss as a miss: never leave it out, and give the time the dog searched.",
    "Log every move of a source, also when it is taken out for a training day and put back.",
    "The sheets dogs, readings and inspections may stay empty. Readings are those of a temperature "
    "logger: each names the source it travels with, or the place it stays in (freezer, or a name "
    "of your own that you give in place_id of storage too).",
    "An inspection is one look at one source: put it on a scale before it goes out, and weigh the "
    "fluid it lost. It costs a minute, and tells more than a count of thaws.",
    "Without a storage log, fill in kept_in of each source; where thaws are counted by hand, "
    "cycles in trials, or cycles_counted with the day of the count in sources.",
    "Dates and times are local, written 2026-03-14 or 2026-03-14 09:30.",
    "You may add columns of your own. Do not merge cells, and keep the names in row 1.",
    "Do not write the names of donors.",
)


def write_template(path: Path) -> None:
    """Write a blank ``.xlsx`` workbook with the columns of the records.

    A sheet of instructions comes first, then ``sources``, ``storage``,
    ``trials``, ``dogs``, ``readings`` and ``inspections``, with drop-down lists, date formats
    and a frozen header row. It holds no macros. Filled in, it is read without any settings.

    Parameters
    ----------
    path
        Where to write; must end in ``.xlsx`` and must not exist yet.

    Raises
    ------
    UsageError
        If ``path`` does not end in ``.xlsx``.
    OutputError
        If there is something at ``path`` already, or it cannot be written.
    """
    import openpyxl

    path = Path(path)
    if path.suffix.lower() != ".xlsx":
        raise UsageError(f"{path}: not the name of a workbook. Give a name that ends in .xlsx.")
    book = openpyxl.Workbook()
    _write_instructions(book.active)
    for table in TABLES.values():
        _write_table(book.create_sheet(table.name), table)
    held = io.BytesIO()
    book.save(held)
    try:
        _write_new(path, held.getvalue())
    except FileExistsError as error:
        raise OutputError(
            f"{path}: there is something of that name already, and it is left as it is. "
            "Give another name."
        ) from error
    except OSError as error:
        raise OutputError(
            f"{path}: the workbook could not be written "
            f"({(error.strerror or 'unknown reason').lower()}). Name a folder you may write to."
        ) from error


def _write_new(path: Path, content: bytes) -> None:
    """Write a file that is not there yet; a failure leaves none."""
    with path.open("xb") as file:
        try:
            file.write(content)
            file.flush()
        except BaseException:
            path.unlink(missing_ok=True)
            raise


def _write_instructions(sheet: Worksheet) -> None:
    from openpyxl.styles import Alignment, Font

    sheet.title = INSTRUCTIONS
    sheet.append(["Records of training sources and trials"])
    sheet["A1"].font = Font(bold=True, size=14)
    sheet.append([])
    for step in _STEPS:
        sheet.append([step])
        sheet.merge_cells(
            start_row=sheet.max_row, end_row=sheet.max_row, start_column=1, end_column=6
        )
        sheet.cell(sheet.max_row, 1).alignment = Alignment(wrap_text=True, vertical="top")
        sheet.row_dimensions[sheet.max_row].height = 32
    sheet.append([])
    sheet.append(["sheet", "column", "needed", "what to write", "unit or words", "range"])
    for cell in sheet[sheet.max_row]:
        cell.font = Font(bold=True)
    for table in TABLES.values():
        for column in table.columns:
            needed = _needed(column, table)
            sheet.append(
                [table.name, column.name, needed, column.meaning, _unit(column), _range(column)]
            )
    _print_on_one_width(sheet)
    for letter, width in zip("ABCDEF", (12, 26, 9, 62, 40, 18), strict=True):
        sheet.column_dimensions[letter].width = width


def _needed(column: Column, table: Table) -> str:
    if table.name == "readings" and column.name in ("source_id", "place_id"):
        return "one of the two"
    if not column.needed:
        return ""
    return "yes" if table.needed else "yes, if used"


def _unit(column: Column) -> str:
    if column.words:
        return ", ".join(column.words)
    if column.type == "time":
        return "date" if _is_date(column) else "date and time"
    return {"C": "°C", "count": "whole number", None: ""}.get(column.unit, column.unit or "")


def _range(column: Column) -> str:
    if column.low is None or column.high is None:
        return ""
    return f"{column.low:g} to {column.high:g}"


def _is_date(column: Column) -> bool:
    return column.name.endswith("_on")


def _write_table(sheet: Worksheet, table: Table) -> None:
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    for number, column in enumerate(table.columns, start=1):
        letter = get_column_letter(number)
        cell = sheet.cell(1, number, column.name)
        cell.font = Font(bold=True, color="FFFFFF")
        cell.fill = PatternFill("solid", fgColor=_NEEDED if column.needed else _HEADER)
        cell.alignment = Alignment(vertical="center")
        dimension = sheet.column_dimensions[letter]
        dimension.width = max(14, len(column.name) + 4)
        dimension.number_format = _format(column)
        rule = _validation(column, table)
        if rule is not None:
            rule.add(f"{letter}2:{letter}{LAST_ROW}")
            sheet.add_data_validation(rule)
    sheet.freeze_panes = "B2"
    _print_on_one_width(sheet)
    # The names of the columns on every page.
    sheet.print_title_rows = "1:1"
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(table.columns))}1"


def _print_on_one_width(sheet: Worksheet) -> None:
    """Pages across, as wide as the sheet, with its name and the number of the page."""
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.left.text = "&A"
    sheet.oddFooter.right.text = "&P / &N"
    sheet.print_options.gridLines = True


def _format(column: Column) -> str:
    if column.type == "time":
        return _DATES if _is_date(column) else _TIMES
    if column.type in ("id", "text", "word", "yes or no"):
        return "@"  # text, so that 007 keeps its zeros
    return "0" if column.type == "count" else "General"


def _validation(column: Column, table: Table) -> Any:
    """What the spreadsheet program offers and checks while a person types."""
    from openpyxl.worksheet.datavalidation import DataValidation

    if column.words:
        rule = DataValidation(
            type="list", formula1='"' + ",".join(column.words) + '"', allow_blank=True
        )
        rule.error = "Choose one of: " + ", ".join(column.words)
    elif column.low is not None and column.high is not None:
        rule = DataValidation(
            type="whole" if column.type == "count" else "decimal",
            operator="between",
            formula1=f"{column.low:g}",
            formula2=f"{column.high:g}",
            allow_blank=True,
        )
        rule.error = f"A number from {column.low:g} to {column.high:g}"
    elif column.name in ("source_id", "parent_id", "dog_id") and column.name != table.key:
        # Offered, not enforced: sources and dogs may be entered later.
        home = "dogs" if column.name == "dog_id" else "sources"
        rule = DataValidation(type="list", formula1=f"{home}!$A$2:$A${LAST_ROW}", allow_blank=True)
        rule.showErrorMessage = False
        return rule
    else:
        return None
    rule.errorTitle = column.name
    rule.showErrorMessage = True
    return rule
