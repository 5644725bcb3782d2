"""The rule for unreliable, in words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from outcomes.analysis.results import RuleInUse
from outcomes.answers.facts import Facts
from outcomes.wording.lifetime import describe_rule, lifetime_title


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


def test_the_title_of_lifetimes_claims_no_loss_by_chance(demo_facts: Facts) -> None:
    lifetime = demo_facts.lifetime
    assert lifetime.chance is not None
    assert lifetime_title(lifetime) == (
        f"{lifetime.events} sources became unreliable, and about 3 (1 to 6) would by chance alone"
    )
    for told, said in (
        ("no more than chance", "No sign that sources wear out: 8 sources met the rule, no more"),
        ("unclear", "Whether sources wear out is unclear"),
    ):
        other = replace(lifetime, chance=replace(lifetime.chance, told=told))
        # With a curve or without, the title is the finding.
        for curve in (lifetime.curve, ()):
            title = lifetime_title(replace(other, curve=curve))
            assert title.startswith(said)
            assert "became unreliable" not in title
