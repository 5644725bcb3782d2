"""Rows of a plan's sheets: for each person what that person may know, and no more."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from outcomes.planning.document import Plan, PlannedSource
from outcomes.records.reading.planned import CONTAINERS_JOINED_BY
from outcomes.wording.plan_sheets import (
    CLEAN,
    GIVE,
    HANDLE,
    describe_move,
)

_GIVE, _MOVE, _HANDLE = range(3)


@dataclass(frozen=True, slots=True)
class HandlerRow:
    """One search, as its handler knows it: nothing of what lies there."""

    day: dt.date
    order: int
    dog: str
    handler: str
    area: str
    plan_id: str
    blinding: str

    @property
    def hide_id(self) -> str:
        """The placement: areas are the same letters every day."""
        return f"{self.day} {self.area}"


@dataclass(frozen=True, slots=True)
class SetterRow:
    """One container to be set: nothing of what is in it."""

    day: dt.date
    area: str
    container: str


@dataclass(frozen=True, slots=True)
class StoreRow:
    """One thing to do with containers on a day."""

    day: dt.date
    what: str
    containers: tuple[str, ...]

    @property
    def listed(self) -> str:
        """The containers as the sheet lists them."""
        return CONTAINERS_JOINED_BY.join(self.containers)


@dataclass(frozen=True, slots=True)
class PackingRow:
    """What goes into a container, before the first day."""

    container: str
    what: str
    kind: str


def handler_rows(plan: Plan) -> tuple[HandlerRow, ...]:
    """Searches in order of day and of the day."""
    return tuple(
        HandlerRow(
            day=plan.date_of(t.day),
            order=t.order,
            dog=t.dog_id,
            handler=t.handler_id or "",
            area=t.area,
            plan_id=t.plan_id,
            blinding=t.blinding,
        )
        for t in sorted(plan.trials, key=lambda t: (t.day, t.order))
    )


def setter_rows(plan: Plan) -> tuple[SetterRow, ...]:
    """Containers of every day, in order of area."""
    set_out = {(t.day, t.area): t.container for t in plan.trials}
    return tuple(
        SetterRow(plan.date_of(day), area, container)
        for (day, area), container in sorted(set_out.items())
    )


def store_rows(plan: Plan) -> tuple[StoreRow, ...]:
    """What the storekeeper does, by day; both containers of a pair are handled alike."""
    by_task: dict[tuple[int, int, str], list[str]] = {}
    for day, number, what, container in set(_store_tasks(plan)):
        by_task.setdefault((day, number, what), []).append(container)
    return tuple(
        StoreRow(plan.date_of(day), what, tuple(sorted(containers, key=_in_order)))
        for (day, _, what), containers in sorted(by_task.items())
    )


def _store_tasks(plan: Plan) -> Iterator[tuple[int, int, str, str]]:
    """Day, place in the day, what, container."""
    moves: dict[tuple[int, str], list[str]] = {}
    for source in plan.storage:
        for move in source.moves:
            moves.setdefault((move.day, source.container), []).append(move.moved_to)
    given = {(t.day, t.container) for t in plan.trials}
    for day, container in given:
        # Taken out with the thawed ones and put back with them: nothing tells them apart.
        yield day, _GIVE, GIVE, container
    for (day, container), places in moves.items():
        for to in places:
            if to == "ambient" and (day, container) in given:
                continue
            yield day, _MOVE, describe_move(to), container
    pairs = [s for s in plan.storage if s.pair is not None]
    for source in pairs:
        for twin in pairs:
            if twin.pair != source.pair or twin is source:
                continue
            for move in source.moves:
                at = (move.day, twin.container)
                if move.moved_to == "ambient" and at not in moves and at not in given:
                    yield move.day, _HANDLE, HANDLE, twin.container


def _in_order(container: str) -> tuple[int, str]:
    return len(container), container


def packing_rows(plan: Plan) -> tuple[PackingRow, ...]:
    """What goes where, in order of the containers' numbers, the clean ones with it."""
    rows = [
        PackingRow(s.container, s.source_id if s.parent_id is None else _portion(s), s.kind)
        for s in plan.storage
    ]
    filled = {row.container for row in rows}
    clean = {t.container for t in plan.trials} - filled
    rows += [PackingRow(container, CLEAN, "") for container in clean]
    return tuple(sorted(rows, key=lambda row: _in_order(row.container)))


def _portion(source: PlannedSource) -> str:
    return f"{source.source_id}, a portion of {source.parent_id}"
