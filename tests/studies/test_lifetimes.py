"""Lifetimes on units with a known truth, in a reduced size; ``lifetimes.py`` is the full study.

The bounds are three standard errors of the run at hand, so that more units ask
more closely.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "16"))


def _load_study() -> ModuleType:
    path = Path(__file__).with_name("lifetimes.py")
    spec = importlib.util.spec_from_file_location("lifetime_study", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["lifetime_study"] = module
    spec.loader.exec_module(module)
    return module


study = _load_study()


def asked(name: str) -> pd.DataFrame:
    return study.summary([row for seed in range(UNITS) for row in study.STUDIES[name](seed)])


@pytest.mark.study
def test_the_curve_holds_the_truth_as_promised_and_alike_regimes_are_seldom_called() -> None:
    table = asked("curve")
    held = table.loc["limits hold the true curve"]
    assert held["units"] > UNITS / 2
    assert held["mean"] >= 0.93 - 3 * np.sqrt(0.95 * 0.05 / held["units"])
    called = table.loc["regimes alike are called different"]
    assert called["units"] > UNITS / 2
    assert called["mean"] <= 0.07 + 3 * np.sqrt(0.07 * 0.93 / called["units"])


@pytest.mark.study
def test_unchanging_sources_are_called_as_often_as_the_rule_is_said_to_err() -> None:
    found = asked("rule").loc["false calls less those stated"]
    assert abs(found["mean"]) < 3 * found["error"]
    assert found["error"] < 0.1  # else the comparison would say nothing


@pytest.mark.study
def test_the_effect_of_cycles_that_change_has_no_bias_and_its_interval_holds_it() -> None:
    table = asked("cycles")
    for planted in study.PER_CYCLE:
        error = table.loc[f"error, log hazard {planted} a cycle"]
        # 0.005 for the cycle that may come between the trial before and the one that shows it.
        assert abs(error["mean"]) < 3 * error["error"] + 0.005
        held = table.loc[f"interval holds {planted} a cycle"]
        assert held["mean"] >= 0.93 - 3 * np.sqrt(0.95 * 0.05 / held["units"])
