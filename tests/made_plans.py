"""Plans made by hand, small, for what stands around them."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.planning.document import (
    FORMAT,
    Arm,
    Effect,
    Look,
    Move,
    Plan,
    PlannedSource,
    PlannedTrial,
    PowerAt,
    PowerIf,
    Rates,
    key_digest,
)

ARMS: tuple[Arm, Arm] = ("often", "seldom")


def made_plan(
    sources: Sequence[str] = ("S1", "S2"),
    dogs: Sequence[str] = ("Ash", "Birch"),
    *,
    starts_on: str = "2025-03-10",
    days: Sequence[int] = (2, 6, 9, 13),
    split: bool = False,
) -> Plan:
    """A plan by hand: each day both sources of a pair and one blank area, each by every dog.

    Of whole sources the first of a pair is thawed often; of split ones portion A.
    """
    if split:
        held = [(f"{s}-{letter}", s, k + 1, ARMS[j])
                for k, s in enumerate(sources) for j, letter in enumerate("AB")]  # fmt: skip
    else:
        held = [(s, None, k // 2 + 1, ARMS[k % 2]) for k, s in enumerate(sources)]
    storage = tuple(
        PlannedSource(
            source_id=source,
            parent_id=parent,
            pair=pair,
            kind="muscle",
            container=str(31 + 7 * k),
            arm=arm,
            cycles_before=1.0,
            age_days_before=60.0,
            moves=tuple(Move(day=d, moved_to="ambient") for d in days if arm == "often"),
        )
        for k, (source, parent, pair, arm) in enumerate(held)
    )
    trials, number = [], 0
    for day in days:
        order = 0
        for k, kept in enumerate((*storage, None)):
            for dog in dogs:
                number, order = number + 1, order + 1
                trials.append(
                    PlannedTrial(
                        plan_id=f"{(number * 7919) % 65521:04x}",
                        day=day,
                        order=order,
                        dog_id=dog,
                        handler_id=None,
                        area="CADBFEGHMKLJ"[(k + day) % 12],
                        container="90" if kept is None else kept.container,
                        source_id=None if kept is None else kept.source_id,
                        arm=None if kept is None else kept.arm,
                        blinding="double",
                    )
                )
    weeks = max(days) // 7 + 1
    planned = tuple(trials)
    return Plan(
        format=FORMAT,
        unit="North Valley",
        question="cycles",
        design="split" if split else "pairs",
        seed=1,
        starts_on=starts_on,
        weeks=weeks,
        trials_per_week=len(trials) // weeks,
        blanks=0.25,
        found_at_least=0.85,
        alpha=0.05,
        trials=planned,
        storage=storage,
        effect=Effect(per="cycle", log_odds=-0.1, span=8.0, found_now=0.92, found_then=0.85),
        rates=Rates(
            found=0.92,
            dog_sd=0.5,
            source_sd=0.5,
            portion_sd=0.3,
            from_records=("found",),
            trials=120,
            sources=8,
            dogs=2,
        ),
        power=tuple(
            PowerAt(
                weeks=w,
                trials=20 * w,
                power=p,
                low=p - 0.05,
                high=p + 0.05,
                std_error=0.4 / w,
                smallest=1.12 / w,
            )
            for w, p in ((8, 0.31), (12, 0.55), (16, 0.74), (26, 0.93))
        ),
        buys=(
            PowerIf(change="as planned", to=12, power=0.56),
            PowerIf(change="weeks", to=16, power=0.75),
            PowerIf(change="pairs", to=6, power=0.7),
            PowerIf(change="thaws a week", to=2, power=0.8),
            PowerIf(change="trials a week", to=40, power=0.72),
        ),
        looks=(Look(number=1, information=1.0, expected_day=weeks * 7, spent=0.05, bound=1.96),),
        settled_after_weeks=26,
        key_sha256=key_digest(planned, storage),
        assumptions=("Hides are found as in the records.",),
        sentence="Twelve weeks of 20 trials find the effect in 55 of 100.",
    )
