"""``plan.html``: what the plan would show, and its sheets to print; and the packing list."""

from __future__ import annotations

import base64
import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import jinja2

from outcomes import __version__
from outcomes.planning.document import Plan
from outcomes.report.paper_face import paper_faces
from outcomes.report.plan_rows import handler_rows, packing_rows, setter_rows, store_rows
from outcomes.settings import WEEKDAYS
from outcomes.text import of_100
from outcomes.wording.cautions import CAUTIONS
from outcomes.wording.plan_power import (
    DESIGNS,
    QUESTIONS,
    describe_buys,
    describe_looks,
    describe_plan_in_short,
    describe_power,
    describe_power_in_short,
    describe_rates,
    describe_same_change,
    describe_smallest,
    describe_whether_worth,
)
from outcomes.wording.plan_sheets import (
    HANDLER,
    KEY_NOTE,
    PACKING,
    SETTER,
    STOREKEEPER,
    TITLES,
    TO_HAND_OUT,
    describe_blinding,
    describe_carrying_out,
    describe_key,
    describe_roles,
    describe_used_up,
)

PAGE_MARK = "planned trials"
"""Ends the title of every page of a plan."""
_POLICY = (
    "default-src 'none'; img-src data:; font-src data:; style-src 'unsafe-inline'; "
    "base-uri 'none'; form-action 'none'"
)
_TO_FILL = ""


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of a sheet; ``first`` of its day."""

    cells: tuple[str, ...]
    first: bool


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A sheet for one person."""

    name: str
    title: str
    instructions: Sequence[str]
    headings: Sequence[str]
    rows: Sequence[_Row]


def render_plan_page(plan: Plan, figure_svg: bytes | None) -> str:
    """The plan as one HTML file that needs nothing beside it, without its key.

    Parameters
    ----------
    plan
        The plan.
    figure_svg
        Power over weeks as SVG; None: left out.
    """
    drawn = None
    if figure_svg is not None:
        drawn = "data:image/svg+xml;base64," + base64.b64encode(figure_svg).decode("ascii")
    whose = plan.unit or "One unit"
    fields = {
        "title": f"{whose}: {PAGE_MARK}",
        "who": f"{whose}: planned trials, {plan.date_of(1)} to {plan.date_of(7 * plan.weeks)}",
        "headline": describe_power_in_short(plan),
        "question": QUESTIONS[plan.question],
        "design": DESIGNS[plan.design],
        "sentence": describe_plan_in_short(plan),
        "worth": describe_whether_worth(plan),
        "key_note": KEY_NOTE,
        "to_hand_out": TO_HAND_OUT,
        "key": describe_key(plan),
        "figure": drawn,
        "figure_alt": f"Figure: {describe_power_in_short(plan)}.",
        "power": describe_power(plan),
        "rates": describe_rates(plan),
        "power_rows": [
            {
                "weeks": f"{p.weeks}",
                "trials": f"{p.trials:,}",
                "power": of_100(p.power),
                "limits": f"{of_100(p.low)} to {of_100(p.high)}",
                "own": p.weeks == plan.weeks,
            }
            for p in sorted(plan.power, key=lambda p: p.weeks)
        ],
        "smallest": " ".join(filter(None, (describe_same_change(plan), describe_smallest(plan)))),
        "buys": describe_buys(plan),
        "looks": describe_looks(plan),
        "before": [
            describe_roles(plan),
            describe_blinding(plan),
            describe_used_up(plan),
            describe_carrying_out(),
        ],
        "assumptions": plan.assumptions,
        "cautions": CAUTIONS[2:],
        "sheets": _sheets(plan),
        "made_by": f"Made by outcomes {__version__}.",
    }
    return _render("plan.html", fields)


def render_packing_list(plan: Plan) -> str:
    """Which source goes into which container: for the one who packs."""
    fields = {
        "title": f"{plan.unit or 'One unit'}: packing list, {PAGE_MARK}",
        "who": plan.unit or "One unit",
        "headline": TITLES["packing"],
        "key": describe_key(plan),
        "instructions": PACKING,
        "rows": packing_rows(plan),
        "made_by": f"Made by outcomes {__version__}.",
    }
    return _render("packing.html", fields)


def _render(name: str, fields: Mapping[str, Any]) -> str:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("outcomes.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    template = environment.get_template(name)
    given = {"page": fields, "policy": _POLICY}
    # Which letters the sheets need is known once the page stands.
    faces = paper_faces(template.render(**given, faces=()))
    return template.render(**given, faces=faces)


def _sheets(plan: Plan) -> list[_Sheet]:
    handlers = handler_rows(plan)
    named = any(row.handler for row in handlers)
    who = ("handler",) if named else ()
    return [
        _sheet(
            "handler",
            HANDLER,
            (
                "day",
                "order",
                "dog",
                *who,
                "area",
                "plan_id",
                "guess",
                "alert or no alert",
                "min:s",
                "further alerts",
            ),
            [
                (
                    _day(r.day),
                    f"{r.order}",
                    r.dog,
                    *((r.handler,) if named else ()),
                    r.area,
                    r.plan_id,
                    *[_TO_FILL] * 4,
                )
                for r in handlers
            ],
        ),
        _sheet(
            "setter",
            SETTER,
            ("day", "area", "container", "set at", "taken up at", "disturbed?"),
            [(_day(r.day), r.area, r.container, *[_TO_FILL] * 3) for r in setter_rows(plan)],
        ),
        _sheet(
            "storekeeper",
            STOREKEEPER,
            ("day", "what", "containers", "done", "not done"),
            [(_day(r.day), r.what, r.listed, *[_TO_FILL] * 2) for r in store_rows(plan)],
        ),
    ]


def _day(day: dt.date) -> str:
    return f"{WEEKDAYS[day.weekday()][:3]} {day}"


def _sheet(
    name: str, instructions: Sequence[str], headings: Sequence[str], cells: list[tuple[str, ...]]
) -> _Sheet:
    days = [None, *(row[0] for row in cells)]
    rows = [_Row(row, row[0] != before) for row, before in zip(cells, days, strict=False)]
    return _Sheet(name, TITLES[name], instructions, headings, rows)
