"""The shelf: exchanges tell more than a rota by lot, and keep to what a source may bear."""

import itertools
from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.planning.layout import Effort
from outcomes.planning.lot import Lot
from outcomes.planning.shelf_design import (
    error_of,
    information_of,
    lay_out_shelf,
    shelf_of,
    sums_of,
)
from outcomes.planning.shelf_rows import within_information

from .units import held, past_trials

EFFORT = Effort(
    weeks=12, training_days=(1, 5), areas=5, dogs_a_hide=2, dogs=8, filled=3.75, thaws_a_month=6
)


def _shelf(target=0, seed=1, **more):
    sources = held(14, seed=seed, **more)
    return shelf_of(sources, past_trials(sources, seed=seed), target, 0.1, 2)


# Cochran and Cox 1957, section 11.51, storage of meat (R's nlme: Meat): six treatments in 15
# blocks of two, each pair once: efficiency lambda v / (r k) = 1 * 6 / (5 * 2).
def test_pairs_of_six_have_the_efficiency_of_the_textbook():
    treatment = np.array([-5.0, -3.0, -1.0, 1.0, 3.0, 5.0])
    blocks = [treatment[list(pair)] for pair in itertools.combinations(range(6), 2)]
    within = sum(information_of(sums_of(b, np.zeros(2)))[0] for b in blocks)
    unblocked = 5 * (treatment**2).sum()
    assert within / unblocked == pytest.approx(6 / 10, abs=1e-12)


@given(
    st.lists(st.tuples(st.floats(-20, 20), st.floats(-20, 20)), min_size=3, max_size=12),
    st.floats(-5, 5),
)
def test_level_of_a_source_tells_nothing(rows, shift):
    cycles, age = np.array(rows).T
    once = information_of(sums_of(cycles, age))
    assert information_of(sums_of(cycles + shift, age - shift)) == pytest.approx(once, abs=1e-6)


def test_error_is_that_of_least_squares_within_sources():
    rng = np.random.default_rng(1)
    source = np.repeat(np.arange(5), 8)
    cycles, age = rng.normal(size=(2, 40))
    total = sum(information_of(sums_of(cycles[source == k], age[source == k])) for k in range(5))
    x = np.column_stack([cycles, age, *(source == k for k in range(5))])
    least_squares = np.sqrt(np.linalg.inv(x.T @ x)[0, 0])
    assert error_of(total, 0, 1.0) == pytest.approx(least_squares, rel=1e-9)
    assert error_of(total, 0, 4.0) == pytest.approx(least_squares / 2, rel=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("target", [0, 1])
def test_exchanges_beat_a_rota_by_lot(target):
    shelf = _shelf(target)
    rota = np.mean([lay_out_shelf(Lot(k), EFFORT, shelf, chosen=False).std_error for k in range(5)])
    chosen = lay_out_shelf(Lot(1), EFFORT, shelf).std_error
    assert chosen < 0.9 * rota


@pytest.mark.slow
def test_sources_keep_to_what_they_may_bear():
    shelf = _shelf(refrigerated=4)
    layout = lay_out_shelf(Lot(2), EFFORT, shelf)
    for k, days in enumerate(layout.thaws):
        used = {s.day for s in layout.searches if s.unit == k}
        if shelf.sources[k].regime == "refrigerated":
            assert days == ()
            continue
        months = Counter((day - 1) // 28 for day in days)
        idle = Counter((day - 1) // 28 for day in set(days) - used)
        assert used <= set(days)
        assert max(months.values(), default=0) <= EFFORT.thaws_a_month
        assert max(idle.values(), default=0) <= 4


@pytest.mark.slow
def test_same_seed_gives_the_same_shelf():
    shelf = _shelf()
    assert lay_out_shelf(Lot(3), EFFORT, shelf) == lay_out_shelf(Lot(3), EFFORT, shelf)


@pytest.mark.slow
def test_told_error_is_that_of_its_rows():
    from outcomes.planning.designs import shelf_designer
    from outcomes.planning.shelf_rows import weight_of

    from .units import RATES, unit

    of = unit()
    out = shelf_designer(of, "cycles", of.sources, of.dogs, 2, 1).lay_out(EFFORT)
    information = within_information(out.rows, 0) * weight_of(RATES)
    assert out.std_error(0.0) == pytest.approx(information**-0.5, rel=1e-6)
