"""Sentences and JSON parts of decisions asked for one at a time, beside those of the briefing."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import pandas as pd

from outcomes.analysis.decisions.bootstrap import BootstrapThreshold
from outcomes.analysis.decisions.curve import THIN_SOURCES
from outcomes.analysis.decisions.explain import Explanation, SourceTrial
from outcomes.analysis.decisions.exposure_left import ExposureLeft
from outcomes.analysis.decisions.matched_portions import MatchedPortions
from outcomes.analysis.decisions.overlap import BoundChoice, KindComparison
from outcomes.analysis.decisions.shelf import FEWEST_RECENT, ShelfSource
from outcomes.analysis.decisions.threshold import Retirement, find_threshold
from outcomes.analysis.decisions.trade_off import (
    PresentPractice,
    TradeOff,
    TradeOffPoint,
    alone,
    price_at_floors,
    trade_off,
    two_sided_rule,
)
from outcomes.analysis.results import ExposureName
from outcomes.answers.facts import Facts
from outcomes.answers.floor_grid import FloorPoint
from outcomes.wording import answers as words
from outcomes.wording.as_of import as_of_notes

_NAME = {"cycles": "cycles", "age_days": "age"}
_BY_VERDICT = {
    "cycles": ("cycles",),
    "age": ("age_days",),
    "both": ("cycles", "age_days"),
    "cannot be told apart": ("cycles", "age_days"),
}


_HOW_TO_READ = (
    "expected: finds in 100 the model expects of that dog in those conditions with this source as "
    "it was. estimate then: finds in 100 of this source as it was, over the unit's dogs and "
    "conditions, by its trials up to there and by sources like it; in brackets the {} "
    "interval of what its own trials leave open. That of the advice below also counts what is "
    "open about the model."
)


def asked_for(facts: Facts, exposures: Sequence[ExposureName]) -> Facts:
    """The same facts with thresholds by the exposures asked for, whatever the verdict.

    Parameters
    ----------
    facts
        All results.
    exposures
        ``"cycles"``, ``"age_days"`` or both, in the order wanted.
    """
    single = facts.verdict.asked_together or bool(facts.fit.design.copies)
    found = tuple(find_threshold(facts.fit, e, alone=single) for e in exposures)
    retirement = Retirement(found, tuple(t.curve for t in found))
    rule = two_sided_rule(retirement, facts.asked.either)
    price = facts.price
    if rule != two_sided_rule(facts.retirement, facts.asked.either):
        combined = [] if rule is None else [rule]
        price = trade_off(facts.fit, facts.verdict, facts.use, combined=combined, drawn=facts.drawn)
    # The shelf and the limit for every floor stay those of the verdict.
    return facts.with_answers(
        shelf=facts.shelf,
        left=facts.left,
        frontiers=facts.frontiers,
        retirement=retirement,
        price=price,
        asked=replace(facts.asked, by=tuple(exposures)),
    )


def asked_note(facts: Facts, exposures: Sequence[ExposureName]) -> str | None:
    """What to know about limits the verdict does not name; None where it names them all."""
    verdict = facts.verdict.verdict
    missing = facts.verdict.no_limit
    beside = [e for e in exposures if missing or e not in _BY_VERDICT.get(verdict, ())]
    if not beside:
        return None
    limits = words.joined([f"by {_NAME[e]}" for e in beside])
    named = words.joined([_NAME[e] for e in _BY_VERDICT.get(verdict, ())])
    shown = {
        "too few trials": "these records are too few to tell whether storage matters at all",
        "no change detected": "these records show no change with cycles or age",
    }.get(verdict, f"these records name {named}")
    if missing and verdict in _BY_VERDICT:
        shown = "too many storage logs begin late, so that thaws are missing"
    return (
        f"Asked for: limits {limits}. But {shown}: take this for what the curve says, not for a "
        "limit to go by."
    )


def bootstrap_sentence(found: BootstrapThreshold) -> str:
    """The interval over resampled sources or dogs, or why there is none."""
    start = f"Resampling whole {found.resampled}s"
    if found.reason is not None:
        return f"{start}: no interval, because {found.reason}."
    exposure = found.by
    low = "the start" if found.low is None else words.exposure_value(exposure, found.low)
    high = (
        f"beyond what at least {THIN_SOURCES} sources have shown"
        if found.high is None
        else words.exposure_value(exposure, found.high)
    )
    levels = words.count(found.levels, found.resampled)
    text = (
        f"{start} ({found.refits} times, {levels}), the threshold by "
        f"{_NAME[exposure]} lies between {low} and {high} ({words.percent(found.confidence)} "
        "interval)"
    )
    parts = []
    if found.never >= 0.005:
        parts.append(f"in {words.in_100(found.never)} of them finds never fall below the floor")
    if found.from_start >= 0.005:
        parts.append(f"in {words.in_100(found.from_start)} they start below it")
    if found.failed:
        parts.append(f"{found.failed} could not be fitted and are left out")
    return f"{text}; {'; '.join(parts)}." if parts else f"{text}."


def portions_sentence(found: MatchedPortions, alpha: float) -> str:
    """Portions of one source kept both ways, as matched pairs."""
    if found.reason is not None:
        return f"Portions of one source kept both ways cannot be compared: {found.reason}."
    assert found.risk_difference is not None
    assert found.risk_low is not None
    assert found.risk_high is not None
    points, low, high = (
        100.0 * v for v in (found.risk_difference, found.risk_low, found.risk_high)
    )
    confidence = words.percent(1.0 - alpha)
    trials = found.trials["refrigerated"] + found.trials["frozen"]
    rest = (
        f"{words.count(len(found.parents), 'source')} with portions kept both ways, each dog "
        f"against itself, {words.count(trials, 'trial')}"
    )
    ways = (
        f"Of these sources, {found.fewer} had the refrigerated portion found less often and "
        f"{found.more} more often"
    )
    doubt = ""
    if found.p_by_parent is not None and found.p_by_parent >= alpha:
        doubt = ", which chance alone could do: more such pairs would settle it"
    if low <= 0.0 <= high:
        return (
            "Between portions of the same source no difference was detected: anything from "
            f"{max(-low, 0.0):.0f} fewer to {max(high, 0.0):.0f} more finds in 100 for "
            f"refrigerated fits these records ({confidence} interval; {rest}). {ways}."
        )
    sign = "more" if points > 0 else "fewer"
    near, far = sorted((abs(low), abs(high)))
    return (
        f"Of portions of the same source, the refrigerated ones gave about {abs(points):.0f} "
        f"{sign} finds in 100 ({confidence} interval {near:.0f} to {far:.0f} {sign}; {rest}). "
        f"{ways}{doubt}. This is the fairest evidence in these records, for what the source was "
        "and which dog searched are the same on both sides."
    )


def portions_part(found: MatchedPortions, alpha: float) -> dict[str, Any]:
    """The same for programs: ``portions`` of ``compare``."""
    part: dict[str, Any] = tidy({**asdict(found), "sentence": portions_sentence(found, alpha)})
    return part


def both_sentence(price: TradeOff, cycles: float, months: float) -> str:
    """What a rule by both buys and costs beside each limit alone, or why it has no price."""
    name = f"{exactly(cycles, 'cycle')} or {exactly(months, 'month')}"
    if price.reason is not None:
        return f"The rule “{name}, whichever comes first” has no price: {price.reason}."
    if not price.combined or price.present is None:
        return (
            f"The rule “{name}, whichever comes first” has no price: too few trials of these "
            "records, or none of the sources taken in, are within it."
        )
    (point,), now = price.combined, price.present
    confidence = words.percent(price.confidence)
    return (
        f"Retire after {name}, whichever comes first: about {_a_year(point.sources_per_year)} "
        f"({confidence} interval {few(point.sources_low)} to {few(point.sources_high)}), "
        f"{words.in_100(point.find_probability)} finds in the trials still run "
        f"({_hundred(point.low)} to {_hundred(point.high)}), and "
        f"{words.in_100(point.share_below_floor)} of those trials on sources below "
        f"{words.floor_in_100(price.floor)}.{_each_alone(price, point)} "
        f"As now: {_a_year(now.sources_per_year)} discarded, "
        f"{words.in_100(now.find_probability)} finds in all trials as run, "
        f"{words.in_100(now.share_below_floor)} of them on such sources."
    )


def _each_alone(price: TradeOff, point: TradeOffPoint) -> str:
    parts = [
        f"{limit} alone: about {_a_year(one.sources_per_year)}, "
        f"{words.in_100(one.find_probability)} finds"
        for limit, one in zip(_limits(point), alone(price, point), strict=True)
        if one is not None
    ]
    return f" After {'; after '.join(parts)}." if parts else ""


def _limits(point: TradeOffPoint) -> tuple[str, str]:
    """Both limits of a rule by both, as they are priced."""
    months = (point.age_days or 0.0) / words.DAYS_PER_MONTH
    return exactly(point.cycles or 0.0, "cycle"), exactly(months, "month")


def exactly(number: float, noun: str) -> str:
    """A limit as it was asked for and priced, not rounded.

    >>> exactly(18.7, "month"), exactly(1.0, "cycle")
    ('18.7 months', '1 cycle')
    """
    return f"{number:,.10g} {noun}{'' if number == 1 else 's'}"


@dataclass(frozen=True, slots=True)
class EitherRow:
    """One rule in the small table on the page: all of it as text."""

    rule: str
    sources: str
    finds: str
    below: str


def either_rule(facts: Facts) -> tuple[float, float] | None:
    """Cycles and months of the rule by both that is priced; None where there is none."""
    rule = two_sided_rule(facts.retirement, facts.asked.either)
    return None if rule is None else (rule[0], rule[1] / words.DAYS_PER_MONTH)


def either_sentence(facts: Facts) -> str | None:
    """The price of the rule by both, for the page; None where there is no such rule."""
    return _either_told(facts.price, either_rule(facts), facts.asked.either is not None)


def _either_told(price: TradeOff, rule: tuple[float, float] | None, asked: bool) -> str | None:
    if rule is None or (not asked and not price.combined):
        return None
    said = both_sentence(price, *rule)
    if asked:
        return said
    return f"The two limits together, at the floor of {words.floor_in_100(price.floor)}. {said}"


@dataclass(frozen=True, slots=True)
class EitherAtFloor:
    """The rule by both at one floor: the sentence, the small table, and what stands over it."""

    sentence: str
    rows: tuple[EitherRow, ...]
    caption: str


def either_at_floors(facts: Facts, grid: Sequence[FloorPoint]) -> list[EitherAtFloor]:
    """The rule by both at every floor a reader of the page may choose.

    Parameters
    ----------
    facts
        The unit's facts.
    grid
        The answers at each floor.

    Returns
    -------
    list of EitherAtFloor
        One for each point of ``grid``; at the unit's own floor what
        :func:`either_sentence` and :func:`either_rows` say.
    """
    asked = facts.asked.either
    rules = [two_sided_rule(point.retirement, asked) for point in grid]
    other = [
        (point.floor, rule)
        for point, rule in zip(grid, rules, strict=True)
        if point.floor != facts.settings.floor
    ]
    prices: dict[float, TradeOff] = {facts.settings.floor: facts.price}
    if any(rule is not None for _, rule in other):
        made = price_at_floors(facts.fit, facts.price, facts.use, other, drawn=facts.drawn)
        prices |= {price.floor: price for price in made}
    told = []
    for point, rule in zip(grid, rules, strict=True):
        price = prices.get(point.floor)
        if rule is None or price is None:
            told.append(EitherAtFloor("", (), ""))
            continue
        months = (rule[0], rule[1] / words.DAYS_PER_MONTH)
        told.append(
            EitherAtFloor(
                _either_told(price, months, asked is not None) or "",
                tuple(_rows_of(price)),
                either_caption(price),
            )
        )
    return told


def either_caption(price: TradeOff) -> str:
    """What stands over the small table."""
    return (
        f"Whichever comes first, against each alone ({words.percent(price.confidence)} "
        f"interval); the floor is {words.floor_in_100(price.floor)}."
    )


def either_rows(facts: Facts) -> list[EitherRow]:
    """That rule, each of its limits alone, and present practice, row by row."""
    return _rows_of(facts.price)


def _rows_of(price: TradeOff) -> list[EitherRow]:
    if not price.combined or price.present is None:
        return []
    (point,) = price.combined
    by_cycles, by_age = alone(price, point)
    cycles, months = _limits(point)
    rows = (
        (f"{cycles} or {months}, whichever comes first", point),
        (f"{cycles} alone", by_cycles),
        (f"{months} alone", by_age),
        ("as now", price.present),
    )
    return [_either_row(name, one) for name, one in rows if one is not None]


def _either_row(name: str, one: TradeOffPoint | PresentPractice) -> EitherRow:
    return EitherRow(
        rule=name,
        sources=f"{few(one.sources_per_year)} ({few(one.sources_low)} to {few(one.sources_high)})",
        finds=f"{_hundred(one.find_probability)} ({_hundred(one.low)} to {_hundred(one.high)})",
        below=f"{_hundred(one.share_below_floor)} "
        f"({_hundred(one.share_low)} to {_hundred(one.share_high)})",
    )


def either_part(facts: Facts) -> dict[str, Any] | None:
    """The same for programs: ``either`` of ``retire``, and of ``outcomes retire --either``."""
    rule = either_rule(facts)
    if rule is None:
        return None
    cycles, months = rule
    price = facts.price
    point = price.combined[0] if price.combined else None
    single = (None, None) if point is None else alone(price, point)
    part: dict[str, Any] = tidy(
        {
            "cycles": cycles,
            "age_days": months * words.DAYS_PER_MONTH,
            "from": "the two limits" if facts.asked.either is None else "asked for",
            **({} if point is None else asdict(point)),
            "cycles_alone": None if single[0] is None else asdict(single[0]),
            "age_alone": None if single[1] is None else asdict(single[1]),
            "sentence": both_sentence(price, cycles, months),
        }
    )
    return part


def _a_year(number: float) -> str:
    shown = few(number)
    return f"{shown} {'source' if shown == '1' else 'sources'} a year"


def few(number: float) -> str:
    """A small number: one place after the point below 10.

    >>> few(3.24), few(4.0), few(12.7)
    ('3.2', '4', '13')
    """
    return f"{number:.1f}".removesuffix(".0") if number < 9.95 else f"{number:,.0f}"


def bounds_sentence(choices: Sequence[BoundChoice]) -> str:
    """Whether another definition of refrigerated and frozen changes the comparison."""
    made = [c for c in choices if c.comparison.risk_difference is not None]
    if not made:
        return "Under no definition of refrigerated and frozen can the two be compared."
    ends = f"{words.percent(made[0].bound)} to {words.percent(made[-1].bound)}"
    points = [100.0 * (c.comparison.risk_difference or 0.0) for c in made]
    refused = len(choices) - len(made)
    but = f"; under {words.count(refused, 'other')} the two cannot be compared" if refused else ""
    low, high = min(points), max(points)
    size = f"{_signed(low)} to {_signed(high)}" if round(low) != round(high) else _signed(low)
    if any(p > 0 for p in points) and any(p < 0 for p in points):
        return (
            f"How refrigerated and frozen are defined decides even the sign: {size} finds in 100 "
            f"for refrigerated, from a share of {ends} on{but}."
        )
    return (
        f"How refrigerated and frozen are defined does not change the sign: {size} "
        f"finds in 100 for refrigerated, whether a source counts from a share of {ends} on{but}."
    )


def kind_sentence(found: KindComparison, alpha: float) -> str:
    """Refrigerated against frozen within one kind, or why not."""
    c = found.comparison
    if c.risk_difference is None or c.low is None or c.high is None:
        # Of one kind alone it goes without saying that it is one of the kinds.
        reason = (c.reason or "").removeprefix("among kinds kept both ways ")
        reason = reason.replace("no kind of source was kept both ways", "it was kept only one way")
        return f"{found.kind}: cannot be compared: {reason}."
    low, middle, high = (_signed(100.0 * x) for x in (c.low, c.risk_difference, c.high))
    behind = words.count(c.sources["refrigerated"], "refrigerated source")
    return (
        f"{found.kind}: {middle} finds in 100 for refrigerated ({words.percent(1.0 - alpha)} "
        f"interval {low} to {high}; {behind} against {c.sources['frozen']} frozen)."
    )


def only_together(found: Sequence[KindComparison]) -> bool:
    """Whether no kind can be compared by itself."""
    return bool(found) and all(k.comparison.risk_difference is None for k in found)


def kinds_told(found: Sequence[KindComparison], alpha: float) -> str | None:
    """The kinds that can be compared in one sentence; None where fewer than two can."""
    made = [k for k in found if k.comparison.risk_difference is not None]
    if len(made) < 2:
        return None
    told = "; ".join(kind_sentence(k, alpha).removesuffix(".") for k in made)
    clear = any((k.comparison.low or 0.0) > 0.0 or (k.comparison.high or 0.0) < 0.0 for k in made)
    chance = f" Of {len(made)} kinds, one may seem different by chance." if clear else ""
    return f"Kind by kind: {told}.{chance}"


def _signed(points: float) -> str:
    return f"{points:+.0f}".replace("-", "−").replace("+0", "0").replace("−0", "0")


def left_words(left: ExposureLeft, confidence: float) -> str:
    """What a source has left, in a few words for the shelf."""
    if left.reason is not None or left.now is None:
        return f"what it has left cannot be told: {left.reason or 'its exposure is not known'}"
    if left.high == 0.0:
        return "nothing left: it is below the floor already"

    furthest = _at_least(left)
    if left.low is None:
        if furthest is None:
            return "what it has left cannot be told: it is at the end of what these records show"
        return f"at least {furthest} left, as far as these records go"
    low = "none" if left.low == 0.0 else _about(left.by, left.low)
    if left.high is not None:
        high = _about(left.by, left.high)
    else:
        high = "more than these records show" if furthest is None else f"more than {furthest}"
    interval = f"({words.percent(confidence)} interval {low} to {high})"
    if left.left is None:
        most = "more than these records show" if furthest is None else f"at least {furthest}"
        return f"{most} left by the best estimate {interval}"
    if left.left == 0.0:
        return f"none left by the best estimate {interval}"
    about = _about(left.by, left.left)
    return f"{about if about.startswith('less') else f'about {about}'} left {interval}"


def _about(exposure: ExposureName, value: float) -> str:
    """What is left, to what a thousand draws bear: whole cycles; days and months as ever."""
    if exposure != "cycles":
        return words.exposure_value(exposure, value)
    return "less than 1 cycle" if value < 1.0 else words.count(round(value), "cycle")


def _at_least(left: ExposureLeft) -> str | None:
    """How far these records go on from today, rounded down; None where not a whole step."""
    further = max(left.observed_to - (left.now or 0.0), 0.0)
    if left.by != "cycles":
        return words.exposure_value(left.by, further) if further >= 1.0 else None
    whole = math.floor(further + 1e-9)
    return words.count(whole, "cycle") if whole else None


def left_is_told(source: ShelfSource, left: ExposureLeft) -> bool:
    """Whether what is left says something to a director: not cycles of one that is never frozen."""
    idle = left.by == "cycles" and source.regime == "refrigerated"
    return source.advice != "retire" and left.reason is None and not idle


def left_told(facts: Facts) -> dict[str, str]:
    """Source → what it has left, for the table on the page, whose caption has the confidence."""
    confidence = facts.settings.confidence
    named = f"({words.percent(confidence)} interval "
    return {
        left.source_id: left_words(left, confidence).replace(named, "(")
        for source, left in zip(facts.shelf, facts.left, strict=False)
        if left_is_told(source, left)
    }


def left_part(left: ExposureLeft, confidence: float) -> dict[str, Any]:
    """The same for programs: ``left`` of a source on the shelf."""
    part: dict[str, Any] = tidy({**asdict(left), "sentence": left_words(left, confidence)})
    return part


def explanation_lines(
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
        start = f"{'date':<12}{'dog':<14}{'result':<8}{'cycles':>6}  "
        if told:
            yield f"{start}{'expected':<10}{'found so far':<14}{'estimate then':<16}"
        else:
            yield f"{start}{'found so far':<14}".rstrip()
        floor = facts.settings.floor
        yield from (_trial_line(trial, told, floor) for trial in explanation.trials)
        if not told:
            yield ""
            yield _nothing_expected(explanation, facts)
        elif explanation.source_sd is not None:
            yield ""
            yield _HOW_TO_READ.format(words.percent(facts.settings.confidence))
        if explanation.source_sd == 0.0:
            yield (
                "In these records sources do not differ beyond what is on record, so each is "
                "judged as its kind, cycles and age alone; its own trials move the estimate only "
                "through the whole."
            )
    yield ""
    yield from as_of_notes(facts)
    last = explanation.trials[-1] if explanation.trials else None
    yield from advice_lines(facts, explanation.source_id, held, last)
    yield ""
    yield words.CAUTIONS[0]
    yield words.ACT_CAUTION


def _nothing_expected(explanation: Explanation, facts: Facts) -> str:
    """Why no trial of a source has an expectation."""
    if facts.fit.mixed is not None:
        return "What to expect of it cannot be told: the model could use none of its trials."
    why = facts.fit.reason or "no model could be fitted"
    return f"What to expect of it cannot be told: {why}."


def _trial_line(trial: SourceTrial, told: bool, floor: float) -> str:
    cycles = "?" if trial.cycles is None else f"{trial.cycles:.0f}"
    start = (
        f"{trial.started_at:%Y-%m-%d}  {_short(trial.dog_id, 13):<14}{trial.result:<8}{cycles:>6}  "
    )
    so_far = f"{trial.finds} of {trial.trials}"
    if trial.expected is None or trial.running is None:
        space = f"{'':<10}" if told else ""
        return f"{start}{space}{so_far:<14}{trial.why_not or ''}".rstrip()
    estimate = _hundred(trial.running)
    if trial.low is not None and trial.high is not None and trial.high - trial.low >= 0.005:
        low, high = (words.limit_beside_floor(v, floor) for v in (trial.low, trial.high))
        estimate += f" ({low} to {high})"
    return f"{start}{_hundred(trial.expected):<10}{so_far:<14}{estimate}"


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _hundred(probability: float) -> str:
    return words.in_100(probability).removesuffix(" in 100").replace("more than ", ">").replace(
        "fewer than ", "<"
    )  # fmt: skip


def _own_trials_would_decide(last: SourceTrial, held: ShelfSource, floor: float) -> bool:
    """Whether the interval of its own trials lies on one side of a floor that the shelf's holds."""
    if held.ground != "unsure" or last.low is None or last.high is None:
        return False
    return last.low >= floor or last.high < floor


def advice_lines(
    facts: Facts, source_id: str, held: ShelfSource | None, last: SourceTrial | None = None
) -> Iterator[str]:
    """The advice on one source with what it rests on, or why there is none."""
    floor = facts.settings.floor
    if held is None:
        day = facts.shelf_day.isoformat()
        yield f"It is not held on {day}{_left(facts, source_id)}: no advice."
        return
    cycles = words.cycles_so_far(held) or "cycles unknown"
    if held.log_begins_late:
        cycles += " (its storage log begins late)"
    age = "age unknown" if held.age_days is None else f"{words.months(held.age_days)} old"
    yield f"On {facts.shelf_day.isoformat()}: {cycles}, {age}."
    if held.find_probability is not None and held.low is not None and held.high is not None:
        confidence = words.percent(facts.settings.confidence)
        low, high = (words.limit_beside_floor(v, floor) for v in (held.low, held.high))
        yield (
            f"Its find probability today: {words.in_100(held.find_probability)} ({confidence} "
            f"interval {low} to {high}); the floor is {words.floor_in_100(floor)}."
        )
    yield f"Advice: {held.advice}. {_sentence(words.advice_reason(held, floor))}"
    few = 0 < (held.trials_used or 0) < FEWEST_RECENT
    if few and held.ground == "unsure":
        yield (
            f"Whatever they show, fewer than {FEWEST_RECENT} trials of its own are too few to keep "
            "or retire a source on."
        )
    elif last is not None and _own_trials_would_decide(last, held, floor):
        side = "at or above" if last.low is not None and last.low >= floor else "below"
        yield (
            f"In the last line above, the whole interval lies {side} {words.floor_in_100(floor)}, "
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


def explanation_part(explanation: Explanation, held: ShelfSource | None) -> dict[str, Any]:
    """The same for programs: ``explain`` of ``outcomes retire --explain SOURCE --json``."""
    return {
        "source_id": explanation.source_id,
        "held": held is not None,
        "advice": None if held is None else held.advice,
        "source_sd": tidy(explanation.source_sd),
        "trials": [
            tidy({**asdict(trial), "started_at": trial.started_at.isoformat()})
            for trial in explanation.trials
        ],
    }


def bootstrap_part(found: BootstrapThreshold) -> dict[str, Any]:
    """One entry of ``bootstrap`` for programs."""
    part: dict[str, Any] = tidy({**asdict(found), "sentence": bootstrap_sentence(found)})
    return part


def tidy(value: Any) -> Any:
    """JSON-ready: no NaN, no infinities, 10 significant digits."""
    if isinstance(value, Mapping):
        return {str(k): tidy(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [tidy(v) for v in value]
    if isinstance(value, float):
        return float(f"{value:.10g}") if math.isfinite(value) else None
    return value
