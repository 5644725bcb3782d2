"""Twice the gain in log-likelihood, free of rounding noise about zero."""

from __future__ import annotations

_NOTHING = 1e-6  # twice the log-likelihood that a spread held at zero may give away, and more


def likelihood_ratio(larger: float, smaller: float) -> float:
    """Likelihood-ratio statistic of two nested models, 0 where the larger gains nothing.

    A p-value that jumps at 0, as that of a variance does, must not hang on the
    last digits of two maxima: they differ from one processor to the next.

    Parameters
    ----------
    larger, smaller
        Maximised log-likelihoods.

    Examples
    --------
    >>> likelihood_ratio(-99.0, -100.0), likelihood_ratio(-100.0 + 1e-9, -100.0)
    (2.0, 0.0)
    """
    statistic = 2.0 * (larger - smaller)
    return statistic if statistic > _NOTHING else 0.0
