"""How the advice on one source came about, trial by trial."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from outcomes.analysis.decisions.explain import Explanation, SourceTrial
from outcomes.analysis.decisions.shelf import FEWEST_RECENT, ShelfSource
from outcomes.answers.facts import Facts
from outcomes.text import Row, months
from outcomes.wording.as_of import as_of_notes
from outcomes.wording.cautions import ACT_CAUTION, CAUTIONS
from outcomes.wording.numbers import (
    bare_in_100,
    floor_in_100,
    in_100,
    limit_beside_floor,
    percent,
)
from outcomes.wording.shelf import (
    describe_advice,
    describe_before_and_since,
    describe_cycles_so_far,
)

_HOW_TO_READ = (
    "Two columns tell finds expected in 100. This trial: of that dog in those conditions, with the "
    "source as it was. This source: of any dog of the unit, by its trials up to that line and by "
    "sources like it; in brackets the {} interval of what its own trials leave open. The "
    "interval of the advice below is wider: it also counts what is open about the model."
)
_ABOVE = f"{'':<40}{'expected in 100'}"


def describe_explanation(
    explanation: Explanation, facts: Facts, held: ShelfSource | None
) -> Iterator[str]:
    """How one source's advice came about, for people: its trials, the advice, the cautions."""
    yield f"How the advice on {explanation.source_id} came about"
    if not explanation.trials:
        yield (
            "It has not been tried: there is no hide trial with it in these records up to "
            f"{facts.shelf_day.isoformat()}."
        )
    else:
        told = any(trial.expected is not None for trial in explanation.trials)
        start = f"{'date':<12}{'dog':<12}{'result':<8}{'cycles':>6}  "
        if told:
            yield Row(_ABOVE)
            yield Row(f"{start}{'this trial':<12}{'this source':<16}{'found so far'}")
        else:
            yield Row(f"{start}found so far")
        floor = facts.settings.floor
        yield from (Row(_trial_line(trial, told, floor)) for trial in explanation.trials)
        if not told:
            yield ""
            yield _nothing_expected(explanation, facts)
        elif explanation.source_sd is not None:
            yield ""
            yield _HOW_TO_READ.format(percent(facts.settings.confidence))
        if explanation.source_sd == 0.0:
            yield (
                "In these records sources do not differ beyond what is on record, so each is "
                "judged as its kind, cycles and age alone; its own trials move the estimate only "
                "through the whole."
            )
    yield ""
    yield from as_of_notes(facts)
    found = facts.before_and_since.get(explanation.source_id)
    if found is not None and found.spans:
        yield f"As counted: {describe_before_and_since(found)}."
    last = explanation.trials[-1] if explanation.trials else None
    yield from describe_advice_at_length(facts, explanation.source_id, held, last)
    yield ""
    yield CAUTIONS[0]
    yield ACT_CAUTION


def _nothing_expected(explanation: Explanation, facts: Facts) -> str:
    """Why no trial of a source has an expectation."""
    if facts.fit.mixed is not None:
        return "What to expect of it cannot be told: the model could use none of its trials."
    why = facts.fit.reason or "no model could be fitted"
    return f"What to expect of it cannot be told: {why}."


def _trial_line(trial: SourceTrial, told: bool, floor: float) -> str:
    cycles = "?" if trial.cycles is None else f"{trial.cycles:.0f}"
    start = (
        f"{trial.started_at:%Y-%m-%d}  {_short(trial.dog_id, 11):<12}{trial.result:<8}{cycles:>6}  "
    )
    so_far = f"{trial.finds} of {trial.trials}"
    if trial.expected is None or trial.running is None:
        if not told:
            return f"{start}{so_far:<14}{trial.why_not or ''}".rstrip()
        return f"{start}{'–':<12}{'–':<16}{so_far:<14}{trial.why_not or ''}".rstrip()
    estimate = bare_in_100(trial.running)
    if trial.low is not None and trial.high is not None and trial.high - trial.low >= 0.005:
        low, high = (limit_beside_floor(v, floor) for v in (trial.low, trial.high))
        estimate += f" ({low} to {high})"
    return f"{start}{bare_in_100(trial.expected):<12}{estimate:<16}{so_far}"


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _own_trials_would_decide(last: SourceTrial, held: ShelfSource, floor: float) -> bool:
    """Whether the interval of its own trials lies on one side of a floor that the shelf's holds."""
    if held.ground != "unsure" or last.low is None or last.high is None:
        return False
    return last.low >= floor or last.high < floor


def describe_advice_at_length(
    facts: Facts, source_id: str, held: ShelfSource | None, last: SourceTrial | None = None
) -> Iterator[str]:
    """The advice on one source with what it rests on, or why there is none."""
    floor = facts.settings.floor
    if held is None:
        day = facts.shelf_day.isoformat()
        yield f"It is not held on {day}{_left(facts, source_id)}: no advice."
        return
    cycles = describe_cycles_so_far(held) or "cycles unknown"
    if held.log_begins_late:
        cycles += " (its storage log begins late)"
    age = "age unknown" if held.age_days is None else f"{months(held.age_days)} old"
    yield f"On {facts.shelf_day.isoformat()}: {cycles}, {age}."
    if held.find_probability is not None and held.low is not None and held.high is not None:
        confidence = percent(facts.settings.confidence)
        low, high = (limit_beside_floor(v, floor) for v in (held.low, held.high))
        yield (
            f"Its find probability today: {in_100(held.find_probability)} ({confidence} "
            f"interval {low} to {high}); the floor is {floor_in_100(floor)}."
        )
    yield f"Advice: {held.advice}. {_sentence(describe_advice(held, floor))}"
    few = 0 < (held.trials_used or 0) < FEWEST_RECENT
    if few and held.ground == "unsure":
        yield (
            f"Whatever they show, fewer than {FEWEST_RECENT} trials of its own are too few to keep "
            "or retire a source on."
        )
    elif last is not None and _own_trials_would_decide(last, held, floor):
        side = "at or above" if last.low is not None and last.low >= floor else "below"
        yield (
            f"In the last line above, the whole interval lies {side} {floor_in_100(floor)}, "
            "but it counts only what its own trials leave open. The interval of the advice also "
            "counts how unsure these records are of the change with cycles and age, and of how "
            "far sources differ; that one holds the floor, so the advice is to test."
        )
    yield "The decision is the director's."


def _left(facts: Facts, source_id: str) -> str:
    log = facts.records.storage
    own = log[(log["source_id"] == source_id) & (log["moved_to"] == "discarded")]
    if own.empty or not bool((own["moved_at"] < facts.as_of).any()):
        return ""
    return f" (discarded on {pd.Timestamp(own['moved_at'].min()):%Y-%m-%d})"


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."
