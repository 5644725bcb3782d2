"""What a unit is told before it shares, and what units together are told."""

from dataclasses import replace

import pytest

from outcomes.pool.answer import pool_shares
from outcomes.pool.share import SharedCounts
from outcomes.wording import pool as words
from tests.pool.shares import share_of, shares_of


def test_what_a_share_can_add_is_told() -> None:
    line, bend, age = (share_of("aaaa", top) for top in ((-0.5, 0.1), None, (0.1,)))
    assert "straight lines" in words.describe_share(line)
    assert "A bend is not added" in words.describe_share(bend)
    assert "age alone" in words.describe_share(age)
    assert "sharpens both" in words.describe_share(replace(line, tied=True))


def test_what_leaves_is_told_whole() -> None:
    share = share_of("aaaa", (-0.5, 0.1))
    told = "\n".join(words.describe_leaving(share, 12))
    for part in (
        *("aaaa", "2026-Q3", "12 later trials are not in it", "300 trials", "50 misses"),
        *("20 sources", "6-10 dogs", "30 cycles", "500 days", "kind and temperature_c"),
    ):
        assert part in told
    number = sum(v is not None for row in share.surface.log_likelihood for v in row)
    assert f"{number} numbers" in told


def test_what_others_work_out_is_told() -> None:
    many = share_of("aaaa", (-0.5, 0.1))
    few = replace(many, counts=SharedCounts(trials=85, misses=30, sources=10, dogs="3-5"))
    told_many, told_few = (
        "\n".join(words.describe_what_it_lets_others_work_out(s)) for s in (many, few)
    )
    assert "little or nothing from this file alone" in told_many
    assert "much of what so few trials hold" in told_few
    for told in (told_many, told_few):
        assert "every result but one: most likely that result" in told
        assert "20 new trials and 5 new misses" in told


def test_few_units_are_worded_apart() -> None:
    few, many = (" ".join(words.pool_lines(pool_shares(shares_of(n)))) for n in (3, 6))
    assert "if these units are alike" in few
    assert "fewer than 5 units the numbers hold only if the units are alike" in few
    assert "on average over 6 units" in many
    assert "alike" not in many


def test_units_that_disagree_are_named() -> None:
    answer = pool_shares([*shares_of(2), share_of("zzzz", (1.4, 0.1))])
    told = words.describe_disagreement(answer.slopes["cycles"])
    assert "do not agree on freeze/thaw cycles" in told
    assert "zzzz" in told
    assert words.describe_disagreement(answer.slopes["age"]) is None
    # Nothing is claimed of them together in the headline.
    assert words.describe_pool(answer) == (
        "3 units do not agree on freeze/thaw cycles: read each by itself."
    )


def test_nothing_to_add_is_told() -> None:
    bends = [share_of("yyyy", None), share_of("zzzz", None)]
    assert words.describe_pool(pool_shares(bends)).startswith("None of 2 shares can be added")
    mixed = pool_shares([*shares_of(3), *bends])
    assert "yyyy and zzzz" in words.describe_beside(mixed)


def test_too_few_and_too_little_new_are_told() -> None:
    few = words.describe_too_few_to_share({"misses": (12, 30), "dogs": (2, 3)}, "2026-Q3")
    assert "12 misses (at least 30) and 2 dogs (at least 3)" in few
    new = words.describe_too_little_new({"trials": (7, 20)}, share_of("aaaa", None))
    assert "7 new trials for certain (at least 20)" in new


@pytest.mark.parametrize("number", [2, 3, 5, 6])
def test_sentences_are_short(number) -> None:
    apart = share_of("zzzz", (1.4, 0.1))
    lines = list(words.pool_lines(pool_shares([*shares_of(number), apart])))
    for sentence in " ".join(lines).replace("90 finds", "90-finds").split(". "):
        assert len(sentence.split()) <= 32, sentence
