"""Trials joined to what their source had been through."""

from dataclasses import replace
from typing import Any

import pandas as pd
import pytest

from outcomes.exposure.accumulate import EXPOSURES, OF_READINGS, exposure_at
from outcomes.exposure.inspections import OF_INSPECTIONS
from outcomes.exposure.set_aside import set_aside_frame
from outcomes.exposure.trials import join
from outcomes.records.columns import ADDED
from outcomes.records.tables import Finding, Records
from outcomes.settings import RecordsSettings


def records(**changes: Any) -> Records:
    """Two sources, one thrown away; two dogs, one with a date of qualification."""
    sources = pd.DataFrame(
        {
            "file": "sources.csv",
            "row": [2, 3],
            "source_id": ["A", "B"],
            "kind": "bone",
            "acquired_on": pd.to_datetime(["2026-01-01", "2026-01-01"]),
        }
    )
    storage = pd.DataFrame(
        {
            "file": "storage.csv",
            "row": [2, 3, 4, 5],
            "source_id": ["A", "A", "B", "B"],
            "moved_at": pd.to_datetime(
                ["2026-01-01", "2026-01-05 08:00", "2026-01-02", "2026-02-01"], format="ISO8601"
            ),
            "moved_to": ["freezer", "ambient", "freezer", "discarded"],
        }
    )
    trials = pd.DataFrame(
        {
            "file": "trials.csv",
            "row": [2, 3, 4, 5, 6],
            "trial_id": ["t1", "t2", "t3", "t4", "t5"],
            "session_id": "s",
            "started_at": pd.to_datetime(
                [
                    "2026-01-05 10:00",
                    "2026-01-05 10:00",
                    "2026-01-04 10:00",
                    "2026-01-03 10:00",
                    "2026-02-02 10:00",
                ]
            ),
            "dog_id": ["rex", "rex", "ivy", "rex", "ivy"],
            "source_id": ["A", None, "B", "B", "B"],
            "result": ["find", "clear", "miss", "find", "find"],
            "wind_note": ["calm", None, "gusts", None, None],
        }
    )
    dogs = pd.DataFrame(
        {
            "file": "dogs.csv",
            "row": [2],
            "dog_id": ["rex"],
            "qualified_on": pd.to_datetime(["2026-01-05"]),
        }
    )
    made = Records(
        sources,
        storage,
        trials,
        dogs,
        findings=(),
        rows_in={"sources": 2, "storage": 4, "trials": 5, "dogs": 1},
        settings=RecordsSettings(),
    )
    return replace(made, **changes)


def test_every_trial_is_used_or_set_aside_once() -> None:
    for policy in ("infer", "strict"):
        joined = join(records(settings=RecordsSettings(unlogged_thaws=policy)))
        aside = [finding.row for finding in joined.set_aside]
        assert sorted([*joined.trials["row"], *aside]) == [2, 3, 4, 5, 6]
        assert joined.rows_in["trials"] == len(joined.trials) + len(aside)


def test_trial_after_the_discard_is_set_aside() -> None:
    (finding,) = join(records()).set_aside
    assert (finding.table, finding.file, finding.row) == ("trials", "trials.csv", 6)
    assert (finding.rule, finding.severity) == ("trial on a discarded source", "set aside")
    assert finding.line() == (
        "trials.csv, row 6, column started_at: B had been discarded by then "
        "('2026-02-02 10:00'). Correct the date, the source, or the discard."
    )


def test_strict_sets_aside_what_infer_counts() -> None:
    inferred = join(records())
    assert inferred.trials["inferred_thaws"].tolist()[2:] == [2.0, 1.0]
    strict = join(records(settings=RecordsSettings(unlogged_thaws="strict")))
    assert [f.row for f in strict.set_aside] == [4, 5, 6]
    assert {f.rule for f in strict.set_aside[:2]} == {"trial while in the freezer"}
    assert strict.trials["trial_id"].tolist() == ["t1", "t2"]


def test_finding_quotes_the_units_own_words() -> None:
    note = Finding(
        "trial while in the freezer", "note", "trials", "trials.csv", 4, "Start",
        "4 Jan 26, 10am", "p", "m",
    )  # fmt: skip
    settings = RecordsSettings(unlogged_thaws="strict", columns={"trials": {"started_at": "Start"}})
    joined = join(records(settings=settings, findings=(note,)))
    assert [f.column for f in joined.set_aside] == ["Start"] * 3
    assert [f.value for f in joined.set_aside] == [
        "4 Jan 26, 10am",
        "2026-01-03 10:00",
        "2026-02-02 10:00",
    ]


def test_trial_of_an_unknown_source_is_set_aside() -> None:
    trials = records().trials.assign(source_id=["A", None, "B", "Z", "B"])
    findings = join(records(trials=trials)).set_aside
    assert [(f.row, f.rule, f.value) for f in findings] == [
        (5, "unknown source", "Z"),
        (6, "trial on a discarded source", "2026-02-02 10:00"),
    ]


def test_blank_areas_have_no_exposures() -> None:
    blank = join(records()).trials.set_index("trial_id").loc["t2"]
    assert blank[list(EXPOSURES)].isna().all()
    assert blank["documented"] is pd.NA
    assert blank["place"] is None
    assert blank["result"] == "clear"


def test_exposures_are_at_the_start_of_the_trial() -> None:
    given = records()
    joined = join(given)
    kept = given.trials.iloc[:4]
    expected = exposure_at(joined.history, kept["source_id"], kept["started_at"])
    got = joined.trials[list(expected.columns)]
    pd.testing.assert_frame_equal(
        got.drop(columns="documented"), expected.drop(columns="documented")
    )
    assert got["documented"].dropna().tolist() == [True, True, True]


def test_experience_counts_earlier_trials_by_time() -> None:
    trials = join(records()).trials.set_index("trial_id")
    # Rex searched t4, then t1 and t2 at one time, in the order of the file.
    assert trials["experience"].to_dict() == {"t1": 1.0, "t2": 2.0, "t3": 0.0, "t4": 0.0}


def test_experience_ignores_the_frames_order() -> None:
    given = records()
    backwards = replace(given, trials=given.trials.iloc[::-1])
    expected = join(given).trials.set_index("trial_id")["experience"]
    got = join(backwards).trials.set_index("trial_id")["experience"]
    pd.testing.assert_series_equal(got.sort_index(), expected.sort_index())


def test_experience_counts_searches_set_aside() -> None:
    strict = join(records(settings=RecordsSettings(unlogged_thaws="strict")))
    assert strict.trials.set_index("trial_id").loc["t1", "experience"] == 1


def test_meetings_count_this_dogs_on_this_source() -> None:
    given = records()
    trials = pd.concat([given.trials, given.trials.iloc[[3, 2]]], ignore_index=True)
    trials["trial_id"] = [f"t{i}" for i in range(1, 8)]
    trials["row"] = range(2, 9)
    trials.loc[5, "started_at"] = pd.Timestamp("2026-01-06")
    found = join(replace(given, trials=trials)).trials.set_index("trial_id")["met_before"]
    # Rex met A once, B in t4 and then t6; Ivy B in t3 and, at the same time, later in the file, t7.
    expected = {"t1": 0.0, "t3": 0.0, "t4": 0.0, "t6": 1.0, "t7": 1.0}
    assert found.dropna().to_dict() == expected
    assert pd.isna(found["t2"])  # a blank area


def test_mass_and_freezer_are_the_sources_own() -> None:
    given = records()
    sources = given.sources.assign(mass_g=[40.0, None])
    storage = given.storage.assign(temperature_c=[-25.0, None, None, None])
    found = join(replace(given, sources=sources, storage=storage)).trials.set_index("trial_id")
    assert found["first_mass_g"].dropna().to_dict() == {"t1": 40.0}
    # A was taken out of its freezer of -25 °C; B stands in one as the settings have it.
    assert found["freezer_c"].dropna().to_dict() == {"t1": -25.0, "t3": -18.0, "t4": -18.0}
    warm = storage.assign(moved_to=["refrigerator", "ambient", "refrigerator", "discarded"])
    never = join(replace(given, sources=sources, storage=warm)).trials
    assert never["freezer_c"].isna().all()


def test_dog_qualifies_from_its_day_on() -> None:
    trials = join(records()).trials.set_index("trial_id")
    assert trials["qualified"].dtype == "boolean"
    assert trials.loc[["t1", "t4"], "qualified"].tolist() == [True, False]
    assert trials.loc["t3", "qualified"] is pd.NA
    without = join(records(dogs=pd.DataFrame(columns=["file", "row", "dog_id"])))
    assert without.trials["qualified"].isna().all()


def test_discarded_source_did_not_stay_on_shelf() -> None:
    told = records()
    days = [f"2026-01-{day:02d} 10:00" for day in range(3, 23)]
    rows = [("B", when) for when in days[:3]] + [("A", when) for when in days]
    trials = pd.DataFrame(rows, columns=["source_id", "started_at"])
    trials = trials.assign(
        file="trials.csv",
        row=range(2, len(rows) + 2),
        trial_id=[f"t{k}" for k in range(len(rows))],
        started_at=pd.to_datetime(trials["started_at"]),
        dog_id="rex",
        result="find",
    )

    def ratio(day: str) -> dict[str, float]:
        moved = pd.to_datetime(
            ["2026-01-01", "2026-01-05 08:00", "2026-01-02", day], format="mixed"
        )
        storage = told.storage.assign(moved_at=moved)
        joined = join(replace(told, trials=trials, storage=storage)).trials
        assert len(joined) == len(trials)
        return joined.groupby("source_id")["use_ratio"].first().to_dict()

    # B was taken on each of its days until it was thrown out; without that, it was left for weeks.
    gone, left = ratio("2026-01-06"), ratio("2026-02-01")
    assert gone["A"] == pytest.approx(1.0, abs=0.1)
    assert gone["B"] == pytest.approx(1.0, abs=0.1)
    assert left["B"] < 0.7 * gone["B"]
    assert left["A"] > gone["A"]


def test_unknown_columns_are_carried_through() -> None:
    given = records()
    trials = join(given).trials
    assert list(trials.columns[: given.trials.shape[1]]) == list(given.trials.columns)
    assert trials["wind_note"].tolist() == ["calm", None, "gusts", None]


def test_units_columns_are_clear_of_added_names() -> None:
    read = pd.DataFrame(
        {
            "file": "readings.csv",
            "row": [2, 3],
            "source_id": ["A", "A"],
            "read_at": pd.to_datetime(["2026-01-02 08:00", "2026-01-02 09:00"]),
            "temperature_c": [-18.0, -18.0],
        }
    )
    given = records(readings=read)
    added = set(join(given).trials.columns) - set(given.trials.columns)
    of_reading = {"file", "row", "at_midnight"}
    of_counts = {"cycles_by_hand", "cycles_source"}
    assert added == ADDED["trials"] - of_reading - of_counts - set(OF_INSPECTIONS)
    unread = set(join(records()).trials.columns) - set(given.trials.columns)
    assert added - unread == set(OF_READINGS)


def test_the_records_are_not_changed() -> None:
    given = records()
    before = {
        name: getattr(given, name).copy() for name in ("sources", "storage", "trials", "dogs")
    }
    join(given)
    for name, frame in before.items():
        pd.testing.assert_frame_equal(getattr(given, name), frame)


def test_unit_without_a_log_can_be_joined() -> None:
    given = records()
    no_log = join(replace(given, storage=given.storage.iloc[:0]))
    assert not no_log.trials["documented"].any()
    assert len(no_log.trials) == 5
    no_trials = join(replace(given, trials=given.trials.iloc[:0]))
    assert len(no_trials.trials) == 0
    assert set(EXPOSURES) < set(no_trials.trials.columns)
    nothing = join(
        replace(
            given,
            sources=given.sources.iloc[:0],
            storage=given.storage.iloc[:0],
            trials=given.trials.iloc[:0],
        )
    )
    assert len(nothing.trials) == 0


def test_set_aside_table_has_a_line_per_finding() -> None:
    whole = Finding("r", "stops", "dogs", "dogs.csv", None, None, None, "no such column", "Add it")
    frame = set_aside_frame([*join(records()).set_aside, whole])
    assert list(frame.columns) == ["file", "row", "column", "value", "reason"]
    assert frame["row"].dtype == "Int64"
    assert frame.iloc[0].to_dict() == {
        "file": "trials.csv",
        "row": 6,
        "column": "started_at",
        "value": "2026-02-02 10:00",
        "reason": "B had been discarded by then. Correct the date, the source, or the discard.",
    }
    assert frame.iloc[1].isna().tolist() == [False, True, True, True, False]
    assert set_aside_frame([]).shape == (0, 5)


@pytest.mark.parametrize("unlogged", ["infer", "strict"])
def test_categories_and_text_give_the_same_trials(unlogged: str) -> None:
    given = records(settings=RecordsSettings(unlogged_thaws=unlogged))
    categories = replace(
        given,
        trials=given.trials.astype({"source_id": "category", "dog_id": "category"}),
        storage=given.storage.astype({"source_id": "category", "moved_to": "category"}),
    )
    added = [
        "experience",
        "qualified",
        "met_before",
        "first_mass_g",
        "freezer_c",
        *EXPOSURES,
        "documented",
        "place",
    ]
    pd.testing.assert_frame_equal(join(given).trials[added], join(categories).trials[added])
    assert [f.row for f in join(given).set_aside] == [f.row for f in join(categories).set_aside]
