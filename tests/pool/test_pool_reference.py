"""The pooled answer held to one fit of all records together by lme4."""

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from outcomes.pool.answer import add_up
from outcomes.pool.share import shared_surface
from outcomes.pool.unit_surface import UnitSurface, unit_surface
from tests.reference.pool_units import SEEDS, unit_design, unit_frame

REFERENCE = Path(__file__).parents[1] / "reference"
LME4 = pd.read_csv(REFERENCE / "pool_lme4.csv", comment="#")
STORED = pd.read_csv(REFERENCE / "pool_units.csv")


@pytest.fixture(scope="module")
def surfaces() -> dict[str, UnitSurface]:
    """Each unit as lme4 had it: a dog's and a source's level, no other grouping."""
    made = {}
    for number, seed in enumerate(SEEDS, 1):
        design = unit_design(seed)
        rows = STORED[STORED["unit"] == number].reset_index(drop=True)
        pd.testing.assert_frame_equal(
            unit_frame(number, design).reset_index(drop=True),
            rows.dropna(axis=1, how="all"),
            check_dtype=False,
        )
        groups = {name: design.groups[name] for name in ("dog", "source")}
        made[f"unit{number}"] = unit_surface(replace(design, groups=groups))
    return made


@pytest.mark.slow
@pytest.mark.parametrize("number", [2, 4])
def test_units_together_are_one_fit_of_all_their_trials(surfaces, number) -> None:
    # Rounded, cut off and put on a lattice as a share has it; limits and errors within .05
    # standard errors of lme4's one fit with level, terms and spreads of each unit its own.
    shared = {
        name: shared_surface(found).as_function() for name, found in list(surfaces.items())[:number]
    }
    together = add_up(shared)
    theirs = LME4[LME4["units"] == number].set_index("term")
    for name, slope in together.items():
        estimate, error = theirs.loc[name, ["estimate", "std_error"]]
        assert abs(slope.estimate - estimate) < 0.05 * error
        # Limits are from the likelihood, lme4's from its curvature: the same to some per cent.
        assert slope.std_error == pytest.approx(error, rel=0.1)
