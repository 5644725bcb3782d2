"""The calibration study in a reduced size: it guards against gross faults alone.

With 12 units a scenario, a false-positive rate of 5 % gives more than 4 of 12 one time in 5,400;
cluster-robust logistic regression, at 15 %, would do so one time in 42 and pass all the others,
and errors a fifth too small pass nearly always. Wrong errors and a moved threshold are for
``test_recovery.py``, false calls of 10 or 15 % for the full study (``calibration.py``).
"""

import os
from collections.abc import Mapping
from pathlib import Path

import calibration as study
import pandas as pd
import pytest
from scipy import stats
from side_by_side import differs_from_stored

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "12"))


def _units(scenario: str) -> pd.DataFrame:
    seeds = range(study.FIRST_SEED, study.FIRST_SEED + UNITS)
    return pd.DataFrame([study.study_unit(scenario, seed) for seed in seeds])


@pytest.mark.parametrize(
    ("share", "units", "promised", "kept"),
    [
        # Exact 95 % limits of 12 of 400: 1.6 to 5.2 %; of 3 of 75: 0.8 to 11.2 %.
        (0.03, 400, "at most 5 %", "yes"),
        (0.04, 75, "at most 5 %", "too few units to tell"),
        # Of 16 of 200: 4.6 to 12.7 %; of 30 of 200: 10.4 to 20.7 %.
        (0.08, 200, "at most 5 %", "not shown broken"),
        (0.15, 200, "at most 5 %", "no: too often"),
        (0.80, 200, "93 to 97 %", "no: too seldom"),
        (1.0, 200, "93 to 97 %", "no: too often"),
        (1.0, 80, "93 to 97 %", "not shown broken"),
        (1.0, 200, "at least 95 %", "yes"),
        (0.96, 500, "88 to 92 %", "no: too often"),
    ],
)
def test_broken_promise_is_beyond_chance(
    share: float, units: int, promised: str, kept: str
) -> None:
    error = (share * (1.0 - share) / units) ** 0.5
    line = study.Summary("made", units, "a share", share, error, promised)
    assert study._kept(line) == kept


def test_a_bias_is_measured_by_its_own_promise() -> None:
    def kept(value: float, error: float) -> str:
        line = study.Summary("made", 9, "bias of x", value, error, "at most 0.0050 either way")
        return study._kept(line)

    assert kept(0.001, 0.002) == "yes"
    assert kept(0.001, 0.005) == "too few units to tell"
    assert kept(0.006, 0.001) == "not shown broken"
    assert kept(0.008, 0.001) == "no: too high"
    assert kept(-0.008, 0.001) == "no: too low"


def test_none_wrong_counts_as_many_as_units() -> None:
    units = pd.DataFrame({"verdict": "cycles", "retired": [10] * 30, "retired_wrongly": [0] * 30})
    units = units.assign(kept=0, kept_wrongly=0)
    lines = study.summarise("benched sources", units)
    (line,) = (x for x in lines if x.measure == "retire is advised wrongly")
    assert (line.units, line.worth) == (300, 30)
    # Exact limits of 0 of 30: to 1 - 0.025 ** (1 / 30).
    assert study.limits(line) == pytest.approx((0.0, 1.0 - 0.025 ** (1.0 / 30.0)))
    assert "| 0.0 % | 0.0 to 11.6 % |" in study.as_markdown(lines, "Units run: none.")


@pytest.mark.study
def test_no_effect_is_seldom_called_one() -> None:
    units = _units("no effect")
    called = int((units["verdict"] != "no change detected").sum())
    assert study.at_most(called, UNITS, 0.05)
    for name in ("cycles", "age_days"):
        assert study.at_most(int((~units[f"{name}_covered"].astype(bool)).sum()), UNITS, 0.07)
    assert study.as_markdown(study.summarise("no effect", units), "").count("\n| no effect") >= 5


def _stored(scenario: str, units: int = 500) -> pd.DataFrame:
    folder = Path(__file__).parent / "calibration_units"
    return study.run_study(scenario, units, folder, workers=0)


def _more_often(units: pd.Series, full: pd.Series) -> bool:
    """Whether it is so in more of a few units than the full study's share of units can give.

    The share is taken at the upper end of what the full study leaves open (97.5 %).
    """
    most = float(stats.beta.ppf(0.975, full.sum() + 1, len(full) - full.sum()))
    return not study.at_most(int(units.sum()), len(units), most)


def _wrong_advice(scenario: str, units: pd.DataFrame) -> list[str]:
    """Advice that is wrong too often; units are counted, since sources of one share its errors."""
    full = _stored(scenario)
    advice = ("retired_wrongly", "kept_wrongly")
    return [name for name in advice if _more_often(units[name] > 0, full[name] > 0)]


@pytest.mark.study
@pytest.mark.parametrize(
    ("scenario", "cause", "prefix"), [("cycles only", "cycles", ""), ("age only", "age", "age_")]
)
def test_planted_effect_is_found_in_limits(scenario: str, cause: str, prefix: str) -> None:
    units = _units(scenario)
    named = [cause, "both"]
    assert not _more_often(~units["verdict"].isin(named), ~_stored(scenario)["verdict"].isin(named))
    exposure = "cycles" if cause == "cycles" else "age_days"
    covered = units[f"{exposure}_covered"].astype(bool)
    assert study.at_most(int((~covered).sum()), UNITS, 0.07)
    held = units[f"{prefix}threshold_covered"].dropna().astype(bool)
    safe = units[f"{prefix}limit_safe"].dropna().astype(bool)
    assert len(held) >= UNITS // 2
    assert len(safe) >= UNITS // 2
    assert study.at_most(int((~held).sum()), len(held), 0.10)
    assert study.at_most(int((~safe).sum()), len(safe), 0.05)
    assert _wrong_advice(scenario, units) == []


@pytest.mark.parametrize("advice", ["retired", "kept"])
def test_advice_turned_about_is_told(advice: str) -> None:
    units = _stored("cycles only", UNITS)
    assert _wrong_advice("cycles only", units) == []
    turned = units.assign(**{f"{advice}_wrongly": units[advice] - units[f"{advice}_wrongly"]})
    assert _wrong_advice("cycles only", turned) == [f"{advice}_wrongly"]


@pytest.mark.slow
def test_page_and_figure_are_of_stored_units() -> None:
    folder = Path(__file__).parent / "calibration_units"
    lines, runs = study.read_study(folder, 100_000)
    written = (study.PAGES / "calibration.md").read_text(encoding="utf-8")
    assert written == study.as_markdown(lines, runs)
    assert (study.PAGES / "calibration.svg").read_bytes() == study.as_figure(lines)


def _answers(row: Mapping[str, object]) -> set[tuple[str, object]]:
    """What a stored unit answered, right or wrong, to each question it was asked."""
    told: set[tuple[str, object]] = {("verdict", row["verdict"])}
    for name in row:
        if name.endswith(("_covered", "limit_safe")) and not pd.isna(row[name]):
            told.add((name, bool(row[name])))
    for advice in ("retired", "kept"):
        if row[advice] and not pd.isna(row[advice]):
            told.add((advice, bool(row[f"{advice}_wrongly"])))
    return told


def _telling_units() -> list[tuple[str, int]]:
    """The last unit of each scenario, and others until every answer is there, right and wrong."""
    units = [
        (scenario, int(row["seed"]), _answers(row))
        for scenario in study.CASES
        for row in _stored(scenario).to_dict("records")
    ]
    chosen = list({scenario: (scenario, seed, told) for scenario, seed, told in units}.values())
    seen = set().union(*(told for *_, told in chosen))
    while (best := max(units, key=lambda unit: len(unit[2] - seen)))[2] - seen:
        chosen.append(best)
        seen |= best[2]
    return [(scenario, seed) for scenario, seed, _ in chosen]


@pytest.mark.slow
@pytest.mark.parametrize(("scenario", "seed"), _telling_units())
def test_a_stored_unit_comes_out_the_same_again(scenario: str, seed: int) -> None:
    (stored,) = (row for row in _stored(scenario).to_dict("records") if row["seed"] == seed)
    again = study.study_unit(scenario, seed)
    assert differs_from_stored(again, stored) == []


def test_rerun_units_are_right_once_wrong_once() -> None:
    rows = {s: {row["seed"]: row for row in _stored(s).to_dict("records")} for s in study.CASES}
    seen = set().union(*(_answers(rows[scenario][seed]) for scenario, seed in _telling_units()))
    asked = {name for name, _ in seen} - {"verdict"}
    assert asked == {
        *("cycles_covered", "age_days_covered", "threshold_covered", "age_threshold_covered"),
        *("limit_safe", "age_limit_safe", "retired", "kept"),
    }
    # A limit by age that came too late is rare, and not among the units stored.
    both = {(name, answer) for name in asked for answer in (True, False)}
    assert both - seen <= {("age_limit_safe", False)}
    assert {"no change detected", "cycles", "age", "both", "cannot be told apart"} <= {
        answer for name, answer in seen if name == "verdict"
    }
