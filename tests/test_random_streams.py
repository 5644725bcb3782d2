"""Random streams: the same draws for a seed as ever, and none for two things."""

from typing import get_args

import numpy as np
import pytest

from outcomes.random_streams import Stream, random_stream

APART = sorted(set(get_args(Stream)) - {"early warning", "lifetime intervals"})


def test_stream_is_numpys_of_seed_and_number() -> None:
    # The numbers behind committed reports/; NumPy seeds a generator by a sequence of numbers.
    assert random_stream(7, "bootstrap", 2).random() == np.random.default_rng([7, 63, 2]).random()
    assert random_stream(7, "verdict").random() == np.random.default_rng([7, 20]).random()
    assert random_stream(7, "early warning").random() == np.random.default_rng(7).random()


@pytest.mark.parametrize("seed", [0, 1, 2**40])
def test_no_two_streams_give_the_same_draws(seed: int) -> None:
    first = [random_stream(seed, name).random() for name in APART]
    assert len(set(first)) == len(APART)
    parts = [random_stream(seed, "bootstrap", part).random() for part in range(20)]
    assert len(set(parts)) == 20
