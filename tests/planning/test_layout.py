"""Layout: dogs meet all alike, areas and thaws are what a unit can do."""

import itertools
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from outcomes.planning.layout import (
    DAYS_A_MONTH,
    Effort,
    assign_dogs,
    draw_filled,
    filled_shares,
    order_searches,
    place_units,
    rotate_pairs,
    thaw_days,
)
from outcomes.planning.lot import Lot


def _effort(weeks=12, areas=5, dogs=8, each=2, days=(1, 5), thaws=8, filled=None):
    return Effort(
        weeks=weeks,
        training_days=days,
        areas=areas,
        dogs_a_hide=each,
        dogs=dogs,
        filled=0.75 * areas if filled is None else filled,
        thaws_a_month=thaws,
    )


efforts = st.builds(
    _effort,
    weeks=st.integers(2, 14),
    areas=st.integers(3, 7),
    dogs=st.integers(3, 9),
    each=st.integers(1, 3),
    days=st.sampled_from([(2,), (1, 5), (0, 2, 4)]),
)


def _placed(effort, pairs, seed):
    lot = Lot(seed)
    days = rotate_pairs(lot, draw_filled(lot, effort, 2), pairs)
    units = [[2 * pair + side for pair in day for side in (0, 1)] for day in days]
    return lot, days, place_units(lot, units, effort.areas)


@settings(max_examples=40, deadline=None)
@given(efforts, st.integers(4, 9), st.integers(0, 99))
def test_dogs_are_shared_out_evenly(effort, pairs, seed):
    lot, _, placed = _placed(effort, pairs, seed)
    assigned = assign_dogs(lot, placed, effort, [k % 2 for k in range(2 * pairs)])
    searches = Counter()
    for areas in assigned:
        day = Counter(dog for dogs in areas for dog in dogs)
        assert all(len(set(dogs)) == effort.dogs_a_hide for dogs in areas)
        assert max(day.values()) - min(day.get(dog, 0) for dog in range(effort.dogs)) <= 1
        searches.update(day)
    assert max(searches.values()) - min(searches.values()) <= 1


@settings(max_examples=40, deadline=None)
@given(efforts, st.integers(4, 9), st.integers(0, 99))
def test_pairs_lie_out_together_and_come_round(effort, pairs, seed):
    _, days, placed = _placed(effort, pairs, seed)
    used = Counter(pair for day in days for pair in day)
    assert max(used.values()) - min(used.get(pair, 0) for pair in range(pairs)) <= 1
    for day, areas in zip(days, placed, strict=True):
        assert len(set(day)) == len(day)
        out = sorted(unit for unit in areas if unit >= 0)
        assert out == sorted(2 * pair + side for pair in day for side in (0, 1))


def test_every_dog_meets_every_source_alike():
    effort = _effort(weeks=26)
    lot, _, placed = _placed(effort, 8, 3)
    met = Counter()
    for areas, units in zip(
        assign_dogs(lot, placed, effort, [k % 2 for k in range(16)]), placed, strict=True
    ):
        met.update((dog, unit) for dogs, unit in zip(areas, units, strict=True) for dog in dogs)
    for unit in range(16):
        meetings = [met[dog, unit] for dog in range(8)]
        assert max(meetings) - min(meetings) <= 1


# scipy's milp (HiGHS) gives the least spread that can be had.
def test_meetings_are_as_even_as_milp_makes_them():
    effort = _effort(weeks=10, areas=4, dogs=5, each=2)
    lot, _, placed = _placed(effort, 5, 2)
    ours = Counter()
    for areas, units in zip(assign_dogs(lot, placed, effort, [0] * 10), placed, strict=True):
        ours.update((dog, unit) for dogs, unit in zip(areas, units, strict=True) for dog in dogs)
    spread = max(
        max(ours[d, u] for d in range(5)) - min(ours[d, u] for d in range(5)) for u in range(10)
    )
    assert spread == _least_spread(placed, effort)


def _least_spread(placed, effort):
    """Least largest difference between dogs' meetings with a source, over all assignments."""
    cells = [(day, area) for day, units in enumerate(placed) for area in range(len(units))]
    dogs = effort.dogs
    size = len(cells) * dogs + 1  # the last variable is the difference
    rows, low, high = [], [], []

    def row(entries, lo, hi):
        line = np.zeros(size)
        for at, value in entries:
            line[at] += value
        rows.append(line)
        low.append(lo)
        high.append(hi)

    for k in range(len(cells)):
        row([(k * dogs + d, 1) for d in range(dogs)], effort.dogs_a_hide, effort.dogs_a_hide)
    slots = effort.areas * effort.dogs_a_hide
    for day, d in itertools.product(range(len(placed)), range(dogs)):
        own = [(k * dogs + d, 1) for k, cell in enumerate(cells) if cell[0] == day]
        row(own, slots // dogs, -(-slots // dogs))
    for unit in sorted({u for units in placed for u in units if u >= 0}):
        here = [k for k, (day, area) in enumerate(cells) if placed[day][area] == unit]
        for one, two in itertools.permutations(range(dogs), 2):
            entries = [(k * dogs + one, 1) for k in here] + [(k * dogs + two, -1) for k in here]
            row([*entries, (size - 1, -1)], -np.inf, 0)
    upper = np.ones(size)
    upper[-1] = 20
    cost = np.zeros(size)
    cost[-1] = 1
    found = milp(
        cost,
        constraints=LinearConstraint(np.array(rows), low, high),
        integrality=np.ones(size),
        bounds=Bounds(np.zeros(size), upper),
        options={"time_limit": 60},
    )
    assert found.success
    return round(found.fun)


@given(st.floats(1.0, 5.0), st.integers(2, 6))
def test_filled_areas_come_to_their_mean(mean, most):
    shares = filled_shares(mean, most)
    assert shares.sum() == pytest.approx(1.0)
    assert (shares > 0).all()
    wanted = min(max(mean, 1.02), most - 0.02)
    assert shares @ np.arange(1, most + 1) == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("areas", [4, 5, 6])
def test_number_filled_varies_about_what_was_asked(areas):
    effort = _effort(weeks=26, areas=areas)
    filled = draw_filled(Lot(5), effort, 2)
    assert len(set(filled)) > 1
    assert np.mean(filled) == pytest.approx(0.75 * areas, abs=0.35)


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 30), st.integers(2, 12), st.sampled_from([(2,), (1, 5)]), st.integers(0, 50))
def test_thaws_keep_to_what_a_month_allows(weeks, most, days, seed):
    effort = _effort(weeks=weeks, days=days, thaws=most)
    used = Lot(seed).order(effort.days, "used")[: max(1, weeks // 4)]
    seldom = thaw_days(used, effort, often=False)
    often = thaw_days(used, effort, often=True)
    assert set(seldom) == set(used) <= set(often)
    months = Counter((day - 1) // DAYS_A_MONTH for day in often)
    by_use = Counter((day - 1) // DAYS_A_MONTH for day in used)
    assert all(months[m] <= max(most, by_use[m]) for m in months)
    assert all(1 <= day <= 7 * weeks for day in often)


def test_a_dog_rests_before_it_searches_again():
    effort = _effort()
    lot, _, placed = _placed(effort, 8, 1)
    searches = order_searches(lot, placed, assign_dogs(lot, placed, effort, [0] * 16), effort)
    for day in effort.days:
        order = [
            s.dog for s in sorted((s for s in searches if s.day == day), key=lambda s: s.order)
        ]
        assert len(set(order[:8])) == 8  # all eight once, before any searches again


def test_nothing_is_thawed_after_its_last_day():
    effort = Effort(
        weeks=12, training_days=(0,), areas=10, dogs_a_hide=2, dogs=8, filled=7.5, thaws_a_month=8
    )
    assert max(thaw_days([1, 8, 29], effort, often=True)) == 29
