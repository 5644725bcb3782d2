"""Turnbull's curve of interval-censored times, against published values and its own conditions."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from statsmodels.duration.survfunc import SurvfuncRight

from outcomes.models.turnbull import fit_cells, fit_turnbull, lay_out

NOT_SEEN = np.inf
# Breast cosmesis data, months to retraction: Finkelstein and Wolfe (1985), Biometrics 41, 933-945.
RADIATION = """(0,5) (0,7) (0,8) (4,11) (5,11) (5,12) (6,10) (7,14) (7,16) (11,15) (11,18) (15,Inf)
(17,25) (17,25) (17,Inf) (18,Inf) (19,26) (19,35) (22,Inf) (24,Inf) (24,Inf) (25,37) (26,40)
(27,34) (32,Inf) (33,Inf) (34,Inf) (36,44) (36,48) (36,Inf) (36,Inf) (37,44) (37,Inf) (37,Inf)
(37,Inf) (38,Inf) (40,Inf) (45,Inf) (46,Inf) (46,Inf) (46,Inf) (46,Inf) (46,Inf) (46,Inf)
(46,Inf) (46,Inf)"""
WITH_CHEMOTHERAPY = """(0,5) (0,22) (4,8) (4,9) (5,8) (8,12) (8,21) (10,17) (10,35) (11,13) (11,17)
(11,20) (11,Inf) (11,Inf) (12,20) (13,39) (13,Inf) (13,Inf) (13,Inf) (14,17) (14,19) (15,22)
(16,20) (16,24) (16,24) (16,60) (17,23) (17,26) (17,27) (18,24) (18,25) (19,32) (21,Inf) (22,32)
(23,Inf) (24,30) (24,31) (30,34) (30,36) (31,Inf) (32,Inf) (33,40) (34,Inf) (34,Inf) (35,39)
(35,Inf) (44,48) (48,Inf)"""


def intervals(text: str) -> tuple[np.ndarray, np.ndarray]:
    pairs = [pair.strip("()").split(",") for pair in text.split()]
    values = np.array([[float(x) for x in pair] for pair in pairs])
    return values[:, 0], values[:, 1]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            RADIATION,
            {
                (4, 5): 0.0463,
                (6, 7): 0.0334,
                (7, 8): 0.0887,
                (11, 12): 0.0708,
                (24, 25): 0.0926,
                (33, 34): 0.0818,
                (38, 40): 0.1209,
                (46, 48): 0.4656,
            },
        ),
        (
            WITH_CHEMOTHERAPY,
            {
                (4, 5): 0.0433,
                (5, 8): 0.0433,
                (11, 12): 0.0692,
                (16, 17): 0.1454,
                (18, 19): 0.1411,
                (19, 20): 0.1157,
                (24, 25): 0.0999,
                (30, 31): 0.0709,
                (35, 36): 0.1608,
                (44, 48): 0.0552,
                (48, 60): 0.0552,
            },
        ),
    ],
)
def test_the_masses_are_the_published_ones_of_the_cosmesis_data(outside, text, expected):
    check = outside(
        "Turnbull's curve of interval-censored times (breast cosmesis)",
        "Finkelstein and Wolfe (1985), Biometrics 41, 933-945; masses of Fay and Shaw (2010), "
        "Journal of Statistical Software 36(2).",
        "read",
    )
    arm = "radiation" if text is RADIATION else "with chemotherapy"
    curve = fit_turnbull(*intervals(text))
    found = dict(zip(zip(curve.left, curve.right, strict=True), curve.mass, strict=True))
    assert set(found) == set(expected)
    for (after, until), mass in expected.items():
        # 5.1e-5: half the last digit, and where the iteration stops.
        check(f"{arm}, ({after}, {until}]", f"{mass:.4f}", found[after, until], 5.1e-5)


def test_exact_right_and_left_censored_times_give_turnbulls_own_table(outside):
    check = outside(
        "Turnbull's curve of exact, left- and right-censored times",
        "Turnbull (1974), JASA 69, 169-173, as in the tests of R's survival.",
        "read",
    )
    left: list[float] = []
    right: list[float] = []
    for t, exact, later, earlier in zip(
        (1, 2, 3, 4), (12, 6, 2, 3), (3, 2, 0, 3), (2, 4, 2, 5), strict=True
    ):
        left += [t - 1] * exact + [t] * later + [0] * earlier
        right += [t] * exact + [NOT_SEEN] * later + [t] * earlier
    curve = fit_turnbull(np.array(left, float), np.array(right, float))
    assert curve.right.tolist() == [1, 2, 3, 4]
    check.each([f"past time {t}" for t in range(1, 5)], "0.538 0.295 0.210 0.095", curve.survival)


def test_times_known_exactly_with_late_entry_give_the_kaplan_meier_curve():
    rng = np.random.default_rng(5)
    entry = np.round(rng.uniform(0, 50, 60))
    time = entry + np.ceil(rng.exponential(40, 60)) + 1
    event = rng.random(60) < 0.6
    # The first days hold so few that one event could end the curve; both start later.
    keep = time > 20
    entry, time, event = np.maximum(entry[keep], 20.0), time[keep], event[keep]
    curve = fit_turnbull(np.where(event, time - 1, time), np.where(event, time, NOT_SEEN), entry)
    other = SurvfuncRight(time, event.astype(int), entry=entry)
    assert curve.right == pytest.approx(other.surv_times)
    assert curve.survival == pytest.approx(other.surv_prob, abs=1e-7)


times = st.integers(0, 30)


@st.composite
def censored(draw):
    n = draw(st.integers(2, 18))
    entry = np.array(draw(st.lists(times, min_size=n, max_size=n)), float)
    left = entry + np.array(draw(st.lists(times, min_size=n, max_size=n)), float)
    width = 1.0 + np.array(draw(st.lists(times, min_size=n, max_size=n)), float)
    seen = np.array(draw(st.lists(st.booleans(), min_size=n, max_size=n)))
    return entry, left, np.where(seen, left + width, NOT_SEEN)


@pytest.mark.slow
@hypothesis_settings(deadline=None, max_examples=150)
@given(drawn=censored())
def test_no_cell_could_hold_more_or_less_with_a_better_likelihood(drawn):
    # Kuhn and Tucker's conditions in the cumulative hazards, checked on every cell there is:
    # no derivative above zero, and none other than zero where the hazard is above zero.
    entry, left, right = drawn
    curve = fit_turnbull(left, right, entry)
    assert (np.diff(np.concatenate([[1.0], curve.survival])) < 0).all()
    assert (curve.survival >= 0).all()
    edges = np.unique(np.concatenate([entry, left, right[np.isfinite(right)]]))
    with np.errstate(divide="ignore"):
        at = np.cumsum(
            -np.diff(np.log(np.concatenate([[1.0], curve.survival]))) if len(curve.survival) else []
        )

    def hazard(time):
        return 0.0 if not len(at) or time < curve.right[0] else at[np.sum(curve.right <= time) - 1]

    seen = np.isfinite(right)
    for low, high in pairwise(edges):
        derivative = -float(((entry <= low) & (high <= left)).sum())
        if derivative == 0 or not np.isfinite(hazard(low)):
            continue  # nobody is known to have lasted through it
        for begin, end in zip(left[seen], right[seen], strict=True):
            if begin <= low and high <= end:
                derivative += 1.0 / np.expm1(hazard(end) - hazard(begin))
        assert derivative < 1e-3
        if hazard(high) - hazard(low) > 1e-3 and low in curve.left and high in curve.right:
            assert derivative > -1e-3


@hypothesis_settings(deadline=None, max_examples=60)
@given(drawn=censored())
def test_a_source_counted_twice_is_the_same_as_two_of_it(drawn):
    entry, left, right = drawn
    twice = np.ones(len(left))
    twice[0] = 2.0
    weighted = fit_cells(lay_out(left, right, entry), twice)
    again = np.append(np.arange(len(left)), 0)
    repeated = fit_turnbull(left[again], right[again], entry[again])
    assert weighted.log_likelihood == pytest.approx(repeated.log_likelihood, abs=1e-6)


def test_no_event_leaves_the_curve_at_one():
    curve = fit_turnbull(np.array([3.0, 5.0]), np.array([NOT_SEEN, NOT_SEEN]))
    assert len(curve.right) == 0
    assert curve.at(np.array([0.0, 4.0])).tolist() == [1.0, 1.0]


def test_an_empty_interval_is_refused():
    with pytest.raises(ValueError, match="entry <= left < right"):
        fit_turnbull(np.array([3.0]), np.array([3.0]))
