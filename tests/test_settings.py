"""Settings: defaults as documented, options that win, nothing shared between copies."""

import dataclasses
import pickle
import re

import numpy as np
import pytest

from outcomes.errors import SettingsError
from outcomes.places import PLACES
from outcomes.settings import (
    DecisionSettings,
    EarlyWarning,
    PlanSettings,
    RecordsSettings,
    ReliabilityRule,
    Settings,
)


def test_the_defaults_are_those_of_the_contract() -> None:
    settings = Settings()
    reading, deciding = settings.records, settings.decisions
    assert (reading.freezer_c, reading.refrigerator_c, reading.ambient_c) == (-18, 4, 20)
    assert (reading.thaw_after_h, reading.base_c) == (1, 0)
    assert (reading.frozen_at_least, reading.refrigerated_at_most) == (0.8, 0.2)
    assert (deciding.floor, deciding.confidence, deciding.alpha) == (0.85, 0.90, 0.05)
    assert reading.unlogged_thaws == "infer"
    assert (deciding.rule.misses, deciding.rule.window) == (None, None)
    assert tuple(PLACES) == ("freezer", "refrigerator", "ambient", "discarded")


def test_settings_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        DecisionSettings().floor = 0.5  # type: ignore[misc]
    with pytest.raises(TypeError):
        RecordsSettings().words["result"] = {}  # type: ignore[index]


def test_settings_go_to_another_process_whole() -> None:
    settings = Settings(
        RecordsSettings(words={"result": {"Hit": "find"}}), DecisionSettings(floor=0.8)
    )
    again = pickle.loads(pickle.dumps(settings))
    assert again == settings
    with pytest.raises(TypeError):
        again.records.words["result"]["Hit"] = "miss"


def test_options_given_win_and_others_stay() -> None:
    settings = DecisionSettings(floor=0.7, seed=3)
    changed = settings.with_options(floor=0.9, confidence=0.8)
    assert (changed.floor, changed.confidence, changed.seed) == (0.9, 0.8, 3)
    assert settings.floor == 0.7
    assert settings.with_options() == settings


@pytest.mark.parametrize(
    ("of", "given", "words"),
    [
        (DecisionSettings, {"floor": 90}, "floor = 90 cannot be used. Give a number strictly"),
        (DecisionSettings, {"floor": 90}, "perhaps 0.90"),
        (DecisionSettings, {"floor": "0.9"}, 'floor = "0.9" cannot be used'),
        (DecisionSettings, {"floor": True}, "floor = True cannot be used"),
        (DecisionSettings, {"alpha": float("nan")}, "strictly between 0 and 0.5"),
        (DecisionSettings, {"seed": -1}, "a whole number of at least 0"),
        (DecisionSettings, {"rule": (2, 3)}, "Give a ReliabilityRule"),
        (ReliabilityRule, {"misses": 4, "window": 3}, "misses (4) is more than window (3)"),
        (ReliabilityRule, {"misses": 4}, "misses is given without window. Give both or neither"),
        (EarlyWarning, {"within": 4}, "a whole number from 5 to 1000"),
        (PlanSettings, {"weeks": 1}, "weeks = 1 cannot be used. Give a whole number from 2 to 104"),
        (PlanSettings, {"training_days": ("Tue",)}, "a list, each of it "),
        (PlanSettings, {"starts_on": "soon"}, "a date, written 2026-03-14"),
        (PlanSettings, {"sources": "S1"}, "a list, each of it text in quotation marks"),
        (RecordsSettings, {"unlogged_thaws": "guess"}, '"infer" or "strict"'),
        (RecordsSettings, {"date_order": "dmy"}, '"day first" or "month first"'),
        (RecordsSettings, {"words": {"result": "find"}}, "names with what they stand for"),
        (RecordsSettings, {"frozen_at_least": 0.1}, "must be less than frozen_at_least (0.1)"),
    ],
)
def test_python_is_held_to_the_same_bounds(of: type, given: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)) as caught:
        of(**given)
    assert isinstance(caught.value, SettingsError)


def test_numpys_and_whole_numbers_will_do() -> None:
    settings = DecisionSettings(floor=np.float64(0.9), seed=np.int64(3))  # type: ignore[arg-type]
    assert (type(settings.floor), type(settings.seed)) == (float, int)
    assert isinstance(RecordsSettings(freezer_c=-20).freezer_c, float)
