"""A smooth curve in place of a straight line: the natural cubic regression spline."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

_QUANTILES = {3: (0.10, 0.50, 0.90), 4: (0.05, 0.35, 0.65, 0.95)}


def spline_knots(values: np.ndarray) -> tuple[float, ...]:
    """Knots at the usual quantiles; fewer where these fall together, none where too many do.

    Parameters
    ----------
    values
        Shape (n,), no missing values.

    Returns
    -------
    tuple of float
        4 or 3 rising numbers; empty where the values cannot carry a curve.

    References
    ----------
    Harrell FE (2015). Regression Modeling Strategies, 2nd ed., table 2.3. Springer.
    """
    for count in (4, 3):
        found = np.unique(np.quantile(values, _QUANTILES[count], method="lower"))
        if len(found) == count:
            return tuple(float(k) for k in found)
    return ()


def natural_spline(values: np.ndarray, knots: Sequence[float]) -> np.ndarray:
    """Columns that, beside the values themselves, make a curve straight beyond its end knots.

    Parameters
    ----------
    values
        Shape (n,).
    knots
        k rising numbers, k of at least 3.

    Returns
    -------
    numpy.ndarray
        Shape (n, k - 2), in the units of ``values``.

    References
    ----------
    Harrell FE (2015). Regression Modeling Strategies, 2nd ed., sec. 2.4.5. Springer.

    Examples
    --------
    >>> natural_spline(np.array([0.0, 1.0, 2.0, 3.0]), [0.0, 1.0, 2.0]).ravel()
    array([0.  , 0.25, 1.5 , 3.  ])
    """
    last, before = knots[-1], knots[-2]

    def cubed(from_: float) -> np.ndarray:
        return np.maximum(values - from_, 0.0) ** 3

    columns = [
        cubed(knot)
        - cubed(before) * (last - knot) / (last - before)
        + cubed(last) * (before - knot) / (last - before)
        for knot in knots[:-2]
    ]
    return np.column_stack(columns) / (last - knots[0]) ** 2
