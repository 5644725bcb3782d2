"""What ``check`` says in sum: usable trials by question, and the mend that wins back most."""

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.decisions import compare
from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.usable_trials import usable_trials
from outcomes.analysis.lifetimes import kaplan_meier as lifetime
from outcomes.analysis.searches import false_alerts, search_time
from outcomes.exposure.trials import join
from outcomes.records.read import read_records
from outcomes.settings import DecisionSettings, ReliabilityRule
from outcomes.wording.usable import ANALYSES, usable_rows, why_not_usable

DEMO = Path(__file__).parents[2] / "synthetic_data"

Call = Callable[..., Any]


def _gaps(trials: pd.DataFrame) -> pd.DataFrame:
    """Trials with all that keeps one from a question: helped, untimed, uncounted, unlogged."""
    trials = trials.copy()
    trials.loc[::7, "search_s"] = float("nan")
    trials.loc[::14, "limit_s"] = float("nan")
    trials.loc[::5, "false_alerts"] = float("nan")
    trials.loc[::11, "assisted"] = True
    return trials


@pytest.mark.parametrize("qualified_only", [True, False])
def test_counted_trials_are_those_analyses_take(qualified_only: bool) -> None:
    settings = DecisionSettings(rule=ReliabilityRule(qualified_only=qualified_only))
    records = read_records(DEMO)
    some = records.storage[records.storage["source_id"] != "MUS-06"]
    late = records.dogs.assign(qualified_on=records.dogs["qualified_on"] + pd.Timedelta(days=300))
    joined = join(replace(records, trials=_gaps(records.trials), storage=some, dogs=late))
    hides, _ = usable_trials(joined.trials)
    counted = false_alerts.count_alerts(joined.trials)
    sides = hides[hides["regime"].isin(["refrigerated", "frozen"])]
    both, _ = compare._shared_kinds(sides)
    found = usable_rows(joined, settings.rule)
    assert found == {
        "finds": len(hides),
        "search_time": int(np.isfinite(search_time.seconds_searched(hides)).sum()),
        "false_alerts": int((counted["hours"].notna() & counted["count"].notna()).sum()),
        "lifetime": len(lifetime.counting_trials(joined.trials, settings.rule)[0]),
        "compare": int(sides["kind"].isin(both).sum()),
    }
    assert list(found) == list(ANALYSES)
    assert len(set(found.values())) >= 4
    # Every other trial that was read is told with its reason, and none twice.
    for name, why in why_not_usable(joined, settings.rule).items():
        told = [int(words.split()[0].replace(",", "")) for words in why]
        assert sum(told) == len(joined.trials) - found[name], (name, why)
        assert len(set(why)) == len(why)


def found_in(folder: Path) -> int:
    """Trials handed over: the lines of the file under its header."""
    return len((folder / "trials.csv").read_text().splitlines()) - 1


def test_model_uses_fewer_where_conditions_lack() -> None:
    joined = join(read_records(DEMO))
    rarely = pd.Series(range(len(joined.trials))) % 20 == 0
    trials = joined.trials.assign(set_min=joined.trials["set_min"].mask(rarely))
    design = plan_design(trials)
    assert any(column.term == "set_min" for column in design.columns)
    assert (
        0 < len(design.y) < usable_rows(replace(joined, trials=trials), ReliabilityRule())["finds"]
    )


def test_check_says_what_serves_which_question(call: Call, own_records: Path) -> None:
    out = call("check", own_records).out
    found = usable_rows(join(read_records(own_records)), ReliabilityRule())
    assert f"\nTrials that can be used, at most, of {found_in(own_records):,}\n" in out
    assert "(Up to so many: a model leaves out trials in which a condition" in out
    for analysis, question in ANALYSES.items():
        assert re.search(rf"^{question} +{found[analysis]:,}(  not: .+)?$", out, flags=re.MULTILINE)


def test_check_tells_programs_the_same(call: Call, own_records: Path) -> None:
    file = own_records / "trials.csv"
    file.write_text(file.read_text().replace(",find,", ",hit,"))
    found = json.loads(call("check", own_records, "--json").out)
    assert set(found["usable"]) == set(ANALYSES)
    mend = found["best_mend"]
    assert (mend["rule"], mend["column"], mend["value"]) == ("unknown word", "result", "hit")
    assert mend["rows"] == found["rows_in"]["trials"] - found["used"]["trials"]
    assert '"hit"' in mend["text"]
    said = call("check", own_records).out
    assert f"The one mend that wins back most ({mend['rows']:,} rows): trials.csv" in said


def test_stopped_work_has_nothing_usable(call: Call, own_records: Path) -> None:
    (own_records / "sources.csv").unlink()
    answer = call("check", own_records, "--json")
    assert answer.status == 1
    assert json.loads(answer.out)["usable"] is None
    assert "Trials that can be used" not in call("check", own_records).out


def test_records_without_trials_are_checked(call: Call, own_records: Path) -> None:
    file = own_records / "trials.csv"
    lines = file.read_text().splitlines()
    at = lines[0].split(",").index("result")
    spoilt = [
        ",".join([*cells[:at], "?", *cells[at + 1 :]])
        for cells in (line.split(",") for line in lines[1:])
    ]
    file.write_text("\n".join([lines[0], *spoilt]) + "\n")
    answer = call("check", own_records, "--json")
    assert answer.status == 1
    assert set(json.loads(answer.out)["usable"].values()) == {0}
    first = call("check", own_records).out.splitlines()[0]
    assert first.startswith("No trial can be used. In 60 of 60 rows: column result:")


def test_no_question_is_an_error(call: Call, own_records: Path) -> None:
    trials = pd.read_csv(own_records / "trials.csv")
    trials = trials.drop(columns=["search_s", "limit_s", "false_alerts"], errors="ignore")
    trials = trials[trials["source_id"].isna()]
    trials.to_csv(own_records / "trials.csv", index=False)
    answer = call("check", own_records)
    assert answer.status == 1
    assert answer.out.startswith("No question can be answered: ")
