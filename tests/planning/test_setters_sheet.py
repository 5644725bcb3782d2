"""What the setter can see of containers: none gives itself away by the area it stands in."""

from outcomes.planning.make import make_plan
from outcomes.planning.request import PlanRequest

from .units import unit


def test_clean_containers_move_about_as_sources_do():
    plan = make_plan(unit(), PlanRequest(weeks=12, runs=20), table=False)
    areas: dict[bool, dict[str, list[str]]] = {True: {}, False: {}}
    for _, area, container, blank in sorted(
        {(t.day, t.area, t.container, t.source_id is None) for t in plan.trials}
    ):
        areas[blank].setdefault(container, []).append(area)
    assert areas[True]
    often = [seen for seen in areas[True].values() if len(seen) >= 4]
    assert often
    assert all(len(set(seen)) > 1 for seen in often)
