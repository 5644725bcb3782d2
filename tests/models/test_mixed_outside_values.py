"""Values of the mixed model that publications or lme4 give, beside those of the reference cases.

``tests/reference/outside_values.R`` gives them at tight tolerances; ``test_mixed_reference.py``
holds those of cattle herds and of verbal aggression.
"""

import math
from pathlib import Path

import mixed_cases
import numpy as np
import pandas as pd
import random_sets
from mixed_cases import Case

from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit

MATINGS = Path(__file__).parents[1] / "reference" / "salamander_matings.csv"


def _fit(case: Case) -> MixedFit:
    return fit_mixed(case.y, case.x, case.names, case.groups)


def _salamanders() -> Case:
    """360 matings of 60 females and 60 males: no animal is taken for one of another experiment."""
    wide = pd.read_csv(MATINGS)
    rows = pd.concat([wide.assign(y=wide[f"mated_{e}"], of=str(e)) for e in (1, 2, 3)])
    female, male = ((rows[f"{sex}_type"] == "white").to_numpy(float) for sex in ("female", "male"))
    x = np.column_stack([np.ones(len(rows)), female, male, female * male])
    names = ("(Intercept)", "white female", "white male", "both white")
    groups = {
        sex: (rows["of"] + rows[f"{sex}_type"] + rows[sex].astype(str)).to_numpy()
        for sex in ("female", "male")
    }
    return Case(rows["y"].to_numpy(float), x, names, groups)


def _half(case: Case, rows: np.ndarray) -> Case:
    return Case(case.y[rows], case.x[rows], case.names, {"herd": case.groups["herd"][rows]})


def test_salamander_matings_agree_with_lme4(outside) -> None:
    check = outside(
        "Mixed logistic model, two crossed groupings (salamander matings)",
        "McCullagh & Nelder 1989, Generalized Linear Models, section 14.5: the data; lme4.",
        "computed",
    )
    fit = _fit(_salamanders())
    terms = ("intercept", "white female", "white male", "both white")
    check.each(terms, "1.008 -2.904 -0.702 3.588", fit.beta)
    errors = np.sqrt(np.diag(fit.cov))
    check.each([f"{t}, error" for t in terms], "0.394 0.561 0.461 0.639", errors, 1e-3)
    check.each(("SD of females", "SD of males"), "1.084 1.020", (fit.sd["female"], fit.sd["male"]))
    check("log-likelihood", "-209.277", fit.log_likelihood)


def test_two_units_likelihoods_add_up(outside) -> None:
    check = outside(
        "Mixed logistic model, two units (cattle herds, cbpp)",
        "Lesnoff et al. (2004), Preventive Veterinary Medicine 64, 1-13: the data; lme4.",
        "computed",
    )
    case = mixed_cases.load_case("cbpp")
    joint = _fit(case)
    first = case.groups["herd"].astype(int) <= 8
    halves = [_half(case, first), _half(case, ~first)]
    own = np.array([random_sets.laplace(half, joint.beta, joint.sd) for half in halves])
    assert abs(own.sum() - joint.log_likelihood) < 1e-6
    # lme4's are of herd-periods: one by one the animals differ from them by binomial coefficients.
    own += [_log_choose(half) for half in halves]
    units = ("herds 1 to 8", "herds 9 to 15", "both")
    values = [f"log-likelihood of {unit}" for unit in units]
    check.each(values, "-50.622 -41.404 -92.026", (*own, own.sum()))
    # Each unit by itself, coefficients weighted by the inverse of their covariance: not the same.
    alone = [_fit(half) for half in halves]
    weights = [np.linalg.inv(fit.cov) for fit in alone]
    weighted = sum(w @ fit.beta for w, fit in zip(weights, alone, strict=True))
    both = np.linalg.solve(sum(weights), weighted)
    values = [f"period {k}, each unit by itself" for k in (2, 3, 4)]
    check.each(values, "-0.957 -1.153 -1.606", both[1:], 1e-3)


def _log_choose(case: Case) -> float:
    """Logarithm of the ways to choose the ill animals of every herd and period, all told."""
    cell = pd.DataFrame({"herd": case.groups["herd"], "period": case.x @ [1, 2, 4, 8], "y": case.y})
    sizes = cell.groupby(["herd", "period"])["y"].agg(["size", "sum"]).astype(int)
    return sum(math.log(math.comb(n, k)) for n, k in sizes.itertuples(index=False))
