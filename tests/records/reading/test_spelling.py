"""Spellings that may be one name are paired; labels that differ in a number are not."""

import pytest

from outcomes.records.reading.spelling import alike, likeliest


def test_labels_with_other_numbers_are_no_slips() -> None:
    assert (
        alike(["S1", "S2", "S10", "S11", "muscle A", "muscle B", "Max", "Mac", "B-1", "C-1"]) == []
    )


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Rex", "rex"),
        ("Rex", "Rexx"),
        ("Birch", "Brich"),
        ("S-01", "S1"),
        ("wet bone", "Wet-bone"),
        ("Zoë", "Zoe"),
        ("decomposition fluid", "decompositon fluids"),
    ],
)
def test_spellings_of_one_name_are_paired(one: str, other: str) -> None:
    assert alike([one, "granite", other]) == [(one, other)]


def test_likeliest_spelling_and_nothing_far_off() -> None:
    known = ["S1", "S12", "Birch"]
    assert likeliest("s-12", known) == "S12"
    assert likeliest("Brich", known) == "Birch"
    assert likeliest("elephant", known) is None


@pytest.mark.parametrize(
    ("text", "known"),
    [("BON-07", "BON-01"), ("BON-11", "BON-1"), ("Birch 2", "Birch"), ("muscle C", "muscle A")],
)
def test_other_number_is_no_likely_spelling(text: str, known: str) -> None:
    assert likeliest(text, [known]) is None
    # The number is the same, and a likelier spelling has another.
    assert likeliest("musle-07", ["muscle-01", "muscle-07", "musle-70"]) == "muscle-07"
