"""The likelihood of a mixed model in a few of its coefficients, all else at its maximum.

Units that keep their records to themselves can each hand over this function of the effects
they have in common: the functions add up to the likelihood of all records together in which
everything else is each unit's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.errors import FitError
from outcomes.models.laplace import Grouping, LaplaceLikelihood
from outcomes.models.mixed_model import fit_mixed_model, one_thread

_SAME = 1e-5  # log-likelihood; the fit's own value and that worked out anew at what it found


@dataclass(frozen=True, slots=True)
class ProfilePoint:
    """A profile likelihood at one point.

    Attributes
    ----------
    log_likelihood
        With all else at its maximum.
    gradient
        By the coefficients held, shape (m,).
    factors
        Factor of each grouping there, to start from near by.
    """

    log_likelihood: float
    gradient: np.ndarray
    factors: tuple[np.ndarray, ...]


class ProfileLikelihood:
    """Profile log-likelihood of some coefficients of a logistic mixed model.

    Parameters
    ----------
    y
        Outcomes 0 or 1, shape (n,).
    held
        Columns whose coefficients are held at given values, shape (n, m).
    x
        Every other column, shape (n, p), of full column rank, the intercept among them.
    groupings
        Random intercepts, of at least two levels each.

    Notes
    -----
    No missing values anywhere. By the envelope theorem the gradient is that of the whole
    likelihood at the point found.

    References
    ----------
    Pawitan Y (2001). In All Likelihood. Oxford University Press, sections 3.4 and 2.7, for
    profile likelihoods and for adding up those of independent data.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> dog = Grouping("dog", np.repeat([0, 1, 2], 100), 3)
    >>> wear = rng.normal(size=300)
    >>> y = rng.binomial(1, 1.0 / (1.0 + np.exp(wear - 2.0))).astype(float)
    >>> profile = ProfileLikelihood(y, wear[:, None], np.ones((300, 1)), [dog])
    >>> near, far = profile.at(np.array([-0.8])), profile.at(np.array([0.5]))
    >>> bool(near.log_likelihood > far.log_likelihood), bool(far.gradient[0] < 0.0)
    (True, True)
    """

    def __init__(
        self, y: np.ndarray, held: np.ndarray, x: np.ndarray, groupings: Sequence[Grouping]
    ) -> None:
        self.y = np.asarray(y, dtype=float)
        self.held = np.asarray(held, dtype=float)
        self.x = np.asarray(x, dtype=float)
        self.groupings = tuple(groupings)
        if any(g.slope is not None for g in self.groupings):
            raise ValueError("a profile likelihood is of random intercepts alone")
        self._whole = LaplaceLikelihood(
            self.y, np.column_stack([self.held, self.x]), self.groupings
        )

    def at(
        self,
        coefficients: np.ndarray,
        near: Sequence[np.ndarray] | None = None,
        *,
        roughly: bool = False,
    ) -> ProfilePoint:
        """The profile at given coefficients.

        Parameters
        ----------
        coefficients
            Shape (m,).
        near
            Factors to start from, those of a point near by.
        roughly
            Stop where the log-likelihood is within about 0.001 of its maximum, unproved: for a
            lattice whose points are held against each other.

        Raises
        ------
        FitError
            No maximum over all else could be certified there.
        """
        held = np.asarray(coefficients, dtype=float)
        found = fit_mixed_model(
            self.y,
            self.x,
            self.groupings,
            offset=self.held @ held,
            curvature=False,
            near=near,
            roughly=roughly,
        )
        factors = tuple(g.factor for g in found.groups)
        try:
            with one_thread():
                point = self._whole.at(
                    np.concatenate([held, found.beta]),
                    np.array([factor[0, 0] for factor in factors]),
                )
        except FloatingPointError as error:
            raise FitError(f"the model could not be fitted ({error})") from error
        if not abs(point.log_likelihood - found.log_likelihood) < _SAME * (1.0 + len(self.y)):
            raise FitError("the likelihood at the maximum found is not that of the search")
        return ProfilePoint(found.log_likelihood, point.gradient[: self.held.shape[1]], factors)
