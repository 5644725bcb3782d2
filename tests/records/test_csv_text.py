"""Text that a spreadsheet program would run is written as text."""

import csv
import io

import pandas as pd
import pytest

from outcomes.exposure.trials import join
from outcomes.records.csv_text import csv_bytes
from outcomes.records.read import read_records


def _rows(table: pd.DataFrame) -> list[list[str]]:
    return list(csv.reader(io.StringIO(csv_bytes(table).decode(), newline="")))


# The characters are those named in OWASP's page on CSV injection (value from memory).
@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "+1+cmd",
        "-2+3",
        "@SUM(A1)",
        '=HYPERLINK("x")',
        "\t=1",
        "-",
        "-a",
        "  =1",
        "\uff1d1+1",
        "\u00a0+1+1",
        "\ufeff@SUM(A1)",
        "\uff20A1",
    ],
)
def test_text_like_a_formula_is_shielded(text: str) -> None:
    table = pd.DataFrame({"name": [text, "Ash", None], text: [1.0, 2.0, 3.0]})
    assert _rows(table) == [
        ["name", f"'{text}"], [f"'{text}", "1.0"], ["Ash", "2.0"], ["", "3.0"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "written"),
    [("a;=1+1", "a;'=1+1"), ("wet; @x", "wet; '@x"), ("a\t+1", "a\t'+1"), ("a; b=1", "a; b=1")],
)
def test_formula_behind_a_separator_is_shielded(text: str, written: str) -> None:
    assert _rows(pd.DataFrame({"name": [text]}))[1] == [written]


@pytest.mark.parametrize("text", ["-1", "+3", "-2.5", "-2,5", "a=b", "O'Hara", "007", ""])
def test_plain_numbers_and_texts_are_left(text: str) -> None:
    assert _rows(pd.DataFrame({"name": [text], "x": [-1.5]}))[1] == [text, "-1.5"]


def test_unshielded_table_is_as_pandas_writes() -> None:
    table = pd.DataFrame(
        {
            "a": ["x", None],
            "at": pd.to_datetime(["2025-01-01 09:30", None]),
            "yes": pd.array([True, None], dtype="boolean"),
            "n": pd.array([1, None], dtype="Int64"),
        }
    )
    assert csv_bytes(table) == table.to_csv(index=False, lineterminator="\n").encode()
    assert csv_bytes(table.iloc[:0]) == b"a,at,yes,n\n"


def test_formula_remark_leaves_the_join_as_text(clean, write) -> None:
    clean["trials"][0]["=remarks"] = "=HYPERLINK(1)"
    trials = join(read_records(write(clean))).trials
    assert trials["=remarks"].iloc[0] == "=HYPERLINK(1)"
    header, first, *_ = _rows(trials)
    assert first[header.index("'=remarks")] == "'=HYPERLINK(1)"
