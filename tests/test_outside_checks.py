"""The page of outside checks is what the tests hold."""

from dataclasses import replace

import pytest

from .outside_checks import LEFT_OUT, PAGE, ROOT, Method, Row, moved, page, read_stored


def test_the_page_is_written_from_what_is_stored():
    assert PAGE.read_text(encoding="utf-8") == page(read_stored(), LEFT_OUT.read_text("utf-8"))


def test_each_stored_value_belongs_to_a_test_there_is():
    for row in read_stored():
        file, _, test = row.test.partition("::")
        assert f"def {test.partition('[')[0]}(outside" in "".join(
            (ROOT / file).read_text(encoding="utf-8").replace("(\n    outside", "(outside")
        )


@pytest.mark.parametrize(
    ("ours", "published", "within", "holds"),
    [
        (0.53839, "0.538", None, True),
        (0.53851, "0.538", None, False),
        (4.174e-5, "4.17e-5", None, True),
        (4.176e-5, "4.17e-5", None, False),
        (0.54, "0.538", 0.01, True),
        (float("nan"), "0.538", 0.01, False),
    ],
)
def test_a_value_is_held_to_half_of_the_last_digit_printed(ours, published, within, holds):
    rows: list[Row] = []
    check = Method(rows, "a method", "a source", "read", "tests/test_one.py::test_one")
    if holds:
        check("a value", published, ours, within)
    else:
        with pytest.raises(AssertionError, match="a value"):
            check("a value", published, ours, within)
    assert len(rows) == 1


def test_a_stored_value_may_move_by_one_unit_of_the_last_digit_shown_and_no_more():
    row = Row("m", "s", "h", "t", "v", "0.538", "0.5384", "0.0005")
    assert moved([row], [row]) == []
    assert moved([replace(row, ours="0.5385")], [row]) == []
    assert len(moved([replace(row, ours="0.5386")], [row])) == 1
    assert len(moved([replace(row, published="0.537")], [row])) == 1
    assert len(moved([row, row], [row])) == 1
