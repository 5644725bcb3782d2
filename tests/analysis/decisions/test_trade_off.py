"""What each limit buys and costs: by other means, against a planted truth, and its refusals."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, special, stats

from outcomes.analysis.decisions import source_draws
from outcomes.analysis.decisions import trade_off as module
from outcomes.analysis.decisions.rate_of_use import Discard, RateOfUse, rate_of_use
from outcomes.analysis.decisions.trade_off import trade_off
from outcomes.analysis.finds.cycles_or_age import exposures_tied, which_predicts
from outcomes.analysis.finds.kinds import KindChange
from outcomes.analysis.finds.model import at_each_spread, fit_finds
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit


def _use(sources: int = 12, discards: int = 20) -> RateOfUse:
    """Twelve sources thawed ten times a year, new when they came; twenty discarded in a year."""
    ones = np.ones(sources)
    gone = tuple(Discard(f"G{k}", pd.Timestamp("2025-03-01"), 5.0, 90.0) for k in range(discards))
    return RateOfUse(1.0, ("",) * sources, ones, 10.0 * ones, 0.0 * ones, 0.0 * ones, gone, 0)


def _verdict(fit, word):
    return replace(which_predicts(fit, refits=0), verdict=word)


@pytest.fixture(scope="module")
def falling(made_trials):
    fit = fit_finds(made_trials(1, n=500, cycle=-0.1, source_sd=0.6), DecisionSettings())
    return fit, trade_off(fit, _verdict(fit, "cycles"), _use(), combined=[(10.0, 200.0)])


def test_limits_priced_are_those_several_reached():
    ages = {name: np.linspace(1.0, 100.0, 10) for name in "ABCD"} | {"E": np.linspace(1, 300, 10)}
    trials = pd.DataFrame(
        [(name, age) for name, own in ages.items() for age in own],
        columns=["source_id", "age_days"],
    )
    # Beyond 100 days there is one source; within 60 too few trials.
    assert module._candidates(trials, "age_days", 30.0) == [90.0]


def test_find_probability_averages_over_all(falling):
    # By hand: every trial within the limit, in the place of every standing trial, with adaptive
    # quadrature over what dogs and sources leave open, at every spread between sources in
    # proportion to its weight; each source with its share of the trials.
    fit, found = falling
    design = fit.design
    point = next(p for p in found.by_cycles if p.cycles == 8.0)
    inside = (design.trials["cycles"] <= 8.0).to_numpy()
    own = design.trials["source_id"].to_numpy()
    share = pd.Series(own).map(
        pd.Series(own).value_counts() / pd.Series(own[inside]).value_counts()
    )
    tried = pd.Series(design.groups["dog"]).value_counts(normalize=True)
    expected = 0.0
    for likely, mixed in at_each_spread(fit):
        source = mixed.effects["source"].reindex(design.groups["source"][inside])
        levels = mixed.effects["dog"]
        every = np.zeros(inside.sum())
        eta = design.x[inside] @ mixed.beta + source["effect"].to_numpy()
        for name, weight in tried.items():
            sd = np.hypot(levels.loc[name, "std_error"], source["std_error"].to_numpy())
            at = (eta + levels.loc[name, "effect"])[:, None] + sd[:, None] * np.array(NODES)
            every += weight * special.expit(at) @ np.array(WEIGHTS)
        expected += likely * np.average(every, weights=share[inside])
    # Draws are from a joint t distribution, wider than the normal and with dogs and sources
    # going together; 1,000 antithetic draws leave little beside that.
    assert point.find_probability == pytest.approx(expected, abs=4e-3)
    assert point.trials == inside.sum()


_Z, _W = np.polynomial.hermite_e.hermegauss(31)
NODES, WEIGHTS = _Z.tolist(), (_W / _W.sum()).tolist()


def test_reading_off_a_grid_is_averaging_in_full():
    rng = np.random.default_rng(1)
    states, others = rng.normal(0, 2, (3, 40)), rng.normal(1, 1, (3, 8))
    found = source_draws.averaged_over(states, others, 0.8)
    for d in range(3):
        for i in (0, 39):
            full = np.mean(
                [
                    integrate.quad(
                        lambda z, e=states[d, i] + r: (
                            special.expit(e + 0.8 * z) * stats.norm.pdf(z)
                        ),
                        -9,
                        9,
                    )[0]
                    for r in others[d]
                ]
            )
            # 41 points over eight or nine units of log-odds, read off in straight lines.
            assert found[d, i] == pytest.approx(full, abs=1e-3)


def test_draws_have_the_joint_covariance(falling):
    fit, _ = falling
    mixed = fit.each_source
    beta, effects = source_draws.draw_effects(
        mixed, ("dog", "source"), 1e9, 40_000, np.random.default_rng(2)
    )
    columns = [mixed.joint_names.index(("source", "S03")), mixed.joint_names.index(("dog", "D1"))]
    source = effects["source"][1][:, effects["source"][0].get_loc("S03")]
    dog = effects["dog"][1][:, effects["dog"][0].get_loc("D1")]
    together = np.cov(np.column_stack([beta, source, dog]), rowvar=False)
    rows = [*range(len(mixed.beta)), *columns]
    wanted = mixed.joint_cov[np.ix_(rows, rows)]
    some = np.diag(wanted) > 0.0
    wanted, together = wanted[np.ix_(some, some)], together[np.ix_(some, some)]
    assert some.sum() >= len(mixed.beta) + 1
    scale = np.sqrt(np.outer(np.diag(wanted), np.diag(wanted)))
    # 20,000 independent draws: an error of 0.01 in a standardised covariance, four of them.
    np.testing.assert_allclose(together / scale, wanted / scale, atol=0.04)
    assert beta.mean(axis=0) == pytest.approx(mixed.beta)


def test_tighter_limit_buys_and_costs_more(falling):
    _, found = falling
    rules = found.by_cycles
    assert [p.cycles for p in rules] == list(range(1, 20))
    assert (np.diff([p.find_probability for p in rules]) <= 1e-9).all()
    assert (np.diff([p.share_below_floor for p in rules]) >= -1e-9).all()
    assert (np.diff([p.sources_per_year for p in rules]) < 0).all()
    # Twelve places at 10 cycles a year.
    assert rules[4].sources_per_year == pytest.approx(120.0 / 5.0)
    assert rules[-1].find_probability >= found.present.find_probability


def test_every_limit_holds_its_estimate(falling):
    _, found = falling
    for p in (*found.by_cycles, *found.by_age, *found.combined, found.present):
        assert 0.0 <= p.low <= p.find_probability <= p.high <= 1.0
        assert 0.0 <= p.share_low <= p.share_below_floor <= p.share_high <= 1.0
        assert 0.0 <= p.sources_low <= p.sources_per_year <= p.sources_high


def test_whichever_first_is_stricter_than_either(falling):
    fit, found = falling
    (both,) = found.combined
    alone = next(p for p in found.by_cycles if p.cycles == 10.0)
    assert both.trials < alone.trials
    assert both.sources_per_year > alone.sources_per_year
    within = (fit.design.trials["cycles"] <= 10) & (fit.design.trials["age_days"] <= 200)
    assert both.trials == within.sum()


def test_rule_by_what_matters_buys_more(falling):
    _, found = falling
    # Planted: cycles alone. Both rules at one price, cycles the better.
    assert found.advantage.sources_per_year == found.present.sources_per_year == 20.0
    assert found.advantage.cycles == pytest.approx(6.0)
    assert found.advantage.low > 0.0
    by_age = np.interp(
        found.advantage.age_days,
        [p.age_days for p in found.by_age],
        [p.sources_per_year for p in found.by_age],
    )
    assert by_age == pytest.approx(20.0, rel=0.01)


@pytest.mark.parametrize("seed", [3, 4, 5, 6])
def test_true_find_probability_lies_in_its_limits(seed):
    unit = simulate_unit(SCENARIOS["cycles only"], seed, trials=900)
    records = unit_records(unit)
    joined = join(records)
    # 99.9 %: each of eight limits misses once in a thousand units.
    fit = fit_finds(joined.trials, DecisionSettings(confidence=0.999))
    when = joined.trials["started_at"]
    use = rate_of_use(records.sources, records.storage, joined.history, when.min(), when.max())
    found = trade_off(fit, _verdict(fit, "cycles"), use)
    true = unit.true_trials.set_index("trial_id")["find_probability"]
    true = true.reindex(fit.design.trials["trial_id"]).to_numpy()
    own = fit.design.trials["source_id"].to_numpy()
    for point in (found.by_cycles[4], found.by_cycles[-1]):
        inside = (fit.design.trials["cycles"] <= point.cycles).to_numpy()
        counts = pd.Series(own).value_counts() / pd.Series(own[inside]).value_counts()
        share = counts.reindex(own[inside]).to_numpy()
        # As run, not standardised over dogs and conditions: they differ little within a limit.
        assert point.low < np.average(true[inside], weights=share) < point.high
    assert found.present.low < true.mean() < found.present.high


def test_same_seed_same_price_whatever_the_order(falling, made_trials):
    fit, found = falling
    again = trade_off(fit, _verdict(fit, "cycles"), _use(), combined=[(10.0, 200.0)])
    assert again == found
    other = replace(fit, settings=replace(fit.settings, seed=2))
    point = trade_off(other, _verdict(fit, "cycles"), _use()).by_cycles[5]
    assert point.find_probability != found.by_cycles[5].find_probability
    # Monte Carlo error of 1,000 antithetic draws.
    assert point.find_probability == pytest.approx(found.by_cycles[5].find_probability, abs=2e-3)
    trials = made_trials(1, n=500, cycle=-0.1, source_sd=0.6).sample(frac=1.0, random_state=1)
    shuffled = fit_finds(trials, DecisionSettings())
    point = trade_off(shuffled, _verdict(shuffled, "cycles"), _use()).by_cycles[5]
    assert point.find_probability == pytest.approx(found.by_cycles[5].find_probability, abs=1e-3)


@pytest.mark.parametrize(
    ("word", "says"),
    [
        ("no change detected", "no change with cycles or age was detected"),
        ("too few trials", "too little evidence"),
        ("age", "finds do not fall"),
    ],
)
def test_nothing_to_be_had_is_not_priced(made_trials, word, says):
    fit = fit_finds(made_trials(7, n=900, cycle=-0.1, age=0.05), DecisionSettings())
    found = trade_off(fit, _verdict(fit, word), _use())
    assert says in found.reason
    assert (found.by_cycles, found.by_age, found.present) == ((), (), None)


def test_tied_exposures_are_asked_alone(made_trials):
    # Finds rise with both, which are nearly one: in the model of both, one of them falls.
    trials = made_trials(12, n=900, cycle=0.15, tied=True)
    trials["age_days"] += np.random.default_rng(2).normal(0.0, 3.0, len(trials))
    fit = fit_finds(trials, DecisionSettings())
    assert exposures_tied(fit.design)
    both = [fit.reduced.beta[fit.design.column_of(e)] for e in ("cycles", "age_days")]
    assert min(both) < 0.0
    found = trade_off(fit, _verdict(fit, "cannot be told apart"), _use())
    assert "finds do not fall" in found.reason


def test_without_storage_no_price_is_made_up(falling):
    fit, _ = falling
    empty = np.zeros(0)
    use = RateOfUse(1.0, (), empty, empty, empty, empty, (), 5)
    found = trade_off(fit, _verdict(fit, "cycles"), use)
    assert "storage of no source" in found.reason
    assert found.undocumented == 5


def test_even_trials_stand_for_a_huge_unit(falling, monkeypatch):
    fit, found = falling
    monkeypatch.setattr(module, "_MOST_TRIALS", 250)
    half = trade_off(fit, _verdict(fit, "cycles"), _use())
    assert half.present.trials == 500
    assert half.present.find_probability == pytest.approx(found.present.find_probability, abs=0.01)


def test_discards_are_counted_with_exact_limits():
    # Garwood: 10 events, 95 %: 4.80 to 18.39 (R poisson.test(10)).
    assert module._rate(10, 2.0, 0.95) == pytest.approx((5.0, 2.3977, 9.1952), abs=1e-4)
    assert module._rate(0, 1.0, 0.95)[:2] == (0.0, 0.0)
    # -ln(0.025), the upper limit of no event.
    assert module._rate(0, 1.0, 0.95)[2] == pytest.approx(-np.log(0.025))


def test_rule_leaving_too_few_is_not_priced(falling):
    fit, _ = falling
    assert trade_off(fit, _verdict(fit, "cycles"), _use(), combined=[(1.0, 5.0)]).combined == ()


def test_share_limits_are_the_narrowest():
    # An exponential: the narrowest 90 % begin at 0 and end at -ln 0.1 (closed form); equal tails
    # would leave out what lies nearest to none.
    draws = stats.expon.ppf((np.arange(1_000) + 0.5) / 1_000) / 20.0
    centre, low, high = module._share(np.random.default_rng(4).permutation(draws), 0.9)
    assert centre == pytest.approx(draws.mean())
    assert low == draws[0]
    assert high == pytest.approx(-np.log(0.1) / 20.0, rel=0.01)
    assert ((draws >= low) & (draws <= high)).sum() == 900
    # Of a symmetric spread they are the equal tails.
    even = stats.norm.ppf((np.arange(999) + 0.5) / 999)
    _, low, high = module._share(even, 0.9)
    assert (low, high) == pytest.approx((-1.645, 1.645), abs=0.02)


@pytest.mark.parametrize("word", ["cycles", "both", "cannot be told apart"])
def test_where_kinds_part_no_common_price_is_put(falling, word):
    fit, _ = falling
    kinds = (KindChange("blood", 5, -0.2, -0.3, -0.1), KindChange("fat", 5, 0.0, -0.1, 0.1))
    parted = replace(_verdict(fit, word), by_kind=kinds)
    price = trade_off(fit, parted, _use())
    assert price.reason.startswith("kinds of source differ in how they change")
    assert (price.by_cycles, price.by_age, price.present) == ((), (), None)
    alike = replace(parted, by_kind=(kinds[0], replace(kinds[0], kind="fat")))
    assert trade_off(fit, alike, _use()).reason is None
