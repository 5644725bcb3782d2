"""Rows and trials are counted once each."""

from outcomes.text import count
from outcomes.wording.rows import describe_records_used, describe_rows

from .cases import Case


def test_footer_says_how_many_trials_are_used(cases: dict[str, Case]) -> None:
    fit = cases["down"][0]
    all_used = describe_records_used("Unit", fit.n, fit)
    assert "All of them are used for what predicts finds." in all_used
    part = describe_records_used("Unit", fit.n + 7, fit)
    assert f"Of these {count(fit.n + 7, 'hide trial')}, {fit.n:,} (" in part
    assert f"of {count(fit.sources, 'source')} can be used for what predicts finds." in part
    for told in (all_used, part):
        assert told.endswith("not proof of cause.")


def test_rows_add_up_in_the_sentence() -> None:
    text = describe_rows({"trials": 1200, "dogs": 1}, {"trials": 1199, "dogs": 1}, 1)
    assert "1,199 of 1,200 in trials" in text
    assert "1 row set aside" in text
