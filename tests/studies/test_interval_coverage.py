"""Coverage of the intervals of cycles and age in a reduced size.

With 24 units and two exposures, intervals that miss the truth 5 % of the time
miss it 9 times of 48 less than once in a thousand; ones that miss it 25 % of
the time do so more often than not. The full study is ``intervals.py``.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path
from types import ModuleType

import pandas as pd
import pytest

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "24"))


def _load_study() -> ModuleType:
    path = Path(__file__).with_name("intervals.py")
    spec = importlib.util.spec_from_file_location("interval_study", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["interval_study"] = module
    spec.loader.exec_module(module)
    return module


study = _load_study()


@pytest.mark.study
def test_profile_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rows = pd.DataFrame(
        [
            row
            for seed in range(study.FIRST_SEED, study.FIRST_SEED + UNITS)
            for row in study.study_unit("cycles only", seed)
        ]
    )
    given = rows[rows["given"]]
    # Slopes are taken to differ in some units by chance alone; most must have a profile.
    assert len(given[given["kind"] == "profile"]) > UNITS
    for kind in ("profile, few sources", "by error, few sources"):
        own = given[given["kind"] == kind]
        missed = int((~own["covered"].astype(bool)).sum())
        assert study.seldom(missed, len(own), 0.05)
    table = study.coverage(rows)
    assert set(table["kind"]) == set(study.KINDS)


def test_more_misses_than_chance_allows_are_told() -> None:
    assert study.seldom(2, 48, 0.05)
    assert not study.seldom(12, 48, 0.05)
