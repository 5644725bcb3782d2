"""Settings: defaults as documented, options that win, nothing shared between copies."""

import dataclasses
import pickle

import pytest

from outcomes.places import PLACES
from outcomes.settings import Settings


def test_the_defaults_are_those_of_the_contract() -> None:
    settings = Settings()
    assert (settings.freezer_c, settings.refrigerator_c, settings.ambient_c) == (-18, 4, 20)
    assert (settings.thaw_after_h, settings.base_c) == (1, 0)
    assert (settings.frozen_at_least, settings.refrigerated_at_most) == (0.8, 0.2)
    assert (settings.floor, settings.confidence, settings.alpha) == (0.85, 0.90, 0.05)
    assert settings.unlogged_thaws == "infer"
    assert (settings.rule.misses, settings.rule.window) == (2, 3)
    assert tuple(PLACES) == ("freezer", "refrigerator", "ambient", "discarded")


def test_settings_cannot_be_changed() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        Settings().floor = 0.5  # type: ignore[misc]
    with pytest.raises(TypeError):
        Settings().words["result"] = {}  # type: ignore[index]


def test_settings_go_to_another_process_whole() -> None:
    settings = Settings(words={"result": {"Hit": "find"}}, floor=0.8)
    again = pickle.loads(pickle.dumps(settings))
    assert again == settings
    with pytest.raises(TypeError):
        again.words["result"]["Hit"] = "miss"


def test_options_given_win_and_others_stay() -> None:
    settings = Settings(floor=0.7, seed=3)
    changed = settings.with_options(floor=0.9, confidence=0.8)
    assert (changed.floor, changed.confidence, changed.seed) == (0.9, 0.8, 3)
    assert settings.floor == 0.7
    assert settings.with_options() == settings
