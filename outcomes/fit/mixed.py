"""The engine: a logistic mixed model with crossed random intercepts.

The only module that knows the ``glmm`` package. Another engine can take its
place by making the same :class:`~outcomes.fit.result.MixedFit`.
"""

from __future__ import annotations

import warnings
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import glmm
import numpy as np
import pandas as pd
from scipy import sparse

from outcomes.errors import FitError
from outcomes.fit.result import MixedFit

_MOST_JOINT_LEVELS = 2_000
_ALWAYS = ("dog", "source")
_HOPELESS_STD_ERROR = 1e3  # log-odds per standard deviation: no information at all
_FAR_THETA = 3.0  # a second start, far from zero, against stopping at a worse optimum
_SMALL_SET = 200


@dataclass(frozen=True, slots=True)
class Block:
    """One grouping as the engine sees it: codes, levels, and the covariance of its terms."""

    name: str
    codes: np.ndarray
    levels: tuple[str, ...]
    covariance: np.ndarray
    effects: np.ndarray


def fit_mixed(
    y: np.ndarray,
    x: np.ndarray,
    names: Sequence[str],
    groups: Mapping[str, np.ndarray],
    *,
    slope: tuple[str, str] | None = None,
    start: MixedFit | None = None,
    details: bool = True,
    offset: np.ndarray | None = None,
    at_zero: Collection[str] = (),
) -> MixedFit:
    """Fit a logistic mixed model by maximum likelihood (Laplace approximation).

    Parameters
    ----------
    y
        Outcomes 0 or 1, shape (n,). No missing values.
    x
        Fixed-effect design, shape (n, p), of full column rank, the intercept
        in the first column. No missing values.
    names
        Names of the p columns.
    groups
        Grouping → label of each row, shape (n,). A grouping with a single
        level adds nothing and gets a standard deviation of 0.
    slope
        (grouping, column): also let this column's effect vary by grouping,
        correlated with the grouping's intercept.
    start
        A fit of the same columns to start from.
    details
        Also compute standard errors of the effects and the joint covariance
        (False for refits that only need the likelihood).
    offset
        Known part of the log-odds, shape (n,), added to every row; no missing
        values. With a column moved here at a fixed coefficient, the likelihood
        is the profile likelihood of that coefficient.
    at_zero
        Groupings whose standard deviation is held at 0, which makes a refit of much
        the same records faster: see :func:`idle_groupings`. They count as parameters.

    Returns
    -------
    MixedFit

    Raises
    ------
    FitError
        The outcome does not vary, or the engine did not reach a maximum with
        usable standard errors.

    References
    ----------
    Bates D, Mächler M, Bolker B, Walker S (2015). Fitting linear mixed-effects
    models using lme4. Journal of Statistical Software 67(1), for the model and
    the penalised form used for the joint covariance.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> dog = np.repeat(["Ada", "Bo", "Cy"], 100)
    >>> y = rng.binomial(1, 0.8, 300).astype(float)
    >>> fit = fit_mixed(y, np.ones((300, 1)), ["(Intercept)"], {"dog": dog})
    >>> fit.names, round(float(fit.beta[0]), 1)
    (('(Intercept)',), 1.5)
    """
    y = np.asarray(y, dtype=float)
    x = np.asarray(x, dtype=float)
    if y.min() == y.max():
        raise FitError("every trial had the same result, so nothing can be compared")
    used = {name: _coded(labels) for name, labels in groups.items()}
    used = {
        name: (codes, levels)
        for name, (codes, levels) in used.items()
        if len(levels) > 1 and name not in at_zero
    }
    held = sum(name in at_zero and len(np.unique(g)) > 1 for name, g in groups.items())
    centre, scale = _standardisation(x, names, slope)
    frame, formula, order = _engine_call(y, (x - centre) / scale, names, used, slope)
    # Standard errors without the likelihood's own curvature are half the time of a refit.
    wald_se = "hessian" if details else "rx"
    starts = _starts(names, start, (centre, scale), len(y), _theta_length(order, slope))
    known = np.zeros(len(y)) if offset is None else np.asarray(offset, dtype=float)
    fit, notes = _best_fit(frame, formula, starts, wald_se, None if offset is None else known)

    back = np.diag(1.0 / scale)
    back[0, 1:] = -centre[1:] / scale[1:]
    beta = back @ np.asarray(fit.beta, dtype=float)
    cov = back @ np.asarray(fit.vcov, dtype=float) @ back.T
    blocks = _blocks(fit, used, names, slope, scale)
    sd = {name: 0.0 for name in groups} | {
        b.name: float(np.sqrt(b.covariance[0, 0])) for b in blocks
    }
    slope_sd = {b.name: float(np.sqrt(b.covariance[1, 1])) for b in blocks if len(b.covariance) > 1}
    singular = tuple(b.name for b in blocks if _is_singular(b.covariance))
    effects: dict[str, pd.DataFrame] = {}
    joint_names: tuple[tuple[str, str], ...] = tuple(("", name) for name in names)
    joint_cov = cov
    if details:
        slope_column = None if slope is None else x[:, list(names).index(slope[1])]
        mu = 1.0 / (1.0 + np.exp(-(_eta(x, beta, blocks, slope_column) + known)))
        joint_names, joint_cov, std_errors = joint_covariance(
            x, names, mu * (1.0 - mu), blocks, slope_column
        )
        effects = {
            b.name: pd.DataFrame(
                {"effect": b.effects[:, 0], "std_error": std_errors[b.name]},
                index=pd.Index(b.levels, name=b.name),
            )
            for b in blocks
        }
        for b in blocks:
            if b.effects.shape[1] > 1:
                effects[b.name]["slope"] = b.effects[:, 1]
    return MixedFit(
        names=tuple(names),
        beta=beta,
        cov=cov,
        sd=sd,
        slope_sd=slope_sd,
        effects=effects,
        log_likelihood=float(fit.loglik),
        df=int(fit.df) + held,
        singular=singular,
        joint_names=joint_names,
        joint_cov=joint_cov,
        notes=notes,
    )


def idle_groupings(fit: MixedFit) -> tuple[str, ...]:
    """Groupings beside dog and source whose standard deviation was estimated as zero."""
    return tuple(name for name, sd in fit.sd.items() if sd == 0.0 and name not in _ALWAYS)


def linear_predictor_variance(
    fit: MixedFit, x: np.ndarray, levels: Mapping[str, Sequence[str | None]]
) -> np.ndarray:
    """Variance of ``x @ beta`` plus the named effects, shape (m,).

    Parameters
    ----------
    fit
        A fit with details.
    x
        Fixed-effect rows, shape (m, p).
    levels
        Grouping → level whose effect is added to each row (length m). ``None``
        or a level the fit has not seen adds the variance of the grouping.
    """
    index = {name: i for i, name in enumerate(fit.joint_names)}
    p = len(fit.names)
    combination = np.zeros((len(x), len(fit.joint_names)))
    combination[:, :p] = x
    extra = np.zeros(len(x))
    for grouping, wanted in levels.items():
        for i, level in enumerate(wanted):
            column = None if level is None else index.get((grouping, level))
            if column is None:
                extra[i] += fit.sd.get(grouping, 0.0) ** 2
            else:
                combination[i, column] += 1.0
    variance: np.ndarray = ((combination @ fit.joint_cov) * combination).sum(axis=1)
    return variance + extra


def _coded(labels: np.ndarray) -> tuple[np.ndarray, tuple[str, ...]]:
    codes, levels = pd.factorize(pd.Series(np.asarray(labels)).astype(str), sort=True)
    return codes, tuple(levels)


def _standardisation(
    x: np.ndarray, names: Sequence[str], slope: tuple[str, str] | None
) -> tuple[np.ndarray, np.ndarray]:
    """Centre and scale of every column; a slope column keeps its zero: its intercept needs it."""
    centre = x.mean(axis=0)
    scale = x.std(axis=0)
    centre[0], scale[0] = 0.0, 1.0
    scale[scale == 0.0] = 1.0
    if slope is not None:
        centre[list(names).index(slope[1])] = 0.0
    return centre, scale


_Start = dict[str, list[float]] | None


def _engine_call(
    y: np.ndarray,
    z: np.ndarray,
    names: Sequence[str],
    used: Mapping[str, tuple[np.ndarray, tuple[str, ...]]],
    slope: tuple[str, str] | None,
) -> tuple[pd.DataFrame, str, list[str]]:
    """Frame and formula for the engine, and the groupings in the order it gets them."""
    columns: dict[str, object] = {f"c{j}": z[:, j] for j in range(1, z.shape[1])}
    terms = ["1", *columns]
    # The engine stops with an error when a smaller grouping is written first.
    order = sorted(used, key=lambda name: -len(used[name][1]))
    for k, name in enumerate(order):
        codes, levels = used[name]
        columns[f"g{k}"] = pd.Categorical.from_codes(codes, categories=pd.Index(list(levels)))
        sloped = slope is not None and slope[0] == name
        inner = f"1 + c{list(names).index(slope[1])}" if slope is not None and sloped else "1"
        terms.append(f"({inner} | g{k})")
    return pd.DataFrame({"y": y, **columns}), "y ~ " + " + ".join(terms), order


def _theta_length(order: Sequence[str], slope: tuple[str, str] | None) -> int:
    return sum(3 if slope is not None and slope[0] == name else 1 for name in order)


def _starts(
    names: Sequence[str],
    start: MixedFit | None,
    standardisation: tuple[np.ndarray, np.ndarray],
    n: int,
    theta_length: int,
) -> list[_Start]:
    """Where to start: cold or from an earlier fit, and once more from far away in a small set."""
    first: _Start = None
    if start is not None and start.names == tuple(names):
        centre, scale = standardisation
        beta = start.beta * scale
        beta[0] = start.beta[0] + float(start.beta[1:] @ centre[1:])
        first = {"beta": list(beta)}
    if theta_length and n <= _SMALL_SET:
        return [first, {"theta": [_FAR_THETA] * theta_length}]
    return [first]


def _best_fit(
    frame: pd.DataFrame,
    formula: str,
    starts: Sequence[_Start],
    wald_se: str,
    offset: np.ndarray | None,
) -> tuple[glmm.Fit, tuple[str, ...]]:
    """The best optimum over the starts; one more try from elsewhere where all of them failed."""
    usable: list[tuple[glmm.Fit, tuple[str, ...]]] = []
    reason = ""
    for start in starts:
        attempt = _attempt(frame, formula, start, wald_se, offset)
        if isinstance(attempt, str):
            reason = attempt
        else:
            usable.append(attempt)
    if not usable and "|" in formula:
        far: _Start = {"theta": _second_theta(formula)}
        attempt = _attempt(frame, formula, far, wald_se, offset)
        if isinstance(attempt, str):
            raise FitError(attempt)
        usable.append(attempt)
    if not usable:
        raise FitError(reason)
    return max(usable, key=lambda found: float(found[0].loglik))


def _second_theta(formula: str) -> list[float]:
    """A start at standard deviation 1 for every grouping of the formula."""
    theta: list[float] = []
    for part in formula.split("(")[1:]:
        theta += [1.0, 0.0, 1.0] if "+" in part.split("|")[0] else [1.0]
    return theta


def _attempt(
    frame: pd.DataFrame, formula: str, start: _Start, wald_se: str, offset: np.ndarray | None
) -> tuple[glmm.Fit, tuple[str, ...]] | str:
    """One run of the engine; a reason in words where its answer cannot be used."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            fit = glmm.fit(
                frame,
                formula,
                "binomial",
                offset=offset,
                warm_start=start,
                wald_se=wald_se,
                anova_test="Wald",
            )
        except (ValueError, RuntimeError) as error:
            return f"the model could not be fitted ({_first_line(error)})"
    errors = np.sqrt(np.clip(np.diag(np.asarray(fit.vcov, dtype=float)), 0.0, None))
    if not fit.diagnostics["converged"]:
        return "the model did not converge"
    if np.any(fit.diagnostics["aliased"]):
        return "two terms carry the same information"
    if not np.all(np.isfinite(errors)) or errors.max() > _HOPELESS_STD_ERROR:
        return "finds and misses are separated too cleanly to put a size on the effects"
    expected = (glmm.SingularFitWarning, glmm.FewRowsForRandomEffectsWarning)
    notes = tuple(
        str(w.message).split(". ")[0] for w in caught if not issubclass(w.category, expected)
    )
    return fit, notes


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0][:120] if str(error) else type(error).__name__


def _blocks(
    fit: glmm.Fit,
    used: Mapping[str, tuple[np.ndarray, tuple[str, ...]]],
    names: Sequence[str],
    slope: tuple[str, str] | None,
    scale: np.ndarray,
) -> list[Block]:
    order = sorted(used, key=lambda name: -len(used[name][1]))
    engine = {group: k for k, (group, _) in enumerate(fit.re_groups)}
    blocks = []
    for k, name in enumerate(order):
        codes, levels = used[name]
        place = engine[f"g{k}"]
        packed = np.asarray(fit.varcorr[place], dtype=float)
        covariance = np.array([[packed[0]]])
        unit = np.ones(1)
        if len(packed) == 3:
            covariance = np.array([[packed[0], packed[1]], [packed[1], packed[2]]])
            assert slope is not None
            unit = np.array([1.0, scale[list(names).index(slope[1])]])
        block = fit.ranef_blocks[place]
        found = pd.DataFrame(np.asarray(block["values"]), index=list(block["levels"]))
        effects = found.reindex(list(levels)).to_numpy() / unit
        blocks.append(Block(name, codes, levels, covariance / np.outer(unit, unit), effects))
    return blocks


def _is_singular(covariance: np.ndarray) -> bool:
    scale = np.sqrt(np.diag(covariance))
    if np.any(scale < 1e-6):
        return True
    correlation = covariance / np.outer(scale, scale)
    return len(covariance) > 1 and bool(abs(correlation[0, 1]) > 0.9999)


def _eta(
    x: np.ndarray, beta: np.ndarray, blocks: Sequence[Block], slope_column: np.ndarray | None
) -> np.ndarray:
    eta: np.ndarray = x @ beta
    for b in blocks:
        eta = eta + b.effects[b.codes, 0]
        if b.effects.shape[1] > 1 and slope_column is not None:
            eta = eta + b.effects[b.codes, 1] * slope_column
    return eta


def joint_covariance(
    x: np.ndarray,
    names: Sequence[str],
    weight: np.ndarray,
    blocks: Sequence[Block],
    slope_column: np.ndarray | None,
) -> tuple[tuple[tuple[str, str], ...], np.ndarray, dict[str, np.ndarray]]:
    """Joint prediction covariance, and conditional standard errors of the intercepts.

    Effects are written as ``b = L u`` with ``u`` of unit variance, so that a
    grouping estimated at zero is no special case.
    """
    designs = [scaled_design(b, slope_column) for b in blocks]
    large = [i for i, b in enumerate(blocks) if len(b.levels) > _MOST_JOINT_LEVELS]
    kept = [i for i in range(len(blocks)) if i not in large]
    rows = sparse.diags(weight)
    fixed = sparse.csr_matrix(x)
    small = sparse.hstack([fixed, *[designs[i] for i in kept]], format="csc")
    p = x.shape[1]
    information = (small.T @ rows @ small).toarray()
    information[p:, p:] += np.eye(information.shape[0] - p)
    inner_errors: dict[str, np.ndarray] = {}
    if large:
        big = sparse.hstack([designs[i] for i in large], format="csc")
        cross = (big.T @ rows @ small).tocsc()
        own = (big.T @ rows @ big + sparse.identity(big.shape[1])).tocsc()
        solved = sparse.linalg.splu(own).solve(cross.toarray())
        information -= cross.T @ solved
        # Conditional on everything else: good enough where it is only shown, never tested.
        position = 0
        diagonal = own.diagonal()
        for i in large:
            width = designs[i].shape[1]
            step = width // len(blocks[i].levels)
            lead = blocks[i].covariance[0, 0]
            inner_errors[blocks[i].name] = np.sqrt(
                lead / diagonal[position : position + width : step]
            )
            position += width
    widest = _widest_diagonal([designs[i] for i in kept], [blocks[i] for i in kept])
    covariance = _inverse(information, slice(p + widest.start, p + widest.stop))
    conditional = _inverse(information[p:, p:], widest)
    to_effects, labels = _intercept_rows([blocks[i] for i in kept])
    joint_map = sparse.block_diag([sparse.identity(p), to_effects], format="csr")
    spread = np.sqrt(to_effects.multiply(to_effects @ conditional).sum(axis=1)).A1
    position = 0
    for i in kept:
        width = len(blocks[i].levels)
        inner_errors[blocks[i].name] = spread[position : position + width]
        position += width
    joint_names = (*(("", name) for name in names), *labels)
    joint = joint_map @ (joint_map @ covariance).T  # the covariance is symmetric
    return joint_names, joint, inner_errors


def _widest_diagonal(designs: Sequence[sparse.csc_matrix], blocks: Sequence[Block]) -> slice:
    """Columns of the grouping with most levels among those of one term, counted over all."""
    ends = np.cumsum([0, *(d.shape[1] for d in designs)])
    own = [i for i, b in enumerate(blocks) if len(b.covariance) == 1]
    if not own:
        return slice(0, 0)
    widest = max(own, key=lambda i: len(blocks[i].levels))
    return slice(int(ends[widest]), int(ends[widest + 1]))


def _inverse(symmetric: np.ndarray, diagonal: slice) -> np.ndarray:
    """Inverse of a symmetric matrix, one part of which (rows and columns) is diagonal.

    By that part's Schur complement: hides are many, and no trial is in two of them.
    """
    outside = np.ones(len(symmetric), dtype=bool)
    outside[diagonal] = False
    rest, part = np.flatnonzero(outside), np.flatnonzero(~outside)
    own = symmetric[part, part]
    share = symmetric[np.ix_(rest, part)] / own
    inner = np.linalg.inv(symmetric[np.ix_(rest, rest)] - (share * own) @ share.T)
    carried = inner @ share
    found = np.empty_like(symmetric)
    found[np.ix_(rest, rest)] = inner
    found[np.ix_(rest, part)] = -carried
    found[np.ix_(part, rest)] = -carried.T
    found[np.ix_(part, part)] = share.T @ carried
    found[part, part] += 1.0 / own
    return found


def _cholesky(covariance: np.ndarray) -> np.ndarray:
    """Lower factor L with L Lᵀ = covariance, also where it is singular."""
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    return np.asarray(np.linalg.qr(root.T)[1].T)


def scaled_design(block: Block, slope_column: np.ndarray | None) -> sparse.csc_matrix:
    """Design of a grouping's effects in units of their spread, shape (n, levels × terms)."""
    n, m, k = len(block.codes), len(block.levels), len(block.covariance)
    terms = np.ones((n, k))
    if k > 1 and slope_column is not None:
        terms[:, 1] = slope_column
    values = terms @ _cholesky(block.covariance)
    row = np.repeat(np.arange(n), k)
    column = (block.codes[:, None] * k + np.arange(k)).ravel()
    return sparse.csc_matrix((values.ravel(), (row, column)), shape=(n, m * k))


def _intercept_rows(
    blocks: Sequence[Block],
) -> tuple[sparse.csr_matrix, tuple[tuple[str, str], ...]]:
    """Map from unit effects ``u`` to the intercept of every level."""
    parts = []
    labels: list[tuple[str, str]] = []
    for b in blocks:
        lead = _cholesky(b.covariance)[:1]
        parts.append(sparse.kron(sparse.identity(len(b.levels)), lead))
        labels += [(b.name, level) for level in b.levels]
    if not parts:
        return sparse.csr_matrix((0, 0)), ()
    return sparse.block_diag(parts, format="csr"), tuple(labels)
