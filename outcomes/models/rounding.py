"""Numbers rounded before anything is decided by them."""

from __future__ import annotations

import numpy as np

_DECIMALS = 9  # fits agree between processors to some 1e-10; what is told is coarser by far


def rounded(values: np.ndarray | float) -> np.ndarray:
    """Probabilities without the last digits, in which processors differ, in the same form.

    What lies on a limit to nine decimals is then on the same side of it everywhere.

    Examples
    --------
    >>> bool(rounded(0.85 - 1e-13) >= 0.85), bool(rounded(0.85 - 1e-6) >= 0.85)
    (True, False)
    """
    return np.asarray(np.round(values, _DECIMALS))
