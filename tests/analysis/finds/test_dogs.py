"""Each dog and each source beside its likes, with what it was up against."""

from pathlib import Path

import mixed_cases
import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.finds.dog_and_source_effects import DogReview, review_dogs
from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.models.mixed import fit_mixed
from outcomes.settings import DecisionSettings
from outcomes.wording.dogs import describe_dogs, describe_own_effect
from tests.side import UNTOLD, beyond_chance

REFERENCE = Path(__file__).parents[2] / "reference"
DOG_EFFECTS = {"Ash": -1.0, "Bo": -0.4, "Cy": 0.0, "Dot": 0.1, "Elm": 0.4, "Fly": 0.9}


def _trials(
    seed: int,
    *,
    n: int = 2400,
    dog_effects: dict[str, float] | None = None,
    cycle_slopes: dict[str, float] | None = None,
    source_sd: float = 0.5,
    worn_for: str | None = None,
) -> pd.DataFrame:
    """Trials of six dogs and 30 sources; ``worn_for`` is a dog that meets worn sources only."""
    rng = np.random.default_rng(seed)
    names = np.array(list(DOG_EFFECTS))
    dog = rng.choice(names, n)
    source = rng.integers(0, 30, n)
    cycles = rng.integers(0, 21, n).astype(float)
    if worn_for is not None:
        mine = dog == worn_for
        cycles[mine] = rng.integers(16, 21, mine.sum())
    slope = np.array([-0.15 + (cycle_slopes or {}).get(d, 0.0) for d in dog])
    effect = np.array([(dog_effects or {}).get(d, 0.0) for d in dog])
    eta = 2.6 + slope * cycles + effect + rng.normal(0.0, source_sd, 30)[source]
    found = rng.random(n) < 1.0 / (1.0 + np.exp(-eta))
    return pd.DataFrame(
        {
            "trial_id": [f"T{i}" for i in range(n)],
            "started_at": pd.Timestamp("2025-01-01") + pd.to_timedelta(np.arange(n), unit="h"),
            "dog_id": dog,
            "source_id": [f"S{k:02d}" for k in source],
            "result": np.where(found, "find", "miss"),
            "cycles": cycles,
            "age_days": rng.uniform(0.0, 900.0, n),
            "experience": pd.Series(dog).groupby(dog).cumcount().astype(float),
            "documented": pd.array(np.ones(n, dtype=bool), dtype="boolean"),
        }
    )


@pytest.fixture(scope="module")
def fit() -> FindFit:
    return fit_finds(_trials(3, dog_effects=DOG_EFFECTS), DecisionSettings())


@pytest.fixture(scope="module")
def review(fit: FindFit) -> DogReview:
    return review_dogs(fit)


def test_slopes_by_level_are_those_of_lme4() -> None:
    # tests/reference/slopes.R; 2 % of the slopes' own spread, as two optimizers differ.
    stored = pd.read_csv(REFERENCE / "slopes_lme4.csv", comment="#", index_col="source")
    case = mixed_cases.load_case("large_unit_slope")
    fit = fit_mixed(case.y, case.x, case.names, case.groups, slope=case.slope)
    found = fit.effects["source"].loc[stored.index]
    for ours, theirs in (("effect", "intercept"), ("slope", "slope")):
        assert found[ours].to_numpy() == pytest.approx(
            stored[theirs].to_numpy(), abs=0.02 * stored[theirs].std()
        )
    assert "slope" not in fit.effects["dog"]


def test_planted_dog_effects_lie_in_intervals(review: DogReview) -> None:
    # Less the average of the six, as the result is. Six intervals at 95 %: 2.6 errors for all.
    mean = np.mean(list(DOG_EFFECTS.values()))
    for dog in review.dogs:
        assert abs(dog.effect - (DOG_EFFECTS[dog.name] - mean)) < 2.6 * dog.std_error
    order = [d.name for d in sorted(review.dogs, key=lambda d: d.find_probability)]
    assert order[0] == "Ash"
    assert order[-1] == "Fly"
    assert review.dog("Ash").differs == "fewer"
    assert review.dog("Fly").differs == "more"
    assert review.dogs_differ_p < 1e-6


def test_find_probability_is_of_all_trials_by_dog(fit: FindFit, review: DogReview) -> None:
    # The truth: every trial's log-odds with the planted dog in place of its own.
    rng = np.random.default_rng(3)
    n = 2400
    rng.choice(np.array(list(DOG_EFFECTS)), n)
    source = rng.integers(0, 30, n)
    cycles = rng.integers(0, 21, n)
    eta = 2.6 - 0.15 * cycles + rng.normal(0.0, 0.5, 30)[source]
    for dog in review.dogs:
        true = (1.0 / (1.0 + np.exp(-eta - DOG_EFFECTS[dog.name]))).mean()
        assert dog.low < true < dog.high
        assert dog.high - dog.low < 0.2


def test_dog_is_not_blamed_for_worn_sources() -> None:
    review = review_dogs(fit_finds(_trials(5, worn_for="Cy"), DecisionSettings()))
    worn = review.dog("Cy")
    others = [d for d in review.dogs if d.name != "Cy"]
    assert worn.finds / worn.trials < min(d.finds / d.trials for d in others) - 0.15
    assert worn.differs is None
    assert worn.expected_finds == pytest.approx(worn.finds, abs=0.06 * worn.trials)
    assert review.dogs_differ_p > 0.05


def test_average_dogs_find_what_the_unit_found(review: DogReview) -> None:
    # What the average leaves over adds up to nearly nothing: 2 % of the trials.
    for entries in (review.dogs, review.sources):
        expected = sum(x.expected_finds for x in entries)
        assert expected == pytest.approx(sum(x.finds for x in entries), abs=0.02 * 2400)


def test_counts_add_up_in_order_of_names(fit: FindFit, review: DogReview) -> None:
    for entries in (review.dogs, review.sources):
        assert [x.name for x in entries] == sorted(x.name for x in entries)
        assert sum(x.trials for x in entries) == fit.n
        assert sum(x.misses for x in entries) == fit.misses
        for entry in entries:
            assert entry.low <= entry.find_probability <= entry.high
            assert entry.name in describe_own_effect(entry, UNTOLD)


def test_without_differences_no_dog_is_different() -> None:
    review = review_dogs(fit_finds(_trials(8), DecisionSettings()))
    assert all(d.differs is None for d in review.dogs)
    assert review.dogs_differ_p > 0.05
    assert describe_dogs(review, UNTOLD) == ()


def test_without_spread_plain_counts_are_given() -> None:
    # Without any planted spread, some of these seeds end at a standard deviation of zero.
    for seed in range(8, 30):
        fit = fit_finds(_trials(seed, n=900, source_sd=0.0), DecisionSettings())
        if "source" in fit.mixed.singular:
            break
    entry = review_dogs(fit).sources[0]
    assert entry.observed_only
    assert entry.differs is None
    assert entry.find_probability == entry.finds / entry.trials
    assert "found in" in describe_own_effect(entry, UNTOLD)


def test_dogs_differing_along_cycles_are_told() -> None:
    planted = {"Ash": -0.12, "Bo": 0.12, "Cy": 0.1, "Dot": -0.1, "Elm": 0.0, "Fly": 0.0}
    review = review_dogs(fit_finds(_trials(11, cycle_slopes=planted), DecisionSettings()))
    response = review.response("cycles")
    assert response.p < 1e-4
    assert response.slopes["Ash"] < response.slopes["Elm"] < response.slopes["Bo"]
    for dog, apart in planted.items():
        assert response.slopes[dog] == pytest.approx(-0.15 + apart, abs=0.08)
    said = describe_dogs(review, beyond_chance(("dogs", "differ with cycles")))
    assert len(said) == 1
    assert said[0].endswith("do not read one dog's change as the sources'.")


def test_dogs_alike_along_cycles_are_not_parted(review: DogReview) -> None:
    assert review.response("cycles").p > 0.01
    assert review.response("experience").p > 0.01


def test_experience_runs_over_each_dogs_trials(fit: FindFit, review: DogReview) -> None:
    assert [c.dog for c in review.experience] == list(DOG_EFFECTS)
    for curve in review.experience:
        own = fit.design.trials.loc[fit.design.trials["dog_id"] == curve.dog, "experience"]
        assert curve.at[0] == own.min()
        assert curve.at[-1] == own.max()
        rising = np.diff(curve.probability)
        slope = fit.term("experience").log_ratio
        assert (np.sign(rising) == np.sign(slope)).all()


def test_nine_trials_are_said_to_say_little() -> None:
    trials = _trials(3, dog_effects=DOG_EFFECTS)
    mine = trials.index[trials["dog_id"] == "Ash"]
    review = review_dogs(fit_finds(trials.drop(index=mine[9:]), DecisionSettings()))
    few = review.dog("Ash")
    assert few.trials == 9
    assert describe_own_effect(few, UNTOLD).endswith("Only 9 trials: says little.")
    assert describe_dogs(review, UNTOLD)[-1] == "Fewer than 20 trials, so little can be said: Ash."
    assert few.std_error > 2.0 * review.dog("Bo").std_error


def test_without_a_model_a_reason_and_no_dog() -> None:
    review = review_dogs(fit_finds(_trials(3, n=40), DecisionSettings()))
    assert review.dogs == ()
    assert review.reason.startswith("too few trials")
