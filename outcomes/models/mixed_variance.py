"""The spread between sources, with allowance for how little few sources tell about it.

The likeliest spread between a few sources is often zero. Taken at its word, every
source would be judged by its class alone, and more surely than anyone can. What is said
of a single source is therefore said at a plausible spread instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse, special

from outcomes.models.joint_covariance import Block, joint_covariance, scaled_design
from outcomes.models.laplace import Grouping
from outcomes.models.linear_mixed import fit_linear_mixed
from outcomes.models.mixed import ASKED_ONE_BY_ONE
from outcomes.models.mixed_result import MixedFit

_POINTS = 10
_FIRST_REACH = 1.0  # log-odds; widened until the likelihood has fallen far enough
_FAR_DOWN = 4.0
_WIDEST = 4.0
_FEWEST_NEAR = 5  # points that bear the mean; else looked at more closely
_STEPS = 60
_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True)
class _Mode:
    """Where the penalised likelihood peaks at given spreads.

    ``u`` are the effects of each grouping, in units of its standard deviation;
    ``restricted`` is the log-likelihood with the fixed effects integrated out, too.
    """

    beta: np.ndarray
    u: tuple[np.ndarray, ...]
    log_likelihood: float
    restricted: float


@dataclass(frozen=True, slots=True)
class Posterior:
    """Standard deviations, evenly spaced, and the weight of each; weights sum to 1."""

    at: np.ndarray
    weight: np.ndarray


def posterior_of_spread(
    y: np.ndarray,
    x: np.ndarray,
    groups: Mapping[str, np.ndarray],
    mixed: MixedFit,
    grouping: str = "source",
) -> Posterior | None:
    """What the records allow for the standard deviation of one grouping.

    Under flat priors on it and on the fixed effects, by the trapezoidal rule.

    Parameters
    ----------
    y, x, groups, mixed, grouping
        As for :func:`with_plausible_spread`.

    Returns
    -------
    Posterior or None
        None where the grouping has fewer than three levels.
    """
    if grouping not in groups or len(mixed.effects.get(grouping, ())) < 3:
        return None
    at, likelihood = profile_of_spread(Penalised(y, x, groups), mixed, grouping)
    weight = np.exp(likelihood - likelihood.max())
    weight[[0, -1]] /= 2.0
    return Posterior(at, weight / weight.sum())


def with_plausible_spread(
    y: np.ndarray,
    x: np.ndarray,
    groups: Mapping[str, np.ndarray],
    mixed: MixedFit,
    grouping: str = "source",
    posterior: Posterior | None = None,
) -> MixedFit:
    """The fit with the spread of one grouping at a plausible value in place of the likeliest.

    The spread's standard deviation becomes the root of the mean of its square over its
    posterior under flat priors on the standard deviation and the fixed effects, the spreads
    of the other groupings as they were fitted. Fixed effects, effects by level and their joint
    covariance are found anew at it.

    Parameters
    ----------
    y
        Outcomes 0 or 1, shape (n,). No missing values.
    x
        Fixed-effect design, shape (n, p), the intercept first. No missing values.
    groups
        Grouping → label of each row, shape (n,), as the fit was given them.
    mixed
        The fit by maximum likelihood, without random slopes.
    grouping
        Whose spread it is.
    posterior
        Of that spread, where it was found already.

    Returns
    -------
    MixedFit
        ``mixed`` itself where the grouping has fewer than three levels.

    References
    ----------
    Gelman A (2006). Prior distributions for variance parameters in hierarchical models.
    Bayesian Analysis 1, 515-534, for the flat prior. Bates D, Mächler M, Bolker B, Walker S
    (2015). Fitting linear mixed-effects models using lme4. Journal of Statistical Software
    67(1), for the penalised likelihood at given spreads.
    """
    posterior = posterior or posterior_of_spread(y, x, groups, mixed, grouping)
    if posterior is None:
        return mixed
    plausible = float(np.sqrt(posterior.weight @ posterior.at**2))
    return _at_spread(Penalised(y, x, groups), mixed, grouping, plausible)


def at_each_spread(
    y: np.ndarray,
    x: np.ndarray,
    groups: Mapping[str, np.ndarray],
    mixed: MixedFit,
    grouping: str = "source",
    posterior: Posterior | None = None,
) -> tuple[tuple[float, MixedFit], ...]:
    """The fit at each spread of one grouping that the records allow, and how likely that is.

    For what is asked of all sources together, such as how many of them are below a floor: one
    spread, however well chosen, says it too surely.

    Parameters
    ----------
    y, x, groups, mixed, grouping, posterior
        As for :func:`with_plausible_spread`.

    Returns
    -------
    tuple of (float, MixedFit)
        Weights that sum to 1, over the posterior of the standard deviation as
        there; ``mixed`` alone where the grouping has fewer than three levels.
    """
    posterior = posterior or posterior_of_spread(y, x, groups, mixed, grouping)
    if posterior is None:
        return ((1.0, mixed),)
    penalised = Penalised(y, x, groups)
    fits = (_at_spread(penalised, mixed, grouping, float(sd)) for sd in posterior.at)
    return tuple(zip(posterior.weight.tolist(), fits, strict=True))


def with_restricted_spreads(
    y: np.ndarray, x: np.ndarray, groups: Mapping[str, np.ndarray], mixed: MixedFit
) -> MixedFit:
    """The fit with every spread by restricted in place of maximum likelihood.

    Maximum likelihood takes the spread between few sources as too small, since the fixed effects
    have taken part of it. Here the trials' working response at the fit is taken for an outcome on
    a line, of the variance that finds and misses have there; fixed effects, effects by level and
    their joint covariance are found anew at its spreads.

    Parameters
    ----------
    y, x, groups, mixed
        As for :func:`with_plausible_spread`.

    Returns
    -------
    MixedFit

    Raises
    ------
    FitError
        The working response has no maximum.

    References
    ----------
    Patterson HD, Thompson R (1971). Recovery of inter-block information when block sizes are
    unequal. Biometrika 58, 545-554. Schall R (1991). Estimation in generalized linear models with
    random effects. Biometrika 78, 719-727, for the working response.
    """
    penalised = Penalised(y, x, groups)
    eta = penalised.x @ mixed.beta
    groupings = []
    for name, levels, codes in zip(penalised.names, penalised.levels, penalised.codes, strict=True):
        eta = eta + mixed.effects[name]["effect"].reindex(levels).to_numpy()[codes]
        groupings.append(Grouping(name, codes, len(levels)))
    mu = special.expit(eta)
    weight = mu * (1.0 - mu)
    working = eta + (penalised.y - mu) / weight
    found = fit_linear_mixed(working, penalised.x, groupings, weight, residual_sd=1.0)
    return _at_spreads(penalised, mixed, dict(zip(penalised.names, found.sd.tolist(), strict=True)))


def _at_spread(penalised: Penalised, mixed: MixedFit, grouping: str, spread: float) -> MixedFit:
    """The fit with one grouping's standard deviation as given, the others' as fitted."""
    return _at_spreads(penalised, mixed, dict(mixed.sd) | {grouping: spread})


def _at_spreads(penalised: Penalised, mixed: MixedFit, sd: dict[str, float]) -> MixedFit:
    """The fit with standard deviations as given."""
    mode = penalised.mode(sd, mixed.beta)
    blocks = penalised.blocks(sd, mode)
    mu = special.expit(penalised.log_odds(sd, mode))
    weight = mu * (1.0 - mu)
    joint = joint_covariance(penalised.x, mixed.names, weight, blocks, kept=ASKED_ONE_BY_ONE)
    p = penalised.x.shape[1]
    effects = dict(mixed.effects)
    for block in blocks:
        effects[block.name] = effects[block.name].assign(
            effect=block.effects[:, 0], std_error=joint.errors[block.name]
        )
    return replace(
        mixed,
        beta=mode.beta,
        cov=joint.kept[:p, :p],
        sd=sd,
        effects=effects,
        singular=tuple(name for name in mixed.singular if sd[name] == 0.0),
        joint_names=joint.names,
        joint_cov=joint.kept,
        joint_wide=joint.wide,
    )


def profile_of_spread(
    penalised: Penalised, mixed: MixedFit, grouping: str
) -> tuple[np.ndarray, np.ndarray]:
    """Restricted log-likelihood over the standard deviation of one grouping.

    As far as it is within 4 of its highest, and no farther than 4 log-odds.

    Returns
    -------
    at, log_likelihood
        Standard deviations, and the log-likelihood with fixed and random effects
        integrated out (Laplace approximation) at each, shape (10,) each.
    """
    low, high = 0.0, max(_FIRST_REACH, 2.5 * mixed.sd[grouping])
    mode: _Mode | None = None
    while True:
        at, found = np.linspace(low, high, _POINTS), []
        for sd in at:
            spreads = dict(mixed.sd) | {grouping: float(sd)}
            mode = penalised.mode(spreads, mixed.beta, mode)
            found.append(mode.restricted)
        likelihood = np.array(found)
        near = np.flatnonzero(likelihood > likelihood.max() - _FAR_DOWN)
        if near[-1] == _POINTS - 1 and high < _WIDEST:
            high = min(1.6 * high, _WIDEST)
        elif len(near) < _FEWEST_NEAR:
            low, high = at[max(near[0] - 1, 0)], at[min(near[-1] + 1, _POINTS - 1)]
        else:
            return at, likelihood


class Penalised:
    """A logistic mixed model at given spreads: its mode and its likelihood there.

    Parameters
    ----------
    y, x, groups
        As for :func:`with_plausible_spread`.
    """

    def __init__(self, y: np.ndarray, x: np.ndarray, groups: Mapping[str, np.ndarray]) -> None:
        self.y, self.x = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
        self.names = tuple(groups)
        self.levels, self.codes = [], []
        for labels in groups.values():
            levels, codes = np.unique(np.asarray(labels).astype(str), return_inverse=True)
            self.levels.append(tuple(str(level) for level in levels))
            self.codes.append(codes)

    def mode(self, sd: Mapping[str, float], beta: np.ndarray, near: _Mode | None = None) -> _Mode:
        """Fixed and random effects at these spreads, from a first guess or a mode near by."""
        used = [k for k, name in enumerate(self.names) if sd[name] > 0.0]
        random = sparse.hstack(
            [sparse.csc_matrix((len(self.y), 0)), *(self._design(k, sd) for k in used)],
            format="csc",
        )
        p = self.x.shape[1]
        together = sparse.hstack([sparse.csc_matrix(self.x), random], format="csc")
        penalty = sparse.diags(np.append(np.zeros(p), np.ones(random.shape[1])))
        theta = np.append(beta, np.zeros(random.shape[1]))
        if near is not None:
            theta = np.concatenate([near.beta, *(near.u[k] for k in used)])
        value = self._penalised(together, theta, p)
        for _ in range(_STEPS):
            mu = special.expit(together @ theta)
            gradient = together.T @ (self.y - mu) - penalty @ theta
            information = (together.T @ sparse.diags(mu * (1.0 - mu)) @ together + penalty).tocsc()
            step = sparse.linalg.splu(information).solve(gradient)
            gain = float(gradient @ step)
            if gain < _TOLERANCE:
                break
            size = 1.0
            while (new := self._penalised(together, theta + size * step, p)) < value - 1e-12:
                size /= 2.0
                if size < 1e-6:
                    break
            theta, value = theta + size * step, new
        mu = special.expit(together @ theta)
        information = (together.T @ sparse.diags(mu * (1.0 - mu)) @ together + penalty).tocsc()
        u, position = [np.zeros(len(levels)) for levels in self.levels], p
        for k in used:
            u[k] = theta[position : position + len(self.levels[k])]
            position += len(self.levels[k])
        return _Mode(
            theta[:p],
            tuple(u),
            value - _log_determinant(information[p:, p:]) / 2.0,
            value - _log_determinant(information) / 2.0,
        )

    def log_odds(self, sd: Mapping[str, float], mode: _Mode) -> np.ndarray:
        """Log-odds of each row at a mode, shape (n,)."""
        eta: np.ndarray = self.x @ mode.beta
        for name, codes, u in zip(self.names, self.codes, mode.u, strict=True):
            eta = eta + sd[name] * u[codes]
        return eta

    def blocks(self, sd: Mapping[str, float], mode: _Mode) -> Sequence[Block]:
        """The groupings of more than one level as the joint covariance wants them."""
        return [
            Block(name, codes, levels, np.array([[sd[name] ** 2]]), sd[name] * u[:, None])
            for name, codes, levels, u in zip(
                self.names, self.codes, self.levels, mode.u, strict=True
            )
            if len(levels) > 1
        ]

    def _design(self, k: int, sd: Mapping[str, float]) -> sparse.csc_matrix:
        block = Block(
            self.names[k],
            self.codes[k],
            self.levels[k],
            np.array([[sd[self.names[k]] ** 2]]),
            np.zeros((0, 1)),
        )
        return scaled_design(block, None)

    def _penalised(self, together: sparse.csc_matrix, theta: np.ndarray, p: int) -> float:
        eta = together @ theta
        fit = float(self.y @ eta - np.logaddexp(0.0, eta).sum())
        return fit - float(theta[p:] @ theta[p:]) / 2.0


def _log_determinant(matrix: sparse.csc_matrix) -> float:
    if not matrix.shape[0]:
        return 0.0
    return float(np.log(np.abs(sparse.linalg.splu(matrix.tocsc()).U.diagonal())).sum())
