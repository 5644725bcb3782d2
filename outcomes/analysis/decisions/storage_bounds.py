"""Refrigerated against frozen with the two drawn elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from outcomes.analysis.decisions.compare import Comparison, compare_storage
from outcomes.analysis.finds.model import FindFit
from outcomes.exposure.accumulate import regimes

BOUNDS = (0.6, 0.7, 0.8, 0.9)


@dataclass(frozen=True, slots=True)
class BoundChoice:
    """The comparison with the regimes drawn elsewhere.

    ``bound`` is the frozen share from which a source counts as frozen; it
    counts as refrigerated from as large a refrigerated share on.
    """

    bound: float
    comparison: Comparison


def compare_bounds(fit: FindFit, bounds: Sequence[float] = BOUNDS) -> tuple[BoundChoice, ...]:
    """Compare refrigerated with frozen under other definitions of the two.

    Parameters
    ----------
    fit
        Fit of finds.
    bounds
        Shares above one half, each tried on both sides.

    Returns
    -------
    tuple of BoundChoice
        In the order given; a comparison that is refused has its reason.

    Raises
    ------
    ValueError
        A bound is not above 0.5 and at most 1.
    """
    if any(not 0.5 < bound <= 1.0 for bound in bounds):
        raise ValueError(f"a bound must lie above 0.5 and be at most 1, not {tuple(bounds)}")
    trials = fit.design.trials
    share = trials["frozen_share"].to_numpy(dtype=float)
    found: list[BoundChoice] = []
    done: dict[tuple[str | None, ...], Comparison] = {}
    for bound in bounds:
        # 1 - 0.8 is a little under 0.2: a share at the bound belongs to its side.
        regime = regimes(share, bound - 1e-9, 1.0 - bound + 1e-9)
        key = tuple(regime)
        if key not in done:
            drawn = replace(fit, design=replace(fit.design, trials=trials.assign(regime=regime)))
            done[key] = compare_storage(drawn, each_kind=False)
        found.append(BoundChoice(bound, done[key]))
    return tuple(found)
