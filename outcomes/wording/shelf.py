"""The sources held: advice on each, and on those past the limit."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.decisions.before_and_since import FindsBeforeAndSince, TrialSpan
from outcomes.analysis.decisions.next_step import BATCH, SETTLED_SOON, is_past_limit, worth_a_test
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.finds.cycles_or_age import SOME_MISSING, WhichPredicts
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.usable_trials import on_late_logs
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, ExposureName
from outcomes.text import count, in_months
from outcomes.wording.limit import limits_named, limits_set
from outcomes.wording.numbers import (
    finds_in_100,
    floor_in_100,
    joined,
    limit_beside_floor,
    two_digits,
)


def describe_cycles_so_far(source: ShelfSource) -> str | None:
    """Cycles of a source in words, at least so many where its log begins late; None if unknown."""
    if source.cycles is None:
        return None
    least = "at least " if source.log_begins_late else ""
    return f"{least}{count(round(source.cycles), 'cycle')}"


def describe_cycles_in_short(source: ShelfSource) -> str:
    """The same for a column headed so: "12", "≥ 12", "?"."""
    if source.cycles is None:
        return "?"
    return f"{'≥ ' if source.log_begins_late else ''}{round(source.cycles):,}"


def describe_wear_in_short(source: ShelfSource, by: ExposureName) -> str:
    """Cycles, or whole months of age, for a column headed so: "12", "≥ 12", "?"."""
    if by == "cycles":
        return describe_cycles_in_short(source)
    return "?" if source.age_days is None else in_months(source.age_days)


def wear_heading(by: ExposureName) -> str:
    """What stands over that column."""
    return "cycles" if by == "cycles" else "months"


def describe_late_logs(fit: FindFit, verdict: WhichPredicts) -> str:
    """For the slide: that many sources may have more cycles than are on record; else nothing."""
    if verdict.thaws_missing < SOME_MISSING:
        return ""
    late = fit.design.trials["source_id"][on_late_logs(fit.design.trials)].nunique()
    none = ": no retirement limit" if verdict.no_limit else ""
    return (
        f"Cycles may be counted too low for {late:,} of {count(fit.sources, 'source')}, whose "
        f"storage logs begin late{none}."
    )


def describe_past_limit(shelf: Sequence[ShelfSource], retirement: Retirement) -> str | None:
    """Held sources beyond the limit that their own evidence does not condemn; None without any.

    And those to test that may be beyond it, their cycles being counted from late on.
    """
    told = [_beyond_limit_sentence(shelf, retirement), _perhaps_past(shelf, retirement)]
    return " ".join(sentence for sentence in told if sentence) or None


def _perhaps_past(shelf: Sequence[ShelfSource], retirement: Retirement) -> str | None:
    if not any(t.by == "cycles" for t in limits_set(retirement)):
        return None
    past = past_limit(shelf, retirement)
    some = [s for s in shelf if s.log_begins_late and s.advice == "test" and s not in past]
    if not some:
        return None
    one = len(some) == 1
    return (
        f"{_named(some)} may be past the limit by cycles too: "
        f"{'its log begins' if one else 'their logs begin'} late, so "
        f"{'it' if one else 'they'} may have more cycles than are on record."
    )


def _beyond_limit_sentence(shelf: Sequence[ShelfSource], retirement: Retirement) -> str | None:
    beyond = past_limit(shelf, retirement)
    if not beyond:
        return None
    kept = [s for s in beyond if s.advice == "keep"]
    open_still = [s for s in beyond if s.advice == "test"]
    several = len(limits_set(retirement)) > 1
    limit = limits_named(retirement) if several else "that limit"
    floor = retirement.thresholds[0].floor
    on_edge = [s for s in open_still if s.ground == "unsure" and not worth_a_test(s, floor)]
    to_test = [s for s in open_still if s not in on_edge]
    parts = [_past_and_open(to_test, limit)] if to_test else []
    if on_edge:
        is_it, it = ("is", "it") if len(on_edge) == 1 else ("are", "them")
        parts.append(
            f"{_named(on_edge)} {is_it} past {limit}{' too' if to_test else ''}, and so close to "
            f"{floor_in_100(floor)} that more trials will hardly settle {it}: the choice is yours."
        )
    if kept:
        is_it = "is" if len(kept) == 1 else "are"
        parts.append(
            f"{_named(kept)} {is_it} past {limit}{' too' if open_still else ''}, but shown at "
            f"or above {floor_in_100(floor)}."
        )
    return " ".join(parts) or None  # all of it may be to be retired


def past_limit(shelf: Sequence[ShelfSource], retirement: Retirement) -> list[ShelfSource]:
    """Held sources beyond any limit there is; none where there is no limit."""
    return [s for s in shelf if is_past_limit(s, retirement.thresholds)]


def _past_and_open(beyond: Sequence[ShelfSource], limit: str) -> str:
    """Sources beyond the ``limit`` that only a test can settle, each with its ground."""
    grounds: dict[str, list[ShelfSource]] = {}
    for source in beyond:
        grounds.setdefault(_WHY_OPEN.get(source.ground, "not shown"), []).append(source)
    parts = []
    for ground, some in grounds.items():
        one = len(some) == 1
        why = {
            "not shown": "its own trials do not show it below the floor"
            if one
            else "their own trials do not show them below the floor",
            "beyond": f"{'it has' if one else 'they have'} been through more than the records "
            "can speak for",
            "untried": f"{'it has' if one else 'they have'} not been tried yet",
            "no record": f"{'its' if one else 'their'} storage is not on record",
        }[ground]
        parts.append(f"because {why}: {_named(some)}")
    them = "it" if len(beyond) == 1 else "them"
    return (
        f"Already past {limit} and not advised to be retired, {'; '.join(parts)}. "
        f"Test {them} first."
    )


def _named(sources: Sequence[ShelfSource]) -> str:
    """Names of sources, the rest beyond eight counted."""
    names = [s.source_id for s in sources[:_MOST_NAMED]]
    more = len(sources) - _MOST_NAMED
    return joined([*names, f"{more} more"] if more > 0 else names)


_WHY_OPEN = {"beyond records": "beyond", "no trials": "untried", "not documented": "no record"}


_MOST_NAMED = 8


def describe_advice(source: ShelfSource, floor: float) -> str:
    """Why a source got its advice."""
    at = floor_in_100(floor)
    if source.ground == "above":
        return f"shown at or above {at}"
    if source.ground == "below":
        lately = ""
        if source.trials and source.finds / source.trials >= floor:
            # All its finds together would seem to speak against the advice.
            lately = (
                f"; of its latest {source.latest_trials} trials {source.latest_finds} were finds"
            )
        return f"unreliable for this purpose, on present evidence: shown below {at}{lately}"
    if source.ground == "unsure":
        return _unsure_reason(source, floor)
    if source.ground == "no trials":
        return "not tried yet: no evidence about this source"
    if source.ground == "few trials":
        used = source.trials_used or 0
        return f"only {count(used, 'trial')} of its own to go by: too few to decide on"
    if source.ground == "beyond records":
        return "has been through more than the records can speak for"
    if source.ground == "own trials disagree":
        return (
            "its class points one way and its own latest trials the other "
            f"(found {source.latest_finds} of its latest {source.latest_trials}): test before "
            "deciding"
        )
    if source.ground == "not documented":
        return "its storage is not on record: log where it is kept"
    return "no answer for the unit yet, so none for one source"


def _unsure_reason(source: ShelfSource, floor: float) -> str:
    """What more trials would do for a source whose interval holds the floor."""
    at, more = floor_in_100(floor), source.trials_to_settle
    if more is not None and more <= SETTLED_SOON:
        told = f"not settled: about {count(two_digits(more), 'more trial')} would settle it"
        return f"{told}; run {BATCH}, then ask again" if more > BATCH else told
    # A best estimate near the floor by luck asks for many trials only while it stays there.
    sides = source.could_be_far(floor)
    if sides:
        return f"not known yet: could be well {joined(list(sides), 'or')} {at}; try 10 more"
    if more is None:
        return f"on the edge of {at}: more trials will hardly settle it; the choice is yours"
    return (
        f"close to {at}: about {two_digits(more):,} more trials to settle it, more than it is worth"
    )


def describe_ground_in_short(source: ShelfSource, floor: float) -> str | None:
    """Why a source got its advice, beside what to do next; None where that says it already."""
    if source.ground in ("above", "below"):
        return None
    if source.ground != "unsure":
        return describe_advice(source, floor)
    more, sides = source.trials_to_settle, source.could_be_far(floor)
    if more is not None and (more <= SETTLED_SOON or not sides):
        return f"about {count(two_digits(more), 'more trial')} would settle it"
    if sides:
        return f"could be well {joined(list(sides), 'or')} {floor_in_100(floor)}"
    return f"on the edge of {floor_in_100(floor)}"


def describe_shelf(shelf: Sequence[ShelfSource], retirement: Retirement | None = None) -> str:
    """How many sources to retire, test and keep; up to four to retire by name.

    With a retirement limit also how many of those to test are past it: the limit stands a
    line above, and would else be taken for the answer about each of them.
    """
    if not shelf:
        return "No source is held."
    if len(shelf) == 1:
        return f"The one source held: {shelf[0].advice}."
    past = (
        0 if retirement is None else sum(s.advice == "test" for s in past_limit(shelf, retirement))
    )
    several = retirement is not None and len(limits_set(retirement)) > 1
    limit = limits_named(retirement) if retirement is not None and several else "the limit"
    named = [s.source_id for s in shelf if s.advice == "retire"]
    beside = {
        "retire": f" ({joined(named)})" if len(named) <= 4 else "",
        "test": f" ({past:,} of them past {limit})" if past else "",
        "keep": "",
    }
    number = {a: sum(s.advice == a for s in shelf) for a in ("retire", "test", "keep")}
    parts = [f"{number[a]} to {a}{beside[a]}" for a in number if number[a]]
    return f"Of {count(len(shelf), 'source')} held: {joined(parts)}."


def describe_none_can_be_judged(shelf: Sequence[ShelfSource]) -> str | None:
    """All sources held in one line, where none can be judged and all for one reason."""
    reasons = {s.ground for s in shelf}
    if len(shelf) < 2 or len(reasons) > 1 or any(s.find_probability is not None for s in shelf):
        return None
    names = joined([s.source_id for s in shelf])
    return f"To test, all for the same reason: {describe_advice(shelf[0], 0.0)}. {names}."


RETIRE_MEANING = (
    "To retire means: unreliable for this purpose, on present evidence. Retire none on its age or "
    "its cycles alone."
)
SHELF_NOTE = (
    "Retire: shown below the floor by the source's own trials together with those of sources like "
    "it. Keep: shown at or above the floor. Test: the evidence does not decide yet, so try it "
    "again. The decision is the director's."
)


def describe_before_and_since(found: FindsBeforeAndSince | None) -> str:
    """What persuades: a source's finds before its latest trials and in them, as counted.

    "cycles 1–7: 21 of 22 found; since 14: 1 of 5", or by months of age.
    """
    if found is None:
        return "no trial of its own yet"
    if found.by is None or not found.spans:
        return f"{found.finds:,} of {found.trials:,} found"
    first, *between, since = found.spans
    word = CYCLES_AND_AGE[found.by].step + ("" if first.first == first.last else "s")
    parts = [f"{word} {_from_to(first)}: {_found_of(first)} found"]
    parts += [f"{_from_to(span)}: {_found_of(span)}" for span in between]
    return "; ".join([*parts, f"since {since.first}: {_found_of(since)}"])


def _from_to(span: TrialSpan) -> str:
    return f"{span.first}" if span.first == span.last else f"{span.first}–{span.last}"


def _found_of(span: TrialSpan) -> str:
    return f"{span.finds:,} of {span.trials:,}"


def describe_expected_finds(source: ShelfSource, floor: float) -> str | None:
    """A source's predicted finds in 100 with their interval; None without a prediction.

    Whole numbers, but for a limit just below the floor (:func:`limit_beside_floor`).
    """
    probability, low, high = source.find_probability, source.low, source.high
    if probability is None or low is None or high is None:
        return None
    limits_ = f"{limit_beside_floor(low, floor)} to {limit_beside_floor(high, floor)}"
    return f"{finds_in_100(probability)} ({limits_})"
