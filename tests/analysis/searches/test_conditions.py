"""Terms that a model of false alerts can carry."""

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.searches.conditions import choose_conditions


def made(n: int = 1200, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {
            "source_id": [f"S{s:02d}" for s in rng.integers(12, size=n)],
            "dog_id": [f"D{d}" for d in rng.integers(4, size=n)],
            "result": rng.choice(["find", "miss"], n),
            "documented": pd.array([True] * n, dtype="boolean"),
            "cycles": rng.integers(0, 20, n).astype(float),
            "age_days": rng.uniform(0, 700, n),
            "kind": rng.choice(["muscle", "blood"], n, p=[0.6, 0.4]),
            "frozen_share": rng.uniform(0, 1, n),
            "set_min": rng.uniform(1, 240, n),
            "temperature_c": rng.normal(12, 8, n),
            "humidity_pct": rng.uniform(20, 95, n),
            "wind_m_s": rng.exponential(2, n),
            "experience": np.arange(n, dtype=float),
        }
    )


def reasons(chosen) -> dict[str, str]:
    return {note.term: note.reason for note in chosen.left_out}


def test_terms_have_units_of_the_model_of_finds():
    trials = made()
    chosen = choose_conditions(trials, trials["result"] == "find")
    planned = {c.term: c for c in plan_design(trials).columns}
    assert len(chosen.columns) == len(planned) == 9
    for position, column in enumerate(chosen.columns):
        assert column.unit == planned[column.term].unit
        if planned[column.term].contrast is None:
            own = planned[column.term].divisor
            if column.term in ("cycles", "age_days", "temperature_c", "humidity_pct"):
                expected = (trials[column.term] - trials[column.term].mean()) / own
                np.testing.assert_allclose(chosen.x[:, position], expected, atol=1e-9)


def test_often_missing_term_stays_out():
    trials = made()
    trials.loc[trials.index[:300], "wind_m_s"] = np.nan
    trials.loc[trials.index[:50], "humidity_pct"] = np.nan
    chosen = choose_conditions(trials, trials["result"] == "find")
    assert reasons(chosen)["wind_m_s"] == "missing in 300 of 1,200 trials"
    assert reasons(chosen)["trials"] == "50 of them: a condition in use is missing"
    assert len(chosen.trials) == len(chosen.x) == 1150


@pytest.mark.parametrize("name", ["temperature_c", "kind"])
def test_term_between_dogs_is_left_to_them(name):
    trials = made()
    number = trials["dog_id"].str[1:].astype(int)
    trials[name] = number.astype(float) if name != "kind" else np.where(number > 1, "fat", "skin")
    chosen = choose_conditions(trials, trials["result"] == "find")
    assert name not in {column.term for column in chosen.columns}
    assert any(n.term.startswith(name) and "the dog" in n.reason for n in chosen.left_out)


def test_rare_word_joins_the_commonest():
    trials = made()
    trials.loc[trials.index[:3], "kind"] = "tooth"
    chosen = choose_conditions(trials, pd.Series(True, index=trials.index))
    assert reasons(chosen)["kind: tooth"] == "fewer than 5 results; counted with muscle"
    assert [c.unit for c in chosen.columns if c.term == "kind"] == ["blood against muscle"]


def test_ten_results_for_every_term():
    trials = made()
    informative = pd.Series(np.arange(len(trials)) < 29, index=trials.index)
    chosen = choose_conditions(trials, informative)
    assert [c.term for c in chosen.columns][:2] == ["cycles", "age_days"]
    assert len(chosen.columns) <= 2
    assert reasons(chosen)["wind_m_s"].startswith("would need one more term than 10 results")


def test_no_trials_give_no_terms():
    trials = made().iloc[:0]
    chosen = choose_conditions(trials, trials["result"] == "find")
    assert chosen.columns == ()
    assert chosen.x.shape == (0, 0)
