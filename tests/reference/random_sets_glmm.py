"""The package glmm on the sets of ``random_sets.py``, as a second opinion beside lme4.

Run on its own, with glmm, which this toolkit does without::

    python -m pip install glmm==0.6.2
    OPENBLAS_NUM_THREADS=1 python tests/reference/random_sets_glmm.py

It writes ``random_sets_glmm.csv``, a row for each set, and ``random_sets_glmm_terms.csv``, a row
for each estimate. Columns are standardised for the fit and the estimates taken back; the largest
grouping stands first in the formula, as glmm stops with an error otherwise. Each model is fitted
from glmm's own start and from standard deviations of 0.1, 1 and 3, and the best kept: from one
start it stops at the worse of two maxima now and then. As for lme4, the best is the one with most
likelihood worked out anew at its end (``log_likelihood``; glmm's own is ``by_glmm``), and an end
whose standard deviations are all below 4 goes before any ``beyond`` (see ``random_sets.R``).
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import random_sets
from mixed_cases import Case

HERE = Path(__file__).parent


def fit_set(case: Case) -> dict[str, Any] | str:
    """Fit one set: what glmm gives, or why it gives nothing."""
    if len(set(case.y)) == 1:
        return "constant outcome: glmm gives errors of 1e148"
    centre, scale = case.x.mean(axis=0), case.x.std(axis=0)
    centre[0], scale[0] = 0.0, 1.0
    if case.slope is not None:
        centre[case.names.index(case.slope[1])] = 0.0
    back = np.diag(1.0 / scale)
    back[0, 1:] = -centre[1:] / scale[1:]
    frame, formula, order = _call(case, (case.x - centre) / scale)
    sizes = [3 if case.slope is not None and case.slope[0] == g else 1 for g in order]
    tries = []
    for spread in (None, 0.1, 1.0, 3.0):
        theta = [t for size in sizes for t in ([spread] if size == 1 else [spread, 0.0, spread])]
        start = None if spread is None else {"theta": theta}
        tries.append(_attempt(case, frame, formula, start, order, back, scale))
    ended = [found for found in tries if not isinstance(found, str)]
    if not ended:
        return next(found for found in tries if isinstance(found, str))
    near = [found for found in ended if _is_near(case, found["spreads"])]
    best = max(near or ended, key=lambda found: found["log_likelihood"])
    beyond = max(found["log_likelihood"] for found in ended)
    more = near and beyond > best["log_likelihood"] + 1e-4
    return best | {"beyond": f"{beyond:.10g}" if more else ""}


def _is_near(case: Case, spreads: dict[str, float]) -> bool:
    column = case.x[:, case.names.index(case.slope[1])] if case.slope else np.zeros(1)
    return all(
        spread * (column.std() if term.startswith("slope") else 1.0) < 4.0
        for term, spread in spreads.items()
        if not term.startswith("correlation")
    )


def _call(case: Case, z: np.ndarray) -> tuple[pd.DataFrame, str, list[str]]:
    """Frame, formula, and the groupings in its order."""
    order = sorted(case.groups, key=lambda name: -len(np.unique(case.groups[name])))
    columns: dict[str, Any] = {"y": case.y} | {f"c{j}": z[:, j] for j in range(1, z.shape[1])}
    terms = ["1", *list(columns)[1:]]
    for name in order:
        columns[name] = pd.Categorical(case.groups[name])
        inner = "1"
        if case.slope is not None and case.slope[0] == name:
            inner = f"1 + c{case.names.index(case.slope[1])}"
        terms.append(f"({inner} | {name})")
    return pd.DataFrame(columns), "y ~ " + " + ".join(terms), order


def _attempt(
    case: Case,
    frame: pd.DataFrame,
    formula: str,
    start: dict[str, list[float]] | None,
    order: list[str],
    back: np.ndarray,
    scale: np.ndarray,
) -> dict[str, Any] | str:
    # Here, so that this module can be read where glmm is not installed.
    import glmm

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            fit = glmm.fit(
                frame, formula, "binomial", offset=case.offset, warm_start=start,
                wald_se="hessian", anova_test="Wald",
            )  # fmt: skip
        except (ValueError, RuntimeError) as error:
            return str(error).splitlines()[0][:100]
    if not fit.diagnostics["converged"]:
        return "not converged"
    beta = back @ np.asarray(fit.beta, dtype=float)
    errors = np.sqrt(np.diag(back @ np.asarray(fit.vcov, dtype=float) @ back.T))
    if not np.isfinite(np.concatenate([beta, errors])).all():
        return "no finite estimates"
    spreads: dict[str, float] = {}
    place = {group: k for k, (group, _) in enumerate(fit.re_groups)}
    for name in order:
        packed = np.asarray(fit.varcorr[place[name]], dtype=float)
        spreads[f"sd {name}"] = float(np.sqrt(packed[0]))
        if len(packed) == 3:
            assert case.slope is not None
            slope_sd = float(np.sqrt(packed[2]))
            spreads[f"slope sd {name}"] = slope_sd / scale[case.names.index(case.slope[1])]
            product = spreads[f"sd {name}"] * slope_sd
            spreads[f"correlation {name}"] = float(packed[1]) / product if product > 0.0 else 0.0
    try:
        reached = random_sets.laplace_of_terms(case, beta, spreads)
    except ArithmeticError as error:
        return str(error)
    return {
        "log_likelihood": reached,
        "by_glmm": float(fit.loglik),
        "beta": beta,
        "errors": errors,
        "spreads": spreads,
    }


def main() -> None:
    """Fit every set and write both tables."""
    rows: list[dict[str, Any]] = []
    terms: list[dict[str, Any]] = []
    for name in random_sets.names():
        case = random_sets.make_set(name)
        found = fit_set(case)
        if isinstance(found, str):
            rows.append({"set": name, "refused": found.replace(",", ";")})
            continue
        rows.append(
            {
                "set": name,
                "log_likelihood": f"{found['log_likelihood']:.10g}",
                "by_glmm": f"{found['by_glmm']:.10g}",
                "beyond": found["beyond"],
            }
        )
        for term, value, error in zip(case.names, found["beta"], found["errors"], strict=True):
            own = {"estimate": f"{value:.10g}", "std_error": f"{error:.6g}"}
            terms.append({"set": name, "term": term} | own)
        for term, value in found["spreads"].items():
            terms.append({"set": name, "term": term, "estimate": f"{value:.10g}"})
    columns = ["set", "log_likelihood", "by_glmm", "beyond", "refused"]
    table = pd.DataFrame(rows, columns=columns)
    table.to_csv(HERE / "random_sets_glmm.csv", index=False, lineterminator="\n")
    pd.DataFrame(terms, columns=["set", "term", "estimate", "std_error"]).to_csv(
        HERE / "random_sets_glmm_terms.csv", index=False, lineterminator="\n"
    )


if __name__ == "__main__":
    main()
