"""A unit's surface: where its fit is, of age alone without thaws, a ridge where both are tied."""

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.exposure.trials import join
from outcomes.models.likelihood_surface import SurfaceSum
from outcomes.models.mixed import fit_mixed
from outcomes.pool.share import shared_surface
from outcomes.pool.unit_surface import unit_surface
from outcomes.records.write import unit_records
from outcomes.simulate import Truth, simulate_unit


def trials_of(truth: Truth, seed: int = 3, **sizes) -> pd.DataFrame:
    given = {"trials": 240, "dogs": 4, "sources": 12, "months": 15} | sizes
    return join(unit_records(simulate_unit(truth, seed, **given))).trials


@pytest.mark.slow
def test_the_top_is_the_units_own_fit() -> None:
    design = plan_design(
        trials_of(Truth(cycle_log_odds=-0.06, baseline_log_odds=1.6, shared_thaws=False))
    )
    fitted = fit_mixed(design.y, design.x, design.names, design.groups)
    found = unit_surface(design, fitted)
    assert found.exposures == ("cycles", "age")
    own = fitted.beta[1:3] * np.array([10.0, 365.25 / 30.0])
    errors = np.sqrt(np.diag(fitted.cov)[1:3]) * np.array([10.0, 365.25 / 30.0])
    shared = shared_surface(found).as_function()
    for effect in (0, 1):
        limits = SurfaceSum([shared]).limits(effect, 1.9207)
        # Rounded to .01, on steps of up to one error.
        assert abs(limits.estimate - own[effect]) < 0.05 * errors[effect]
        assert limits.low < own[effect] - 1.5 * errors[effect]
        assert limits.high > own[effect] + 1.5 * errors[effect]


@pytest.mark.slow
def test_without_thaws_it_is_of_age_alone() -> None:
    design = plan_design(trials_of(Truth(baseline_log_odds=1.4, all_refrigerated=True)))
    found = unit_surface(design)
    assert found.exposures == ("age",)
    shared = shared_surface(found)
    assert shared.cycles == ()
    assert len(shared.log_likelihood) == 1
    assert shared.as_function().dimensions == 1


@pytest.mark.slow
def test_exact_copies_make_a_ridge() -> None:
    design = plan_design(
        trials_of(
            Truth(cycle_log_odds=-0.05, baseline_log_odds=1.8, tied="exactly"),
            trials=200,
            sources=8,
        )
    )
    assert design.copies
    found = unit_surface(design)
    assert found.exposures == ("cycles", "age")
    shared = shared_surface(found).as_function()
    limits = [SurfaceSum([shared]).limits(effect, 1.9207) for effect in (0, 1)]
    # Neither slope has limits of its own within what is told.
    assert all(not np.isfinite([own.low, own.high]).all() for own in limits)
