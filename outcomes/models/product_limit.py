"""The product-limit estimate of a survival curve, from sources followed from late entry on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class ProductLimit:
    """A survival curve at the times of its events.

    Attributes
    ----------
    times
        Times at which an event occurred, rising, shape (k,).
    probability, std_error
        Probability of lasting beyond each, and its standard error.
    at_risk, events
        Followed just before each, and events at it.
    """

    times: np.ndarray
    probability: np.ndarray
    std_error: np.ndarray
    at_risk: np.ndarray
    events: np.ndarray


def product_limit(
    exit_: np.ndarray, event: np.ndarray, entry: np.ndarray | None = None
) -> ProductLimit:
    """Estimate a survival curve.

    By ``statsmodels``, which is loaded here: that takes longer than the answer on finds. (Curves
    by ``lifelines`` are refused where nobody is followed for a while, as late entry may have it.)

    Parameters
    ----------
    exit_
        When each was last followed, shape (n,); none is missing.
    event
        Whether that was by the event.
    entry
        When each began to be followed; at risk from just after it on. None: from the start.

    Returns
    -------
    ProductLimit
        Without a row where there was no event. Where all still followed met the event at
        once, probability and standard error are 0.

    References
    ----------
    Kaplan EL, Meier P (1958). Nonparametric estimation from incomplete observations.
    Journal of the American Statistical Association 53, 457-481.
    Greenwood M (1926). The natural duration of cancer. Reports on Public Health and
    Medical Subjects 33. HMSO, London.

    Examples
    --------
    >>> curve = product_limit(np.array([1.0, 2.0, 2.0, 3.0]), np.array([True, True, False, False]))
    >>> curve.times, curve.probability, curve.at_risk
    (array([1., 2.]), array([0.75, 0.5 ]), array([4, 3]))
    """
    from statsmodels.duration.survfunc import SurvfuncRight

    seen = np.asarray(event, dtype=int)
    if not seen.any():
        none, nobody = np.zeros(0), np.zeros(0, dtype=int)
        return ProductLimit(none, none, none, nobody, nobody)
    found = SurvfuncRight(exit_, seen, entry=entry)
    at_risk, events = (np.asarray(c).astype(int) for c in (found.n_risk, found.n_events))
    # Where all still followed met the event at once, Greenwood's formula is 0 by 0.
    over = np.logical_or.accumulate(found.surv_prob == 0.0)
    probability, error = (
        np.where(over, 0.0, values) for values in (found.surv_prob, found.surv_prob_se)
    )
    return ProductLimit(found.surv_times, probability, error, at_risk, events)
