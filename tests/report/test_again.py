"""The decisions can be made again from results.json and the records alone."""

import hashlib
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.decisions.curve import reach_of
from outcomes.analysis.decisions.rate_of_use import RateOfUse, retired_by_place
from outcomes.analysis.decisions.shelf import advice_at
from outcomes.answers.facts import Facts, gather_facts
from outcomes.answers.limits_asked import asked_for
from outcomes.answers.request import Asked
from outcomes.cli.options import moment
from outcomes.exposure.accumulate import EXPOSURES, define_exposures
from outcomes.records.read import read_records
from outcomes.report.results import results
from outcomes.report.results.inputs import settings_of
from outcomes.report.write import results_text
from outcomes.settings import (
    DecisionSettings,
    EarlyWarning,
    RecordsSettings,
    ReliabilityRule,
    Settings,
)

SYNTHETIC = Path(__file__).parents[2] / "synthetic_data"
DECISIONS = ("which_predicts", "retire", "shelf", "compare")


def _as_written(facts: Facts) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(results_text(results(facts, DECISIONS)))
    return loaded


def _again(found: dict[str, Any], records: Path) -> dict[str, Any]:
    """What the settings and options of a results.json give on these records."""
    options = found["inputs"]["options"]
    either = options["either"]
    asked = Asked(either=None if either is None else (either["cycles"], either["months"]))
    settings = settings_of(found)
    facts = gather_facts(
        read_records(records, settings.records),
        settings.decisions,
        as_of=moment(options["as_of"]),
        asked=asked,
        further=True,
    )
    if options["by"]:
        facts = asked_for(facts, options["by"])
    return _as_written(facts)


@pytest.fixture(scope="module")
def found(demo_facts: Facts) -> dict[str, Any]:
    return _as_written(demo_facts)


@pytest.mark.slow
def test_decisions_follow_from_the_results(found, tmp_path) -> None:
    for table in ("sources", "storage", "trials", "dogs"):
        shutil.copy(SYNTHETIC / f"{table}.csv", tmp_path)
    again = _again(found, tmp_path)
    for part in DECISIONS:
        own, other = again[part], found[part]
        assert own == other, [k for k in own if own[k] != other[k]] if part != "shelf" else part


@pytest.mark.slow
def test_what_was_asked_is_in_the_results(call, briefing_of, tmp_path) -> None:
    own = tmp_path / "own"
    shutil.copytree(briefing_of("effect falling").folder.parent / "records", own)
    trials = pd.read_csv(own / "trials.csv", dtype=str, keep_default_na=False)
    trials["Outcome"] = trials.pop("result").replace({"find": "Hit"})
    trials.to_csv(own / "trials.csv", index=False)
    (own / "unit.toml").write_text(
        '[columns.trials]\nresult = "Outcome"\n[words.result]\n"Hit" = "find"\n'
        "[exposure]\nthaw_after_h = 2\n[rule]\nmisses = 3\nwindow = 5\n"
    )
    told = call(
        *("retire", own, "--json", "--floor", "0.7", "--confidence", "0.8", "--seed", "3"),
        *("--by", "age", "--by", "cycles", "--either", "6", "18", "--as-of", "2026-01-15"),
    )
    found = json.loads(told.out)
    assert found["inputs"]["options"] == {
        "as_of": "2026-01-15",
        "floor": 0.7,
        "confidence": 0.8,
        "seed": 3,
        "by": ["age_days", "cycles"],
        "either": {"cycles": 6.0, "months": 18.0},
        "without_names": False,
    }
    (own / "unit.toml").unlink()
    again = _again(found, own)
    assert {k: again[k] for k in ("retire", "shelf")} == {k: found[k] for k in ("retire", "shelf")}
    assert found["either"] == again["retire"]["either"]


def test_every_setting_comes_back(demo_facts) -> None:
    from dataclasses import fields, replace

    reading = RecordsSettings(
        unit="Öd",
        tables={"storage": ("Log",)},
        columns={"trials": {"result": ("Outcome",)}},
        header_row={"Log": 3},
        same_as_above={"trials": ("started_at",)},
        ticked={"trials": ("Found", "Missed")},
        dog_columns={"trials": ("Rex", "Mia")},
        fold_labels=("source_id",),
        words={"result": {"Hit": "find"}},
        date_order="day first",
        decimal=",",
        units={"search_s": "mm:ss"},
        freezer_c=-0.5,
        **{name: 0.5 for name in ("refrigerator_c", "ambient_c", "thaw_after_h")},
        **{name: 0.6 for name in ("base_c", "thawed_above_c", "frozen_below_c")},
        longest_reading_gap_h=3.0,
        frozen_at_least=0.7,
        refrigerated_at_most=0.3,
        unlogged_thaws="strict",
        cycles_from="log",
    )
    deciding = DecisionSettings(
        floor=0.8,
        confidence=0.8,
        alpha=0.1,
        seed=9,
        rule=ReliabilityRule(3, 5, False),
        early_warning=EarlyWarning(3.0, 0.1, 40),
        most_mass_lost=0.2,
    )
    for odd in (reading, deciding):
        default = type(odd)()
        assert all(getattr(odd, f.name) != getattr(default, f.name) for f in fields(odd))
    facts = demo_facts.with_answers(
        records=replace(demo_facts.records, settings=reading), settings=deciding
    )
    assert settings_of(_as_written(facts)) == Settings(reading, deciding)


def test_the_files_are_named_by_digest(found) -> None:
    files = found["inputs"]["files"]
    assert [f["tables"] for f in files] == [
        [name] for name in ("sources", "storage", "trials", "dogs", "inspections")
    ]
    for told in files:
        content = (SYNTHETIC / told["file"]).read_bytes()
        assert told["bytes"] == len(content)
        assert told["sha256"] == hashlib.sha256(content).hexdigest()


def test_a_workbook_is_one_file_for_its_tables(call, tmp_path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    for table in ("sources", "storage", "trials", "dogs"):
        sheet = book.create_sheet(table)
        for row in pd.read_csv(SYNTHETIC / f"{table}.csv", dtype=str, header=None).head(40).values:
            sheet.append([None if pd.isna(cell) else cell for cell in row])
    book.save(tmp_path / "unit.xlsx")
    (file,) = read_records(tmp_path / "unit.xlsx").files
    assert (file.file, file.tables) == ("unit.xlsx", ("sources", "storage", "trials", "dogs"))


def test_costs_follow_from_the_rate_of_use(found) -> None:
    rate = found["retire"]["rate_of_use"]
    by_source = pd.DataFrame(rate["by_source"])
    use = RateOfUse(
        rate["years"],
        tuple(by_source["source_id"]),
        *(
            by_source[c].to_numpy()
            for c in ("held", "cycles_per_year", "first_cycles", "first_age_days")
        ),
        (),
        rate["undocumented"],
    )
    assert use.places == pytest.approx(rate["places"], rel=1e-9)
    points = found["retire"]["trade_off_by_cycles"] + found["retire"]["trade_off_by_age"]
    assert points
    for point in points:
        cost = retired_by_place(use, point["cycles"], point["age_days"])
        assert cost is not None
        # Ten significant digits are kept of each source's rate.
        assert float(cost.sum()) == pytest.approx(point["sources_per_year"], rel=1e-8)
    limits = found["inputs"]["limits_priced"]
    assert limits["cycles"] == [p["cycles"] for p in found["retire"]["trade_off_by_cycles"]]


def test_advice_follows_from_its_numbers(found, demo_facts) -> None:
    options = found["inputs"]["options"]
    reach = reach_of(demo_facts.fit.design, options["confidence"])
    decided = [s for s in found["shelf"] if s["ground"] not in ("beyond records", "no trials")]
    assert len(decided) > 5
    for s in decided:
        predicted = (s["find_probability"], s["low"], s["high"])
        advice, ground, _ = advice_at(
            options["floor"], predicted, s["trials_used"], s["recent_finds"], reach
        )
        assert (advice, ground) == (s["advice"], s["ground"])
    (curve,) = found["retire"]["curves"]
    whole = np.arange(0, int(found["retire"]["observed_to"]) + 1)
    low = np.interp(whole, curve["at"], curve["low"])
    assert whole[low >= options["floor"]].max() == found["retire"]["retire_after"]


def test_exposures_are_defined_by_the_unit() -> None:
    said = define_exposures(RecordsSettings(thaw_after_h=3.0, frozen_at_least=0.9))
    assert tuple(said) == EXPOSURES
    assert "at least 3 h" in said["cycles"]
    assert "0.9" in said["regime"]
    assert (
        "set aside" in define_exposures(RecordsSettings(unlogged_thaws="strict"))["inferred_thaws"]
    )
