"""``results.json`` made from the answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, fields
from typing import Any

from outcomes.answers.facts import Facts
from outcomes.answers.sensitivity import Further
from outcomes.report.results.behind_finds import (
    make_dogs,
    make_quality,
    make_suspects,
)
from outcomes.report.results.compare import make_compare
from outcomes.report.results.document import FORMAT, MADE_BY, Results
from outcomes.report.results.finds import make_find, make_which_predicts
from outcomes.report.results.inputs import make_inputs, make_settings
from outcomes.report.results.inspections import make_inspections
from outcomes.report.results.lifetimes import make_lifetime, make_watch
from outcomes.report.results.plan import make_plan_section
from outcomes.report.results.pool import make_pool
from outcomes.report.results.records import make_records
from outcomes.report.results.retire import make_retire
from outcomes.report.results.searches import make_false_alerts, make_search_time
from outcomes.report.results.shelf import make_shelf
from outcomes.report.results.stock import make_stock
from outcomes.report.results.values import plain
from outcomes.wording.cautions import CAUTIONS

_SECTIONS: Mapping[str, Callable[[Facts], object]] = {
    "which_predicts": make_which_predicts,
    "find": make_find,
    "search_time": lambda facts: make_search_time(facts.search_time, facts.side_tests),
    "false_alerts": lambda facts: make_false_alerts(facts.false_alerts, facts.side_tests),
    "lifetime": make_lifetime,
    "watch": lambda facts: make_watch(facts.watched),
    "retire": make_retire,
    "shelf": make_shelf,
    "compare": make_compare,
    "stock": lambda facts: make_stock(facts.stock),
    "sources_needed_per_year": lambda facts: facts.stock.needed_per_year,
    "inspections": lambda facts: make_inspections(facts.inspected, facts.verdict.verdict),
    "plan": lambda facts: make_plan_section(facts.planned, facts.held_back),
    "pool": make_pool,
    "cautions": lambda _: CAUTIONS,
}
_BEHIND_FINDS: Mapping[str, Callable[[Further, Facts], object]] = {
    "suspects": lambda further, facts: make_suspects(
        further.suspects, facts.verdict, facts.side_tests
    ),
    "quality": lambda further, facts: make_quality(further.quality, facts.side_tests),
    "dogs": lambda further, facts: make_dogs(further.dogs, facts.side_tests),
}


def make_results(facts: Facts, sections: Sequence[str] | None = None) -> Results:
    """The document, as dataclasses.

    Parameters
    ----------
    facts
        The unit's facts.
    sections
        Names of the sections wanted behind what tells where they came from; all if not
        given. Nothing is worked out for the others, which are null.
    """
    wanted = {*_SECTIONS, *_BEHIND_FINDS} if sections is None else set(sections)
    made: dict[str, Any] = {n: make(facts) for n, make in _SECTIONS.items() if n in wanted}
    further = facts.further if wanted & set(_BEHIND_FINDS) else None
    if further is not None:
        made |= {n: make(further, facts) for n, make in _BEHIND_FINDS.items() if n in wanted}
    return Results(
        format=FORMAT,
        unit=facts.records.settings.unit,
        made_by=MADE_BY,
        settings=make_settings(facts),
        inputs=make_inputs(facts),
        records=make_records(facts),
        **made,
    )


def results(facts: Facts, sections: Sequence[str] | None = None) -> dict[str, Any]:
    """``results.json`` as plain Python numbers, text, lists and dictionaries.

    Numbers keep 10 significant digits, so that the same records, settings and
    seed give the same bytes; whatever could not be estimated is None.

    Parameters
    ----------
    facts
        The unit's facts.
    sections
        As for :func:`make_results`; sections not wanted are left out.
    """
    told: dict[str, Any] = plain(make_results(facts, sections))
    if sections is None:
        return told
    came_from = [f.name for f in fields(Results) if f.default is MISSING]
    return {name: told[name] for name in (*came_from, *sections)}
