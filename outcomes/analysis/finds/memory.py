"""Whether dogs find a source more readily for having met it, and what that does to the answer.

A dog's meetings with a source rise with the source's cycles, so that either may stand in for the
other. Meetings are no part of the main model: with them the error of cycles about doubles.
"""

from __future__ import annotations

import numpy as np

from outcomes.analysis.finds.design import Column, Design
from outcomes.analysis.finds.specifications import (
    Asked,
    Memory,
    Specification,
    refit_other,
    with_columns,
)
from outcomes.analysis.finds.terms import NUMBERS, values_of
from outcomes.errors import FitError
from outcomes.models.distributions import student_tail
from outcomes.models.mixed_result import MixedFit

WITH_MEETINGS = "with the dog's earlier meetings with the source"
FIRST_MEETINGS = "first meetings of dog and source only"
_TERM = "met_before"


def ask_with_meetings(asked: Asked) -> Memory | None:
    """Put the question with the earlier meetings of dog and source as a term.

    Parameters
    ----------
    asked
        The working state; rows for the exposures of the main model are added to it.

    Returns
    -------
    Memory or None
        None where it could not be asked; the rows then have the reason.
    """
    trials = asked.design.trials
    if _TERM not in trials or trials[_TERM].isna().any():
        asked.refuse(WITH_MEETINGS, "model", "how often dogs met the sources is not on record")
        return None
    if not trials[_TERM].any():
        asked.refuse(WITH_MEETINGS, "model", "no dog met a source twice")
        return None
    design = _with_meetings(asked.design)
    column = design.column_of(_TERM)
    if column is None:
        reason = "meetings carry the same information as the other terms"
        asked.refuse(WITH_MEETINGS, "model", reason)
        return None
    try:
        mixed = refit_other(design, asked.fit.mixed, quick=False)
    except FitError as error:
        asked.refuse(WITH_MEETINGS, "model", str(error))
        return None
    before = len(asked.rows)
    asked.add_fitted(WITH_MEETINGS, "model", design, mixed)
    added = asked.rows[before:]
    with_it = next((r for r in added if r.term == "cycles" and r.log_odds is not None), None)
    return _memory(asked, design, mixed, column, with_it)


def _with_meetings(design: Design) -> Design:
    """The design with meetings as its last column, unless it has the same information already."""
    meetings = values_of(_TERM, design.trials).to_numpy(dtype=float)
    column = Column(_TERM, _TERM, NUMBERS[_TERM].unit, 0.0, 1.0, None)
    x = np.column_stack([design.x, meetings])
    return with_columns(
        design, design.trials, design.y, x, (*design.columns, column), design.groups
    )


def _memory(
    asked: Asked, design: Design, mixed: MixedFit, column: int, with_it: Specification | None
) -> Memory:
    # Meetings vary within sources: judged against the normal distribution, as conditions are.
    estimate, error = float(mixed.beta[column]), float(np.sqrt(mixed.cov[column, column]))
    reach = asked.reach(np.inf) * error
    cycles = design.column_of("cycles")
    correlation = None
    if cycles is not None:
        # Sources that never cycle tell the two apart in no trial of theirs.
        trials = design.trials
        cycled = (trials.groupby("source_id")["cycles"].transform("max") > 0.0).to_numpy()
        both = design.x[cycled][:, [cycles, column]]
        correlation = float(np.corrcoef(both.T)[0, 1])
    return Memory(
        log_odds=estimate,
        low=estimate - reach,
        high=estimate + reach,
        p=float(2.0 * student_tail(abs(estimate) / error, np.inf)),
        cycles_with_it=with_it,
        correlation=correlation,
        changes_answer=with_it is not None
        and _side(with_it) != _side(next(r for r in asked.rows if r.term == "cycles")),
    )


def _side(row: Specification) -> int:
    """On which side of no change the whole interval lies; 0 where it includes it."""
    assert row.low is not None
    assert row.high is not None
    return int(row.low > 0.0) - int(row.high < 0.0)
