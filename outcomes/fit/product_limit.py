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

    ``statsmodels`` has the same, and takes longer to load than all of the answer on finds
    takes to work out.

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
    leaving = np.sort(exit_)
    times, events = np.unique(exit_[np.asarray(event, dtype=bool)], return_counts=True)
    entered = (
        np.full(len(times), len(leaving))
        if entry is None
        else np.searchsorted(np.sort(entry), times, side="left")
    )
    at_risk = entered - np.searchsorted(leaving, times, side="left")
    probability = np.cumprod(1.0 - events / at_risk)
    left = at_risk - events
    variance = np.cumsum(
        np.divide(events, at_risk * left, out=np.zeros(len(times)), where=left > 0)
    )
    return ProductLimit(times, probability, probability * np.sqrt(variance), at_risk, events)
