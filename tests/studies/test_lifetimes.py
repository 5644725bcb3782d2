"""Lifetimes on units with a known truth, in a reduced size; ``lifetimes.py`` is the full study.

The bounds are three standard errors of the run at hand, so that more units ask
more closely.
"""

import os
import re
from pathlib import Path

import lifetimes as study
import numpy as np
import pandas as pd
import pytest
from side_by_side import differs_from_stored, told_runs

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "16"))


def asked(name: str) -> dict[str, object]:
    columns = study.STUDIES[name].columns
    units = pd.DataFrame([study.study_unit(name, k) for k in range(UNITS)]).reindex(columns=columns)
    return {line.measure.column: line for line in study.summarise(name, units)}


@pytest.mark.study
def test_time_ratio_interval_holds_the_truth() -> None:
    held = asked("ratio")["time_ratio_held"]
    assert held.units > UNITS / 2
    assert held.value >= 0.93 - 3 * np.sqrt(0.95 * 0.05 / held.units)


@pytest.mark.study
def test_unchanging_sources_err_as_said() -> None:
    found = asked("rule")["called_less_stated"]
    assert abs(found.value) < 3 * found.error
    assert found.error < 0.1  # else the comparison would say nothing


@pytest.mark.study
def test_changing_cycles_have_no_bias() -> None:
    table = asked("cycles")
    for planted in study.PER_CYCLE:
        error = table[f"error_{planted}"]
        # 0.005 for the cycle that may come between the trial before and the one that shows it.
        assert abs(error.value) < 3 * error.error + 0.005
        held = table[f"held_{planted}"]
        assert held.value >= 0.93 - 3 * np.sqrt(0.95 * 0.05 / held.units)


def test_lifetime_study_goes_on(tmp_path: Path) -> None:
    first = study.run_study("rule", 2, tmp_path, workers=1)
    written = (tmp_path / "rule.csv").read_bytes()
    both = study.run_study("rule", 3, tmp_path, workers=1)
    assert (tmp_path / "rule.csv").read_bytes().startswith(written)
    assert list(both["seed"]) == [study.FIRST_SEED + k for k in range(3)]
    assert both.iloc[:2].equals(first)
    page = study.as_markdown({"rule": both}, told_runs(tmp_path, [both]))
    assert re.search(r"Units run: 3 on 20\d\d-\d\d-\d\d \(Python 3\.", page)
    assert "3 units: 40 sources that never change" in page


@pytest.mark.parametrize(
    ("count", "kept"), [(0, "no: too seldom"), (95, "yes"), (100, "not shown broken")]
)
def test_promise_breaks_only_outside_limits(count, kept) -> None:
    assert study.Line(study.Measure("", "", True, 0.93, 0.97), 32, 0.96, 0.03, 0.84, 1.0).kept == (
        "too few units to tell"
    )
    units = pd.DataFrame({"held_0.0": [1.0] * count + [0.0] * (100 - count)})
    units = units.assign(**{"error_0.0": 0.1, "held_0.15": 1.0, "error_0.15": np.nan})
    lines = {line.measure.column: line for line in study.summarise("cycles", units)}
    assert lines["held_0.0"].kept == kept
    assert lines["error_0.0"].kept == ""
    assert "error_0.15" not in lines


def test_exact_share_is_at_best_unbroken() -> None:
    exact = study.Measure("", "", False, 0.0, 0.0, of_100=True)
    assert study.Line(exact, 99, 0.01, 0.01, -0.01, 0.03).kept == "not shown broken"
    assert study.Line(exact, 99, 0.03, 0.01, 0.01, 0.05).kept == "no: too high"


def test_page_and_figure_are_of_stored_units() -> None:
    folder = Path(__file__).parent / "lifetime_units"
    stored = {name: study.run_study(name, 100_000, folder, workers=0) for name in study.STUDIES}
    written = (study.PAGES / "lifetimes.md").read_text(encoding="utf-8")
    assert written == study.as_markdown(stored, told_runs(folder, stored.values()))
    assert (study.PAGES / "lifetimes.svg").read_bytes() == study.as_figure(stored)


@pytest.mark.parametrize("name", list(study.STUDIES))
def test_a_stored_unit_comes_out_the_same_again(name: str) -> None:
    folder = Path(__file__).parent / "lifetime_units"
    stored = study.run_study(name, 500, folder, workers=0).iloc[-1].to_dict()
    again = study.study_unit(name, int(stored["seed"]) - study.FIRST_SEED)
    assert differs_from_stored(again, stored) == []
