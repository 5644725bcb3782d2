"""Dates written once for several rows: the mend names the setting that reads them."""

from __future__ import annotations

import pandas as pd

import outcomes as oc


def _problems(empty: int) -> pd.DataFrame:
    sources = pd.DataFrame({"source_id": ["A"], "kind": ["bone"], "acquired_on": ["2025-01-01"]})
    trials = pd.DataFrame(
        {
            "started_at": ["2025-03-01 09:00", *[None] * empty],
            "dog_id": "Fern",
            "source_id": "A",
            "result": "find",
        }
    )
    return oc.from_frames(sources=sources, trials=trials).problems()


def test_many_empty_dates_may_be_the_one_above() -> None:
    mends = _problems(5).query("problem == 'a needed value is empty'")["mend"]
    assert len(mends) == 5
    assert mends.str.contains('[same_as_above] trials = ["started_at"]', regex=False).all()


def test_a_few_are_simply_empty() -> None:
    mends = _problems(4).query("problem == 'a needed value is empty'")["mend"]
    assert mends.tolist() == ["Fill it in."] * 4
