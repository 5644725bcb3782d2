"""The study of pools in a reduced size: a few units, drawn and put together as in full."""

import os

import numpy as np
import pytest
from pools import MEAN, in_short, read_bank, run_bank, run_pools, write_page

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "4"))


@pytest.fixture(scope="module")
def banks(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bank")
    return {
        world: read_bank(run_bank(world, max(UNITS, 4), 250, folder, workers=1))
        for world in ("alike", "unlike")
    }


def test_units_together_know_more_than_one(banks) -> None:
    units = banks["alike"]
    assert len(units) >= 3
    one, three = (run_pools(units, k, 4, seed=1) for k in (1, len(units) - 1))
    assert three["sum_width"].median() < one["sum_width"].median()
    # Four units and more, pooled: within four errors of what was planted, always.
    assert all(abs(u.planted - MEAN) < 1e-9 for u in units)
    assert three["sum_held"].mean() > 0.4


def test_unlike_units_are_planted_unlike(banks) -> None:
    planted = [u.planted for u in banks["unlike"]]
    assert np.std(planted) > 0.02


def test_the_page_tells_each_cell(banks, tmp_path) -> None:
    write_page(banks, 3, 250, tmp_path / "pools.md")
    page = (tmp_path / "pools.md").read_text()
    for heading in ("## Alike", "## Unlike", "| units | sum | told |"):
        assert heading in page
    assert set(in_short(run_pools(banks["alike"], 2, 2, seed=1))) >= {"sum", "named", "disagree"}
