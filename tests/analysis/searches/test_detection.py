"""d' and criterion per dog, against outside values and simulated truth."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from outcomes.analysis.searches.signal_detection import fit_detection, sensitivity
from outcomes.settings import DecisionSettings


def counted(dog: str, finds: int, hides: int, alerts: int, blanks: int) -> pd.DataFrame:
    results = ["find"] * finds + ["miss"] * (hides - finds)
    results += ["false alert"] * alerts + ["clear"] * (blanks - alerts)
    return pd.DataFrame(
        {"dog_id": dog, "source_id": ["S1"] * hides + [None] * blanks, "result": results}
    )


def test_d_prime_and_criterion_are_those_of_the_log_linear_correction(outside):
    check = outside(
        "d′ and criterion with the log-linear correction",
        "20 of 25 hits, 10 of 25 false alarms; Hautus (1995), Behavior Research Methods 27, 46-51; "
        "two programs.",
        "computed",
    )
    found = sensitivity("Juno", 20, 25, 10, 25, 0.05)
    check("d′", "1.04450", found.d_prime)
    check("criterion", "-0.27885", found.criterion)


def test_with_many_trials_the_correction_vanishes(outside):
    check = outside(
        "d′ and criterion uncorrected (the same shares of very many trials)",
        "Macmillan and Creelman, Detection Theory: the face-recognition example.",
        "memory",
    )
    found = sensitivity("Juno", 200_000, 250_000, 100_000, 250_000, 0.05)
    check("d′", "1.0950", found.d_prime)
    check("criterion", "-0.2941", found.criterion)


@pytest.mark.parametrize(("hit", "false"), [(0.85, 0.06), (0.95, 0.03), (0.7, 0.2)])
def test_limits_hold_the_truth_at_least_as_often_as_promised(hit, false):
    # 1,500 draws with 120 hides and 30 blank areas; three binomial errors below 95 %.
    rng = np.random.default_rng(1)
    truth = norm.ppf(hit) - norm.ppf(false)
    criterion = -(norm.ppf(hit) + norm.ppf(false)) / 2
    held = []
    for finds, alerts in zip(
        rng.binomial(120, hit, 1500), rng.binomial(30, false, 1500), strict=True
    ):
        found = sensitivity("Juno", int(finds), 120, int(alerts), 30, 0.05)
        held.append(
            (
                found.d_low <= truth <= found.d_high,
                found.criterion_low <= criterion <= found.criterion_high,
            )
        )
    least = 0.95 - 3 * np.sqrt(0.95 * 0.05 / 1500)
    assert (np.mean(held, axis=0) > least).all()


@pytest.mark.parametrize(("finds", "alerts"), [(0, 0), (30, 0), (30, 25), (0, 25)])
def test_nothing_is_infinite_where_a_dog_never_or_always_alerts(finds, alerts):
    found = sensitivity("Juno", finds, 30, alerts, 25, 0.05)
    numbers = [found.d_low, found.d_prime, found.d_high]
    assert np.isfinite(numbers).all()
    assert numbers == sorted(numbers)
    assert found.criterion_low < found.criterion < found.criterion_high


def test_dogs_with_too_few_blank_areas_are_left_out_and_said():
    trials = pd.concat(
        [counted("Juno", 40, 50, 2, 30), counted("Moss", 40, 50, 2, 12)], ignore_index=True
    )
    found = fit_detection(trials, DecisionSettings())
    assert [row.dog for row in found.dogs] == ["Juno"]
    assert found.left_out[0].term == "Moss"
    assert found.left_out[0].reason == "50 hides and 12 blank areas; 20 and 20 are needed"
    assert "Juno" in found.sentence
    none = fit_detection(counted("Moss", 40, 50, 2, 12), DecisionSettings())
    assert none.dogs == ()
    assert none.reason.startswith("the one dog has not 20 hides")
    assert fit_detection(counted("Moss", 40, 50, 0, 0), DecisionSettings()).reason == (
        "no blank area was searched"
    )


def test_helped_finds_do_not_count():
    trials = counted("Juno", 40, 50, 2, 30)
    trials["assisted"] = [True] * 10 + [False] * 70
    (row,) = fit_detection(trials, DecisionSettings()).dogs
    assert (row.hides, row.finds) == (40, 30)


@pytest.mark.parametrize(
    ("blinding", "said"),
    [
        (["single"] * 30 + ["double"] * 20, "The handler knew the hide in none of 50 hide trials."),
        (
            ["single"] * 30 + ["open"] * 15 + [None] * 5,
            "Of 50 hide trials 30 were blind, in 15 the handler knew the hide, for 5 it is not on "
            "record: d′ is of dog and handler together.",
        ),
        (
            ["open"] * 50,
            "Of 50 hide trials none was blind, in 50 the handler knew the hide: d′ is of dog and "
            "handler together.",
        ),
        (
            ["double"] + [None] * 49,
            "Of 50 hide trials 1 was blind, for 49 it is not on record: d′ may be of dog and "
            "handler together.",
        ),
        (
            [None] * 50,
            "Whether the handler knew the hide is on record for none of 50 hide trials: d′ may be "
            "of dog and handler together.",
        ),
    ],
)
def test_how_many_hides_the_handler_did_not_know_is_said(blinding, said):
    trials = counted("Juno", 40, 50, 2, 30)
    # The blinding of blank areas, and of a dog that is left out, is not counted.
    trials["blinding"] = blinding + ["double"] * 30
    other = counted("Moss", 19, 19, 0, 30).assign(blinding="single")
    found = fit_detection(pd.concat([trials, other], ignore_index=True), DecisionSettings())
    assert found.sentence.endswith(said)
    assert found.hides == 50
