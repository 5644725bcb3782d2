"""The threshold over resampled sources: what is drawn, what is read off, and what is refused."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from outcomes.analysis.decisions import bootstrap as module
from outcomes.analysis.decisions.bootstrap import bootstrap_threshold
from outcomes.analysis.decisions.threshold import find_threshold
from outcomes.analysis.finds.model import fit_finds
from outcomes.errors import FitError
from outcomes.models.mixed import fit_mixed
from outcomes.settings import DecisionSettings


@pytest.fixture(scope="module")
def falling(made_trials):
    trials = made_trials(2, n=1200, dogs=6, sources=16, cycle=-0.12, baseline=3.0, source_sd=0.4)
    fit = fit_finds(trials, DecisionSettings())
    return fit, find_threshold(fit, "cycles", alone=False)


@pytest.mark.parametrize("resampled", ["source", "dog"])
def test_whole_clusters_are_drawn_with_repeats(falling, resampled):
    design = falling[0].design
    size = Counter(design.groups[resampled].astype(str))
    drawn = module._resample(design, resampled, "cycles", np.random.default_rng(4))
    names = [label.rpartition("/")[0] for label in drawn.groups[resampled]]
    copies = Counter(drawn.groups[resampled])
    assert len(copies) == len(size)
    assert len(set(names)) < len(size)
    for label, count in copies.items():
        assert count == size[label.rpartition("/")[0]]
    # Every trial keeps its own result and exposure.
    rows = drawn.trials.index.to_numpy()
    place = design.trials.index.get_indexer(rows)
    assert (drawn.y == design.y[place]).all()
    assert (drawn.x[:, 1] == design.x[place, 1]).all()


def test_a_hide_goes_with_the_source_it_held(falling):
    design = falling[0].design
    hides = np.array([f"H{i // 3}" for i in range(len(design.y))])
    with_hides = replace(design, groups={**design.groups, "hide": hides})
    drawn = module._resample(with_hides, "source", "cycles", np.random.default_rng(4))
    for hide, source in zip(drawn.groups["hide"], drawn.groups["source"], strict=True):
        assert hide.rpartition("/")[2] == source.rpartition("/")[2]


def test_kind_without_misses_is_not_asked_about():
    y = np.array([1.0, 0.0, 1.0, 1.0, 0.0, 1.0])
    cycles = np.arange(6.0)
    always_found = np.array([0.0, 0.0, 1.0, 1.0, 0.0, 0.0])
    absent = np.zeros(6)
    copy = 2.0 * cycles + 1.0
    told = np.array([1.0, 1.0, 0.0, 0.0, 0.0, 0.0])
    x = np.column_stack([np.ones(6), cycles, always_found, absent, copy, told])
    assert module._telling(x, y, 1) == [0, 1, 5]
    # Asked about what stands last, it is kept, and the first to say the same with it.
    assert module._telling(x, y, 5) == [0, 1, 5]


def test_threshold_is_where_average_is_the_floor(falling):
    fit, threshold = falling
    design, mixed = fit.design, fit.mixed
    found = module._threshold(design, mixed, "cycles", 0.85, (0.0, 20.0))
    x = design.x.copy()
    x[:, design.column_of("cycles")] = found
    spread = np.sqrt(sum(sd**2 for sd in mixed.sd.values()))
    rng = np.random.default_rng(1)
    eta = (x @ mixed.beta)[:, None] + spread * rng.standard_normal((len(x), 400))
    # 480,000 draws leave 0.0005 of the mean.
    assert (1 / (1 + np.exp(-eta))).mean() == pytest.approx(0.85, abs=0.002)
    # With the unit's own dogs and sources in place of their distributions: much the same.
    assert found == pytest.approx(threshold.estimate, abs=0.7)


def test_no_crossing_is_a_threshold_at_either_end(falling):
    fit, _ = falling
    for floor, wanted in ((0.999, -np.inf), (0.01, np.inf)):
        assert module._threshold(fit.design, fit.mixed, "cycles", floor, (0.0, 20.0)) == wanted
    rising = replace(fit.mixed, beta=np.abs(fit.mixed.beta))
    assert module._threshold(fit.design, rising, "cycles", 0.85, (0.0, 20.0)) == np.inf


@pytest.mark.slow
def test_interval_holds_estimate_and_truth(falling):
    fit, threshold = falling
    found = bootstrap_threshold(fit, threshold, refits=60)
    assert found.reason is None
    assert (found.resampled, found.by) == ("source", "cycles")
    assert found.failed <= 3
    assert found.low < found.estimate < found.high
    # Planted: 3.0 - 0.12 c with sources spread by 0.4, averaged to 0.85 at 10.1 cycles
    # (numerical integration); this seed's own sources move it by less than the interval.
    assert found.low < 10.1 < found.high


def test_the_same_seed_gives_the_same_interval(falling):
    fit, threshold = falling
    one, two = (bootstrap_threshold(fit, threshold, refits=8) for _ in range(2))
    assert one == two
    other = replace(fit, settings=replace(fit.settings, seed=9))
    assert bootstrap_threshold(other, threshold, refits=8) != one


def test_failed_resamples_are_counted_and_limited(falling, monkeypatch):
    fit, threshold = falling

    def sometimes(every):
        calls = iter(range(1_000))

        def fails(*args, **options):
            if next(calls) % every == every - 1:
                raise FitError("no maximum")
            return fit_mixed(*args, **options)

        return fails

    monkeypatch.setattr(module, "fit_mixed", sometimes(20))
    few = bootstrap_threshold(fit, threshold, refits=20)
    assert (few.failed, few.reason) == (1, None)
    monkeypatch.setattr(module, "fit_mixed", sometimes(4))
    many = bootstrap_threshold(fit, threshold, refits=20)
    assert many.low is None
    assert many.reason == f"{many.failed} of 20 resamples could not be fitted"
    # Not even all trials: nothing is resampled, and the reason is the engine's.
    monkeypatch.setattr(module, "fit_mixed", sometimes(1))
    none = bootstrap_threshold(fit, threshold, refits=20)
    assert (none.refits, none.low, none.reason) == (0, None, "no maximum")


def test_few_dogs_are_not_resampled(made_trials):
    fit = fit_finds(made_trials(2, n=600, dogs=4, cycle=-0.15, baseline=3.0), DecisionSettings())
    found = bootstrap_threshold(
        fit, find_threshold(fit, "cycles", alone=False), resampled="dog", refits=5
    )
    assert found.reason == "only 4 dogs to draw from; at least 5 are needed"
    assert found.resampled == "dog"
    assert found.low is None


def test_own_curve_is_resampled_without_the_other(made_trials):
    fit = fit_finds(made_trials(2, n=900, cycle=-0.15, baseline=3.0, tied=True), DecisionSettings())
    by_cycles, by_age = (
        bootstrap_threshold(fit, find_threshold(fit, e, alone=True), alone=True, refits=6)
        for e in ("cycles", "age_days")
    )
    # Age is 30 days a cycle here.
    assert by_age.estimate == pytest.approx(30.0 * by_cycles.estimate, rel=1e-3)
    assert by_age.low == pytest.approx(30.0 * by_cycles.low, rel=0.02)


def test_the_correction_for_bias_is_efron_s():
    # By hand: 30 of 100 resamples below the estimate, z0 = -0.524401; the 5th and 95th
    # percentiles become those at 2 z0 -/+ 1.644854: 0.0035337 and 0.7244299.
    low, high = module.corrected_tails(np.arange(100.0), 29.5, 0.90)
    assert low == pytest.approx(0.0035337, abs=1e-6)
    assert high == pytest.approx(0.7244299, abs=1e-6)
    # All on one side: half a resample is put on the other, and nothing is infinite.
    low, high = module.corrected_tails(np.arange(100.0), 1e9, 0.90)
    assert 0.0 < low <= high < 1.0
