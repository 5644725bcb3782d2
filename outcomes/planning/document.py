"""``plan.json``: its types, its bytes, and how it is read back.

A day is a whole number, 1 on ``starts_on``; trials and moves of storage count by the same days.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from outcomes.errors import PlanError

FORMAT: Literal[1] = 1
"""Goes up when a name changes."""

Question = Literal["storage", "cycles", "age"]
Kind = Literal["split", "pairs", "shelf"]
Arm = Literal["often", "seldom", "freezer", "refrigerator"]
Place = Literal["freezer", "refrigerator", "ambient"]
Blinding = Literal["single", "double"]
Per = Literal["cycle", "30 days", "freezer"]

Count = Annotated[int, Meta(ge=0)]
Day = Annotated[int, Meta(ge=1)]
Share = Annotated[float, Meta(ge=0, le=1)]
Name = Annotated[str, Meta(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTrial:
    """One dog's search of one area.

    Attributes
    ----------
    plan_id
        Drawn at random: it tells nothing.
    day, order
        Day of the plan, and the trial's place in that day from 1.
    dog_id, handler_id
        Who searches; no handler where the records name none.
    area
        Letter of the area.
    container
        Number of the container set there: of a source, or of a clean one alike in looks.
    source_id
        Source, or portion of one, that is set there; None: a blank area.
    arm
        Arm of that source; None on a blank area and in the shelf design.
    blinding
        ``double``: neither handler nor setter knows the arm.
    """

    plan_id: Name
    day: Day
    order: Day
    dog_id: Name
    handler_id: str | None
    area: Name
    container: Name
    source_id: str | None
    arm: Arm | None
    blinding: Blinding


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A source is moved on a day; a move to ``ambient`` is a thaw, back at the end of the day."""

    day: Day
    moved_to: Place


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSource:
    """What the storekeeper does with one source or portion.

    Attributes
    ----------
    source_id
        As in the trials: the unit's own, or that of a portion to be cut.
    parent_id
        The source a portion is cut from; None of a whole source.
    pair
        Number of the pair, from 1: two portions of a source, or two sources that are alike;
        None in the shelf design.
    kind
        Of tissue, as the unit calls it.
    container
        Number of its container.
    arm
        Drawn by lot within the pair; None in the shelf design.
    cycles_before
        Cycles it has been through before the plan.
    age_days_before
        Its age on the day before the plan.
    moves
        In order of day.
    """

    source_id: Name
    parent_id: str | None
    pair: Day | None
    kind: str
    container: Name
    arm: Arm | None
    cycles_before: float
    age_days_before: float
    moves: tuple[Move, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """The change that the plan is to find.

    Attributes
    ----------
    per
        What it is of.
    log_odds
        Change in the log-odds of a find per cycle, per 30 days, or freezer less refrigerator.
    span
        Cycles, or times 30 days, over which ``found_now`` falls to ``found_then``; 1 for storage.
    found_now, found_then
        Share of hides found at the start and over the whole span.
    """

    per: Per
    log_odds: float
    span: float
    found_now: Share
    found_then: Share


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """What power rests on.

    Attributes
    ----------
    found
        Share of hides found.
    dog_sd, source_sd, portion_sd
        Standard deviations between dogs, sources, and portions of a source or sources of a
        pair, log-odds.
    from_records
        Names of those that come from the unit's own trials; the others are stated field rates.
    trials, sources, dogs
        Hide trials they rest on, and their sources and dogs.
    """

    found: Share
    dog_sd: float
    source_sd: float
    portion_sd: float
    from_records: tuple[str, ...]
    trials: Count
    sources: Count
    dogs: Count


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerAt:
    """How often a plan of so many weeks would find the effect, with Monte Carlo limits.

    Attributes
    ----------
    weeks, trials
        Length, and trials in all with blank areas.
    power
        Share of simulated plans in which it is found.
    low, high
        Its Monte Carlo limits (95 %, Wilson).
    std_error
        Expected standard error of the effect, in the unit of :attr:`Effect.log_odds`.
    smallest
        Smallest effect that it would find in 80 of 100, in the same unit.
    """

    weeks: Day
    trials: Count
    power: Share
    low: Share
    high: Share
    std_error: float
    smallest: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerIf:
    """Power where one thing is changed, by the formula.

    Attributes
    ----------
    change
        What: ``as planned`` is the plan itself by the same formula.
    to
        What it would be: weeks, pairs (or sources on a shelf), thaws a week, trials a week.
    power
        By noncentral t.
    """

    change: Literal["as planned", "weeks", "pairs", "sources", "thaws a week", "trials a week"]
    to: float
    power: Share


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One planned analysis.

    Attributes
    ----------
    number
        From 1.
    information
        Share of the information planned at which it is due.
    expected_day
        Day on which the plan, as it stands, reaches it.
    spent
        Probability of a false finding spent by then.
    bound
        Absolute normal value that the result must reach.
    """

    number: Day
    information: Share
    expected_day: Day
    spent: Share
    bound: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A plan of trials; it holds the arms, so it is the key.

    Attributes
    ----------
    format, unit
        Of the layout; the unit's own name.
    question, design
        What is asked, and how the sources are assigned.
    seed
        Of everything drawn.
    starts_on
        Date of day 1 (ISO 8601), a Monday.
    weeks
        Length.
    trials_per_week, blanks
        Trials a week, blank areas among them, and the share of those that was aimed at.
    found_at_least
        The floor that ``effect`` falls to.
    alpha
        Level of the test.
    trials, storage
        The trials in order of day and order, and the sources in order of container.
    effect, rates
        What is looked for, and what the unit's trials are like.
    power
        By weeks, those of the plan itself among them.
    buys
        What more of one thing would buy.
    looks
        Planned analyses, the last at the end.
    settled_after_weeks
        Fewest weeks of ``power`` that find the effect in 80 of 100; None: none of them.
    key_sha256
        Of what the key tells; see :func:`key_digest`. Printed on every sheet.
    assumptions, sentence
        In words; empty until ``outcomes.wording.plan.with_words``.
    """

    format: Literal[1]
    unit: str
    question: Question
    design: Kind
    seed: Count
    starts_on: str
    weeks: Day
    trials_per_week: Day
    blanks: Share
    found_at_least: Share
    alpha: Share
    trials: tuple[PlannedTrial, ...]
    storage: tuple[PlannedSource, ...]
    effect: Effect
    rates: Rates
    power: tuple[PowerAt, ...]
    buys: tuple[PowerIf, ...]
    looks: tuple[Look, ...]
    settled_after_weeks: int | None
    key_sha256: str
    assumptions: tuple[str, ...] = ()
    sentence: str = ""

    def date_of(self, day: int) -> dt.date:
        """The date of a day of the plan."""
        return dt.date.fromisoformat(self.starts_on) + dt.timedelta(days=day - 1)

    @property
    def by_lot(self) -> bool:
        """Whether arms were drawn, so that a difference may be told as assigned by lot."""
        return self.design != "shelf"


def key_digest(trials: tuple[PlannedTrial, ...], storage: tuple[PlannedSource, ...]) -> str:
    """SHA-256 of what lies where and which arm it is, in hexadecimal digits."""
    told = [
        [[t.plan_id, t.source_id, t.arm] for t in sorted(trials, key=lambda t: t.plan_id)],
        [[s.source_id, s.container, s.arm] for s in sorted(storage, key=lambda s: s.source_id)],
    ]
    return hashlib.sha256(msgspec.json.encode(told)).hexdigest()


def planned_cycles(source: PlannedSource, day: int) -> int:
    """Thaws that the plan has given a source by a day, that day's included."""
    return sum(move.moved_to == "ambient" and move.day <= day for move in source.moves)


def plan_bytes(plan: Plan) -> bytes:
    """``plan.json``: the same plan gives the same bytes, numbers with 10 significant digits."""
    # There and back, so that a whole number given for any number is written as one read.
    plain = _tidy(msgspec.to_builtins(msgspec.convert(msgspec.to_builtins(plan), Plan)))
    return msgspec.json.format(msgspec.json.encode(plain), indent=1) + b"\n"


def plan_from_bytes(raw: bytes, name: str) -> Plan:
    """A plan read back, strictly.

    Parameters
    ----------
    raw
        Content of the file.
    name
        What to call the file in a message.

    Raises
    ------
    PlanError
        It is no plan, was damaged, or its key was changed after the sheets were made; one line.
    """
    mend = "Use the plan.json that was written with the sheets."
    try:
        found = msgspec.json.decode(raw)
    except msgspec.DecodeError as error:
        raise PlanError(f"{name} is not JSON ({error}). {mend}") from None
    if isinstance(found, dict) and found.get("format", FORMAT) != FORMAT:
        problem = f"{name} has format {str(found['format'])[:20]}, and this program reads {FORMAT}"
        raise PlanError(f"{problem}. Use the program that made it, or plan anew.")
    try:
        plan = msgspec.convert(found, Plan)
    except msgspec.ValidationError as error:
        raise PlanError(f"{name} is not a plan: {error}. {mend}") from None
    contradiction = _contradiction(plan)
    if contradiction:
        raise PlanError(f"{name} is damaged: {contradiction}. {mend}")
    return plan


def _contradiction(plan: Plan) -> str | None:
    """What cannot be in a plan as it was made; None where nothing is."""
    try:
        dt.date.fromisoformat(plan.starts_on)
    except ValueError:
        return f"starts_on ({plan.starts_on[:20]}) is no date"
    ids = [trial.plan_id for trial in plan.trials]
    if len(set(ids)) < len(ids):
        twice = next(one for one in ids if ids.count(one) > 1)
        return f"plan_id {twice} is there twice"
    arms = {source.source_id: source.arm for source in plan.storage}
    for trial in plan.trials:
        if trial.source_id is not None and trial.source_id not in arms:
            return f"trial {trial.plan_id} is on {trial.source_id}, which is not in storage"
        if trial.arm != (None if trial.source_id is None else arms[trial.source_id]):
            return f"the arm of trial {trial.plan_id} is not that of its source"
    if key_digest(plan.trials, plan.storage) != plan.key_sha256:
        return "sources or arms are not those that the sheets were made with (key_sha256)"
    return None


def _tidy(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _tidy(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_tidy(inner) for inner in value]
    return float(f"{value:.10g}") if isinstance(value, float) else value
