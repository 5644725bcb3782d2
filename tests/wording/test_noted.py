"""What the log lacks, and what check notes, reaches who reads the briefing alone."""

import json
from dataclasses import replace
from html import unescape
from pathlib import Path

import pandas as pd
import pytest

from outcomes.answers.facts import Facts, gather_facts
from outcomes.records.read import read_records
from outcomes.settings import DecisionSettings
from outcomes.wording.records import (
    Noted,
    describe_late_logs_noted,
    describe_notes,
    records_noted,
)

DEMO = Path(__file__).parents[2] / "synthetic_data"


@pytest.mark.parametrize(
    ("thaws", "alike", "others", "said"),
    [
        (
            16,
            {"dog_id": 1},
            0,
            "16 thaws are not in the log and were counted because a trial shows them; 2 names may "
            "be two spellings of one dog: run outcomes check.",
        ),
        (
            0,
            {"kind": 3},
            1,
            "3 pairs of names may each be two spellings of one kind: run outcomes check, which has "
            "1 other note too.",
        ),
        (0, {}, 1, "The records bear 1 note: run outcomes check."),
        (0, {}, 0, None),
    ],
)
def test_it_is_told_for_some_one_and_none(thaws, alike, others, said) -> None:
    assert describe_notes(thaws, alike, others) == said


def _noted(folder: Path) -> Noted:
    return records_noted(_facts(folder))


def _table(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(folder / f"{name}.csv", dtype=str)


@pytest.mark.slow
# The unit has 60 trials, of which 3 are 5 in 100.
@pytest.mark.parametrize(("ambiguous", "many"), [(12, True), (3, True), (2, False)])
def test_uncounted_trials_are_told_before(own_records, ambiguous, many) -> None:
    trials = _table(own_records, "trials")
    started = trials["started_at"].copy()
    started[:ambiguous] = "03/04/2023 10:00"
    trials.assign(started_at=started).to_csv(own_records / "trials.csv", index=False)
    noted = _noted(own_records)
    assert (noted.trials_in, noted.trials_aside) == (len(trials), ambiguous)
    if many:
        assert noted.trials_aside_sentence.startswith(
            f"{ambiguous} of the {len(trials):,} trials handed over are not in this answer. The "
            "reason: the date can be read two ways. Mend that first"
        )
        assert noted.trials_aside_sentence in noted.before
    else:
        assert noted.trials_aside_sentence is None
        assert noted.sentence.startswith(f"{ambiguous} of {len(trials):,} trials are set aside")


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.02, 0.06])
def test_uncounted_moves_are_told(own_records, share) -> None:
    storage, sources = _table(own_records, "storage"), _table(own_records, "sources")
    lost = max(1, round(share * len(storage)))
    storage.loc[storage.index[:lost], "source_id"] = "XX-99"
    storage.to_csv(own_records / "storage.csv", index=False)
    # The moves of a source without a kind are set aside with it: its trials are not used.
    sources.loc[sources.index[-1], "kind"] = ""
    sources.to_csv(own_records / "sources.csv", index=False)
    assert (storage["source_id"] == sources["source_id"].iloc[-1]).any()
    noted = _noted(own_records)
    assert (noted.moves_in, noted.moves_aside) == (len(storage), lost)
    if share > 0.05:
        said = f"{lost} of the {len(storage):,} moves in the storage log could not be used, so "
        assert noted.moves_aside_sentence.startswith(f"{said}thaws may")
        assert noted.moves_aside_sentence in noted.before
    else:
        assert noted.moves_aside_sentence is None
        assert f"{lost} of {len(storage):,} storage moves " in noted.sentence
        assert "set aside, so thaws may be missing from the count" in noted.sentence


def test_thaw_showing_trials_are_as_check_counts(demo_facts) -> None:
    frozen = sum(f.rule == "trial while in the freezer" for f in demo_facts.records.findings)
    said = records_noted(demo_facts).sentence
    assert f" not in the log and were counted because {frozen} trials show them: " in said
    assert describe_notes(1, {}, 0, 3) == (
        "1 thaw is not in the log and was counted because 3 trials show it: run outcomes check."
    )


def test_inferred_thaws_are_those_at_the_end(demo_facts) -> None:
    trials = demo_facts.joined.trials
    most = trials.groupby("source_id")["inferred_thaws"].max().sum()
    noted = records_noted(demo_facts)
    assert noted.inferred_thaws == most > 0
    notes = [f for f in demo_facts.records.findings if f.severity == "note"]
    frozen = [f for f in notes if f.rule == "trial while in the freezer"]
    late = [f for f in notes if f.rule == "storage log begins late"]
    assert noted.other_notes == len(notes) - len(frozen) - len(late) > 0


def _facts(folder: Path) -> Facts:
    return gather_facts(read_records(folder), DecisionSettings(), further=False)


@pytest.mark.slow
def test_inherited_thaw_is_told_once(tmp_path) -> None:
    for name in ("sources", "storage", "trials", "dogs"):
        frame = pd.read_csv(DEMO / f"{name}.csv", dtype=str)
        if name == "sources":
            portion = {"source_id": "NEW-1", "parent_id": "FAT-03", "acquired_on": "2025-02-01"}
            parent = frame[frame["source_id"] == "FAT-03"].iloc[0]
            frame = pd.concat([frame, pd.DataFrame([{**parent, **portion}])])
        frame.to_csv(tmp_path / f"{name}.csv", index=False)
    own, cut = _facts(DEMO), _facts(tmp_path)
    counted = cut.joined.history.thaws_frame()
    inherited = counted["inferred"] & (counted["source_id"] == "NEW-1")
    assert inherited.sum() > 0
    assert records_noted(cut).inferred_thaws == records_noted(own).inferred_thaws


@pytest.mark.slow
def test_two_spellings_are_told(own_records) -> None:
    dogs, trials = _table(own_records, "dogs"), _table(own_records, "trials")
    dogs.loc[1, "dog_id"] = dogs["dog_id"][0].upper()
    dogs.to_csv(own_records / "dogs.csv", index=False)
    trials.loc[trials.index[:3], "dog_id"] = dogs["dog_id"][1]
    keep = trials["dog_id"].isin(dogs["dog_id"])
    trials[keep].to_csv(own_records / "trials.csv", index=False)
    noted = _noted(own_records)
    assert noted.spellings_alike == {"dog_id": 1}
    assert "2 names may be two spellings of one dog" in noted.sentence


@pytest.mark.slow
def test_nothing_to_say_says_nothing(demo_facts) -> None:
    from outcomes.report.page import page_fields, render_page

    quiet = demo_facts.joined.history
    quiet = replace(quiet, counted=replace(quiet.counted, inferred=quiet.counted.inferred & False))
    facts = demo_facts.with_answers(
        records=replace(demo_facts.records, findings=()),
        joined=replace(demo_facts.joined, history=quiet),
    )
    assert records_noted(facts).sentence is None
    assert page_fields(facts, None)["noted"] is None
    assert "run outcomes check" not in render_page(facts, None)


def test_few_late_trials_leave_the_answer() -> None:
    few, many = (describe_late_logs_noted(1, trials, 100) or "" for trials in (4, 5))
    assert few.endswith("few beside the rest; log the earlier moves, if they are known.")
    assert many.endswith("if not, go by each of those sources' own finds.")
    assert "do not rely on the answer, nor on a limit" in many
    allowed = describe_late_logs_noted(1, 5, 100, allowed_for=True) or ""
    assert "The answer allows for the time that went unlogged" in allowed
    assert "do not rely" not in allowed
    assert describe_late_logs_noted(1, 4, 100, allowed_for=True) == few
    asked = describe_late_logs_noted(1, 5, 100, allowed_for=True, without=" Without them: X.") or ""
    assert "as that can be done. Without them: X. If the earlier" in asked


@pytest.mark.parametrize(("silent", "many"), [(0, False), (2, False), (3, True)])
def test_silent_log_is_told_before_the_answer(demo_facts, silent, many) -> None:
    trials = demo_facts.joined.trials
    usable = trials["result"].isin(["find", "miss"]) & ~trials["assisted"].fillna(False)
    documented = trials[usable & trials["documented"]].iloc[:60].copy()
    documented.loc[documented.index[:silent], "documented"] = False
    facts = demo_facts.with_answers(joined=replace(demo_facts.joined, trials=documented))
    noted = records_noted(facts)
    assert (noted.hides, noted.undocumented) == (60, silent)
    assert (noted.undocumented_sentence is not None) is many
    if many:
        assert noted.undocumented_sentence in noted.before
        assert noted.undocumented_sentence.startswith("3 of the 60 hide trials are not in this")


@pytest.mark.slow
def test_late_log_is_told_before_any_limit(call, own_records, tmp_path) -> None:
    storage = pd.read_csv(own_records / "storage.csv", dtype=str)
    trials = pd.read_csv(own_records / "trials.csv", dtype=str)
    storage = storage[storage["moved_at"] >= "2024-06-01"]
    storage.to_csv(own_records / "storage.csv", index=False)
    trials[trials["started_at"] >= "2024-07-01"].to_csv(own_records / "trials.csv", index=False)
    sources = pd.read_csv(own_records / "sources.csv", dtype=str).set_index("source_id")
    first = pd.to_datetime(storage.groupby("source_id")["moved_at"].min()).dt.normalize()
    days = (first - pd.to_datetime(sources["acquired_on"]).reindex(first.index)).dt.days
    late = days[days > 30]
    checked = call("check", own_records)
    one = late.index[0]
    assert f"its first storage move is {late[one]} days later, on {first[one]:%Y-%m-%d}" in (
        checked.out + checked.err
    )
    answer = call("brief", own_records, "--out", tmp_path / "out")
    found = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    noted = found["records"]["noted"]
    tried = pd.read_csv(tmp_path / "out" / "trials.csv", dtype=str)
    documented = tried["documented"].str.lower().isin(["true", "yes"])
    # Beside these, sources whose first stay in the freezer lasts for months.
    tried = tried[(pd.to_numeric(tried["undocumented_days"]) > 30) & documented]
    assert noted["late_logs"] == tried["source_id"].nunique() > 2
    assert noted["trials_after"] == len(tried)
    said = f"The storage log of {noted['late_logs']} sources begins more than 30 days after"
    assert noted["late_logs_sentence"].startswith(said)
    # Too few trials for an answer: there is none to rely on.
    assert noted["late_logs_sentence"].endswith("if not, go by each of those sources' own finds.")
    assert "answer" not in noted["late_logs_sentence"]
    assert said in answer.out
    page = unescape((tmp_path / "out" / "briefing.html").read_text(encoding="utf-8"))
    assert 0 < page.index(said) < page.index('<ul class="lead"')
    # The other notes do not count it a second time.
    assert noted["sentence"] is None or "begins more than" not in noted["sentence"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("verdict", "log_odds", "low", "high", "said"),
    [
        ("cycles", -0.1, -0.2, -0.01, " Without those sources the finds change the same way with"),
        ("cycles", -0.1, -0.2, 0.1, "same way with cycles, but no change would fit too."),
        ("cycles", 0.1, 0.05, 0.2, "the finds change the other way with cycles."),
        ("no change detected", -0.1, -0.2, 0.1, "no change with cycles shows either."),
        ("no change detected", -0.1, -0.2, -0.1, "sources a change with cycles shows."),
        ("cycles", None, None, None, " it stays without those sources cannot be asked: few."),
    ],
)
def test_answer_without_late_logs_is_told(demo_facts, verdict, log_odds, low, high, said) -> None:
    from outcomes.analysis.finds.other_trials import LOGGED_FROM_THE_START
    from outcomes.wording.records import _without_those

    term = demo_facts.fit.term("cycles")
    assert term.log_ratio < 0.0
    main = demo_facts.ways.rows[0]
    row = replace(
        main,
        name=LOGGED_FROM_THE_START,
        term="cycles",
        log_odds=log_odds,
        low=low,
        high=high,
        reason="few" if log_odds is None else None,
    )
    asked = demo_facts.with_answers(
        ways=replace(demo_facts.ways, rows=(main, row)),
        verdict=replace(demo_facts.verdict, verdict=verdict),
    )
    assert said in _without_those(asked)
    whole = replace(asked.ways, rows=(main,))
    assert _without_those(asked.with_answers(ways=whole)) == ""
