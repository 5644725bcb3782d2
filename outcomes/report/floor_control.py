"""The one control of the page: what it says at each floor a reader may choose.

Every number, word and line is made here; the page's script only puts them in place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple
from typing import Any

from outcomes.analysis.decisions.next_step import plan_next_steps
from outcomes.analysis.results import ADVICE
from outcomes.answers.facts import Facts
from outcomes.answers.floor_grid import FloorPoint, floor_grid
from outcomes.report import paper
from outcomes.report.shelf_rows import place_on_scale
from outcomes.wording.exposure_left import describe_exposure_left_by_source
from outcomes.wording.limit import (
    describe_order,
    describe_retirement,
    describe_retirement_in_short,
)
from outcomes.wording.next_step import (
    describe_first_test,
    describe_next_step,
    describe_next_steps,
)
from outcomes.wording.numbers import in_100, joined
from outcomes.wording.price import describe_price
from outcomes.wording.rule_by_both import either_at_floors
from outcomes.wording.shelf import (
    describe_advice,
    describe_expected_finds,
    describe_past_limit,
    describe_shelf,
)
from outcomes.wording.storage_compared import describe_storage_in_short


def figure_alt(headline: str, storage: str, retire: str) -> str:
    """The figure for who cannot see it: the finding, storage, and the limit."""
    return f"Figure: {headline}. Refrigerator or freezer? {storage} {retire}"


def floor_control(
    facts: Facts,
    headline: str,
    layers: Sequence[str],
    narrow: Sequence[str] = (),
    lowest: int = 0,
) -> dict[str, Any] | None:
    """Everything on the page that depends on the floor, for every floor.

    Parameters
    ----------
    facts
        The unit's facts.
    headline
        What was found, which is the same at every floor.
    layers
        The floor in the figure, one piece for each floor; none without a figure.
    narrow
        The same for the figure on a narrow screen.
    lowest
        Where the scale of the shelf begins.

    Returns
    -------
    dict or None
        ``own`` and ``last`` (places in the grid), ``said`` (at the unit's own
        floor), ``either`` (whether a rule by both has a price at any floor), ``note``
        (what moves with the floor), and ``data``, which the page's script reads: for
        each name a list with one entry for each floor. A row of ``rows`` is the
        source's place on the shelf, the place of its advice in ``advice`` and of its reason in
        ``why``, whether it is printed, the place of its finds in ``expected`` and of what to do
        in ``next``. None where neither a limit nor the shelf depends on the floor.
    """
    grid = floor_grid(facts)
    compared = facts.comparison.at(facts.settings.confidence)
    own = [point.floor for point in grid].index(facts.settings.floor)
    said = [in_100(point.floor) for point in grid]
    reasons: dict[str, int] = {}
    expected: dict[str, int] = {}
    doing: dict[str, int] = {}
    first, tests = [], []
    place = {s.source_id: k for k, s in enumerate(facts.shelf)}
    rows, on_paper = [], []
    left = describe_exposure_left_by_source(facts)
    for point in grid:
        limits = point.retirement.thresholds
        steps = plan_next_steps(point.shelf, limits, facts.testing_dogs, point.floor)
        first.append(describe_first_test(steps) or "")
        tests.append(describe_next_steps(steps) or "")
        todo = {step.source_id: describe_next_step(step) for step in steps}
        told: list[dict[str, Any]] = [
            {"source": s.source_id, "kind": s.kind or "", "advice": s.advice,
             "left": left.get(s.source_id) if point.floor == facts.settings.floor else None,
             "reason": describe_advice(s, point.floor),
             "expected": describe_expected_finds(s, point.floor) or "not known"}
            for s in point.shelf
        ]  # fmt: skip
        printed = paper.shelf_rows_on_paper(told)
        on_paper.append(paper.shelf_on_paper(told, printed) or "")
        rows.append(
            [
                [
                    place[row["source"]],
                    ADVICE.index(row["advice"]),
                    reasons.setdefault(row["reason"], len(reasons)),
                    int(number < printed),
                    expected.setdefault(row["expected"], len(expected)),
                    doing.setdefault(todo[row["source"]], len(doing)),
                ]
                for number, row in enumerate(told)
            ]
        )
    retire = [describe_retirement(facts.verdict, point.retirement) for point in grid]
    limit = [describe_retirement_in_short(facts.verdict, p.retirement) for p in grid]
    moves = {
        "the limit": len({*zip(limit, retire, strict=True)}) > 1,
        "the figure": len(set(layers)) > 1,
        "the shelf": any(row != rows[0] for row in rows),
    }
    # The floor's own line in the figure moves always; that alone answers nothing.
    if not (moves["the limit"] or moves["the shelf"]):
        return None
    either = either_at_floors(facts, grid)
    return {
        "own": own,
        "either": any(at.rows for at in either),
        "last": len(grid) - 1,
        "said": said[own],
        "note": "Slide it to see what another floor would mean for "
        f"{joined([name for name, moved in moves.items() if moved])}.",
        "data": {
            "own": own,
            "said": said,
            "limit": limit,
            "order": [describe_order(p.retirement, p.floor) for p in grid],
            "shelf": [describe_shelf(p.shelf, p.retirement) for p in grid],
            "retire": retire,
            "price": [describe_price(facts.price, p.retirement) or "" for p in grid],
            "past": [describe_past_limit(p.shelf, p.retirement) or "" for p in grid],
            "either": [at.sentence for at in either],
            "either_rows": [[list(astuple(row)) for row in at.rows] for at in either],
            "either_caption": [at.caption for at in either],
            "alt": figure_alt(headline, describe_storage_in_short(compared), ""),
            "moved": [_moved(facts, point) for point in grid],
            "paper": on_paper,
            "layer": list(layers),
            "narrow": list(narrow),
            "advice": list(ADVICE),
            "why": list(reasons),
            "expected": list(expected),
            "next": list(doing),
            "first": first,
            "tests": tests,
            "place": [place_on_scale(point.floor, lowest) for point in grid],
            "rows": rows,
        },
    }


def _moved(facts: Facts, point: FloorPoint) -> str:
    """What to know of a page whose floor was moved; nothing at the unit's own."""
    own = facts.settings.floor
    if point.floor == own:
        return ""
    days = ", and the day it reaches its limit," if facts.stock.dated else ""
    left = f" What a source has left{days} is told at that floor alone." if facts.left else ""
    return (
        f"The floor was moved here, to {in_100(point.floor)}. The unit's own floor is "
        f"{in_100(own)}, and the files beside this page keep to it.{left} Set a floor before "
        "looking at results, not after."
    )
