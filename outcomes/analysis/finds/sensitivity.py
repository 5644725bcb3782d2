"""The same question asked in other ways: does find probability change with cycles, with age?

One row a way and exposure, so that a reader can see whether the answer hangs
on how the question was put, on which trials were used, or on a single source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from outcomes.analysis.finds.memory import ask_with_meetings
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.other_models import ask_other_models
from outcomes.analysis.finds.other_trials import (
    ask_leaving_out,
    ask_other_trials,
    ask_with_more_thaws,
)
from outcomes.analysis.finds.specifications import (
    Agreement,
    Asked,
    Specification,
    Specifications,
    slope_factors,
)
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, ExposureName
from outcomes.records.tables import Records

MAIN = "the main model"


def try_specifications(fit: FindFit, records: Records | None = None) -> Specifications:
    """Ask in many ways whether find probability changes with cycles and with age.

    Parameters
    ----------
    fit
        The main model. Its trials, terms and settings are the starting point
        of every other way, and its seed that of everything random.
    records
        The records behind it, for the ways that read the storage log anew;
        without them those are listed with that reason.

    Returns
    -------
    Specifications
        With no rows and a ``reason`` where there is no main model.

    Notes
    -----
    A mixed model on other trials keeps the terms of the main one where they
    can still be told apart. For blind trials, qualified dogs, the last 12 months
    and the strict reading of the log, terms are chosen anew by the main model's
    rules. Errors allow for few sources as the main ones do; where sources or
    dogs differ in how fast they change, every error of a mixed model is
    multiplied by the factor that this makes in the main one.

    Models without random effects give changes averaged over sources, which
    are a little nearer to nil than those for one source.

    References
    ----------
    Mundlak Y (1978). On the pooling of time series and cross section data.
    Econometrica 46, 69-85, for the split within and between sources.
    Rubin DB (1987). Multiple Imputation for Nonresponse in Surveys, ch. 3.
    Wiley, for adding up refits with random thaws.
    """
    design = fit.design
    terms: tuple[ExposureName, ...] = tuple(
        t for t in CYCLES_AND_AGE if fit.mixed is not None and fit.term(t) is not None
    )
    if fit.mixed is None or not terms:
        reason = fit.reason or "neither cycles nor age varies between these trials"
        return Specifications((), {}, fit.settings.alpha, (), reason)
    asked = Asked(fit, terms, slope_factors(fit))
    for term in terms:
        column = design.column_of(term)
        assert column is not None
        main = fit.term(term)
        assert main is not None
        answer = (main.log_ratio, main.std_error, float(fit.freedom[column]))
        asked.add(MAIN, "main", term, answer, (fit.n, fit.sources))
        # Its interval is the one reported everywhere, however that was found.
        limits = {"low": float(np.log(main.low)), "high": float(np.log(main.high))}
        asked.rows[-1] = replace(asked.rows[-1], **limits)  # type: ignore[arg-type]
    ask_other_models(asked)
    memory = ask_with_meetings(asked)
    ask_other_trials(asked, records)
    ask_with_more_thaws(asked, records)
    ask_leaving_out(asked)
    rows = tuple(asked.rows)
    agreement: dict[ExposureName, Agreement] = {
        term: _agree(term, [r for r in rows if r.term == term]) for term in terms
    }
    notes = tuple(asked.notes)
    return Specifications(rows, agreement, fit.settings.alpha, notes, None, memory)


def _agree(term: ExposureName, rows: Sequence[Specification]) -> Agreement:
    main = rows[0]
    assert main.log_odds is not None
    assert main.low is not None
    assert main.high is not None
    rising = main.log_odds > 0.0
    ways: list[tuple[str, list[Specification]]] = []
    for row in rows[1:]:
        if row.log_odds is not None and row.family not in ("source", "dog"):
            ways.append((row.name, [row]))
    for family in ("source", "dog"):
        members = [r for r in rows if r.family == family and r.log_odds is not None]
        if members:
            ways.append((f"without each {family} in turn", members))
    against = tuple(name for name, members in ways if not all(_same(r, rising) for r in members))
    clear_too = sum(all(_clear(r, rising) for r in members) for _, members in ways)
    same = len(ways) - len(against)
    unsure = tuple(
        name
        for name, members in ways
        if name not in against and not all(_clear(r, rising) for r in members)
    )
    clear = _clear(main, rising)
    return Agreement(term, rising, clear, len(ways), same, clear_too, unsure, against)


def _same(row: Specification, rising: bool) -> bool:
    return row.log_odds is not None and (row.log_odds > 0.0) == rising


def _clear(row: Specification, rising: bool) -> bool:
    limit = row.low if rising else row.high
    return limit is not None and (limit > 0.0 if rising else limit < 0.0)
