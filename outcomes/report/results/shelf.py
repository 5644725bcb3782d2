"""``shelf``: every source held, and what each has left."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.analysis.decisions.before_and_since import LATEST, FindsBeforeAndSince
from outcomes.analysis.decisions.exposure_left import ExposureLeft
from outcomes.analysis.decisions.next_step import NextStep, Order
from outcomes.analysis.decisions.shelf import ShelfSource, recent_finds
from outcomes.analysis.results import Advice, Ground
from outcomes.answers.facts import Facts
from outcomes.exposure.accumulate import Regime
from outcomes.exposure.cycles_and_age import ExposureName
from outcomes.records.columns import Result
from outcomes.report.results.stock import replacement_days
from outcomes.report.results.values import Number, filled
from outcomes.report.shelf_rows import trials_by_source
from outcomes.wording.exposure_left import describe_exposure_left, left_is_told
from outcomes.wording.next_step import describe_next_step
from outcomes.wording.shelf import describe_advice, describe_before_and_since


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What one held source has left, by one exposure.

    Attributes
    ----------
    left, low, high
        Still to go until its find probability, and the limits of it, fall to the floor.
    observed_to
        Nothing is said beyond this exposure.
    years_left, years_low
        The same at this source's own rate of use, years.
    below
        How sure it is, from 0 to 1, that the source is below the floor today.
    reason
        Why nothing can be said.
    sentence
        Null where a number left says nothing to go by: past the limit, say.
    """

    source_id: str
    by: ExposureName
    now: Number
    left: Number
    low: Number
    high: Number
    confidence: float
    observed_to: Number
    years_left: Number
    years_low: Number
    below: Number
    reason: str | None
    sentence: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialSpanTold:
    """Trials of one source that follow one another, from ``first`` to ``last``.

    Attributes
    ----------
    first, last
        Whole cycles, or whole months of age.
    trials, finds
        How many, and how many of them were finds.
    """

    first: int
    last: int
    trials: int
    finds: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeAndSince:
    """One source's finds as counted, earlier and since.

    Attributes
    ----------
    by
        The exposure that parts its trials; null where they are too few to part.
    spans
        In order of time, the latest last; together all its unassisted hide trials.
    """

    by: ExposureName | None
    spans: tuple[TrialSpanTold, ...]
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NextStepTold:
    """What to do next with one source.

    Attributes
    ----------
    order
        ``choose``: more trials would hardly settle it. ``log``: its storage is not on record.
    past_limit
        Whether it is past a limit of its class.
    trials
        Blind trials to run before asking again; null where none are ordered.
    dog_id, met
        The dog to run them with, and how often it has met the source; null where none is named.
    """

    order: Order
    past_limit: bool
    trials: int | None
    dog_id: str | None
    met: int | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceHeld:
    """One source held, with its advice; the most urgent stands first.

    Attributes
    ----------
    cycles, age_days, regime
        At the moment asked about; null where they cannot be derived.
    trials, finds, trials_used
        Unassisted hide trials up to then, finds among them, and those the model could use.
    find_probability, low, high
        Predicted today, over the unit's dogs and conditions.
    ground
        Why the advice is given, in a word; ``reason`` says it.
    recent
        Its latest unassisted hide trials, 12 at most, the last one last.
    replace_by
        The day it reaches its limit at its own rate of use (ISO 8601): as likely before as
        after; null where it has none. ``replace_from`` and ``replace_until`` are the limits of
        that, null beyond a lifetime.
    trials_to_settle
        About how many further trials would settle it.
    log_begins_late
        ``cycles`` is then the least it can have been through.
    recent_finds
        Share of finds in its latest 20 trials at most.
    left
        Null where nothing names an exposure to count it in.
    before_and_since
        Null without a trial of its own.
    next_step
        The step that the page and the terminal name, too.
    """

    source_id: str
    kind: str | None
    regime: Regime | None
    cycles: Number
    age_days: Number
    trials: int
    finds: int
    find_probability: Number
    low: Number
    high: Number
    confidence: float
    advice: Advice
    ground: Ground
    reason: str
    recent: tuple[Result, ...]
    replace_by: str | None = None
    replace_from: str | None = None
    replace_until: str | None = None
    trials_to_settle: int | None
    trials_used: int | None
    log_begins_late: bool
    recent_finds: Number
    left: Left | None
    before_and_since: BeforeAndSince | None
    next_step: NextStepTold


def make_shelf(facts: Facts) -> tuple[SourceHeld, ...]:
    """``shelf``."""
    recent = recent_finds(facts.fit, facts.as_of)
    confidence = facts.settings.confidence
    left = {
        source.source_id: _left(source, one, facts)
        for source, one in zip(facts.shelf, facts.left, strict=False)
    }
    steps = {step.source_id: step for step in facts.next_steps}
    latest = {
        name: tuple(trials["result"].tail(LATEST))
        for name, trials in trials_by_source(facts).items()
    }
    days = replacement_days(facts.stock)
    return tuple(
        filled(
            SourceHeld,
            source,
            **days.get(source.source_id, {}),
            confidence=confidence,
            reason=describe_advice(source, facts.settings.floor),
            recent=latest.get(source.source_id, ()),
            recent_finds=recent.get(source.source_id),
            left=left.get(source.source_id),
            before_and_since=_before_and_since(facts.before_and_since.get(source.source_id)),
            next_step=_next_step(steps[source.source_id]),
        )
        for source in facts.shelf
    )


def _left(source: ShelfSource, left: ExposureLeft, facts: Facts) -> Left:
    confidence = facts.settings.confidence
    told = (
        source.advice == "retire"
        or left.reason is not None
        or left_is_told(source, left, facts.retirement)
    )
    sentence = describe_exposure_left(left, confidence) if told else None
    return filled(Left, left, confidence=confidence, sentence=sentence)


def _before_and_since(found: FindsBeforeAndSince | None) -> BeforeAndSince | None:
    if found is None:
        return None
    spans = tuple(filled(TrialSpanTold, span) for span in found.spans)
    return BeforeAndSince(by=found.by, spans=spans, sentence=describe_before_and_since(found))


def _next_step(step: NextStep) -> NextStepTold:
    return filled(NextStepTold, step, sentence=describe_next_step(step))
