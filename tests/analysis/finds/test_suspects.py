"""Four suspects on equal footing: the guilty one is named, and what ties them is said."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.finds.confounders import SUSPECTS, Suspects, compare_suspects, transformed
from outcomes.analysis.finds.model import fit_finds
from outcomes.analysis.finds.shapes import Shape
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit
from outcomes.wording.suspects import describe_suspects
from tests.side import UNTOLD

CYCLES: Any = SimpleNamespace(verdict="cycles")
NO_CHANGE: Any = SimpleNamespace(verdict="no change detected")

SETTINGS = DecisionSettings()


@pytest.fixture(scope="module")
def trials() -> pd.DataFrame:
    """Trials of a unit in which the four exposures go their own ways."""
    rng = np.random.default_rng(7)
    n, sources = 1500, 40
    source = rng.integers(0, sources, n)
    cycles = rng.poisson(rng.uniform(2.0, 20.0, sources)[source]).astype(float)
    age_days = rng.uniform(50.0, 300.0, sources)[source] + rng.uniform(0.0, 500.0, n)
    share = rng.choice([0.0, 0.4, 0.9], sources)[source]
    return pd.DataFrame(
        {
            "trial_id": [f"T{i}" for i in range(n)],
            "started_at": pd.Timestamp("2025-01-01") + pd.to_timedelta(np.arange(n), unit="h"),
            "dog_id": [f"D{k}" for k in rng.integers(0, 6, n)],
            "source_id": [f"S{k:02d}" for k in source],
            "cycles": cycles,
            "age_days": age_days,
            "open_frozen_days": age_days * share,
            "degree_hours": 50.0 + 30.0 * cycles + rng.gamma(1.0, 4000.0, n),
            "documented": pd.array(np.ones(n, dtype=bool), dtype="boolean"),
        }
    )


def _searched(trials: pd.DataFrame, guilty: str | None, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    log_odds = np.full(len(trials), 1.3)
    if guilty is not None:
        values = transformed(guilty, trials[guilty].to_numpy(float))
        log_odds -= 0.9 * (values - values.mean()) / values.std()
    log_odds += rng.normal(0.0, 0.3, 40)[trials["source_id"].str[1:].astype(int)]
    found = rng.random(len(trials)) < 1.0 / (1.0 + np.exp(-log_odds))
    return trials.assign(result=np.where(found, "find", "miss"))


@pytest.mark.parametrize("guilty", SUSPECTS)
def test_the_planted_suspect_is_the_one_named(trials, guilty) -> None:
    compared = compare_suspects(_searched(trials, guilty), SETTINGS)
    named = compared.suspect(guilty)
    assert named.importance > 0.99
    assert named.given_others.p < 1e-4
    assert named.given_others.points_high < -10.0
    values = transformed(guilty, trials[guilty].to_numpy(float))
    planted = -0.9 / values.std()
    assert np.log(named.given_others.low) < planted < np.log(named.given_others.high)
    for other in compared.suspects:
        if other.exposure != guilty:
            # The guilty one is held; 0.001 leaves room for chance in twelve tests.
            assert other.given_others.p > 0.001


def test_without_a_culprit_none_is_named(trials) -> None:
    compared = compare_suspects(_searched(trials, None), SETTINGS)
    assert compared.joint_p > 0.05
    assert describe_suspects(compared, NO_CHANGE, UNTOLD).endswith(
        "none was found to go with finds in these records."
    )
    assert compared.models[0].weight < 0.7


def _check_shares(compared: Suspects) -> None:
    assert len(compared.models) == 2 ** len(compared.suspects)
    assert sum(m.weight for m in compared.models) == pytest.approx(1.0)
    assert [m.criterion for m in compared.models] == sorted(m.criterion for m in compared.models)
    for suspect in compared.suspects:
        assert 0.0 <= suspect.weight <= 1.0
        assert 0.0 <= suspect.importance <= 1.0
        assert suspect.variance_inflation >= 1.0
        for effect in (suspect.alone, suspect.given_others):
            assert effect.points_low <= effect.points <= effect.points_high
            assert effect.low <= effect.ratio <= effect.high


def test_shares_add_up_in_any_order(trials) -> None:
    searched = _searched(trials, "cycles")
    compared = compare_suspects(searched, SETTINGS)
    _check_shares(compared)
    turned = compare_suspects(searched.sample(frac=1.0, random_state=3), SETTINGS)
    assert describe_suspects(turned, CYCLES, UNTOLD) == describe_suspects(compared, CYCLES, UNTOLD)
    for a, b in zip(compared.suspects, turned.suspects, strict=True):
        # 1e-3: the optimizer's tolerance on a log-likelihood of some hundreds.
        assert a.importance == pytest.approx(b.importance, abs=1e-3)


def test_lone_suspect_is_the_fits_own_effect(trials) -> None:
    searched = _searched(trials, "cycles")
    compared = compare_suspects(searched, SETTINGS)
    fit = fit_finds(searched, SETTINGS, exposures=("cycles",))
    # Suspects are held against each other by their likelihoods, each at its likeliest effect.
    likeliest = fit.mixed.beta[fit.design.column_of("cycles")]
    assert compared.suspect("cycles").alone.log_ratio == pytest.approx(likeliest, abs=1e-4)


def test_nearly_copied_suspects_are_too_tied(trials) -> None:
    rng = np.random.default_rng(2)
    tied = trials.assign(age_days=30.0 * trials["cycles"] + rng.uniform(0, 10, len(trials)) + 5)
    compared = compare_suspects(_searched(tied, "cycles"), SETTINGS)
    assert "Freeze/thaw cycles and age are too closely tied" in describe_suspects(
        compared, CYCLES, UNTOLD
    )
    assert compared.suspect("age_days").variance_inflation > 100.0
    assert compared.suspect("age_days").most_like[0] == "cycles"
    assert "cannot tell which it is" in describe_suspects(compared, CYCLES, UNTOLD)


def test_exact_copy_is_left_out_by_name(trials) -> None:
    tied = trials.assign(age_days=30.0 * trials["cycles"])
    compared = compare_suspects(_searched(tied, "cycles"), SETTINGS)
    reason = next(x.reason for x in compared.left_out if x.term == "age_days")
    assert reason == "carries the same information as freeze/thaw cycles in these records"
    assert compared.suspect("age_days") is None
    _check_shares(compared)


def test_without_packaging_drying_is_left_out(trials) -> None:
    searched = _searched(trials.assign(open_frozen_days=np.nan), "cycles")
    compared = compare_suspects(searched, SETTINGS)
    assert [s.exposure for s in compared.suspects] == ["cycles", "degree_hours", "age_days"]
    assert any(x.term == "open_frozen_days" and "packaging" in x.reason for x in compared.left_out)


def test_few_trials_say_what_is_short(trials) -> None:
    compared = compare_suspects(_searched(trials, "cycles").head(40), SETTINGS)
    assert compared.suspects == ()
    assert compared.reason.startswith("too few to compare: ")
    assert "misses of at least 30" in compared.reason


def test_effect_of_cycles_alone_is_told_apart() -> None:
    unit = simulate_unit(SCENARIOS["cycles only"], 3)
    compared = compare_suspects(join(unit_records(unit)).trials, SETTINGS)
    best = max(compared.suspects, key=lambda s: s.importance)
    assert best.exposure == "cycles"
    assert "finds go with freeze/thaw cycles (more than 99 in 100)" in describe_suspects(
        compared, CYCLES, UNTOLD
    )


def _stepped(trials: pd.DataFrame, seed: int = 1) -> pd.DataFrame:
    """Finds that drop by 1.5 log-odds past 10 cycles and stay there."""
    rng = np.random.default_rng(seed)
    log_odds = 2.5 - 1.5 * (trials["cycles"].to_numpy(float) > 10.0)
    found = rng.random(len(trials)) < 1.0 / (1.0 + np.exp(-log_odds))
    return trials.assign(result=np.where(found, "find", "miss"))


def test_after_a_step_suspects_are_judged_along_it(trials):
    step = Shape("step", 10.0)
    searched = _stepped(trials)
    lines, shaped = (compare_suspects(searched, SETTINGS, s) for s in (None, {"cycles": step}))
    own = shaped.suspect("cycles")
    assert (own.shape, own.unit) == (step, "past 10 cycles")
    # The planted drop lies in the interval of its own term.
    assert np.log(own.given_others.low) < -1.5 < np.log(own.given_others.high)
    assert own.given_others.points < -15.0
    # A line leaves part of the drop to warmth, which rises with cycles.
    warmth = [c.suspect("degree_hours").given_others for c in (lines, shaped)]
    assert abs(warmth[1].log_ratio) < abs(warmth[0].log_ratio)
    # A knot that was sought counts as a parameter more.
    parameters = {
        m.exposures: m.parameters for m in shaped.models if m.exposures in {(), ("cycles",)}
    }
    assert parameters["cycles",] == parameters[()] + 2
    told = describe_suspects(shaped, CYCLES, UNTOLD)
    assert "finds go with freeze/thaw cycles once the others are held the same" in told
    assert "along the shape found above. No part of the others shows" in told
    assert "in 100" not in told


def test_nothing_goes_only_with_one(trials):
    compared = compare_suspects(_searched(trials, "cycles"), SETTINGS)
    told = describe_suspects(compared, CYCLES, UNTOLD)
    assert "only" not in told
    assert "No part of the others shows, which is not proof of none" in told
