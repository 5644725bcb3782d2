"""Profile-likelihood limits of cycles and age."""

from pathlib import Path

import mixed_cases
import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.finds.profile import profile_interval, profile_limits
from outcomes.errors import FitError
from outcomes.exposure.trials import join
from outcomes.models.mixed import fit_mixed
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit

REFERENCE = Path(__file__).parents[2] / "reference"


SMALL = mixed_cases.load_case("small_unit")
LME4 = pd.read_csv(REFERENCE / "profile_lme4.csv", comment="#")


@pytest.fixture(scope="module")
def fit() -> FindFit:
    unit = simulate_unit(SCENARIOS["cycles only"], 5, trials=900)
    return fit_finds(join(unit_records(unit)).trials, DecisionSettings())


@pytest.mark.parametrize("row", list(LME4.itertuples()), ids=lambda r: f"{r.term} {r.confidence}")
def test_limits_are_those_of_lme4(row) -> None:
    # tests/reference/profile.R. lme4 reads its limits off a spline: 3e-3 of a standard error.
    critical = stats.norm.ppf(0.5 + row.confidence / 2.0)
    column = SMALL.names.index(row.term)
    limits = profile_limits(SMALL.y, SMALL.x, SMALL.names, SMALL.groups, column, critical)
    assert limits == pytest.approx((row.low, row.high), abs=3e-3 * row.std_error)


def test_an_offset_is_a_fixed_coefficient() -> None:
    whole = fit_mixed(SMALL.y, SMALL.x, SMALL.names, SMALL.groups)
    held = fit_mixed(
        SMALL.y,
        np.delete(SMALL.x, 1, axis=1),
        [n for n in SMALL.names if n != "cycles"],
        SMALL.groups,
        offset=whole.beta[1] * SMALL.x[:, 1],
    )
    # At its own maximum, holding a coefficient changes nothing: 1e-4, the optimizer's noise.
    assert held.log_likelihood == pytest.approx(whole.log_likelihood, abs=1e-4)
    assert held.beta == pytest.approx(np.delete(whole.beta, 1), abs=1e-3)
    for grouping in ("dog", "source"):
        for column in ("effect", "std_error"):
            assert held.effects[grouping][column].to_numpy() == pytest.approx(
                whole.effects[grouping][column].to_numpy(), abs=2e-3
            )


def test_ungrouped_limits_are_the_plain_profile() -> None:
    rng = np.random.default_rng(11)
    dose = rng.uniform(0.0, 4.0, 80)
    y = (rng.random(80) < 1.0 / (1.0 + np.exp(1.0 - dose))).astype(float)

    def profile(slope: float) -> float:
        def minus(intercept: float) -> float:
            eta = intercept + slope * dose
            return float(np.logaddexp(0.0, eta).sum() - y @ eta)

        return -float(optimize.minimize_scalar(minus, bounds=(-20, 20), method="bounded").fun)

    best = optimize.minimize_scalar(lambda s: -profile(s), bounds=(0, 5), method="bounded")
    fallen = -float(best.fun) - stats.chi2.ppf(0.95, 1) / 2.0
    expected = [
        optimize.brentq(lambda s: profile(s) - fallen, *ends)
        for ends in ((best.x - 3.0, best.x), (best.x, best.x + 3.0))
    ]
    x = np.column_stack([np.ones(80), dose])
    limits = profile_limits(y, x, ["(Intercept)", "dose"], {}, 1, stats.norm.ppf(0.975))
    assert limits == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("exposure", ["cycles", "age_days"])
def test_interval_holds_estimate_and_grows(fit: FindFit, exposure: str) -> None:
    inner = profile_interval(fit, exposure, 0.8)
    outer = profile_interval(fit, exposure, 0.95)
    assert outer.low < inner.low < inner.estimate < inner.high < outer.high
    assert outer.refits <= 16


def test_interval_allows_for_few_sources(fit: FindFit) -> None:
    plain = profile_interval(fit, "cycles", few_sources=False)
    allowed = profile_interval(fit, "cycles")
    term = fit.term("cycles")
    # About the likeliest effect; the term is told less its bias.
    column = fit.design.column_of("cycles")
    assert allowed.estimate == fit.mixed.beta[column] != term.log_ratio
    reach = stats.t(fit.freedom[column]).ppf(0.975) * np.sqrt(fit.mixed.cov[column, column])
    assert (allowed.wald_low, allowed.wald_high) == pytest.approx(
        (allowed.estimate - reach, allowed.estimate + reach)
    )
    assert allowed.low < plain.low < plain.high < allowed.high
    # The likelihood of a single coefficient is nearly a parabola at this size.
    assert allowed.high - allowed.low == pytest.approx(
        allowed.wald_high - allowed.wald_low, rel=0.15
    )


def test_absent_exposure_is_refused_with_reason() -> None:
    unit = simulate_unit(SCENARIOS["cycles only"], 5, trials=60)
    small = fit_finds(join(unit_records(unit)).trials, DecisionSettings())
    with pytest.raises(FitError, match="cycles has no effect to put an interval on: too few"):
        profile_interval(small, "cycles")
