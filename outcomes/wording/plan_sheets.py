"""What stands on the sheets of a plan: who does what, with the cautions where they act."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Literal

from outcomes.planning.document import Plan
from outcomes.text import count
from outcomes.wording.numbers import joined

Person = Literal["handler", "setter", "storekeeper"]

TITLES: Mapping[str, str] = {
    "handler": "For the handlers",
    "setter": "For the setter",
    "storekeeper": "For the storekeeper",
    "results": "Results, to be typed in",
    "packing": "Packing list: kept with the key",
}

HANDLER = (
    "You do not know what lies in an area, and nobody tells you. An area holds a source or an "
    "identical clean container. How many hold which is drawn for each day: it may be all.",
    "Before the search, write your guess: hide or blank. It shows whether the plan stayed blind.",
    "Write alert or no alert, and the minutes and seconds to the alert or to the end. Write every "
    "search down, one without an alert above all. Further alerts in the area: write how many.",
    "Reward as you always do on a search whose answer you do not know.",
    "Rest the dog between searches, with water and shade. In heat, stop: a search not done is "
    "written as lost, not made up for in haste.",
    "The dog must not mouth or swallow anything it finds.",
    "Do not leave out a dog, an area or a day because of earlier results. A trial done in the "
    "place of a lost one gets no plan_id.",
)
SETTER = (
    "You know where each container lies, not what is in it. Do not open one; do not tell anyone "
    "where it lies.",
    "Fresh gloves for each container, the clean ones too. The dog must have nothing to go by but "
    "the source: same container, same gloves, same path to every area, searched or not.",
    "Set all containers of the day in one round, in the order of the sheet, and write the time. "
    "They lie as long before the first search, whatever their number.",
    "Leave the area before the dogs come, and stay out of sight until the last search is over.",
    "Containers hold human tissue: gloves, closed double containment, out of the sun. If one is "
    "disturbed or leaks, stop, write it down and call the storekeeper.",
    "Afterwards bring back every container by its number, the clean ones too, and count them.",
)
STOREKEEPER = (
    "You know which container is thawed when. Tell neither the setter nor the handlers, and do "
    "not work with the dogs on these days.",
    "Take out, handle and put back all containers of a pair alike, whether they are thawed or "
    "not: same gloves, same minutes in the hand. Only the one to be thawed stays out.",
    "Thaw by this sheet, not by use. Tick each line that was done, and name the containers that "
    "were forgotten; do not make up for them later.",
    "On a training day give the setter the containers listed, all after the same time out of the "
    "cold.",
    "Nothing is withdrawn because dogs miss it: that would spoil the plan. Take out only what is "
    "unsafe or used up, and write when.",
    "Donated tissue is scarce. Use no more of it than this sheet says, and discard nothing.",
    "Human tissue is a biohazard: gloves, labelled double containment, a dedicated freezer, and "
    "the rules that apply to you (in the USA 29 CFR 1910.1030). Follow local codes.",
)
RESULTS = (
    "One row for each planned trial, typed from the handlers' sheets: alert or no alert, and the "
    "seconds. Correct day, dog and handler where they were others; leave the result empty where "
    "a trial was lost."
)
PACKING = (
    "Only for the person who packs. Lock it away with plan.json afterwards; handlers, setter and "
    "storekeeper do not see it.",
    "Pack each source in the container of its number; containers are identical, new and labelled "
    "with the number alone. Numbers were drawn by lot: keep to them.",
    "A source to be cut: two portions alike in mass and make-up, the first one cut into the first "
    "container listed. Cut only what local codes allow.",
    "Prepare the clean containers in the same way, with nothing in them.",
    "Fresh gloves for each container, double containment, the rules for human tissue that apply "
    "to you.",
)
TO_HAND_OUT = (
    "Print each sheet and hand it to its person; do not hand on the files: together they tell more "
    "than anyone on the day may know."
)
KEY_NOTE = (
    "plan.json holds which source lies where and how each is treated: it is the key. Keep it, and "
    "packing.html, from handlers, setter and storekeeper until a look is due."
)
CLEAN = "nothing: a clean container"
GIVE = "give to the setter in the morning; back at 20:00"
HANDLE = "handle like the others, put back at once"


def describe_move(moved_to: str) -> str:
    """What the storekeeper does with a container on a day."""
    if moved_to == "ambient":
        return "thaw: out at 08:00, back at 20:00"
    return f"move to the {moved_to}, and keep it there"


def describe_blinding(plan: Plan) -> str:
    """How blind the plan is, and what that asks of whom."""
    if any(trial.blinding == "single" for trial in plan.trials):
        return (
            "Single-blind: setter and storekeeper are one person, so someone near the dogs knows "
            "how sources are treated. That person stays out of sight of dogs and handlers; with a "
            "third person the plan would be double-blind."
        )
    return (
        "Double-blind: handlers do not know where a source lies, and the setter does not know how "
        "it is treated. It takes a third person, the storekeeper."
    )


def describe_key(plan: Plan) -> str:
    """The seal that ties a sheet to its key."""
    return f"SHA-256 of the key: {plan.key_sha256}"


def describe_used_up(plan: Plan) -> str:
    """What the plan takes of scarce tissue."""
    set_out = Counter(
        (trial.source_id, trial.day) for trial in plan.trials if trial.source_id is not None
    )
    times = Counter(source for source, _ in set_out)
    thaws = [sum(m.moved_to == "ambient" for m in s.moves) for s in plan.storage]
    parents = {s.parent_id for s in plan.storage if s.parent_id is not None}
    what = count(len(plan.storage), "portion") if parents else count(len(plan.storage), "source")
    parts = [f"{what}, each set out {_span([times[s.source_id] for s in plan.storage])} times"]
    if any(thaws):
        parts.append(f"thawed {_span(thaws)} times")
    told = f"What it uses up: {joined(parts)}."
    if parents:
        told += (
            f" {count(len(parents), 'source')} {'is' if len(parents) == 1 else 'are'} cut in two; "
            "that cannot be undone."
        )
    return f"{told} Donated tissue is scarce: is the answer worth it?"


def _span(numbers: list[int]) -> str:
    low, high = min(numbers, default=0), max(numbers, default=0)
    return f"{low}" if low == high else f"{low} to {high}"


def describe_roles(plan: Plan) -> str:
    """How many people it takes, and who they are."""
    handlers = {t.handler_id for t in plan.trials} - {None}
    dogs = {t.dog_id for t in plan.trials}
    who = [
        count(len(handlers), "handler") if handlers else "the handlers",
        *(
            ["a setter", "a storekeeper who is neither"]
            if all(t.blinding == "double" for t in plan.trials)
            else ["a setter who keeps the store too"]
        ),
    ]
    return (
        f"It takes {joined(who)}, {count(len(dogs), 'dog')}, and one who packs and keeps the key."
    )


def describe_carrying_out() -> str:
    """How the plan is kept honest while it runs."""
    return (
        "Carry it out as it stands. What is lost is lost: it is counted, and the plan still tells "
        "the truth; choosing sources, dogs or days by what was found would not."
    )
