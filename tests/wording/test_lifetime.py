"""The rule for unreliable, in words."""

from __future__ import annotations

import pytest

from outcomes.analysis.results import RuleInUse
from outcomes.wording.lifetime import describe_rule


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (
            RuleInUse(1, 1, qualified_only=False),
            "the first miss in an unassisted hide trial of a source",
        ),
        (
            RuleInUse(12, 21, qualified_only=True),
            "the 12th miss within 21 consecutive unassisted hide trials of a source by qualified "
            "dogs",
        ),
    ],
)
def test_the_rule_is_said_in_words(rule: RuleInUse, words: str) -> None:
    assert describe_rule(rule) == words
