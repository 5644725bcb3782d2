"""Refrigerated against frozen: which way, on what, and why not."""

from dataclasses import replace

import pytest

from outcomes.analysis.decisions.compare import Comparison
from outcomes.analysis.decisions.compare_by_kind import FewSources
from outcomes.wording.storage_compared import describe_few_sources, describe_storage_compared


def _comparison(difference: float, low: float, high: float) -> Comparison:
    counts = {"refrigerated": 1, "frozen": 9}
    return Comparison(400.0, difference, low, high, 0.9, 0.8, counts, ("bone",), (), 0.01, None)


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ((0.11, 0.05, 0.18), "about 11 more finds in 100 trials than frozen ones"),
        ((-0.11, -0.18, -0.05), "about 11 fewer finds in 100 trials than frozen ones"),
        ((0.11, 0.002, 0.22), "95 % interval 0.2 to 22 more"),
        ((0.01, -0.04, 0.06), "anything from 4 fewer to 6 more finds in 100"),
        ((0.01, -0.04, 0.06), "No difference between refrigerated and frozen was detected"),
    ],
)
def test_comparison_says_which_way_and_on_what(numbers, said) -> None:
    text = describe_storage_compared(_comparison(*numbers), 0.05)
    assert said in text
    assert "1 refrigerated source against 9 frozen" in text
    assert "13 months of age" in text
    assert "chosen, not assigned" in text


def test_a_refused_comparison_says_why() -> None:
    refused = replace(
        _comparison(0, 0, 0), risk_difference=None, reason="no frozen source was tried"
    )
    assert describe_storage_compared(refused, 0.05).endswith("no frozen source was tried.")


@pytest.mark.parametrize(
    ("few", "said"),
    [
        ([], None),
        ([FewSources("bone", "refrigerated", 1)], None),  # not among the kinds compared
        (
            [FewSources("muscle", "refrigerated", 1)],
            "One kind rests on fewer than 3 sources of a side, so one odd source could make "
            "the difference there: muscle (1 refrigerated).",
        ),
        (
            [FewSources("muscle", "refrigerated", 1), FewSources("fat", "frozen", 2)],
            "2 kinds rest on fewer than 3 sources of a side, so one odd source could make "
            "the difference there: muscle (1 refrigerated) and fat (2 frozen).",
        ),
        (
            [FewSources("fat", "refrigerated", 2), FewSources("fat", "frozen", 1)],
            "One kind rests on fewer than 3 sources of a side, so one odd source could make "
            "the difference there: fat (2 refrigerated) and fat (1 frozen).",
        ),
    ],
)
def test_kinds_on_few_sources_are_named(few, said) -> None:
    compared = replace(_comparison(0.1, 0.05, 0.15), kinds=("muscle", "fat"))
    assert describe_few_sources(compared, few) == said
    refused = replace(compared, reason="too few")
    assert describe_few_sources(refused, few) is None
