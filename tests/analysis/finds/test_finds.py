"""The model of finds: sizes, intervals, differing slopes, and what averages mean."""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats
from scipy.special import expit

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.describe_terms import describe_terms, linear_predictor
from outcomes.analysis.finds.model import fit_finds, less_biased, refit
from outcomes.analysis.finds.slopes import find_slopes
from outcomes.analysis.finds.standard_errors import small_sample
from outcomes.exposure.trials import join
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.mixed import fit_mixed
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit

SETTINGS = DecisionSettings()


@pytest.fixture(scope="module")
def plain(made_trials):
    """A design without groupings, our terms from it, and statsmodels' fit of the same."""
    trials = made_trials(1, cycle=-0.08, age=-0.02)
    rng = np.random.default_rng(1)
    trials["temperature_c"] = rng.normal(15.0, 6.0, len(trials))
    trials["setting"] = rng.choice(["field", "wood"], len(trials), p=[0.6, 0.4])
    design = replace(plan_design(trials), groups={})
    mixed = fit_mixed(design.y, design.x, design.names, {})
    terms = describe_terms(design, mixed, np.full(design.x.shape[1], np.inf), 0.05)
    return design, terms, sm.Logit(design.y, design.x).fit(disp=False)


def test_without_groupings_it_is_statsmodels(plain):
    _, terms, reference = plain
    # 1e-5: both maximise the same likelihood, each to its own tolerance.
    for j, term in enumerate(terms, start=1):
        assert term.log_ratio == pytest.approx(reference.params[j], abs=1e-5)
        assert term.std_error == pytest.approx(reference.bse[j], rel=1e-5)
        assert term.p == pytest.approx(reference.pvalues[j], rel=1e-3)
        assert np.log([term.low, term.high]) == pytest.approx(reference.conf_int()[j], abs=1e-4)


def test_points_are_average_marginal_effects(plain):
    design, terms, reference = plain
    effects = reference.get_margeff(at="overall", dummy=True).margeff
    for j, term in enumerate(terms):
        assert term.points == pytest.approx(100.0 * effects[j], abs=1e-3)
        assert term.points_low <= term.points <= term.points_high
    assert {c.term for c in design.columns} == {"cycles", "age_days", "temperature_c", "setting"}


@pytest.mark.parametrize("eta", [-6.0, -0.5, 0.0, 2.0, 5.0])
@pytest.mark.parametrize("spread", [0.0, 0.3, 1.0, 2.0])
def test_averaging_over_a_spread_is_the_integral(eta, spread):
    # 25 Gauss-Hermite nodes against adaptive quadrature; 1e-5 is the worst at SD 2.
    found = averaged_probability(np.array([eta]), spread)
    for value, integrand in zip(found, (expit, lambda v: expit(v) * (1.0 - expit(v))), strict=True):
        expected = integrate.quad(
            lambda z, f=integrand: f(eta + spread * z) * stats.norm.pdf(z), -12, 12, epsabs=1e-10
        )[0]
        assert value[0] == pytest.approx(expected, abs=1e-5)


@given(st.floats(-1e4, 1e4), st.floats(0.0, 50.0))
def test_averages_stay_probabilities(eta, spread):
    probability, slope = averaged_probability(np.array([eta]), spread)
    assert 0.0 <= probability[0] <= 1.0 + 1e-12
    assert 0.0 <= slope[0] <= 0.25 + 1e-12


def test_terms_are_judged_on_sources_or_trials(made_trials):
    trials = made_trials(2, baseline=1.0)
    rng = np.random.default_rng(2)
    trials["kind"] = np.where(trials["source_id"] < "S05", "blood", "muscle")
    trials["temperature_c"] = rng.normal(15.0, 6.0, len(trials))
    design = plan_design(trials)
    freedom, widening = small_sample(design)
    judged = dict(zip(design.names, freedom, strict=True))
    # 12 sources less intercept, two exposures and one kind.
    assert judged == {
        "(Intercept)": 8,
        "cycles": 8,
        "age_days": 8,
        "kind: blood": 8,
        "temperature_c": np.inf,
    }
    # Widened for what is asked alone: the intercept and two exposures.
    np.testing.assert_allclose(widening, [np.sqrt(12 / 9)] * 4 + [1.0])


def test_interval_is_students_with_widened_error(made_trials):
    fit = fit_finds(made_trials(3, baseline=1.0, source_sd=0.5), SETTINGS)
    assert fit.slopes == ()
    term = fit.term("cycles")
    raw = fit_mixed(fit.design.y, fit.design.x, fit.design.names, fit.design.groups)
    error = np.sqrt(less_biased(fit.design, raw).cov[1, 1] * 12 / 9)
    assert term.std_error == pytest.approx(error, rel=1e-9)
    reach = stats.t(9).ppf(0.975) * error
    assert np.log(term.high) == pytest.approx(term.log_ratio + reach, rel=1e-9)


@pytest.fixture(scope="module")
def sloped(made_trials):
    """Twelve sources that change at clearly different speeds."""
    slopes = np.tile([-0.3, 0.0, 0.3], 4)
    return fit_finds(made_trials(4, n=1500, cycle_slopes=slopes, baseline=1.0), SETTINGS)


def test_differing_slopes_are_found_with_size(sloped):
    by_source = next(s for s in sloped.slopes if s.grouping == "source" and s.exposure == "cycles")
    # Planted SD 0.245; the error of an SD from 12 sources is about SD / sqrt(2 * 11).
    assert by_source.sd == pytest.approx(0.245, abs=3 * 0.245 / np.sqrt(22))
    assert by_source.statistic > 10.0
    # The mean of 12 slopes cannot be known better than SD / sqrt(12) lets it.
    assert by_source.std_error > 0.8 * by_source.sd / np.sqrt(12)
    assert by_source.std_error > 2.0 * by_source.common_error


def likeliest_cov(fit):
    """Errors by maximum likelihood with one common slope, allowing for few sources."""
    design = fit.design
    plain = fit_mixed(design.y, design.x, design.names, design.groups).cov
    return plain * np.outer(fit.widening, fit.widening)


def test_differing_slopes_carry_error_and_freedom(sloped):
    term, column = sloped.term("cycles"), sloped.design.column_of("cycles")
    slope = max((s for s in sloped.slopes if s.exposure == "cycles"), key=lambda s: s.std_error)
    # Slopes' errors are those of maximum likelihood; the bias takes a part of any error with it.
    likeliest, told = likeliest_cov(sloped), refit(sloped.design, slopes=False).cov
    kept = np.sqrt(told[column, column] / likeliest[column, column])
    assert 0.9 < kept < 1.0
    expected = slope.std_error * sloped.widening[column] * kept
    assert term.std_error == pytest.approx(expected, rel=1e-6)
    # Nearly all of the variance is between sources: little more than 11 (Satterthwaite),
    # and never more than sources less terms.
    assert sloped.freedom[column] == 9
    assert term.low < 1.0 < term.high


def test_differing_slopes_turn_at_usual_exposure(sloped):
    # At the mean exposure the level is known whatever the slope: no error is added there.
    mixed, design, unsloped = sloped.mixed, sloped.design, likeliest_cov(sloped)
    at = np.zeros(len(mixed.names))
    at[0], at[1] = 1.0, design.x[:, 1].mean()
    assert at @ mixed.cov @ at == pytest.approx(at @ unsloped @ at, rel=1e-6)
    for away in (-8.0, 8.0):
        moved = at.copy()
        moved[1] += away
        gained = moved @ mixed.cov @ moved - moved @ unsloped @ moved
        assert gained == pytest.approx(64.0 * (mixed.cov[1, 1] - unsloped[1, 1]), rel=1e-6)


def test_widened_covariances_stay_covariances(sloped):
    for cov in (sloped.mixed.cov, sloped.mixed.joint_cov):
        np.testing.assert_allclose(cov, cov.T, atol=1e-12)
        values = np.linalg.eigvalsh(cov)
        assert values[0] >= -1e-10 * values[-1]


def test_a_slope_never_makes_an_error_smaller(made_trials):
    for seed in (5, 6, 7):
        fit = fit_finds(made_trials(seed, n=400, baseline=1.0), SETTINGS)
        plain_fit = refit(fit.design, slopes=False)
        assert (np.diag(fit.mixed.cov) >= np.diag(plain_fit.cov) * (1.0 - 1e-9)).all()
        assert fit.slopes == find_slopes(fit.design)[0]


def test_shortage_is_named_with_how_much(made_trials):
    trials = made_trials(8, n=100, dogs=2, sources=5)
    trials["result"] = np.where(np.arange(100) < 80, "find", "miss")
    fit = fit_finds(trials, SETTINGS)
    assert fit.too_few == {"misses": (20, 30), "sources": (5, 8), "dogs": (2, 3)}
    assert (fit.mixed, fit.terms, fit.log_likelihood, fit.slopes) == (None, (), None, ())
    assert fit.reason == "too few trials to fit a model that could be trusted"
    only_misses = fit_finds(trials.assign(result="miss"), SETTINGS)
    assert only_misses.too_few["finds"] == (0, 30)


def test_names_and_order_change_nothing(made_trials):
    trials = made_trials(10, source_sd=0.5, cycle=-0.05, baseline=1.5)
    fit = fit_finds(trials, SETTINGS)
    renamed = trials.assign(
        dog_id=trials["dog_id"].map({"D0": "Z", "D1": "b", "D2": "1", "D3": "aa"}),
        source_id=trials["source_id"].map(lambda s: f"{(int(s[1:]) * 7) % 12}x"),
    )
    shuffled = trials.sample(frac=1.0, random_state=1)
    for other in (fit_finds(renamed, SETTINGS), fit_finds(shuffled, SETTINGS)):
        # The optimiser stops within 1e-5 of a log-likelihood unit, 0.005 errors away.
        assert other.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-5)
        for a, b in zip(fit.terms, other.terms, strict=True):
            assert b.log_ratio == pytest.approx(a.log_ratio, abs=0.005 * a.std_error)
            assert b.std_error == pytest.approx(a.std_error, rel=1e-3)


def test_swapping_finds_and_misses_turns_sizes(made_trials):
    trials = made_trials(11, baseline=0.5, cycle=-0.05)
    fit = fit_finds(trials, SETTINGS)
    turned = trials.assign(result=trials["result"].map({"find": "miss", "miss": "find"}))
    for a, b in zip(fit.terms, fit_finds(turned, SETTINGS).terms, strict=True):
        assert b.log_ratio == pytest.approx(-a.log_ratio, abs=0.005 * a.std_error)
        assert b.points == pytest.approx(-a.points, abs=0.01)


def test_interval_widens_with_confidence(made_trials):
    trials = made_trials(12)
    at_95, at_99 = (fit_finds(trials, replace(SETTINGS, alpha=a)) for a in (0.05, 0.01))
    for a, b in zip(at_95.terms, at_99.terms, strict=True):
        assert b.low < a.low < a.high < b.high


@pytest.fixture(scope="module")
def recovered():
    """Six units with both effects planted."""
    truth = SCENARIOS["both"]
    fits = [
        fit_finds(join(unit_records(simulate_unit(truth, seed, trials=800))).trials, SETTINGS)
        for seed in range(20, 26)
    ]
    return truth, fits


@pytest.mark.parametrize("term", ["cycles", "age_days"])
def test_planted_effects_are_recovered(recovered, term):
    truth, fits = recovered
    planted = truth.cycle_log_odds if term == "cycles" else truth.age_log_odds
    sizes = np.array([fit.term(term).log_ratio for fit in fits])
    errors = np.array([fit.term(term).std_error for fit in fits])
    # The mean of six within three of its standard errors, and each within four of its own.
    assert abs(sizes.mean() - planted) < 3.0 * np.sqrt((errors**2).sum()) / len(fits)
    assert (np.abs(sizes - planted) < 4.0 * errors).all()
    # Not by errors too wide to miss: the average over six units still tells the effect from none.
    assert sizes.mean() / (np.sqrt((errors**2).sum()) / len(fits)) < -2.0


def test_log_odds_carry_the_trials_dog_and_source(recovered):
    _, fits = recovered
    fit = fits[0]
    eta, spread = linear_predictor(fit.design, fit.mixed)
    i = 17
    effects = {g: fit.mixed.effects[g].loc[fit.design.groups[g][i]] for g in ("dog", "source")}
    expected = fit.design.x[i] @ fit.mixed.beta + sum(e["effect"] for e in effects.values())
    variance = sum(e["std_error"] ** 2 for e in effects.values())
    variance += sum(s**2 for g, s in fit.mixed.sd.items() if g not in effects)
    assert eta[i] == pytest.approx(expected, rel=1e-12)
    assert spread[i] == pytest.approx(np.sqrt(variance), rel=1e-12)
    # Averaged over its own trials the model finds as often as the dogs did.
    mean = averaged_probability(eta, spread)[0].mean()
    assert mean == pytest.approx(fit.finds / fit.n, abs=0.01)


def test_strong_sources_hide_less_of_cycles():
    """Trap: strong sources reach more cycles, and make the fall with cycles look smaller."""
    truth = SCENARIOS["strong sources used more"]
    moved = []
    for seed in range(40, 50):
        records = unit_records(simulate_unit(truth, seed))
        design = plan_design(join(records).trials)
        column = design.column_of("use_ratio")
        at = design.column_of("cycles")
        keep = [j for j in range(design.x.shape[1]) if j != column]
        names = [design.names[j] for j in keep]
        with_it = fit_mixed(design.y, design.x, design.names, design.groups, details=False)
        without = fit_mixed(design.y, design.x[:, keep], names, design.groups, details=False)
        moved.append(with_it.beta[at] - without.beta[at])
    # Units vary; a term that did nothing would move their mean by more than two of its errors
    # one time in twenty, and upwards as often as downwards.
    assert np.mean(moved) < -2.0 * np.std(moved, ddof=1) / np.sqrt(len(moved))


def test_runaway_hides_are_left_out_and_told():
    # 376 trials, 31 misses, about two trials in each hide: likeliest with a standard deviation of
    # 17 between hides, where a hide is found for certain or missed for certain.
    records = unit_records(simulate_unit(SCENARIOS["cycles only"], 81_012, trials=450))
    trials = join(records).trials
    design = plan_design(trials)
    wild = fit_mixed(design.y, design.x, design.names, design.groups)
    assert wild.sd["hide"] > 4.0
    fit = fit_finds(trials, SETTINGS)
    assert set(fit.sd) == {"dog", "source"}
    assert max(fit.sd.values()) < 1.5
    assert "hide" in [left.term for left in fit.left_out]
    # Back where finds are: the observed share, foretold.
    foretold = expit(linear_predictor(fit.design, fit.mixed)[0]).mean()
    assert foretold == pytest.approx(fit.finds / fit.n, abs=0.01)


def test_dogs_impossibly_far_apart_are_no_model(made_trials):
    trials = made_trials(4, n=400, cycle=0.0, source_sd=0.3)
    dogs = sorted(trials["dog_id"].unique())
    never = trials["dog_id"].isin(dogs[::2])
    result = np.where(never, "miss", "find")
    # One answer against the rest for each dog, so that a maximum exists.
    for dog in dogs:
        own = np.flatnonzero(trials["dog_id"] == dog)[:1]
        result[own] = "find" if dog in dogs[::2] else "miss"
    fit = fit_finds(trials.assign(result=result), SETTINGS)
    assert fit.mixed is None
    assert "differences between dogs or sources" in fit.reason
    assert fit.terms == ()
