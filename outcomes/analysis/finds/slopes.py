"""Whether sources, or dogs, differ in how they change with cycles or age."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outcomes.analysis.finds.design import Design
from outcomes.analysis.results import ExposureName, LeftOut
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.distributions import chi_square_tail
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit

_ALLOW_FOR_SLOPES = 2.0  # likelihood-ratio statistic from which errors allow for differing slopes
_SAY_SLOPES_DIFFER = 4.0  # and from which it is said that they differ
_PLAINLY, _SLOPES_TRIED = 0.05, 4  # sources and dogs, with cycles and with age
_MOST_SLOPES = 500  # levels; beyond, a fit takes minutes


@dataclass(frozen=True, slots=True)
class Slope:
    """Levels of a grouping that may differ in how they change with an exposure.

    ``sd`` is the standard deviation of their slopes (log-odds per unit),
    ``statistic`` the likelihood-ratio statistic against a common slope,
    ``std_error`` that of the mean slope once they may differ, and
    ``common_error`` that of a slope taken to be common.
    """

    grouping: str
    exposure: ExposureName
    sd: float
    statistic: float
    std_error: float
    common_error: float

    @property
    def seem_to_differ(self) -> bool:
        """Whether there is enough for saying so: beyond what a common slope gives by chance.

        Errors allow for differing slopes sooner, from a statistic of 2, which one of
        four terms often exceeds where all slopes are alike.
        """
        return self.statistic > _SAY_SLOPES_DIFFER

    @property
    def plainly_differ(self) -> bool:
        """Whether they differ beyond chance even as one of four such tests, at 5 in 100 together.

        References
        ----------
        Self SG, Liang KY (1987). Asymptotic properties of maximum likelihood
        estimators and likelihood ratio tests under nonstandard conditions.
        Journal of the American Statistical Association 82, 605-610.
        """
        # A variance at its edge, and with it a correlation: an even mixture of 1 and 2 degrees.
        p = 0.5 * (chi_square_tail(self.statistic, 1) + chi_square_tail(self.statistic, 2))
        return bool(p < _PLAINLY / _SLOPES_TRIED)


def find_slopes(design: Design) -> tuple[tuple[Slope, ...], tuple[LeftOut, ...]]:
    """Where sources, or dogs, may differ in how they change with an exposure.

    A random slope beside the random intercept, tried for each exposure and
    grouping, in the model without sessions or hides (with them it takes
    minutes in a large unit); kept where twice the gain in log-likelihood
    exceeds 2, and never taken to make the error smaller. (By Akaike's criterion
    it would have to exceed 4, a variance and a correlation being added: an error
    too wide does less harm here than one too narrow.)

    Returns
    -------
    slopes, untried
        The slopes found, and those that could not be tried, with the reason.
    """
    groups = {name: labels for name, labels in design.groups.items() if name in ("dog", "source")}
    found: list[Slope] = []
    untried: list[LeftOut] = []
    for exposure in CYCLES_AND_AGE:
        column = design.column_of(exposure)
        if column is None:
            continue
        # Centred, so that the intercepts are those at the usual exposure.
        centred = design.x.copy()
        centred[:, column] -= centred[:, column].mean()
        plain: MixedFit | None = None
        for grouping in groups:
            slope = (grouping, design.names[column])
            if len(set(groups[grouping])) > _MOST_SLOPES:
                reason = f"more than {_MOST_SLOPES} {grouping}s: too many to try"
                untried.append(LeftOut(f"differences between {grouping}s in {exposure}", reason))
                continue
            try:
                if plain is None:
                    plain = fit_mixed(design.y, centred, design.names, groups, details=False)
                fit = fit_mixed(design.y, centred, design.names, groups, slope=slope, details=False)
            except FitError as error:
                name = f"differences between {grouping}s in {exposure}"
                untried.append(LeftOut(name, str(error)))
                continue
            statistic = likelihood_ratio(fit.log_likelihood, plain.log_likelihood)
            if statistic > _ALLOW_FOR_SLOPES:
                # Errors that allow for the slopes take the curvature, which few fits need.
                fit = fit_mixed(design.y, centred, design.names, groups, slope=slope)
                errors = (float(np.sqrt(f.cov[column, column])) for f in (fit, plain))
                found.append(Slope(grouping, exposure, fit.slope_sd[grouping], statistic, *errors))
    return tuple(found), tuple(untried)
