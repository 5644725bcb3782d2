"""The verdict beyond the straight line, on simulated units with a stated truth."""

from dataclasses import replace

import numpy as np
import pytest

from outcomes.analysis.decisions.curve import find_curve
from outcomes.analysis.decisions.threshold import set_threshold
from outcomes.analysis.finds.any_shape import AnyShape
from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.cycles_or_age import which_predicts
from outcomes.analysis.finds.model import fit_finds
from outcomes.analysis.finds.shapes import LINE, Shape, WeightedShape
from outcomes.analysis.finds.usable_trials import kinds_of
from outcomes.answers.facts import gather_facts
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import OTHER_WORLDS, simulate_unit
from outcomes.wording.limit import describe_retirement
from outcomes.wording.shelf import past_limit
from outcomes.wording.verdict import describe_verdict_in_short

SETTINGS = DecisionSettings()


@pytest.fixture(scope="module")
def step():
    """A unit whose finds drop from 93 to 75 in 100 past 10 cycles and stay there."""
    unit = simulate_unit(OTHER_WORLDS["step at 10 cycles"], 2, sources=24)
    fit = fit_finds(join(unit_records(unit)).trials, SETTINGS)
    return fit, which_predicts(fit, refits=39)


@pytest.mark.slow
def test_a_step_is_named_cycles_and_placed(step):
    _, verdict = step
    assert verdict.verdict == "cycles"
    assert verdict.bend.p < 0.05
    shape = verdict.best_shapes["cycles"]
    assert (shape.kind, shape.knot) == ("step", pytest.approx(10.0, abs=1.0))
    assert verdict.contradicted == ()
    # Never told of a line that the records reject.
    assert verdict.largest_fall == {}
    # Along lines the same records show nothing.
    assert replace(verdict, shapes={}).best_shapes == {}


@pytest.mark.slow
def test_limit_and_headline_follow_the_step(step):
    fit, verdict = step
    bent = fit_finds(fit.design.trials, SETTINGS, shapes=verdict.best_shapes)
    retirement = set_threshold(bent, verdict)
    (threshold,) = retirement.thresholds
    # The truth crosses 85 in 100 at the step itself.
    assert threshold.low <= 10.0 <= threshold.high + 0.5
    assert 6 <= threshold.retire_after <= 10
    title = describe_verdict_in_short(bent, verdict, retirement)
    assert title.startswith("Finds drop at about 10 freeze/thaw cycles: from 9")


@pytest.mark.slow
def test_contradicted_curves_set_no_limit(step):
    fit, verdict = step
    vetoed = replace(verdict, contradicted=("cycles",))
    retirement = set_threshold(fit, vetoed)
    assert retirement.thresholds == ()
    (curve,) = retirement.curves
    assert len(curve.at) == 0
    assert len(curve.bins) > 3
    assert "see the circles" in describe_verdict_in_short(fit, vetoed, retirement)
    assert "contradict every curve" in describe_retirement(vetoed, retirement)


@pytest.mark.slow
def test_spans_contradict_a_line_over_a_step(step):
    fit, _ = step
    work = AnyShape(fit.design, alpha=0.05, rng=np.random.default_rng(1), refits=39)
    assert work.contradicted("cycles", LINE, alone=False).p < 0.05
    assert work.contradicted("cycles", Shape("step", 10.0), alone=False).p > 0.05


def test_a_line_stays_a_line(made_trials):
    fit = fit_finds(made_trials(2, n=900, cycle=-0.12, baseline=3.0), SETTINGS)
    verdict = which_predicts(fit, refits=0)
    assert (verdict.verdict, verdict.shapes, verdict.contradicted) == ("cycles", {}, ())
    assert verdict.bend.p > 0.05


def test_a_shape_in_the_model_is_its_column(made_trials):
    trials = made_trials(3, n=600, cycle=-0.1, baseline=2.5)
    shape = Shape("levels off", 8.0)
    design = plan_design(trials).with_shapes({"cycles": shape})
    column = design.column_of("cycles")
    cycles = design.trials["cycles"].to_numpy(dtype=float)
    assert design.x[:, column] == pytest.approx(np.minimum(cycles, 8.0))
    assert design.shapes == {"cycles": shape}
    fit = fit_finds(trials, SETTINGS, shapes={"cycles": shape})
    assert fit.term("cycles").unit == "cycle, up to 8 cycles"
    # Beyond the knot the curve is level.
    curve = find_curve(fit, "cycles", 0.9, alone=False)
    assert np.ptp(curve.probability[curve.at >= 8.0]) < 1e-12


def test_one_shape_alone_is_its_own_curve(made_trials):
    fit = fit_finds(made_trials(3, n=600, cycle=-0.1, baseline=2.5), SETTINGS)
    one = find_curve(fit, "cycles", 0.9, alone=False)
    same = find_curve(fit, "cycles", 0.9, alone=False, shapes=[WeightedShape(LINE, 1.0, 0.0)])
    assert same.probability == pytest.approx(one.probability, rel=1e-9)
    assert same.low == pytest.approx(one.low, rel=1e-9)


@pytest.fixture(scope="module")
def kinds():
    """A unit in which finds fall by 0.13 a cycle in blood and fat alone."""
    unit = simulate_unit(OTHER_WORLDS["two kinds fall"], 18, sources=24)
    return gather_facts(unit_records(unit), SETTINGS)


@pytest.mark.slow
def test_kinds_that_fall_are_named(kinds):
    verdict = kinds.verdict
    assert verdict.kinds_differ.p < 0.05
    assert verdict.kinds_falling == ("blood", "fat")
    told = {k.kind: k for k in verdict.by_kind}
    assert told["blood"].low <= -0.13 <= told["blood"].high
    assert told["fat"].low <= -0.13 <= told["fat"].high + 0.07
    for kind in ("muscle", "wet bone"):
        assert told[kind].low < 0.0 < told[kind].high
    title = describe_verdict_in_short(kinds.fit, verdict, kinds.retirement)
    assert "in blood and fat" in title


@pytest.mark.slow
def test_the_limit_is_of_the_kinds_that_fall(kinds):
    (threshold,) = kinds.retirement.thresholds
    assert threshold.curve.kinds == ("blood", "fat")
    assert describe_retirement(kinds.verdict, kinds.retirement).startswith(
        "Limit for blood and fat: "
    )
    past = past_limit(kinds.shelf, kinds.retirement)
    assert past
    assert {s.kind for s in past} <= {"blood", "fat"}
    # A source of another kind does not fall as its cycles go on.
    design = kinds.fit.design
    assert design.column_for("cycles", "fat") != design.column_for("cycles", "muscle")
    assert design.x[kinds_of(design.trials) == "muscle", design.column_of("cycles")].max() == 0.0


def test_columns_by_kind_add_up(made_trials):
    trials = made_trials(3, n=600, cycle=-0.1, baseline=2.5)
    names = np.where(trials["source_id"] < "S06", "blood", "bone")
    design = plan_design(trials.assign(kind=names))
    whole = design.x[:, design.column_of("cycles")]
    split = design.with_kinds("cycles", ["blood"])
    own, rest = (split.column_for("cycles", kind) for kind in ("blood", "bone"))
    assert split.x[:, own] + split.x[:, rest] == pytest.approx(whole)
    assert split.kinds_along("cycles") == ("blood",)
    assert not (split.x[:, own] * split.x[:, rest]).any()
    # A shape put in later is that of both.
    shape = Shape("step", 5.0)
    bent = split.with_shapes({"cycles": shape})
    assert bent.x[:, own] + bent.x[:, rest] == pytest.approx((whole > 5.0).astype(float))
