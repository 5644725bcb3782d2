"""Coverage of the decisions' intervals in a reduced size; the full study is ``decisions.py``.

In six units, intervals of the threshold that miss the truth 10 % of the time miss it four times
once in 800; what a source has left is judged over about 100 sources of the same six models.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path
from types import ModuleType

import pandas as pd
import pytest
from scipy import stats

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "6"))


def _load_study() -> ModuleType:
    path = Path(__file__).with_name("decisions.py")
    spec = importlib.util.spec_from_file_location("decision_study", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["decision_study"] = module
    spec.loader.exec_module(module)
    return module


study = _load_study()


@pytest.mark.study
def test_what_decisions_rest_on_holds_the_truth_about_as_often_as_it_says() -> None:
    rows = pd.DataFrame(
        [
            row
            for seed in range(study.FIRST_SEED, study.FIRST_SEED + UNITS)
            for row in study.study_unit(seed)
        ]
    )
    table = study.coverage(rows)
    asked, covered = table.loc["threshold", ["asked", "covered"]]
    missed = round(asked * (1.0 - covered))
    assert stats.binom.sf(missed - 1, int(asked), 0.1) > 1e-3
    # Sources of one unit share its model: units, not sources, are independent.
    assert table.loc["cycles left", "covered"] >= 0.75
    assert table.loc["finds of the trials still run", "covered"] >= 0.5
    # Retire is advised on the upper limit of a two-sided 90 % interval: wrong in 5 % at most.
    assert table.loc["retire advised, truly below", "covered"] >= 0.9
