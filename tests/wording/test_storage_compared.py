"""Refrigerated against frozen: which way, on what, and why not."""

from dataclasses import replace

import pytest

from outcomes.analysis.decisions.compare import Comparison, Difference
from outcomes.wording.storage_compared import (
    describe_estimand,
    describe_kind,
    describe_kinds,
    describe_kinds_left_out,
    describe_storage_compared,
    describe_storage_in_short,
    storage_title,
)
from tests.side import UNTOLD, beyond_chance


def _p(low: float | None, high: float | None) -> float | None:
    if low is None or high is None:
        return None
    return 0.4 if low <= 0.0 <= high else 0.01


def _difference(difference, low, high, refrigerated=8) -> Difference:
    counts = {"refrigerated": refrigerated, "frozen": 9}
    return Difference(difference, low, high, 0.9, 0.8, _p(low, high), counts)


def _comparison(*numbers: float | None, **changed: object) -> Comparison:
    found = _difference(*numbers)
    whole = Comparison(found, {}, found.sources, 1200, 0, ("bone", "fat"), (), (), None)
    return replace(whole, **changed)


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ((0.11, 0.05, 0.18), "given about 11 more finds in 100 than had all been frozen"),
        ((-0.11, -0.18, -0.05), "given about 11 fewer finds in 100 than had all been frozen"),
        ((0.11, 0.002, 0.22), "95 % interval 0.2 to 22 more finds"),
        ((-0.11, -0.18, -0.05), "95 % interval 5 to 18 fewer finds"),
        ((0.01, -0.04, 0.06), "anything from 4 fewer to 6 more finds in 100"),
        ((0.01, -0.04, 0.06), "No difference between refrigerated and frozen was detected"),
        ((0.11, 0.05, 0.18, 5), "Too few sources to compare refrigerated with frozen: at least 6"),
        ((0.11, 0.05, 0.18, 5), "anything from 5 to 18 more finds in 100"),
        ((0.11, None, None), "No interval is given and this is no finding"),
    ],
)
def test_comparison_says_which_way_and_on_what(numbers, said) -> None:
    text = describe_storage_compared(_comparison(*numbers))
    assert said in text
    assert f"{numbers[3] if len(numbers) > 3 else 8} refrigerated sources against 9 frozen" in text
    assert "1,200 trials" in text
    assert "chosen, not assigned" in text


@pytest.mark.parametrize("numbers", [(0.01, -0.04, 0.06), (0.1, 0.05, 0.2, 5), (0.1, None, None)])
def test_only_a_finding_bears_on_what_to_do(numbers) -> None:
    assert "do not move sources on this alone" in describe_storage_compared(
        _comparison(0.1, 0.05, 0.2)
    )
    assert "do not move" not in describe_storage_compared(_comparison(*numbers))
    assert "would have given" not in storage_title(_comparison(*numbers))


def test_a_refused_comparison_says_why() -> None:
    refused = _comparison(0, 0, 0, difference=None, reason="no frozen source was tried")
    assert describe_storage_compared(refused).endswith("no frozen source was tried.")
    assert describe_kinds(refused, UNTOLD) is None
    assert storage_title(refused) == "Refrigerated and frozen cannot be compared"


def test_what_is_left_out_is_told() -> None:
    text = describe_storage_compared(
        _comparison(0.1, 0.05, 0.2, other_ages=31, without_kind=2, terms_left_out=("wind_m_s",))
    )
    assert "; 31 at ages tried one way only left out" in text
    assert "; 2 trials left out for want of the source's kind" in text
    assert "; wind not held the same, for want of finds or misses" in text
    only = _comparison(0.1, 0.05, 0.2, kinds_left_out=("ash", "blood"))
    assert describe_kinds_left_out(only) == "Kept only one way, so not compared: ash and blood."
    assert describe_kinds_left_out(_comparison(0.1, 0.05, 0.2)) is None


def test_kinds_are_told_by_themselves() -> None:
    kinds = {"bone": _difference(0.12, 0.03, 0.21, 7), "fat": _difference(0.2, 0.1, 0.3, 4)}
    compared = _comparison(0.11, 0.05, 0.18, by_kind=kinds)
    told = describe_kinds(compared, UNTOLD)
    assert told == (
        "Kind by kind: bone: +12 finds in 100 for refrigerated (95 % interval +3 to +21; "
        "7 refrigerated sources against 9 frozen); fat: +20 finds in 100 for refrigerated (95 % "
        "interval +10 to +30; 4 refrigerated sources against 9 frozen; too few for a finding). "
        "A difference in bone alone is within chance."
    )
    beyond = beyond_chance(("storage by kind", "bone"))
    assert "within chance" not in describe_kinds(compared, beyond)
    assert describe_kinds(_comparison(0.11, 0.05, 0.18), UNTOLD).startswith("No kind has the 4")
    assert describe_kinds(_comparison(0.11, 0.05, 0.18, kinds=("bone",)), UNTOLD) is None
    assert describe_kinds(_comparison(0.11, None, None), UNTOLD) is None


def test_estimand_names_the_kinds() -> None:
    text = describe_estimand(_comparison(0.1, 0.05, 0.2))
    assert text.startswith("The unit's own trials of bone and fat, had all sources been kept in")
    assert "thawed as often as this unit's frozen sources were by that age" in text


def test_a_difference_short_of_its_level_is_not_told_as_one() -> None:
    # 0.05 with limits 0.002 below 0 at 95 %: at 90 % the limits leave 0 out.
    found = _comparison(0.05, -0.002, 0.102)
    shown = found.at(0.9)
    assert shown.difference is not None
    # 1.645 / 1.960, the 95 and 97.5 % points of the normal distribution.
    reach = 0.052 * 1.6449 / 1.9600
    assert shown.difference.low == pytest.approx(0.05 - reach, abs=1e-5)
    assert shown.difference.high == pytest.approx(0.05 + reach, abs=1e-5)
    assert "not sure yet: anything from 0.6 to 9 more finds in 100" in (
        describe_storage_compared(shown)
    )
    assert describe_storage_in_short(shown) == (
        "Not sure yet: perhaps 5 more finds in 100 if refrigerated."
    )
    assert storage_title(shown).endswith("is not sure yet")
    # The other way round, a finding stays one.
    clear = _comparison(0.11, 0.05, 0.18).at(0.99)
    assert "given about 11 more finds" in describe_storage_compared(clear)
    assert "99 % interval" in describe_storage_compared(clear)


def test_a_kind_without_limits_says_why():
    told = describe_kind("bone", _difference(0.11, None, None))
    assert "+11" in told
    assert "no interval: sources differ in how fast they change" in told
