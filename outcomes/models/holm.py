"""p-values of several tests, adjusted for there being several."""

from __future__ import annotations

import numpy as np


def holm(p: np.ndarray) -> np.ndarray:
    """Adjust p-values by Holm's step-down method.

    With these, the chance of calling any of the tests wrongly is at most the level they are held
    against, whatever their dependence: tests of the same trials are not independent.

    Parameters
    ----------
    p
        p-values, shape (k,); none missing.

    Returns
    -------
    numpy.ndarray
        Adjusted p-values, shape (k,), in the order given; never below ``p``, at most 1.

    References
    ----------
    Holm S (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal
    of Statistics 6, 65-70.

    Examples
    --------
    >>> holm(np.array([0.01, 0.04, 0.03])).round(6).tolist()
    [0.03, 0.06, 0.06]
    """
    order = np.argsort(p, kind="stable")
    steps = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1)), 1.0)
    adjusted = np.empty(len(p))
    adjusted[order] = steps
    return adjusted
