"""Effects at the mean of what is open: held against exact integrals and the finds observed."""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, special

from outcomes.analysis.finds.model import fit_finds
from outcomes.models.mixed_posterior_mean import at_the_mean
from outcomes.models.mixed_result import MixedFit
from outcomes.models.mixed_variance import with_plausible_spread
from outcomes.settings import DecisionSettings


def _lone(peak: float, variance: float) -> MixedFit:
    """One source of trials that have nothing else in common."""
    frame = pd.DataFrame({"effect": [peak], "std_error": [np.sqrt(variance)]}, index=["A"])
    return MixedFit(
        names=("intercept",),
        beta=np.zeros(1),
        cov=np.zeros((1, 1)),
        sd={"source": 1.0},
        slope_sd={},
        effects={"source": frame},
        log_likelihood=0.0,
        df=1,
        singular=(),
        joint_names=(("", "intercept"), ("source", "A")),
        joint_cov=np.diag([0.0, variance]),
    )


@pytest.mark.parametrize(("finds", "n", "sd"), [(20, 22, 0.7), (38, 40, 0.5), (3, 30, 0.6)])
def test_lone_effects_mean_is_its_exact_posterior(finds, n, sd):
    # By quadrature: a binomial likelihood in the log-odds, times a normal prior.
    def height(u: float) -> float:
        likelihood = special.expit(u) ** finds * special.expit(-u) ** (n - finds)
        return float(likelihood * np.exp(-0.5 * (u / sd) ** 2))

    total = integrate.quad(height, -8, 8, limit=200)[0]
    exact = integrate.quad(lambda u: u * height(u), -8, 8, limit=200)[0] / total
    peak = 0.0
    for _ in range(100):
        found = special.expit(peak)
        information = n * found * (1.0 - found) + 1.0 / sd**2
        peak += (finds - n * found - peak / sd**2) / information
    groups = {"source": np.full(n, "A")}
    moved = at_the_mean(np.zeros((n, 1)), groups, _lone(peak, 1.0 / information))
    found_mean = float(moved.effects["source"]["effect"].iloc[0])
    assert abs(exact - peak) > 0.01
    # What is left is of the second order.
    assert found_mean == pytest.approx(exact, abs=0.2 * abs(exact - peak))


def test_even_finds_and_misses_move_nothing():
    # The third derivative of a binomial log-likelihood is 0 at one half.
    moved = at_the_mean(np.zeros((6, 1)), {"source": np.full(6, "A")}, _lone(0.0, 0.4))
    assert moved.effects["source"]["effect"].iloc[0] == 0.0


def test_about_the_mean_finds_are_foretold(made_trials):
    # The likelihood equation of the intercept: finds foretold are finds observed (McCullagh and
    # Nelder 1989, section 4.4). Averaged over what is open about the peak they fall short.
    fit = fit_finds(made_trials(1, n=500, cycle=-0.1, source_sd=0.6), DecisionSettings())
    design = fit.design
    plausible = with_plausible_spread(design.y, design.x, design.groups, fit.mixed)
    rows = [("", name) for name in plausible.names]
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    foretold = {}
    for name, model in (
        ("peak", plausible),
        ("mean", at_the_mean(design.x, design.groups, plausible)),
    ):
        combination = np.zeros((len(design.y), len(model.joint_names)))
        combination[:, : len(rows)] = design.x
        eta = design.x @ model.beta
        for grouping, frame in model.effects.items():
            eta = eta + frame["effect"].reindex(design.groups[grouping]).to_numpy()
            for k, (of, level) in enumerate(model.joint_names):
                if of == grouping:
                    combination[design.groups[grouping] == level, k] = 1.0
        sd = np.sqrt(((combination @ model.joint_cov) * combination).sum(axis=1))
        every = special.expit(eta[:, None] + sd[:, None] * nodes)
        foretold[name] = float((every @ weights).mean() / weights.sum())
    seen = float(design.y.mean())
    assert foretold["peak"] < seen - 0.003
    assert foretold["mean"] == pytest.approx(seen, abs=0.3 * (seen - foretold["peak"]))


def test_grouping_order_and_covariance_stay(made_trials):
    fit = fit_finds(made_trials(3, n=300, cycle=0.0, source_sd=0.5), DecisionSettings())
    moved = at_the_mean(fit.design.x, fit.design.groups, fit.mixed)
    assert list(moved.effects) == list(fit.mixed.effects)
    assert moved.joint_cov is fit.mixed.joint_cov
    for grouping, frame in fit.mixed.effects.items():
        pd.testing.assert_series_equal(moved.effects[grouping]["std_error"], frame["std_error"])


def test_step_beyond_the_error_is_not_taken():
    # 60 finds of 60 and hardly a prior: the peak is far out, and the third derivative there would
    # throw it farther still.
    wide = _lone(3.0, 9.0)
    moved = at_the_mean(np.zeros((60, 1)), {"source": np.full(60, "A")}, wide)
    assert moved is wide
