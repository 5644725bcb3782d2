"""What these records cannot say: results noted wrongly, blinding not on record."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.finds.model import fit_finds
from outcomes.settings import DecisionSettings
from outcomes.wording.limitations import describe_blinding_missing, describe_noted_wrongly
from tests.wording.cases import Made


@pytest.fixture(scope="module")
def fit(made_trials: Made):
    return fit_finds(made_trials(3, n=600, baseline=1.7), DecisionSettings())


def test_results_noted_wrongly_hide_finds(fit) -> None:
    some = replace(fit, n=1000, finds=850, misses=150)
    # Rogan and Gladen 1978, American Journal of Epidemiology 107, 71-76: true share =
    # (apparent + specificity - 1) / (sensitivity + specificity - 1); both 0.95 here.
    assert pytest.approx(0.889, abs=1e-3) == (0.85 + 0.95 - 1.0) / (0.95 + 0.95 - 1.0)
    told = describe_noted_wrongly(some)
    assert told is not None
    assert "Were 5 in 100 noted wrongly" in told
    assert "85 in 100 found as noted would be 89 in truth" in told
    # With few misses fewer can have been noted wrongly; with hardly any none is reckoned.
    rare = describe_noted_wrongly(replace(fit, n=1000, finds=950, misses=50))
    assert rare is not None
    assert "Were 2 in 100 noted wrongly" in rare
    assert describe_noted_wrongly(replace(fit, n=1000, finds=990, misses=10)) is None
    assert describe_noted_wrongly(replace(fit, mixed=None)) is None


def test_noting_wrongly_makes_a_change_look_smaller() -> None:
    rng = np.random.default_rng(1)
    true = rng.random((2, 100_000)) < np.array([[0.95], [0.75]])
    noted = np.where(rng.random(true.shape) < 0.05, ~true, true)
    fell = -np.diff(noted.mean(axis=1))[0]
    assert fell == pytest.approx(0.9 * 0.20, abs=0.01)


def test_blinding_left_empty_is_told(fit) -> None:
    trials = fit.design.trials
    half = np.where(np.arange(len(trials)) % 2 == 0, "single", None)
    some = replace(fit, design=replace(fit.design, trials=trials.assign(blinding=half)))
    told = describe_blinding_missing(some)
    assert told is not None
    assert f"blinding is not on record for {len(trials) // 2:,} of {len(trials):,}" in told
    known = trials.assign(blinding=pd.array(["double"] * len(trials), dtype="string"))
    assert describe_blinding_missing(replace(fit, design=replace(fit.design, trials=known))) is None
