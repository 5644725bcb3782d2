"""The page of outside checks is what the tests hold."""

from dataclasses import replace
from decimal import Decimal

import pytest

from .outside_checks import (
    KNOWN,
    LEFT_OUT,
    MADE_AGAIN,
    PAGE,
    ROOT,
    Method,
    Row,
    moved,
    not_made_again,
    page,
    read_by_r,
    read_stored,
)

# Methods whose values R cannot give, each with the reason. None so far.
NOT_BY_R: dict[str, str] = {}


def test_the_page_is_written_from_what_is_stored():
    assert PAGE.read_text(encoding="utf-8") == page(read_stored(), LEFT_OUT.read_text("utf-8"))


def test_each_stored_value_has_its_test():
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
def test_value_holds_to_half_the_last_digit(ours, published, within, holds):
    rows: list[Row] = []
    check = Method(rows, "a method", "a source", "read", "tests/test_one.py::test_one")
    if holds:
        check("a value", published, ours, within)
    else:
        with pytest.raises(AssertionError, match="a value"):
            check("a value", published, ours, within)
    assert len(rows) == 1


def test_stored_value_may_move_one_digit():
    row = Row("m", "s", "h", "t", "v", "0.538", "0.5384", "0.0005")
    assert moved([row], [row]) == []
    assert moved([replace(row, ours="0.5385")], [row]) == []
    assert len(moved([replace(row, ours="0.5386")], [row])) == 1
    assert len(moved([replace(row, published="0.537")], [row])) == 1
    assert len(moved([row, row], [row])) == 1


def test_r_makes_every_computed_value_again():
    rows = read_stored()
    assert {row.how for row in rows} >= set(MADE_AGAIN)
    assert not_made_again(rows, read_by_r(), NOT_BY_R) == []


def test_last_digit_changed_is_told():
    by_r = read_by_r()
    for row in read_stored():
        if row.how not in MADE_AGAIN or row.method in NOT_BY_R:
            continue
        made = {(row.method, row.value): by_r[row.method, row.value]}
        assert not_made_again([row], made, {}) == []
        printed = Decimal(row.published)
        unit = Decimal(1).scaleb(printed.as_tuple().exponent)
        told = [
            not_made_again([replace(row, published=str(changed))], made, {})
            for changed in (printed - unit, printed + unit)
        ]
        # Where R's value lies halfway between two last digits, either is right.
        halfway = abs(abs(made[row.method, row.value] / float(unit)) % 1.0 - 0.5) < 0.01
        assert [len(lines) for lines in told].count(1) >= (1 if halfway else 2), row


@pytest.mark.parametrize("how", MADE_AGAIN)
def test_value_of_page_or_r_alone_is_told(how):
    row = Row("m", "s", how, "t", "v", "0.538", "0.5384", "0.0005")
    assert not_made_again([row], {("m", "v"): 0.5378}, {}) == []
    assert not_made_again([row], {("m", "v"): float("nan")}, {}) != []
    assert not_made_again([row], {}, {}) == ["m, v: R gives none"]
    assert not_made_again([row], {}, {"m": "a reason"}) == []
    assert len(not_made_again([row], {("m", "v"): 0.538, ("m", "w"): 1.0}, {})) == 1
    assert len(not_made_again([row], {("m", "v"): 0.538}, {"m": "a reason"})) == 1
    # A bare 0, the end of a range, is no 0.2 rounded.
    assert len(not_made_again([replace(row, published="0")], {("m", "v"): 0.2}, {})) == 1
    # What was read in a publication may stand in no table of R's.
    assert len(not_made_again([replace(row, how=KNOWN["read"])], {("m", "v"): 0.538}, {})) == 1
