"""What tests of any shape add up, each part against a formula or another way of working it out."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from outcomes.analysis.finds.any_shape import AnyShape, _centred, _scaled, _shares, _spans, _tail
from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.kinds import change_by_kind, sources_that_fall_most
from outcomes.analysis.finds.shapes import Shape
from outcomes.models.calibrated_test import Calibrated
from outcomes.models.score_test import Scores


@pytest.fixture(scope="module")
def design(made_trials):
    """Finds of blood fall with cycles, those of bone do not; ash has two sources."""
    trials = made_trials(5, n=900, sources=20, baseline=2.0)
    number = trials["source_id"].str[1:].astype(int)
    trials["kind"] = np.select([number < 9, number < 18], ["blood", "bone"], "ash")
    rng = np.random.default_rng(2)
    falls = (trials["kind"] == "blood") & (rng.random(900) < 0.035 * trials["cycles"])
    trials.loc[falls, "result"] = "miss"
    return plan_design(trials)


@pytest.fixture(scope="module")
def work(design):
    return AnyShape(design, alpha=0.05, rng=np.random.default_rng(1), refits=0)


def test_tails_are_logarithms_of_chi_square():
    assert _tail(5.0, 2) == pytest.approx(2.5)  # exp(-x / 2) with two degrees of freedom
    assert _tail(3.84, 1) == pytest.approx(-stats.chi2.logsf(3.84, 1))
    assert _tail(-1.0, 1) == 0.0


def test_columns_are_centred_by_source():
    columns, source = np.array([[1.0, 5.0], [3.0, 5.0], [7.0, 9.0]]), np.array([0, 0, 1])
    np.testing.assert_allclose(_centred(columns, source), [[-1, 0], [1, 0], [0, 0]])
    np.testing.assert_allclose(_scaled(columns)[:, 0].std(), 1.0)
    np.testing.assert_allclose(_scaled(np.full((3, 1), 4.0)), 4.0)


def test_spans_have_four_sources_each():
    # Seven spans of ten; the last is met by three sources alone.
    values, source = np.arange(70.0), np.arange(70) % 5
    source[60:] %= 3
    spans = _spans(values, source)
    np.testing.assert_array_equal(spans, (np.arange(70)[:, None] // 10 == np.arange(6)))


def test_knots_share_what_their_kind_has():
    shapes = [Shape("line"), Shape("log"), *(Shape("step", k) for k in (1.0, 2.0, 8.0))]
    # Half of the way to each neighbour, on a log scale: 1, 1.5 and 2 doublings.
    assert _shares(shapes) == pytest.approx([1.0, 1.0, 1 / 4.5, 1.5 / 4.5, 2 / 4.5])


def test_best_pair_has_the_largest_form(work):
    rng = np.random.default_rng(3)
    root = rng.normal(size=(6, 6))
    scores = Scores(rng.normal(size=6), root @ root.T)
    found, value = work.best_columns(scores, {"cycles": [0, 2, 4], "age_days": [1, 3, 5]})
    pairs = list(product((0, 2, 4), (1, 3, 5)))
    forms = [
        scores.score[[i, j]] @ np.linalg.solve(scores.information[np.ix_([i, j], [i, j])],
                                               scores.score[[i, j]])
        for i, j in pairs
    ]  # fmt: skip
    assert (found["cycles"], found["age_days"]) == pairs[int(np.argmax(forms))]
    assert value == pytest.approx(max(forms))
    alone, value = work.best_columns(scores, {"cycles": [0, 2, 4]})
    singles = (scores.score**2 / np.diag(scores.information))[[0, 2, 4]]
    assert (alone["cycles"], value) == ([0, 2, 4][singles.argmax()], pytest.approx(singles.max()))


def test_sessions_are_drawn_but_not_fitted(design):
    sessions = replace(design, groups={**design.groups, "session": np.arange(900) // 10})
    asked = AnyShape(sessions, alpha=0.05, rng=np.random.default_rng(1), refits=39)
    assert [g.name for g in asked.fitter.groupings] == ["dog", "source"]
    assert [g.name for g in asked.drawing.groupings] == ["dog", "source", "session"]
    fitted = asked.fitter.fit(asked.plain)
    assert len(asked.to_draw_from(fitted).groupings) == 3


def test_undrawn_p_is_the_least_by_its_share(work):
    observed = np.array([6.0, 4.0])
    widen = np.sqrt(20 / (20 - 3 - 3))  # 20 sources less the intercept, two exposures and three
    expected = np.exp(-observed / widen**2) / [0.8, 0.2]
    found = work.calibrated(observed, lambda: observed, (0.8, 0.2))
    assert found == Calibrated(pytest.approx(expected.min()), 0)
    assert work.calibrated(np.zeros(1), lambda: observed, (0.5,)).p == 1.0


def test_kind_columns_are_beside_the_first(work, design):
    cycles = design.trials["cycles"].to_numpy()
    columns = work.kind_columns(cycles)  # of blood and bone; ash has too few sources
    bone = (design.trials["kind"] == "bone").to_numpy()
    np.testing.assert_array_equal(columns, (cycles * bone)[:, None])
    assert work.kind_columns(np.zeros(len(cycles))) is None


def test_support_is_by_akaike_and_share(work, design):
    weighed = {w.shape: w for w in work.weigh("cycles", alone=True)}
    assert sum(w.weight for w in weighed.values()) == pytest.approx(1.0)
    line, log = weighed[Shape("line")], weighed[Shape("log")]
    assert line.weight / log.weight == pytest.approx(
        np.exp(-0.5 * (line.criterion - log.criterion))
    )
    assert list(weighed) == sorted(weighed, key=lambda shape: weighed[shape].criterion)
    # No spread between dogs or sources was planted: a plain logistic regression is as good.
    x = np.column_stack([work.plain, np.asarray(design.trials["cycles"], dtype=float)])
    plain = -2.0 * sm.Logit(design.y, x).fit(disp=0).llf + 2.0
    assert plain - 3.0 < line.criterion <= plain + 0.01


def test_each_kind_has_its_own_line(design):
    blood, bone = change_by_kind(design, 0.05)
    assert (blood.kind, blood.sources, bone.kind, bone.sources) == ("blood", 9, "bone", 9)
    # As in a plain regression with a line for blood, bone and the rest.
    kind, at = design.trials["kind"].to_numpy(), design.column_of("cycles")
    own = [design.x[:, at] * (kind == k) for k in ("blood", "bone", "ash")]
    plain = sm.Logit(design.y, np.column_stack([np.delete(design.x, at, axis=1), *own])).fit(disp=0)
    for change, place in ((blood, -3), (bone, -2)):
        # Spreads that are all but zero move estimates by a small part of their errors.
        assert change.log_odds == pytest.approx(plain.params[place], abs=0.3 * plain.bse[place])
        # Two kinds at 95 % together, 20 sources less 5 terms of theirs, widened for 3.
        reach = stats.t.ppf(1.0 - 0.05 / 4.0, 20 - 5) * np.sqrt(20 / 17) * plain.bse[place]
        assert (change.high - change.low) / 2.0 == pytest.approx(reach, rel=0.1)
        assert change.high + change.low == pytest.approx(2.0 * change.log_odds)
    assert blood.falls
    assert not bone.falls


def test_sources_that_fall_most_are_the_planted(made_trials):
    slopes = np.zeros(12)
    slopes[[2, 7]] = -0.35, -0.25
    planned = plan_design(made_trials(6, n=2400, baseline=2.5, cycle_slopes=slopes))
    assert sources_that_fall_most(planned)[:2] == ("S02", "S07")
    assert len(sources_that_fall_most(planned)) <= 3
