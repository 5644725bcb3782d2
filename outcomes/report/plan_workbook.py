"""``plan.xlsx``: a sheet each for handlers, setter, storekeeper and results, without the key."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from outcomes.planning.document import Plan
from outcomes.records.columns import GUESSES
from outcomes.records.reading.planned import ALERT, DONE, NO_ALERT, NOT_DONE
from outcomes.report.plan_rows import handler_rows, setter_rows, store_rows
from outcomes.wording.plan_sheets import (
    HANDLER,
    RESULTS,
    SETTER,
    STOREKEEPER,
    TITLES,
    describe_key,
)

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

_DAY = "ddd yyyy-mm-dd"
_DATE = "yyyy-mm-dd"
_FACE = "Calibri"
_TEXT = "@"
_HEADER, _TO_FILL, _LINE = "1F3A4D", "FFF8EA", "C9C3B6"
_A_LINE_PT, _A_ROW_PT = 14.0, 19.0
_LETTERS_A_WIDTH = 1.05  # letters of our size to a unit of a column's width
# Fixed, so that one plan gives one file; the time of writing tells nothing.
_WRITTEN = (1980, 1, 1, 0, 0, 0)
_STAMPS = re.compile(rb"<dcterms:(created|modified)[^>]*>[^<]*</dcterms:\1>")


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of a sheet: its heading, width in letters, format, and whether it is filled in."""

    name: str
    width: float
    form: str = _TEXT
    filled_in: bool = False
    words: tuple[str, ...] = ()


_HANDLER = (
    _Column("day", 16, _DAY),
    _Column("order", 7, "0"),
    _Column("dog", 14),
    _Column("handler", 14),
    _Column("area", 7),
    _Column("plan_id", 10),
    _Column("guess: hide or blank", 12, filled_in=True),
    _Column("alert or no alert", 12, filled_in=True),
    _Column("time, min:s", 11, filled_in=True),
    _Column("further alerts", 9, filled_in=True),
    _Column("remarks", 26, filled_in=True),
)
_SETTER = (
    _Column("day", 16, _DAY),
    _Column("area", 8),
    _Column("container", 11),
    _Column("set at", 11, filled_in=True),
    _Column("taken up at", 12, filled_in=True),
    _Column("disturbed?", 12, filled_in=True),
    _Column("remarks", 40, filled_in=True),
)
_STOREKEEPER = (
    _Column("day", 16, _DAY),
    _Column("what", 42),
    _Column("containers", 44),
    _Column(DONE, 8, filled_in=True),
    _Column(NOT_DONE, 16, filled_in=True),
    _Column("remarks", 26, filled_in=True),
)
_RESULTS = (
    _Column("plan_id", 10),
    _Column("started_at", 18, _DATE, filled_in=True),
    _Column("dog_id", 14, filled_in=True),
    _Column("handler_id", 14, filled_in=True),
    _Column("hide_id", 15),
    _Column("blinding", 10),
    _Column("guess", 9, filled_in=True, words=tuple(GUESSES)),
    _Column("result", 11, filled_in=True, words=(ALERT, NO_ALERT)),
    _Column("search_s", 10, "General", filled_in=True),
    _Column("false_alerts", 12, "0", filled_in=True),
    _Column("temperature_c", 14, "General", filled_in=True),
)


def plan_workbook(plan: Plan) -> bytes:
    """The sheets as the bytes of a workbook.

    The handlers' sheet names neither sources nor containers, the setter's no source, and none
    of them an arm. Of the key they bear the SHA-256. The results can be read back as trials.

    Parameters
    ----------
    plan
        With dates within what a spreadsheet can hold.

    Returns
    -------
    bytes
        The same plan gives the same bytes.
    """
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    book.properties.title = f"Planned trials of {plan.unit}" if plan.unit else "Planned trials"
    book.properties.creator = "outcomes"
    book.properties.description = describe_key(plan)
    handlers = handler_rows(plan)
    searches = [(r.day, r.order, r.dog, r.handler, r.area, r.plan_id) for r in handlers]
    _add_sheet(book, plan, "handler", _HANDLER, HANDLER, searches)
    _add_sheet(
        book,
        plan,
        "setter",
        _SETTER,
        SETTER,
        [(r.day, r.area, r.container) for r in setter_rows(plan)],
    )
    _add_sheet(
        book,
        plan,
        "storekeeper",
        _STOREKEEPER,
        STOREKEEPER,
        [(r.day, r.what, r.listed) for r in store_rows(plan)],
    )
    results = [
        (r.plan_id, r.day, r.dog, r.handler or None, r.hide_id, r.blinding) for r in handlers
    ]
    _add_sheet(book, plan, "results", _RESULTS, (RESULTS,), results)
    held = io.BytesIO()
    book.save(held)
    return _without_time(held.getvalue())


def _add_sheet(
    book: Any,
    plan: Plan,
    name: str,
    columns: Sequence[_Column],
    instructions: Sequence[str],
    rows: Sequence[Sequence[Any]],
) -> None:
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
    from openpyxl.utils import get_column_letter

    sheet = book.create_sheet(name)
    width = sum(column.width for column in columns)
    title = f"{TITLES[name]}: {plan.unit}" if plan.unit else TITLES[name]
    _write_line(sheet, columns, title, width, Font(name=_FACE, bold=True, size=14))
    _write_line(sheet, columns, describe_key(plan), width, Font(name=_FACE, size=9, color="555555"))
    for line in instructions:
        _write_line(sheet, columns, line, width, Font(name=_FACE, size=11))
    sheet.append([column.name for column in columns])
    header = sheet.max_row
    for number, column in enumerate(columns, start=1):
        cell = sheet.cell(header, number)
        cell.font = Font(name=_FACE, bold=True, color="FFFFFF")
        cell.fill = PatternFill("solid", fgColor=_HEADER)
        cell.alignment = Alignment(wrap_text=True, vertical="center")
        sheet.column_dimensions[get_column_letter(number)].width = column.width
    sheet.row_dimensions[header].height = 2 * _A_LINE_PT + 4
    thin = Side(style="thin", color=_LINE)
    thick = Side(style="medium", color="000000")
    to_fill = PatternFill("solid", fgColor=_TO_FILL)
    before = None
    day = next((k for k, c in enumerate(columns) if c.form in (_DAY, _DATE)), 0)
    for row in rows:
        sheet.append([*row, *[None] * (len(columns) - len(row))])
        # A new day begins below a thick line: a colour would be lost in grey print.
        above = thick if row[day] != before else thin
        before = row[day]
        lines = max(
            -(-len(cell) // column.width)
            for cell, column in zip(row, columns, strict=False)
            if isinstance(cell, str)
        )
        sheet.row_dimensions[sheet.max_row].height = _A_ROW_PT + (max(lines, 1) - 1) * _A_LINE_PT
        for number, column in enumerate(columns, start=1):
            cell = sheet.cell(sheet.max_row, number)
            if isinstance(cell.value, str):
                cell.data_type = "s"  # a name that begins with = is no formula
            cell.number_format = column.form
            cell.border = Border(top=above, bottom=thin, left=thin, right=thin)
            cell.alignment = Alignment(vertical="center", horizontal="left", wrap_text=True)
            if column.filled_in:
                cell.fill = to_fill
    _offer_words(sheet, columns, header)
    sheet.freeze_panes = sheet.cell(header + 1, 1)
    _set_print(sheet, plan, header)


def _write_line(
    sheet: Worksheet, columns: Sequence[_Column], text: str, width: float, font: Any
) -> None:
    """A line across the sheet, as high as its words need."""
    from openpyxl.styles import Alignment

    sheet.append([text])
    row = sheet.max_row
    sheet.merge_cells(start_row=row, end_row=row, start_column=1, end_column=len(columns))
    cell = sheet.cell(row, 1)
    cell.data_type = "s"
    cell.font = font
    cell.alignment = Alignment(wrap_text=True, vertical="top")
    lines = -(-len(text) * font.size / 11 // (width * _LETTERS_A_WIDTH))
    sheet.row_dimensions[row].height = max(lines, 1) * _A_LINE_PT * font.size / 11 + 3


def _offer_words(sheet: Worksheet, columns: Sequence[_Column], header: int) -> None:
    """What the spreadsheet program offers and checks while a person types."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    for number, column in enumerate(columns, start=1):
        if not column.words:
            continue
        rule = DataValidation(
            type="list", formula1='"' + ",".join(column.words) + '"', allow_blank=True
        )
        rule.errorTitle = column.name
        rule.error = "Choose one of: " + ", ".join(column.words)
        rule.showErrorMessage = True
        letter = get_column_letter(number)
        rule.add(f"{letter}{header + 1}:{letter}{max(sheet.max_row, header + 1)}")
        sheet.add_data_validation(rule)


def _set_print(sheet: Worksheet, plan: Plan, header: int) -> None:
    """Across the page, as wide as the sheet, headings and key on every page."""
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = f"{header}:{header}"
    for side, inches in (("left", 0.4), ("right", 0.4), ("top", 0.5), ("bottom", 0.6)):
        setattr(sheet.page_margins, side, inches)
    sheet.oddFooter.left.text = f"&A   key {plan.key_sha256[:16]}…"
    sheet.oddFooter.right.text = "&P / &N"


def _without_time(book: bytes) -> bytes:
    """The same workbook without the time at which it was written."""
    held = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(held, "w") as new:
        for part in old.infolist():
            content = old.read(part)
            if part.filename == "docProps/core.xml":
                content = _STAMPS.sub(b"", content)
            entry = zipfile.ZipInfo(part.filename, _WRITTEN)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o600 << 16
            new.writestr(entry, content)
    return held.getvalue()
