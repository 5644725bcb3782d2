"""Three hundred random sets of trials, of seven kinds that are hard for a mixed model.

A set is made from its kind and number alone. ``random_sets_made.csv`` stores a checksum of each:
the stored fits (``random_sets_lme4_*.csv``, ``random_sets_glmm_*.csv``) are of exactly those data,
and another random stream is told before anything is compared with them. After a change here::

    python tests/reference/random_sets.py                      the checksums
    python tests/reference/run_r.py random_sets --write        lme4 (some minutes)
    python tests/reference/random_sets_glmm.py                 glmm 0.6.2, see its top
"""

import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pandas as pd
from mixed_cases import Case
from scipy import sparse
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import linprog

HERE = Path(__file__).parent
MADE = HERE / "random_sets_made.csv"
SEED = 20250315
COLUMNS = ("cycles", "age", "wind", "frozen")


def _covariates(rng: np.random.Generator, source: np.ndarray, number: int) -> dict[str, np.ndarray]:
    """The first ``number`` of the columns, with three decimals so that a CSV has them exactly.

    Cycles and age rise together, and differ more between sources than within one, as they do in a
    unit's records; all lie about zero, so that the intercept's error is of the same order.
    """
    n, sources = len(source), source.max() + 1
    frozen = rng.random(sources) < 0.5
    frozen[:2] = True, False
    use = rng.normal(0.0, 4.0, sources)[source] + rng.normal(0.0, 5.0, n)
    columns = {
        "cycles": np.round(use),
        "age": np.round(0.5 * use + rng.normal(0.0, 3.0, n), 3),
        "wind": np.round(rng.normal(0.0, 1.0, n), 3),
        "frozen": frozen[source] - 0.5,
    }
    return {name: columns[name] for name in COLUMNS[:number]}


def _spread(rng: np.random.Generator, code: np.ndarray, sd: float) -> np.ndarray:
    return rng.normal(0.0, sd, code.max() + 1)[code]


def _case(
    rng: np.random.Generator,
    number: int,
    log_odds: np.ndarray,
    columns: Mapping[str, np.ndarray],
    codes: Mapping[str, np.ndarray],
    slope: tuple[str, str] | None = None,
) -> Case:
    """Draw the results; every third set has an offset, which moves the log-odds too."""
    n = len(log_odds)
    offset = np.round(rng.normal(0.0, 0.5, n), 3) if number % 3 == 2 else None
    y = _draw(rng, log_odds if offset is None else log_odds + offset)
    x = np.column_stack([np.ones(n), *columns.values()])
    letters = {"dog": "D", "source": "S", "session": "A", "hide": "H"}
    groups = {
        name: np.array([f"{letters[name]}{k:03d}" for k in code]) for name, code in codes.items()
    }
    return Case(y, x, ("(Intercept)", *columns), groups, slope, offset)


def _draw(rng: np.random.Generator, log_odds: np.ndarray) -> np.ndarray:
    return (rng.random(len(log_odds)) < 1.0 / (1.0 + np.exp(-log_odds))).astype(float)


def _each_at_least_once(rng: np.random.Generator, levels: int, n: int) -> np.ndarray:
    return rng.permutation(np.concatenate([np.arange(levels), rng.integers(0, levels, n - levels)]))


def _separated(rng: np.random.Generator, number: int) -> Case:
    """A column parts finds from misses: wholly, in one cell, but for one trial, or by source."""
    n = int(rng.integers(20, 300))
    dog = _each_at_least_once(rng, int(rng.integers(2, 7)), n)
    source = _each_at_least_once(rng, int(rng.integers(4, 16)), n)
    columns = _covariates(rng, source, int(rng.integers(1, 5)))
    codes = {"dog": dog, "source": source}
    way = number % 4
    log_odds = rng.normal(0.5, 0.5) + _spread(rng, dog, 0.5) + _spread(rng, source, 0.5)
    if way == 3:
        # Nearly every source is found always or never: its spread has no upper bound to speak of.
        return _case(rng, number, log_odds + _spread(rng, source, 12.0), columns, codes)
    if way == 1:
        # Frozen sources are always found (one cell without a miss), others as it comes.
        columns = {"cell": (rng.random(n) < 0.3) - 0.3} | columns
        log_odds = np.where(columns["cell"] > 0, 50.0, log_odds)
    else:
        log_odds = np.where(columns["cycles"] > rng.integers(-4, 5), -50.0, 50.0)
    case = _case(rng, number, log_odds, columns, codes)
    if way == 2:
        # One trial, of those that part most cleanly, goes the other way.
        case.y[np.argmin(np.abs(case.x[:, 1]))] = 1.0 - case.y[np.argmin(np.abs(case.x[:, 1]))]
    return case


def _tiny(rng: np.random.Generator, number: int) -> Case:
    """12 to 40 trials."""
    n = int(rng.integers(12, 41))
    dog = _each_at_least_once(rng, int(rng.integers(2, 5)), n)
    source = _each_at_least_once(rng, int(rng.integers(2, 8)), n)
    columns = _covariates(rng, source, int(rng.integers(0, 3)))
    log_odds = rng.normal(0.7, 0.5) + _effect(rng, columns, 0.3)
    sd_dog, sd_source = rng.choice([0.0, 0.4, 1.0], 2)
    log_odds = log_odds + _spread(rng, dog, sd_dog) + _spread(rng, source, sd_source)
    return _case(rng, number, log_odds, columns, {"dog": dog, "source": source})


def _flat(rng: np.random.Generator, number: int) -> Case:
    """Misses in one trial of 15 to one of 180, and nothing that explains them."""
    n = int(rng.integers(40, 500))
    dog = _each_at_least_once(rng, int(rng.integers(2, 9)), n)
    source = _each_at_least_once(rng, int(rng.integers(4, 25)), n)
    session = _each_at_least_once(rng, n // 6, n)
    columns = _covariates(rng, source, int(rng.integers(0, 4)))
    log_odds = np.full(n, rng.uniform(2.6, 5.2))
    codes = {"dog": dog, "source": source} | ({"session": session} if number % 2 else {})
    return _case(rng, number, log_odds, columns, codes)


def _zero(rng: np.random.Generator, number: int) -> Case:
    """Dogs, sources and sessions of which one, two or none differ in truth."""
    n = int(rng.integers(60, 1500))
    codes = {
        "dog": _each_at_least_once(rng, int(rng.integers(2, 13)), n),
        "source": _each_at_least_once(rng, int(rng.integers(4, 31)), n),
        "session": _each_at_least_once(rng, n // 8, n),
    }
    columns = _covariates(rng, codes["source"], int(rng.integers(0, 5)))
    log_odds = rng.normal(0.8, 0.7) + _effect(rng, columns, 0.15)
    sds = rng.permutation([0.6, 0.6, 0.0] if number % 3 == 0 else [0.5, 0.0, 0.0])
    for code, sd in zip(codes.values(), sds if number % 3 < 2 else np.zeros(3), strict=True):
        log_odds = log_odds + _spread(rng, code, sd)
    return _case(rng, number, log_odds, columns, codes)


def _slope(rng: np.random.Generator, number: int) -> Case:
    """The change with cycles differs by source (by dog in every fifth set), in some by nothing."""
    n = int(rng.integers(60, 1500))
    dog = _each_at_least_once(rng, int(rng.integers(3, 11)), n)
    source = _each_at_least_once(rng, int(rng.integers(5, 31)), n)
    columns = _covariates(rng, source, int(rng.integers(1, 5)))
    which, code = ("dog", dog) if number % 5 == 4 else ("source", source)
    sd, slope_sd = rng.choice([0.0, 0.4, 0.8]), rng.choice([0.0, 0.05, 0.15])
    correlation = rng.uniform(-0.9, 0.9)
    unit = rng.standard_normal((2, code.max() + 1))
    tilt = correlation * unit[0] + np.sqrt(1.0 - correlation**2) * unit[1]
    log_odds = rng.normal(0.7, 0.5) + _effect(rng, columns, 0.1)
    log_odds = log_odds + sd * unit[0][code] + slope_sd * tilt[code] * columns["cycles"]
    other = dog if which == "source" else source
    log_odds = log_odds + _spread(rng, other, rng.choice([0.0, 0.5]))
    return _case(rng, number, log_odds, columns, {"dog": dog, "source": source}, (which, "cycles"))


def _wide(rng: np.random.Generator, number: int) -> Case:
    """150 to 600 hides beside dogs and sources, each hide of one source or of any."""
    hides = int(rng.integers(150, 601))
    n = int(rng.integers(int(1.5 * hides), min(4 * hides, 1500) + 1))
    hide = _each_at_least_once(rng, hides, n)
    sources = int(rng.integers(6, 31))
    if number % 2:
        source = _each_at_least_once(rng, sources, hides)[hide]
    else:
        source = _each_at_least_once(rng, sources, n)
    dog = _each_at_least_once(rng, int(rng.integers(3, 13)), n)
    columns = _covariates(rng, source, int(rng.integers(1, 5)))
    log_odds = rng.normal(0.7, 0.5) + _effect(rng, columns, 0.1)
    codes = {"dog": dog, "source": source, "hide": hide}
    for code, sds in ((dog, [0.0, 0.5]), (source, [0.3, 0.7]), (hide, [0.0, 0.6, 1.2])):
        log_odds = log_odds + _spread(rng, code, rng.choice(sds))
    return _case(rng, number, log_odds, columns, codes)


def _unbalanced(rng: np.random.Generator, number: int) -> Case:
    """Sources with 1 to 200 trials; one dog has most of them."""
    sources = int(rng.integers(4, 31))
    sizes = np.round(200.0 ** rng.random(sources)).astype(int)
    sizes[:2] = 1, 200
    while sizes.sum() > 1500:
        sizes[sizes > 2] = sizes[sizes > 2] // 2
    source = np.repeat(np.arange(sources), sizes)
    n, dogs = len(source), int(rng.integers(2, 9))
    dog = np.minimum(rng.geometric(0.6, n) - 1, dogs - 1)
    dog[rng.permutation(n)[:dogs]] = np.arange(dogs)
    columns = _covariates(rng, source, int(rng.integers(0, 5)))
    log_odds = rng.normal(0.8, 0.7) + _effect(rng, columns, 0.1)
    sd_dog, sd_source = rng.choice([0.0, 0.3, 0.8], 2)
    log_odds = log_odds + _spread(rng, dog, sd_dog) + _spread(rng, source, sd_source)
    return _case(rng, number, log_odds, columns, {"dog": dog, "source": source})


def _effect(rng: np.random.Generator, columns: Mapping[str, np.ndarray], size: float) -> np.ndarray:
    """Sum of the columns, each with a coefficient of about ``size`` per standard deviation."""
    total = np.zeros(1)
    for values in columns.values():
        total = total + rng.normal(0.0, size) * values / max(values.std(), 1e-9)
    return total


KINDS: dict[str, tuple[Callable[[np.random.Generator, int], Case], int]] = {
    "separated": (_separated, 43), "tiny": (_tiny, 43), "flat": (_flat, 43), "zero": (_zero, 43),
    "slope": (_slope, 43), "wide": (_wide, 42), "unbalanced": (_unbalanced, 43),
}  # fmt: skip


def names(kind: str | None = None) -> list[str]:
    """Names of the sets, of one kind or of all."""
    return [f"{k}_{i:02d}" for k, (_, m) in KINDS.items() if kind in (None, k) for i in range(m)]


def make_set(name: str) -> Case:
    """Make the set called ``name``: kind and number."""
    kind, _, number = name.rpartition("_")
    rng = np.random.default_rng([SEED, list(KINDS).index(kind), int(number)])
    return KINDS[kind][0](rng, int(number))


def checksum(case: Case) -> str:
    """Of the table as it is written for R, and so of what was fitted."""
    text = as_csv(case) + repr((case.names, tuple(case.groups), case.slope))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def as_csv(case: Case) -> str:
    return case.frame().to_csv(index=False, float_format="%.6g", lineterminator="\n")


def read_checksums() -> dict[str, str]:
    """The stored ones, by name of the set."""
    return pd.read_csv(MADE, index_col="set")["checksum"].to_dict()


def is_separated(case: Case) -> bool:
    """Whether the fixed effects part finds from misses, so that no maximum exists.

    Some direction must raise, or leave, the log-odds of every find and lower, or leave, those of
    every miss, and change one at least (Albert and Anderson 1984, Biometrika 71, 1-10): along it
    the likelihood rises without end, whatever the spreads and the offset.
    """
    spread = case.x.std(axis=0)
    signed = case.x / np.where(spread > 0.0, spread, 1.0)
    signed = np.where(case.y == 1.0, 1.0, -1.0)[:, None] * signed
    best = linprog(-signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1, 1))
    assert best.status == 0, best.message
    return bool(-best.fun > 1e-7)


def laplace(
    case: Case,
    beta: np.ndarray,
    sd: Mapping[str, float],
    slope_sd: float = 0.0,
    correlation: float = 0.0,
) -> float:
    """Laplace's log-likelihood at given values: plain, with no search but for the modes.

    With the effects written as their spread times a unit effect ``u``, it is the joint density at
    its maximum over ``u``, less half the log-determinant of minus its second derivatives there
    (Bates et al. 2015, Journal of Statistical Software 67(1), as glmer with ``nAGQ = 1``).
    """
    parts = []
    for name, labels in case.groups.items():
        level = (labels[:, None] == np.unique(labels)).astype(float)
        if case.slope is not None and case.slope[0] == name:
            column = case.x[:, case.names.index(case.slope[1]), None]
            straight = np.sqrt(max(1.0 - correlation**2, 0.0))
            parts.append((sd[name] + correlation * slope_sd * column) * level)
            parts.append(straight * slope_sd * column * level)
        elif sd[name] > 0.0:
            parts.append(sd[name] * level)
    z = sparse.csr_matrix(np.column_stack([np.zeros((len(case.y), 0)), *parts]))
    fixed = case.x @ beta + (0.0 if case.offset is None else case.offset)

    def density(u: np.ndarray) -> float:
        eta = fixed + z @ u
        return float(case.y @ eta - np.logaddexp(0.0, eta).sum() - 0.5 * u @ u)

    u = np.zeros(z.shape[1])
    for _ in range(200):
        mu = np.exp(-np.logaddexp(0.0, -(fixed + z @ u)))
        information = (z.T @ sparse.diags(mu * (1.0 - mu)) @ z).toarray() + np.eye(len(u))
        factor = cho_factor(information, lower=True)
        step = cho_solve(factor, z.T @ (case.y - mu) - u)
        if np.abs(step).max(initial=0.0) < 1e-9:
            return density(u) - float(np.log(np.diag(factor[0])).sum())
        while density(u + step) < density(u) - 1e-10:
            step = step / 2.0
        u = u + step
    raise ArithmeticError("the modes were not found")


def laplace_of_terms(case: Case, beta: np.ndarray, spreads: Mapping[str, float]) -> float:
    """The same at spreads with the names of the stored tables (``sd dog``, ``slope sd dog``).

    Beside a spread of zero R has no correlation, and none is needed.
    """
    sd = {name: spreads[f"sd {name}"] for name in case.groups}
    sloped = case.slope[0] if case.slope else ""
    slope_sd = spreads.get(f"slope sd {sloped}", 0.0)
    correlation = float(np.nan_to_num(spreads.get(f"correlation {sloped}", 0.0)))
    return laplace(case, beta, sd, slope_sd, correlation)


def write_for_r(folder: Path) -> None:
    """One CSV for each set, and ``sets.csv``, which says what its columns are."""
    folder.mkdir(parents=True, exist_ok=True)
    rows = []
    for name in names():
        case = make_set(name)
        (folder / f"{name}.csv").write_text(as_csv(case), encoding="utf-8")
        rows.append(
            {
                "set": name,
                "fixed": " ".join(case.names[1:]),
                "groups": " ".join(case.groups),
                "slope_group": case.slope[0] if case.slope else "",
                "slope_column": case.slope[1] if case.slope else "",
                "offset": int(case.offset is not None),
            }
        )
    pd.DataFrame(rows).to_csv(folder / "sets.csv", index=False, lineterminator="\n")


def write_checksums() -> None:
    rows = []
    for name in names():
        case = make_set(name)
        rows.append(
            {
                "set": name,
                "trials": len(case.y),
                "finds": int(case.y.sum()),
                "columns": len(case.names),
                "levels": " ".join(f"{g}:{len(np.unique(v))}" for g, v in case.groups.items()),
                "checksum": checksum(case),
            }
        )
    pd.DataFrame(rows).to_csv(MADE, index=False, lineterminator="\n")


if __name__ == "__main__":
    write_checksums()
