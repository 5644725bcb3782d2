"""Models of counts, Poisson or negative binomial, with a random effect of the cluster.

statsmodels fits the same models without the random effect; its errors
clustered by source are used for those.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import digamma, gammaln, polygamma

from outcomes.errors import FitError
from outcomes.models.distributions import normal_tail
from outcomes.models.frailty_design import EffectsDesign, effects_design
from outcomes.models.newton import maximise, maximise_with_effects

POISSON = "Poisson"
NEGATIVE_BINOMIAL = "negative binomial"


@dataclass(frozen=True, slots=True)
class RateFit:
    """A model of counts at its maximum.

    Attributes
    ----------
    family
        ``"Poisson"`` or ``"negative binomial"``.
    beta
        Coefficients of the log rate, shape (p,).
    cov
        Their covariance from the curvature, shape (p, p), given the effect of
        the cluster where there is one.
    dispersion
        Of the negative binomial: variance = mean + dispersion * mean^2; None for Poisson.
    effects_sd
        Standard deviation of the clusters' log rates; None without them.
    log_likelihood
        At the estimate; None with cluster effects.
    """

    family: str
    beta: np.ndarray
    cov: np.ndarray
    dispersion: float | None
    effects_sd: float | None
    log_likelihood: float | None


def fit_rates(
    count: np.ndarray,
    offset: np.ndarray,
    x: np.ndarray,
    family: str,
    clusters: np.ndarray | None = None,
) -> RateFit:
    """Fit log mean count = offset + x beta + effect of the cluster.

    Parameters
    ----------
    count
        Events of each trial, shape (n,).
    offset
        Logarithm of its time, shape (n,).
    x
        Covariates with their constant or constants, shape (n, p); no missing
        values, full rank.
    family
        ``"Poisson"`` or ``"negative binomial"``.
    clusters
        Code of the cluster from 0, shape (n,), to give each a normal random
        effect on the log rate.

    Returns
    -------
    RateFit

    Raises
    ------
    FitError
        If the likelihood has no maximum that could be found.
    """
    n, p = x.shape
    basis, triangle = np.linalg.qr(x)
    if np.abs(np.diag(triangle)).min() < 1e-10 * np.abs(np.diag(triangle)).max():
        raise FitError("the terms cannot be told apart in these false alerts")
    basis, triangle = basis * np.sqrt(n), triangle / np.sqrt(n)
    design = effects_design(basis, clusters)
    scattered = family == NEGATIVE_BINOMIAL
    start = np.zeros(design.width + scattered)
    level = np.log(count.sum() / np.exp(offset).sum())
    start[:p] = basis.T @ np.full(n, level) / n
    effects = np.concatenate([design.is_effect, np.zeros(int(scattered), dtype=bool)])

    def likelihood(theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        if scattered:
            return _negative_binomial(count, offset, design, theta)
        return _poisson(count, offset, design, theta)

    variance: float | None = None
    if clusters is None:
        maximum = maximise(likelihood, start)
    else:
        maximum, variance = maximise_with_effects(likelihood, start, effects)
    back = np.linalg.inv(triangle)
    cov = maximum.covariance()[:p, :p]
    if not np.isfinite(cov).all() or np.diag(cov).max() > 100.0:
        raise FitError("the terms cannot be told apart in these false alerts")
    return RateFit(
        family=family,
        beta=back @ maximum.at[:p],
        cov=back @ cov @ back.T,
        dispersion=float(np.exp(maximum.at[-1])) if scattered else None,
        effects_sd=None if variance is None else float(np.sqrt(variance)),
        log_likelihood=maximum.value if clusters is None else None,
    )


def _poisson(
    y: np.ndarray, offset: np.ndarray, design: EffectsDesign, beta: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    eta = offset + design.linear(beta)
    mu = np.exp(eta)
    value = float((y * eta - mu - gammaln(y + 1.0)).sum())
    return value, design.total(y - mu), design.square(mu)


def _negative_binomial(
    y: np.ndarray, offset: np.ndarray, design: EffectsDesign, theta: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    """Log-likelihood with the logarithm of the dispersion as last parameter."""
    mu = np.exp(offset + design.linear(theta[:-1]))
    size = np.exp(-theta[-1])
    total = size + mu
    value = (
        gammaln(y + size)
        - gammaln(size)
        - gammaln(y + 1.0)
        + size * np.log(size / total)
        + y * np.log(mu / total)
    )
    u = size * (y - mu) / total
    # Derivatives with respect to the size, then to the log of its inverse.
    first = digamma(y + size) - digamma(size) + np.log(size / total) + (mu - y) / total
    second = (
        polygamma(1, y + size) - polygamma(1, size) + 1.0 / size - 1.0 / total - (mu - y) / total**2
    )
    bend = size * mu * (size + y) / total**2
    cross = -size * (mu * (y - mu) / total**2)
    information = np.empty((len(theta), len(theta)))
    information[:-1, :-1] = design.square(bend)
    information[:-1, -1] = information[-1, :-1] = -design.total(cross)
    information[-1, -1] = -float((second * size**2 + first * size).sum())
    return float(value.sum()), np.append(design.total(u), -size * float(first.sum())), information


def overdispersion_p(count: np.ndarray, mean: np.ndarray) -> float:
    """One-sided p-value of a variance above the mean.

    Parameters
    ----------
    count, mean
        Counts, and their means by a Poisson model, shape (n,).

    References
    ----------
    Cameron, A. C. and Trivedi, P. K. (1990). Regression-based tests for
    overdispersion in the Poisson model. *Journal of Econometrics* 46, 347-364.
    """
    excess = float(((count - mean) ** 2 - count).sum())
    return float(normal_tail(excess / np.sqrt(2.0 * float((mean**2).sum()))))


def clustered_rate_errors(
    count: np.ndarray, offset: np.ndarray, x: np.ndarray, fit: RateFit, clusters: np.ndarray
) -> np.ndarray:
    """Errors of the coefficients that allow for any dependence within clusters, shape (p,).

    The dispersion of a negative binomial counts as known.

    Parameters
    ----------
    count, offset, x
        As handed to :func:`fit_rates`.
    fit
        The fit they gave, without cluster effects.
    clusters
        Code of the cluster, shape (n,).
    """
    from statsmodels.genmod import families
    from statsmodels.genmod.generalized_linear_model import GLM

    family = (
        families.Poisson()
        if fit.dispersion is None
        else families.NegativeBinomial(alpha=fit.dispersion)
    )
    model = GLM(count, x, family=family, offset=offset)
    clustered = model.fit(
        start_params=fit.beta,
        cov_type="cluster",
        cov_kwds={"groups": clusters, "use_correction": False},
    )
    return np.asarray(clustered.bse)
