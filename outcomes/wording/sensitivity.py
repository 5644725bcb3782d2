"""What stands behind the answer on finds, in words and in lines of tables."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import expm1

from outcomes.analysis.finds.confounders import SUSPECT_WORDS, Suspects
from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.dog_and_source_effects import DogReview
from outcomes.analysis.finds.specifications import Specification, Specifications, most_influential
from outcomes.analysis.results import ExposureName, FindEstimate
from outcomes.answers.sensitivity import Further
from outcomes.answers.side_tests import SideTests, calls_a_change
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, named_by
from outcomes.text import count, table
from outcomes.wording.dogs import DOG_CAUTION, describe_dogs, describe_own_effect, stands_out
from outcomes.wording.memory import describe_memory
from outcomes.wording.numbers import joined, percent
from outcomes.wording.penalised import describe_penalised
from outcomes.wording.quality import describe_drift, describe_predictions
from outcomes.wording.shape import describe_shape
from outcomes.wording.suspects import SUPPORT_MEANING, describe_suspects, suspects_show

_MOST_DOG_SENTENCES = 2
_MOST_UNSURE = 6
_MORE = {"cycles": "with every cycle", "age_days": "with age"}
WAYS_NOTE = (
    "Change in the odds of a find (finds for each miss) a step, asked in other ways; "
    "from the lowest to the highest"
)


def named_exposures(verdict: WhichPredicts) -> tuple[ExposureName, ...]:
    """The exposures the verdict is about: one where it names one, else both."""
    return named_by(verdict.verdict)


_METHODS = ("GEE", "conditional", "Mundlak")


def describe_firmness(further: Further, verdict: WhichPredicts, side: SideTests) -> list[str]:
    """How firm the answer is, for the page: other ways of asking, other suspects.

    Parameters
    ----------
    further
        What stands behind the answer.
    verdict
        The answer; what is said is about the exposures it names.
    side
        The side questions: suspects are named where they show beyond chance, or beside a change.

    Returns
    -------
    list of str
        Whole sentences; empty where there is no model of any kind.
    """
    if further.ways.reason is not None:
        return [] if further.penalised is None else [describe_penalised(further.penalised)]
    lines = [
        describe_agreement_in_short(further.ways, exposure)
        for exposure in named_exposures(verdict)
        if exposure in further.ways.agreement
    ]
    memory = describe_memory(further.ways.memory, further.ways.alpha)
    shown = calls_a_change(verdict.verdict) or suspects_show(further.suspects, verdict, side)
    return [
        *lines,
        *([] if memory is None else [memory]),
        *_unseen_sources(further, verdict),
        *([describe_suspects(further.suspects, verdict, side)] if shown else []),
    ]


def _unseen_sources(further: Further, verdict: WhichPredicts) -> list[str]:
    """That a change told does not help to foretell finds on other sources, where it does not."""
    quality = further.quality
    if verdict.verdict not in ("cycles", "age", "both") or quality.reason is not None:
        return []
    if quality.brier is None or quality.brier_of_average is None:
        return []
    if quality.brier < quality.brier_of_average:
        return []
    return [
        "On sources it had not seen the model foretold finds no better than the unit's average "
        "does: take the size of the change with care."
    ]


def describe_not_parted(further: Further | None, verdict: WhichPredicts) -> list[str]:
    """What the answer leaves open about the suspects that go along with cycles or age."""
    if further is None or verdict.verdict not in ("cycles", "age", "both"):
        return []
    beside = [
        SUSPECT_WORDS[s.exposure]
        for s in further.suspects.suspects
        if s.exposure not in CYCLES_AND_AGE
    ]
    told = [
        s
        for s in further.suspects.suspects
        if s.given_others is not None and s.given_others.p < further.ways.alpha
    ]
    named = set(named_by(verdict.verdict))
    if not beside or named <= {s.exposure for s in told}:
        return []
    what = {"cycles": "cycles themselves", "age": "age itself"}.get(
        verdict.verdict, "cycles and age themselves"
    )
    return [f"Whether it is {what}, or what goes along: {joined(beside, 'or')}."]


def describe_agreement_in_short(ways: Specifications, exposure: ExposureName) -> str:
    """How far the other ways of asking agree, and the source that matters most to it."""
    found = ways.agreement[exposure]
    name = CYCLES_AND_AGE[exposure].noun
    all_or_some = "all of them" if found.same_sign == found.ways else f"{found.same_sign}"
    if found.ways == 1:
        all_or_some = "it" if found.same_sign else "none"
    others = count(found.ways, "other way")
    if found.clear:
        change = "rise" if found.rising else "fall"
        text = (
            f"Asked in {others}, finds {change} with {name} in {all_or_some}; "
            f"in {found.clear_too} the whole interval says so."
        )
        if len(found.unsure) > _MOST_UNSURE:
            text += f" In {len(found.unsure)} no change would fit too."
        if 0 < len(found.unsure) <= _MOST_UNSURE:
            text += f" Less sure: {'; '.join(_in_plain_words(way) for way in found.unsure)}."
    else:
        text = (
            f"The interval for {name} includes no change; asked in {others}, the "
            f"direction is the same in {all_or_some}."
        )
    rows = ways.of(exposure)
    moved = [
        _moves_most(most_influential(rows, family), family, rows[0], clear=found.clear)
        for family in ("source", "dog")
    ]
    return text + "".join(moved)


def agreement_title(ways: Specifications, exposure: ExposureName) -> str:
    """How far all the ways of asking agree, in one line."""
    found = ways.agreement[exposure]
    word = _along(ways.of(exposure)[0], exposure)
    if found.clear:
        way = "rises" if found.rising else "falls"
        return (
            f"Find probability {way} {word}: the sign holds in {found.same_sign} of {found.ways} "
            f"analyses, the whole interval in {found.clear_too}"
        )
    return (
        f"No clear change {word}: the main interval includes none, and the sign holds in "
        f"{found.same_sign} of {found.ways} analyses"
    )


def describe_agreement(ways: Specifications, exposure: ExposureName) -> str:
    """How far all the ways of asking agree, with what it rests on."""
    found = ways.agreement[exposure]
    rows = ways.of(exposure)
    main = rows[0]
    word = _along(main, exposure)
    counted = (
        f"asked in {count(found.ways, 'other way')}, the sign is the same in {found.same_sign}"
    )
    if found.clear:
        way = "rises" if found.rising else "falls"
        text = (
            f"In the main model find probability {way} {word}, and its whole interval lies on that "
            f"side of no change; {counted}, and in {found.clear_too} the whole interval lies there "
            "too."
        )
    else:
        text = (
            f"In the main model the interval for the change {word} includes no change; {counted}, "
            f"and in {found.clear_too} the whole interval lies on that side of no change."
        )
    if found.against:
        text += f" The sign is the other way: {'; '.join(found.against)}."
    influential = most_influential(rows, "source")
    if influential is None or influential.log_odds is None or main.log_odds is None:
        return text
    return (
        f"{text} The source that moves it most is "
        f"{influential.name.removeprefix('without source ')}: without it the odds of a find "
        f"change by {_percent_of(influential.log_odds)} {_per(main.unit)}, with it by "
        f"{_percent_of(main.log_odds)}."
    )


def _along(main: Specification, exposure: ExposureName) -> str:
    """How a change goes along: a step does not come with every cycle."""
    asked = CYCLES_AND_AGE[exposure]
    return _MORE[exposure] if main.unit == asked.unit else f"with {asked.noun}"


def _per(unit: str) -> str:
    return unit if unit.startswith("past ") else f"per {unit}"


def _in_plain_words(way: str) -> str:
    """The name of a way of asking without its method's name, which the table of ways has."""
    for method in _METHODS:
        way = way.removesuffix(f" ({method})")
    return way


def _moves_most(row: Specification | None, family: str, main: Specification, *, clear: bool) -> str:
    """Which source or dog, left out, moves the estimate most, and which way."""
    if row is None or row.log_odds is None or main.log_odds is None:
        return ""
    # Where no change shows, it is not spoken of as one.
    change = "estimate" if not clear else "rise" if main.log_odds > 0.0 else "fall"
    if row.log_odds * main.log_odds <= 0.0:
        which = "turns round"
    else:
        steeper = abs(row.log_odds) > abs(main.log_odds)
        nearer = "farther from no change" if steeper else "nearer to no change"
        which = f"is {nearer}" if not clear else "is steeper" if steeper else "is less steep"
        if clear and row.low is not None and row.high is not None and row.low <= 0.0 <= row.high:
            which += ", and no change would fit too"
    name = row.name.removeprefix(f"without {family} ")
    return f" The {family} that moves this most is {name}: without it the {change} {which}."


def describe_checks(further: Further, verdict: WhichPredicts, side: SideTests) -> list[str]:
    """For a reader who checks: shape, predictions on unseen sources, drift over the calendar."""
    if further.ways.reason is not None:
        return []
    lines = []
    if verdict.verdict in ("cycles", "age", "both"):
        exposures = named_exposures(verdict)
        lines += [told for e in exposures if (told := describe_shape(verdict, e))]
    quality = further.quality
    if quality.reason is None:
        lines.append(describe_predictions(quality))
    if quality.drift is not None:
        lines.append(describe_drift(quality.drift, side))
    return lines


def describe_dogs_in_short(review: DogReview, side: SideTests) -> list[str]:
    """What may be said of dogs on the page, most important first."""
    if review.reason is not None:
        return []
    own = [describe_own_effect(d, side) for d in review.dogs if stands_out(d, side)]
    return [*describe_dogs(review, side)[:_MOST_DOG_SENTENCES], *own]


def suspect_lines(suspects: Suspects, verdict: WhichPredicts, side: SideTests) -> Iterator[str]:
    """The suspects beside one another, for a terminal."""
    yield describe_suspects(suspects, verdict, side)
    if suspects.reason is not None:
        return
    yield ""
    yield "Much exposed trials against little exposed ones, in finds in 100:"
    rows = [("suspect", "alone", "the others held", "support")]
    for s in suspects.suspects:
        alone, held = _points(s.alone), _points(s.given_others)
        rows.append((SUSPECT_WORDS[s.exposure], alone, held, f"{100 * s.weight:.0f} %"))
    yield from table(rows)
    for left in suspects.left_out:
        yield f"left out: {SUSPECT_WORDS.get(left.term, left.term)}: {left.reason}"
    yield SUPPORT_MEANING


def _points(effect: FindEstimate | None) -> str:
    if effect is None:
        return "not known"
    text = f"{effect.points:+.0f} ({effect.points_low:+.0f} to {effect.points_high:+.0f})"
    return text.replace("-", "−")


def way_lines(ways: Specifications, exposures: Sequence[ExposureName]) -> Iterator[str]:
    """Other ways of asking, one line each, for a terminal."""
    if ways.reason is not None:
        yield f"Not asked: {ways.reason}."
        return
    for exposure in exposures:
        rows = ways.shown(exposure)
        agreement = ways.agreement.get(exposure)
        if not rows or agreement is None:
            continue
        yield describe_agreement(ways, exposure)
        yield f"{WAYS_NOTE} ({rows[0].unit}):"
        interval = f"% ({percent(1.0 - ways.alpha)} interval)"
        made = [_way_cells(row) for row in rows if row.log_odds is not None]
        yield from table([("asked", interval, "trials", "sources"), *made])
        yield from (f"{row.name}: not asked: {row.reason}" for row in rows if row.log_odds is None)
    memory = describe_memory(ways.memory, ways.alpha)
    if memory is not None and "cycles" in exposures:
        yield memory
    for note in ways.notes:
        yield f"{note[0].upper()}{note[1:]}."


def _way_cells(row: Specification) -> tuple[str, str, str, str]:
    assert row.log_odds is not None
    assert row.low is not None
    assert row.high is not None
    change = f"{_percent(row.log_odds)} ({_percent(row.low)} to {_percent(row.high)})"
    change = change.replace(" %", "")
    return row.name, change, f"{row.n:,}", f"{row.sources:,}"


def _percent(log_odds: float) -> str:
    return "more than +10,000 %" if log_odds > 5.0 else _percent_of(log_odds)


def _percent_of(log_odds: float) -> str:
    return f"{100.0 * expm1(log_odds):+.1f} %".replace("-", "−")


def dog_lines(review: DogReview, side: SideTests) -> Iterator[str]:
    """Every dog beside an average dog in the same trials, for a terminal."""
    if review.reason is not None:
        yield f"Nothing can be said of single dogs: {review.reason}."
        return
    yield from describe_dogs(review, side)
    rows = [("dog", "found", "an average dog", "finds in 100 of all trials", "")]
    for d in review.dogs:
        found = f"{d.finds:,} of {d.trials:,}"
        own = f"{100 * d.find_probability:.0f} ({100 * d.low:.0f} to {100 * d.high:.0f})"
        rows.append((d.name, found, f"{d.expected_finds:.1f}", own, "few trials" if d.few else ""))
    yield from table(rows)
    yield DOG_CAUTION
