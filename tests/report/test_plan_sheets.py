"""A plan's sheets: blind by construction, sealed, printable, the same bytes every time."""

import html
import io
import re
import zipfile
from dataclasses import replace

import openpyxl
import pytest

from outcomes.report.plan_page import render_packing_list, render_plan_page
from outcomes.report.plan_rows import handler_rows, packing_rows, setter_rows, store_rows
from outcomes.report.plan_workbook import plan_workbook
from outcomes.wording.plan_sheets import HANDLER, SETTER, STOREKEEPER
from tests.made_plans import ARMS, made_plan

SOURCES = ("Elm-Source", "Fir-Source", "Oak-Source", "Yew-Source")


@pytest.fixture(scope="module", params=["pairs", "split"])
def plan(request):
    return made_plan(SOURCES, ("Ash", "Birch", "Cedar"), split=request.param == "split")


@pytest.fixture(scope="module")
def book(plan):
    return openpyxl.load_workbook(io.BytesIO(plan_workbook(plan)))


def words(sheet):
    return [str(cell) for row in sheet.iter_rows(values_only=True) for cell in row if cell]


def table(sheet, heading):
    lines = list(sheet.iter_rows(values_only=True))
    at = next(k for k, line in enumerate(lines) if heading in line)
    return [dict(zip(lines[at], line, strict=True)) for line in lines[at + 1 :]]


def test_the_files_tell_no_source_and_no_arm(plan) -> None:
    # Every part of the workbook, properties and shared texts among them, and the page.
    with zipfile.ZipFile(io.BytesIO(plan_workbook(plan))) as archive:
        parts = b"\n".join(archive.read(name) for name in archive.namelist())
    for content in (parts.decode(), render_plan_page(plan, None)):
        text = re.sub(r"url\(data:[^)]*\)", "", content)
        for held in plan.storage:
            assert held.source_id not in text
            assert str(held.parent_id) not in text
        # "often" is a word of the cautions; the arm as such stands in no cell.
        assert not re.search(rf"[>\"](?:{'|'.join(ARMS)}|refrigerator|freezer)[<\"]", text)


def test_handlers_see_no_container(plan, book) -> None:
    (page,) = re.findall(r'<h2 id="handler">.*?<h2', render_plan_page(plan, None), re.DOTALL)
    for row in table(book["handler"], "plan_id"):
        known = {k for k, v in row.items() if v is not None}
        assert known <= {"day", "order", "dog", "handler", "area", "plan_id"}
    for held in plan.storage:
        assert held.container not in words(book["handler"])
        assert f">{held.container}<" not in page


def test_rows_of_a_person_hold_what_they_may_know(plan) -> None:
    # Given another lot, handler and setter would read the very same sheets.
    turned = {s.source_id: ARMS[1 - ARMS.index(s.arm)] for s in plan.storage}
    other = replace(
        plan,
        storage=tuple(replace(s, arm=turned[s.source_id]) for s in plan.storage),
        trials=tuple(replace(t, arm=turned.get(t.source_id)) for t in plan.trials),
    )
    assert handler_rows(other) == handler_rows(plan)
    assert setter_rows(other) == setter_rows(plan)


def test_every_trial_stands_once(plan, book) -> None:
    labels = {t.plan_id for t in plan.trials}
    for name in ("handler", "results"):
        listed = [row["plan_id"] for row in table(book[name], "plan_id")]
        assert len(listed) == len(labels)
        assert set(listed) == labels
    set_out = [(r["day"].date(), r["area"], r["container"]) for r in table(book["setter"], "area")]
    assert set(set_out) == {(plan.date_of(t.day), t.area, t.container) for t in plan.trials}
    assert len(set_out) == len(set(set_out))


def test_every_sheet_bears_the_seal(plan, book) -> None:
    assert book.sheetnames == ["handler", "setter", "storekeeper", "results"]
    for sheet in book:
        assert any(plan.key_sha256 in cell for cell in words(sheet))
        assert plan.key_sha256[:16] in sheet.oddFooter.left.text
    for page in (render_plan_page(plan, None), render_packing_list(plan)):
        assert plan.key_sha256 in page


def test_cautions_stand_where_a_person_acts(plan, book) -> None:
    for name, lines in (("handler", HANDLER), ("setter", SETTER), ("storekeeper", STOREKEEPER)):
        assert set(lines) <= set(words(book[name]))
        section = render_plan_page(plan, None).partition(f'<h2 id="{name}">')[2]
        assert all(line in section for line in lines)
    told = " ".join((*HANDLER, *SETTER, *STOREKEEPER)).lower()
    for caution in ("gloves", "clean container", "heat", "rest", "mouth", "scarce", "withdrawn",
                    "biohazard", "1910.1030", "leave the area"):  # fmt: skip
        assert caution in told


def test_both_of_a_pair_are_handled_alike(plan) -> None:
    pairs = {}
    for held in plan.storage:
        pairs.setdefault(held.pair, []).append(held.container)
    for day in {row.day for row in store_rows(plan)}:
        touched = {c for row in store_rows(plan) if row.day == day for c in row.containers}
        for both in pairs.values():
            assert set(both) <= touched or not set(both) & touched


def test_results_are_offered_in_words_that_can_be_read(book) -> None:
    rules = {
        rule.errorTitle: rule.formula1 for rule in book["results"].data_validations.dataValidation
    }
    assert rules == {"result": '"alert,no alert"', "guess": '"hide,blank"'}


def test_sheets_print_on_one_width_with_headings(book) -> None:
    for sheet in book:
        assert sheet.page_setup.orientation == "landscape"
        assert (sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight) == (1, 0)
        assert sheet.print_title_rows


def test_same_plan_same_bytes(plan) -> None:
    assert plan_workbook(plan) == plan_workbook(plan)
    assert render_plan_page(plan, None) == render_plan_page(plan, None)


def test_packing_tells_what_goes_where_and_no_arm(plan) -> None:
    page = re.sub(r"url\(data:[^)]*\)", "", render_packing_list(plan))
    listed = {row.container: row.what for row in packing_rows(plan)}
    assert set(listed) == {t.container for t in plan.trials} | {s.container for s in plan.storage}
    for held in plan.storage:
        assert listed[held.container].startswith(held.source_id)
        assert held.source_id in page
    assert listed["90"] == "nothing: a clean container"
    assert not re.search(rf">(?:{'|'.join(ARMS)})<", page)


@pytest.mark.parametrize("render", [lambda p: render_plan_page(p, None), render_packing_list])
def test_pages_fetch_nothing_and_run_nothing(plan, render) -> None:
    page = html.unescape(render(plan))
    assert "default-src 'none'" in page
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?!data:)', page)
    assert "http:" not in page
    assert "https:" not in page


def test_odd_names_stay_text() -> None:
    odd = made_plan(dogs=("<b>Rex</b>", "=1+1", "{{ 7 * 7 }}"))
    book = openpyxl.load_workbook(io.BytesIO(plan_workbook(odd)))
    cells = [cell for row in book["handler"].iter_rows() for cell in row if cell.value == "=1+1"]
    assert cells
    assert all(cell.data_type != "f" for cell in cells)
    page = render_plan_page(odd, None)
    assert "&lt;b&gt;Rex" in page
    assert "{{ 7 * 7 }}" in page
