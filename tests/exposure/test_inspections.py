"""What was weighed and seen by a moment: worked by hand, and what no rule may do."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.exposure.inspections import OF_INSPECTIONS, gather_looks, seen_at
from outcomes.exposure.trials import join
from outcomes.records.tables import Records, no_inspections
from outcomes.settings import RecordsSettings


def records(
    looks: list[dict[str, object]],
    sources: list[dict[str, object]] | None = None,
    storage: list[dict[str, object]] | None = None,
    trials: list[dict[str, object]] | None = None,
) -> Records:
    """Records of these rows; times as text."""
    given = sources or [{"source_id": "A", "acquired_on": "2025-01-01", "mass_g": 100.0}]
    frames = {
        "sources": pd.DataFrame([{"kind": "muscle", **row} for row in given]),
        "storage": pd.DataFrame(
            storage or [{"source_id": "A", "moved_at": "2025-01-01", "moved_to": "freezer"}]
        ),
        "trials": pd.DataFrame(
            trials or [{"source_id": "A", "started_at": "2025-03-01 10:00", "result": "find",
                        "dog_id": "Ash", "trial_id": "T1", "session_id": "1"}]
        ),
        "dogs": pd.DataFrame({"dog_id": pd.Series(dtype=object)}),
        "inspections": pd.DataFrame(looks) if looks else no_inspections(),
    }  # fmt: skip
    for name, column in (("sources", "acquired_on"), ("storage", "moved_at"),
                         ("trials", "started_at"), ("inspections", "inspected_at")):  # fmt: skip
        frames[name][column] = pd.to_datetime(frames[name][column], format="ISO8601")
    made = {name: frame.assign(file=name, row=range(2, len(frame) + 2))
            for name, frame in frames.items()}  # fmt: skip
    return Records(**made, findings=(), rows_in={}, settings=RecordsSettings())


def look(at: str, source: str = "A", **found: float) -> dict[str, object]:
    return {"source_id": source, "inspected_at": at, **found}


def at(given: Records, *asked: tuple[str, str]) -> pd.DataFrame:
    source, moments = zip(*asked, strict=True)
    times = pd.Series(pd.to_datetime(list(moments), format="ISO8601"))
    return seen_at(given, gather_looks(given), pd.Series(source, dtype=object), times)


def test_shares_by_hand() -> None:
    """100 g when it came; 98 g, then 2 g of drip and 95 g, the mass before that thaw 98 g."""
    given = records(
        [look("2025-01-10", mass_g=98.0), look("2025-02-01 08:00", mass_g=95.0, drip_g=2.0,
                                               ice_damage=1.0)]
    )  # fmt: skip
    seen = at(given, ("A", "2025-01-09"), ("A", "2025-01-20"), ("A", "2025-02-03 08:00"))
    np.testing.assert_allclose(seen["mass_share"], [np.nan, 0.98, 0.95])
    np.testing.assert_allclose(seen["drip_share"], [np.nan, np.nan, 2.0 / 98.0])
    np.testing.assert_allclose(seen["ice_damage"], [np.nan, np.nan, 1.0])
    np.testing.assert_allclose(seen["inspected_days"], [np.nan, 10.0, 2.0])
    assert seen["freezer_burn"].isna().all()


def test_without_a_first_mass_the_first_weighing_is_it() -> None:
    sources = [{"source_id": "A", "acquired_on": "2025-01-01"}]
    given = records([look("2025-01-10", mass_g=80.0), look("2025-02-10", mass_g=72.0)], sources)
    np.testing.assert_allclose(at(given, ("A", "2025-01-10"), ("A", "2025-03-01"))["mass_share"],
                               [1.0, 0.9])  # fmt: skip


def test_a_mass_at_a_move_is_a_look() -> None:
    storage = [
        {"source_id": "A", "moved_at": "2025-01-01", "moved_to": "freezer", "mass_g": np.nan},
        {"source_id": "A", "moved_at": "2025-02-01 08:00", "moved_to": "ambient", "mass_g": 90.0},
    ]
    given = records([], storage=storage)
    assert at(given, ("A", "2025-02-02 08:00"))["mass_share"].tolist() == [0.9]
    assert join(given).trials["mass_share"].tolist() == [0.9]


def test_repacking_is_no_loss() -> None:
    """90 g of 100; packed anew, 95 g with the bag; 93.1 g: another 2 in 100 of what was left."""
    storage = [
        {"source_id": "A", "moved_at": "2025-01-01", "moved_to": "freezer", "packaging": None},
        {"source_id": "A", "moved_at": "2025-02-01", "moved_to": "freezer", "packaging": "sealed"},
    ]
    looks = [look(f"2025-{m:02d}-15", mass_g=g) for m, g in ((1, 90.0), (2, 95.0), (3, 93.1))]
    seen = at(records(looks, storage=storage), *(("A", f"2025-{m:02d}-20") for m in (1, 2, 3)))
    np.testing.assert_allclose(seen["mass_share"], [0.9, 0.9, 0.9 * 0.98])


def test_a_portion_goes_on_from_its_parent() -> None:
    """Cut at 90 in 100; its own 20 g lose another tenth. The parent, too, goes on."""
    sources = [
        {"source_id": "A", "acquired_on": "2025-01-01", "mass_g": 100.0, "parent_id": None},
        {"source_id": "P", "acquired_on": "2025-02-01", "mass_g": 20.0, "parent_id": "A"},
    ]
    looks = [
        look("2025-01-20", mass_g=90.0, ice_damage=2.0),
        look("2025-02-10", mass_g=60.0),
        look("2025-03-10", mass_g=54.0),
        look("2025-03-10", source="P", mass_g=18.0),
    ]
    given = records([{"ice_damage": np.nan, **row} for row in looks], sources)
    asked = [("P", "2025-02-05"), ("P", "2025-03-20"), ("A", "2025-02-20"), ("A", "2025-03-20")]
    seen = at(given, *asked)
    np.testing.assert_allclose(seen["mass_share"], [0.9, 0.81, 0.9, 0.81])
    assert seen["ice_damage"].tolist() == [2.0, 2.0, 2.0, 2.0]
    # Before it was cut off the portion is not asked about; after, its parent's looks are not its.
    assert seen["inspected_days"].tolist() == [16.0, 10.0, 10.0, 10.0]


def test_without_a_look_there_is_no_column() -> None:
    assert not set(OF_INSPECTIONS) & set(join(records([])).trials.columns)


def test_a_look_later_than_the_trial_is_not_known_yet() -> None:
    trials = join(records([look("2025-03-01 10:01", mass_g=90.0)])).trials
    assert trials["mass_share"].isna().all()


@given(st.lists(st.floats(1.0, 150.0), min_size=1, max_size=8), st.floats(0.1, 10.0))
def test_shares_do_not_hang_on_the_unit(masses: list[float], times: float) -> None:
    days = pd.date_range("2025-01-02", periods=len(masses)).strftime("%Y-%m-%d")

    def shares(factor: float) -> list[float]:
        sources = [{"source_id": "A", "acquired_on": "2025-01-01", "mass_g": 100.0 * factor}]
        looks = [look(d, mass_g=m * factor) for d, m in zip(days, masses, strict=True)]
        return gather_looks(records(looks, sources))["mass_share"].tolist()

    assert shares(times) == pytest.approx(shares(1.0))
