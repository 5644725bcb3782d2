"""The penalised model, where finds and misses part without overlap."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.finds.firth import _firth, fit_penalised
from outcomes.analysis.finds.model import fit_finds
from outcomes.settings import DecisionSettings
from outcomes.wording.penalised import describe_penalised

REFERENCE = Path(__file__).parents[2] / "reference"


def test_published_separated_coefficients_are_reached(outside) -> None:
    check = outside(
        "Penalised likelihood where finds and misses part (endometrial cancer)",
        "Heinze & Schemper (2002), Statistics in Medicine 21, 2409-2419; R's brglm2.",
        "memory",
    )
    data = pd.read_csv(REFERENCE / "penalised_trials.csv")
    theirs = pd.read_csv(REFERENCE / "penalised_fits.csv").set_index("term")["estimate"]
    x = data[["NV", "PI", "EH"]].to_numpy(dtype=float)
    found = _firth(x, data["HG"].to_numpy(), 1, 0.05)
    ours, limits = found.beta, found.limits
    # Both stop at 1e-8 of a step or finer.
    assert ours == pytest.approx(theirs[["NV", "PI", "EH"]].to_numpy(), abs=1e-6)
    check.each(("NV", "PI", "EH"), "2.929 -0.035 -2.604", ours)
    # NV parts the outcomes: the profile is still finite below, and its lower limit above nil.
    check("NV, lower limit of the profile", "0.6097", limits[0, 0], 5e-4)


def test_two_by_two_adds_half_a_trial_a_cell() -> None:
    # Firth (1993), section 3.2: for a saturated table the penalty is Haldane's correction.
    y = np.r_[np.ones(12), np.zeros(5), np.ones(9)]  # 12 of 17 against 9 of 9
    x = np.r_[np.zeros(17), np.ones(9)][:, None]
    ours = _firth(x, y, 1, 0.05).beta
    assert ours[0] == pytest.approx(math.log((9.5 / 0.5) / (12.5 / 5.5)), abs=1e-6)


def _parted(made_trials: Callable[..., pd.DataFrame], **options: Any) -> pd.DataFrame:
    trials = made_trials(3, n=300, **options)
    return trials.assign(result=np.where(trials["cycles"] < 12, "find", "miss"))


def test_direction_is_told_and_no_limit_made_up(made_trials) -> None:
    fit = fit_finds(_parted(made_trials), DecisionSettings())
    assert fit.mixed is None
    found = fit_penalised(fit)
    cycles = next(t for t in found.terms if t.term == "cycles")
    assert math.isfinite(cycles.log_ratio)
    assert cycles.log_ratio < 0.0
    assert cycles.high > cycles.ratio
    assert "fewer finds with more cycles" in describe_penalised(found)
    assert "not a size to act on" in describe_penalised(found)


def test_turning_finds_into_misses_turns_the_sign(made_trials) -> None:
    trials = _parted(made_trials)
    turned = trials.assign(result=np.where(trials["result"] == "find", "miss", "find"))
    one, other = (fit_penalised(fit_finds(t, DecisionSettings())) for t in (trials, turned))
    assert one is not None
    assert other is not None
    # The penalised likelihood is the same function with every sign turned.
    for a, b in zip(one.terms, other.terms, strict=True):
        assert a.log_ratio == pytest.approx(-b.log_ratio, abs=1e-5)


def test_unit_of_an_exposure_changes_no_effect(made_trials) -> None:
    trials = _parted(made_trials)
    doubled = trials.assign(cycles=2.0 * trials["cycles"])
    one, two = (fit_penalised(fit_finds(t, DecisionSettings())) for t in (trials, doubled))
    # Jeffreys' prior does not hang on the scale of a column (Firth 1993, section 3).
    assert two.terms[0].log_ratio == pytest.approx(one.terms[0].log_ratio / 2.0, abs=1e-6)


def test_where_they_overlap_nothing_is_penalised(made_trials) -> None:
    assert fit_penalised(fit_finds(made_trials(3), DecisionSettings())) is None
