"""What a unit's records say about cycles and age together, all else at its best."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import Design
from outcomes.analysis.results import ExposureName
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.laplace import Grouping
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit
from outcomes.models.profile_likelihood import ProfileLikelihood
from outcomes.models.profile_surface import ProfileSurface, profile_surface
from outcomes.text import DAYS_PER_YEAR

SharedName = Literal["cycles", "age"]
PER: dict[SharedName, float] = {"cycles": 10.0, "age": DAYS_PER_YEAR}
"""Steps that slopes of all units are told in: 10 cycles and one year, of days."""
EXPOSURE_OF: dict[SharedName, ExposureName] = {"cycles": "cycles", "age": "age_days"}


@dataclass(frozen=True, slots=True)
class UnitSurface:
    """A unit's profile log-likelihood of its slopes.

    Attributes
    ----------
    exposures
        What the surface's axes are of: cycles and age, or age alone.
    surface
        Log-odds of a find per 10 cycles and per year of age.
    """

    exposures: tuple[SharedName, ...]
    surface: ProfileSurface


def unit_surface(design: Design, mixed: MixedFit | None = None) -> UnitSurface:
    """Work out a unit's surface.

    Parameters
    ----------
    design
        Trials and terms, the exposures along straight lines.
    mixed
        The model of that design at its maximum, if it is known already.

    Returns
    -------
    UnitSurface
        Of age alone where cycles do not vary.

    Raises
    ------
    FitError
        The model cannot be fitted, or age is not in it.

    Notes
    -----
    Exposures that are copies of each other make a surface too: a ridge without an end, cut
    off 32 steps from where it is highest.
    """
    exposures = _asked(design)
    if "age" not in exposures:
        raise FitError("age hardly varies between these trials, so there is nothing to add")
    fitted = mixed or fit_mixed(design.y, design.x, design.names, design.groups)
    size = np.array([PER[e] for e in exposures])
    if design.copies:
        estimate, conditional = _one_at_a_time(design, fitted, exposures)
        marginal = np.full(len(exposures), np.inf)
    else:
        places = [_place(design, e) for e in exposures]
        step = size / np.array([CYCLES_AND_AGE[EXPOSURE_OF[e]].divisor for e in exposures])
        estimate = fitted.beta[places] * step
        covariance = fitted.cov[np.ix_(places, places)] * np.outer(step, step)
        conditional = 1.0 / np.sqrt(np.diag(np.linalg.inv(covariance)))
        marginal = np.sqrt(np.diag(covariance))
    taken = [k for e in EXPOSURE_OF.values() if (k := design.column_of(e)) is not None]
    profile = ProfileLikelihood(
        design.y,
        _values(design, exposures) / size,
        np.delete(design.x, taken, axis=1),
        _groupings(design),
    )
    found = profile_surface(profile, estimate, conditional, marginal, fitted.log_likelihood)
    return UnitSurface(exposures, found)


def _asked(design: Design) -> tuple[SharedName, ...]:
    """Exposures in the model, or in it under the name of the one they are a copy of."""
    present = [
        e
        for e, name in EXPOSURE_OF.items()
        if design.column_of(name) is not None or design.copies.get(name) in EXPOSURE_OF.values()
    ]
    return tuple(present)


def _place(design: Design, exposure: SharedName) -> int:
    place = design.column_of(EXPOSURE_OF[exposure])
    assert place is not None
    return place


def _values(design: Design, exposures: tuple[SharedName, ...]) -> np.ndarray:
    """Each exposure as it was at each trial, shape (n, m)."""
    return design.trials[[EXPOSURE_OF[e] for e in exposures]].to_numpy(dtype=float)


def _one_at_a_time(
    design: Design, fitted: MixedFit, exposures: tuple[SharedName, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Estimates with the copy at zero, and the error of each where it stands alone.

    A copy is the other one times a number and moved, so its error is the other's times that.
    """
    in_model = next(e for e in exposures if design.column_of(EXPOSURE_OF[e]) is not None)
    k, divisor = _place(design, in_model), CYCLES_AND_AGE[EXPOSURE_OF[in_model]].divisor
    estimate, error = (
        v * PER[in_model] / divisor for v in (fitted.beta[k], fitted.cov[k, k] ** 0.5)
    )
    spread = {e: float(np.std(_values(design, (e,)))) / PER[e] for e in exposures}
    estimates = np.array([estimate if e == in_model else 0.0 for e in exposures])
    return estimates, np.array([error * spread[in_model] / spread[e] for e in exposures])


def _groupings(design: Design) -> list[Grouping]:
    made = []
    for name, labels in design.groups.items():
        codes, levels = pd.factorize(pd.Series(labels).astype(str), sort=True)
        if len(levels) > 1:
            made.append(Grouping(name, codes, len(levels)))
    return made
