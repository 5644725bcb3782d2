"""How each kind of source changes with cycles, where kinds differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outcomes.analysis.finds.design import Design
from outcomes.analysis.finds.standard_errors import small_sample
from outcomes.analysis.finds.usable_trials import kinds_of
from outcomes.errors import FitError
from outcomes.models.distributions import student_quantile
from outcomes.models.mixed import fit_mixed

_SOURCES_A_KIND = 3


@dataclass(frozen=True, slots=True)
class KindChange:
    """Change in finds with cycles in one kind of source.

    Attributes
    ----------
    kind
        Its name.
    sources
        Sources of it in which cycles vary.
    log_odds, low, high
        Change in log-odds a cycle, with limits at 1 - alpha for all kinds together (Bonferroni).
    """

    kind: str
    sources: int
    log_odds: float
    low: float
    high: float

    @property
    def falls(self) -> bool:
        """Whether finds fall beyond chance in this kind."""
        return self.high < 0.0


def change_by_kind(design: Design, alpha: float) -> tuple[KindChange, ...]:
    """The change in finds with cycles of every kind that can be asked about, by name.

    A straight line a kind, the kinds of fewer than 3 sources together in one more; sources may
    differ in their level.

    Parameters
    ----------
    design
        Of the model along straight lines.
    alpha
        Level for all kinds together.

    Returns
    -------
    tuple of KindChange
        Empty where fewer than two kinds can be asked about or the model cannot be fitted.
    """
    position = design.column_of("cycles")
    kind, source = kinds_of(design.trials), design.groups.get("source")
    if position is None or source is None:
        return ()
    cycles = design.x[:, position]
    varying: dict[str, int] = {}
    for one in np.unique(kind).tolist():
        of_kind = kind == one
        spans = [np.ptp(cycles[of_kind & (source == s)]) for s in set(source[of_kind])]
        varying[one] = sum(bool(span > 0.0) for span in spans)
    asked = [k for k, sources in varying.items() if sources >= _SOURCES_A_KIND]
    if len(asked) < 2:
        return ()
    columns = [cycles * (kind == k) for k in asked]
    rest = cycles * ~np.isin(kind, asked)
    if np.ptp(rest) > 0.0:
        columns.append(rest)
    x = np.column_stack([np.delete(design.x, position, axis=1), *columns])
    first = design.x.shape[1] - 1
    names = [f"column {j}" for j in range(x.shape[1])]
    try:
        mixed = fit_mixed(design.y, x, names, design.groups)
    except FitError:
        return ()
    freedom, widening = (float(v[position]) for v in small_sample(design))
    reach = float(student_quantile(1.0 - alpha / (2.0 * len(asked)), freedom)) * widening
    found = []
    for place, name in enumerate(asked, start=first):
        estimate, error = float(mixed.beta[place]), float(np.sqrt(mixed.cov[place, place]))
        low, high = estimate - reach * error, estimate + reach * error
        found.append(KindChange(name, varying[name], estimate, low, high))
    return tuple(found)


_MOST_NAMED = 3


def sources_that_fall_most(design: Design) -> tuple[str, ...]:
    """Sources whose own finds fall most with cycles, where sources differ; at most three.

    By the conditional modes of a random slope; empty where it cannot be fitted.
    """
    position = design.column_of("cycles")
    if position is None or "source" not in design.groups:
        return ()
    name = design.names[position]
    groups = {g: labels for g, labels in design.groups.items() if g in ("dog", "source")}
    try:
        mixed = fit_mixed(design.y, design.x, design.names, groups, slope=("source", name))
    except FitError:
        return ()
    effects = mixed.effects["source"]
    if "slope" not in effects:
        return ()
    own = (effects["slope"] + mixed.beta[position]).sort_values(kind="stable")
    return tuple(str(source) for source in own[own < 0.0].index[:_MOST_NAMED])
