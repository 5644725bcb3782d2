"""A layout written down: trials, containers and storage by name."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.planning.designs import Designer, LaidOut
from outcomes.planning.document import Move, PlannedSource, PlannedTrial
from outcomes.planning.lot import Lot
from outcomes.planning.request import PlanRequest
from outcomes.planning.unit import UnitFacts


@dataclass(frozen=True, slots=True)
class _Containers:
    """Numbers of containers: of each unit, and clean ones for blank areas."""

    units: tuple[str, ...]
    clean: tuple[str, ...]


def area_name(number: int) -> str:
    """A letter for each area, two from the 27th on.

    >>> area_name(0), area_name(25), area_name(26)
    ('A', 'Z', 'AA')
    """
    letters = ""
    number += 1
    while number:
        number, at = divmod(number - 1, 26)
        letters = chr(65 + at) + letters
    return letters


def write_down(
    designer: Designer,
    out: LaidOut,
    unit: UnitFacts,
    dogs: tuple[str, ...],
    lead: int,
    request: PlanRequest,
) -> tuple[tuple[PlannedTrial, ...], tuple[PlannedSource, ...]]:
    """Trials and storage with names in the place of numbers.

    Parameters
    ----------
    designer, out
        The design and its layout.
    unit
        Who handles which dog.
    dogs
        Dogs in order of their number.
    lead
        Days from the end of the records to the day before the plan.
    request
        What was asked.

    Returns
    -------
    trials, storage
        In order of day and order, and of container.
    """
    lot = Lot(request.seed)
    members = designer.members
    containers = _containers(lot, len(members), out.effort.areas)
    storage = []
    for k, member in enumerate(members):
        arm = out.arm_of(k)
        home: tuple[Move, ...] = ()
        if designer.question == "storage":
            home = (Move(day=1, moved_to="freezer" if arm == "freezer" else "refrigerator"),)
        elif member.is_portion:
            home = (Move(day=1, moved_to="freezer"),)
        storage.append(
            PlannedSource(
                source_id=member.source_id,
                parent_id=member.parent.source_id if member.is_portion else None,
                pair=None if designer.kind == "shelf" else k // 2 + 1,
                kind=member.parent.kind,
                container=containers.units[k],
                arm=arm,
                cycles_before=member.parent.cycles,
                age_days_before=member.parent.age_days + lead,
                moves=home + tuple(Move(day=d, moved_to="ambient") for d in out.thaws[k]),
            )
        )
    handlers = dict(zip(unit.dogs, unit.handlers, strict=True))
    ids = lot.ids(len(out.searches), "plan_id")
    # Dealt anew each day: one that always stood in the same area would be seen to be clean.
    clean = {
        day: lot.order(containers.clean, "clean containers", day)
        for day in {search.day for search in out.searches}
    }
    trials = []
    for search, plan_id in zip(out.searches, ids, strict=True):
        dog, blank = dogs[search.dog], search.unit < 0
        trials.append(
            PlannedTrial(
                plan_id=plan_id,
                day=search.day,
                order=search.order,
                dog_id=dog,
                handler_id=handlers.get(dog),
                area=area_name(search.area),
                container=clean[search.day][search.area]
                if blank
                else containers.units[search.unit],
                source_id=None if blank else members[search.unit].source_id,
                arm=None if blank else out.arm_of(search.unit),
                blinding="double" if request.third_person else "single",
            )
        )
    return tuple(trials), tuple(sorted(storage, key=lambda s: s.container))


def _containers(lot: Lot, members: int, areas: int) -> _Containers:
    """Numbers of two or three digits for sources and clean containers, by lot."""
    count = members + areas
    first = 10 if count <= 90 else 100
    numbers = [str(first + k) for k in range(count)]
    numbers = lot.order(numbers, "containers")
    return _Containers(tuple(numbers[:members]), tuple(numbers[members:]))
