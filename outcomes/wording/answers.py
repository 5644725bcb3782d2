"""Every sentence a person reads, made from results; no number is computed here but rounded.

Probabilities are told in counts ("85 in 100"), ages in months, and every
sentence must be true for an effect down, up, absent or unclear, and for one
of each thing. Numbers go to the nearest whole one, or to one decimal where
that would say zero; a fall still allowed goes up, an age limit down to months
gone by, and trials still wanted to two digits. P-values, odds and models are
left to the method.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Mapping, Sequence

from outcomes.analysis.decisions.compare import Comparison
from outcomes.analysis.decisions.compare_by_kind import FEWEST_SOURCES, FewSources
from outcomes.analysis.decisions.curve import THIN_SOURCES
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.threshold import Retirement, Threshold
from outcomes.analysis.decisions.trade_off import TradeOff
from outcomes.analysis.finds.cycles_or_age import SOME_MISSING, RatioTest, WhichPredicts
from outcomes.analysis.finds.design import EXPOSURES, Counted, on_late_logs
from outcomes.analysis.finds.model import FindFit, change_along
from outcomes.analysis.lifetimes.rule import describe_rule, rule_false_call
from outcomes.analysis.monitoring.charts import Watch
from outcomes.analysis.results import Bin, ExposureName, FindCurve, Ground, Lifetime, Verdict
from outcomes.records.checking.rules import LATE_LOG_DAYS
from outcomes.records.tables import Finding
from outcomes.settings import ReliabilityRule
from outcomes.text import DAYS_PER_MONTH as DAYS_PER_MONTH
from outcomes.text import DAYS_PER_YEAR, FEWEST_MONTHS, of_100
from outcomes.text import count as count
from outcomes.text import months as months
from outcomes.text import p_number as p_number
from outcomes.text import p_value as p_value

CAUTIONS = (
    "This is an association in one unit's records. It is not proof that storage caused it, "
    "and it is no evidence about a deployment, a dog's certification or a case.",
    "A source called unreliable here is unreliable for this purpose, on present evidence. "
    "Donated tissue is scarce: test again before throwing a source out; the decision is the "
    "director's.",
    "Keep every miss in the dog's record. Do not delete a miss because the source was poor, and "
    "do not lay a poor source's misses on the dog or the handler.",
    "A dog may learn the container, the glove or the handler. Change gloves at each handling and "
    "keep an identical clean container as a control.",
    "Human tissue is a biohazard: gloves, labelled double containment, a dedicated freezer, and "
    "the bloodborne-pathogen rules that apply to you (in the USA 29 CFR 1910.1030). This page is "
    "not a safety clearance for any source.",
    "Possession, transfer and disposal of human remains are regulated locally: follow local "
    "codes and licensed practice. Keep donors' names out of the records.",
    "Dogs must not mouth or swallow a source, and they need rest and water in heat.",
)

# What lies between always found and the usual floor: a fall of that size would matter to anyone.
_LARGE_FALL = 15.0


def in_100(probability: float) -> str:
    """A probability as a count of a hundred; never "0" or "100" where it is neither.

    >>> in_100(0.853), in_100(0.998), in_100(0.002), in_100(1.0)
    ('85 in 100', 'more than 99 in 100', 'fewer than 1 in 100', '100 in 100')
    """
    return f"{of_100(probability)} in 100"


def floor_in_100(floor: float) -> str:
    """A floor as a count of a hundred, as it was set: it is a choice, not an estimate.

    >>> floor_in_100(0.85), floor_in_100(0.999), floor_in_100(0.855)
    ('85 in 100', '99.9 in 100', '85.5 in 100')
    """
    return f"{100.0 * floor:.6g} in 100"


def exposure_value(exposure: ExposureName, value: float) -> str:
    """A value of an exposure in words: days below two months, a decimal below ten cycles.

    >>> exposure_value("cycles", 1.62), exposure_value("cycles", 20.4)
    ('1.6 cycles', '20 cycles')
    >>> exposure_value("age_days", 700.0), exposure_value("age_days", 18.3)
    ('23 months', '18 days')
    """
    if exposure == "cycles":
        shown = f"{value:.1f}".removesuffix(".0") if value < 9.95 else f"{value:,.0f}"
        return f"{shown} {'cycle' if shown == '1' else 'cycles'}"
    return months(value) if value >= 2.0 * DAYS_PER_MONTH else count(round(value), "day")


def percent(confidence: float) -> str:
    """A confidence in percent without needless decimals.

    >>> percent(0.9), percent(0.975)
    ('90 %', '97.5 %')
    """
    return f"{100.0 * confidence:.4g} %"


def joined(parts: Sequence[str], last: str = "and") -> str:
    """A list in words.

    >>> joined(["a"]), joined(["a", "b"]), joined(["a", "b", "c"], "or")
    ('a', 'a and b', 'a, b or c')
    """
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def _direction(curve: FindCurve) -> str:
    return "fall" if curve.probability[-1] < curve.probability[0] else "rise"


def _ends(curve: FindCurve) -> tuple[float, float, float, float]:
    """Exposure and probability at the start and at the end of what was well observed."""
    inside = [k for k in range(len(curve.at)) if not curve.thin[k]] or [0, len(curve.at) - 1]
    first, last = inside[0], inside[-1]
    return curve.at[first], curve.probability[first], curve.at[last], curve.probability[last]


def _from_to(curve: FindCurve) -> str:
    start, p_start, end, p_end = _ends(curve)
    word = "" if curve.exposure == "cycles" else " of age"
    return (
        f"from {in_100(p_start)} at {exposure_value(curve.exposure, start)} to "
        f"{in_100(p_end)} at {exposure_value(curve.exposure, end)}{word}"
    )


def headline(fit: FindFit, verdict: WhichPredicts, retirement: Retirement) -> str:
    """What was found, in one sentence: the title of the figure and of the page."""
    curves = retirement.curves
    word = verdict.verdict
    if word == "too few trials":
        if not fit.too_few:
            return "Finds and misses part so sharply in these records that no size can be given"
        return "These records cannot say yet whether storage changes what the dogs find"
    if word == "no change detected":
        text = "No change in finds with cycles or age was detected"
        if _hidden_by_tie(verdict):
            return (
                "These records cannot say whether finds change with storage: "
                "cycles and age cannot be told apart in them"
            )
        if differ := _differ(fit, verdict):
            return f"No common change in finds shows; {differ}"
        if max(verdict.largest_fall.values(), default=0.0) >= _LARGE_FALL:
            return f"{text}, but these records do not rule out a large one"
        return f"{text} in these records"
    if word == "cannot be told apart":
        falls = {_direction(c) for c in curves if len(c.at)}
        if len(falls) == 1:
            return (
                f"Finds {falls.pop()} as sources get older and are thawed more often; "
                "these records cannot tell which of the two it is"
            )
        return "Finds change with storage, but these records cannot tell cycles from age"
    if word == "both":
        ways = [_direction(c) for c in curves]
        if ways[0] == ways[1]:
            return f"Finds {ways[0]} both with every freeze/thaw cycle and with age"
        return f"Finds {ways[0]} with freeze/thaw cycles and {ways[1]} with age"
    curve = curves[0]
    cause = "freeze/thaw cycles" if word == "cycles" else "the age of the source"
    return f"Finds {_direction(curve)} with {cause}: {_from_to(curve)}"


_NAMED: Mapping[Verdict, tuple[ExposureName, ...]] = {"cycles": ("cycles",), "age": ("age_days",)}


def answer(fit: FindFit, verdict: WhichPredicts, retirement: Retirement) -> str:
    """The verdict with its size and its certainty, for the top of the page."""
    word = verdict.verdict
    if word == "too few trials":
        return too_few(fit, verdict, next(iter(retirement.curves), None))
    parts = []
    if word in ("cycles", "age", "both"):
        asked = _NAMED.get(word, EXPOSURES)
        sizes = [effect_size(fit, e) for e in asked]
        parts += [sizes[0], *(_continued(size) for size in sizes[1:])]
        others = [e for e in EXPOSURES if e not in asked]
        parts += [_other_exposure(fit, verdict, e) for e in others]
    elif word == "no change detected":
        parts.append(largest_fall(verdict))
        if differ := _differ(fit, verdict):
            parts.append(f"It is the common change that does not show: {differ}.")
        if _hidden_by_tie(verdict):
            parts.append(_tie(verdict.correlation).strip())
            parts.append(f"Each may hide what the other does.{_would_settle(verdict)}")
    else:
        parts.append(cannot_tell(verdict, retirement))
    return " ".join(p for p in parts if p)


def effect_size(fit: FindFit, exposure: ExposureName) -> str:
    """Size of an effect with its interval: per 10 cycles or year, per cycle or month if steep."""
    term = fit.term(exposure)
    if term is None:
        return ""
    sizes = (term.points, term.points_low, term.points_high)
    step, more = _step(exposure, sizes)
    change = change_along(fit, exposure, step)
    if change is None:
        return ""
    points, low, high = change
    other = "age" if exposure == "cycles" else "cycles"
    held = f" with {other} held the same" if fit.term(_other(exposure)) is not None else ""
    confidence = percent(1.0 - fit.settings.alpha)
    sign = "fewer" if points < 0 else "more"
    verb = "go" if more.endswith("cycles") else "goes"
    size = "no change" if abs(points) < 0.05 else f"about {_finds(abs(points), sign)}"
    start = f"Over these trials, {more}{held} {verb} with {size} in 100"
    if low < 0 < high:
        return (
            f"{start}, but anything from {_points(-low)} fewer to {_points(high)} more fits these "
            f"records ({confidence} interval)."
        )
    near, far = sorted((abs(low), abs(high)))
    return f"{start} ({confidence} interval {_points(near)} to {_points(far)} {sign})."


def _continued(size: str) -> str:
    """A further effect size, without saying again over what."""
    text = size.removeprefix("Over these trials, ")
    return text[:1].upper() + text[1:]


def _step(exposure: ExposureName, sizes: Sequence[float]) -> tuple[float, str]:
    """A step along an exposure small enough for its change to be a straight line."""
    large = 10.0 if exposure == "cycles" else DAYS_PER_YEAR / 30.0
    if max(abs(v) for v in sizes) * large <= 60.0:
        return large, "10 more cycles" if exposure == "cycles" else "a year more of age"
    if exposure == "cycles":
        return 1.0, "each further cycle"
    return DAYS_PER_MONTH / 30.0, "each further month of age"


def _points(points: float) -> str:
    """A number of finds, with a decimal where a whole number would say zero."""
    if points < 0.05:
        return "0"
    return f"{points:.1f}" if points < 0.95 else f"{points:.0f}"


def _finds(points: float, sign: str) -> str:
    return f"{_points(points)} {sign} {'find' if _points(points) == '1' else 'finds'}"


def _other(exposure: ExposureName) -> str:
    return "age_days" if exposure == "cycles" else "cycles"


def _other_exposure(fit: FindFit, verdict: WhichPredicts, exposure: ExposureName) -> str:
    """What the records say of the exposure the verdict does not name, and what still fits them."""
    name = "cycles" if exposure == "cycles" else "age"
    test = verdict.cycles_given_age if exposure == "cycles" else verdict.age_given_cycles
    if exposure not in verdict.asked or test is None:
        return f"Whether {name} matters could not be asked of these records."
    none = f"Beyond that, no change with {name} shows"
    term = fit.term(exposure)
    if term is None:
        return f"{none}, which is not proof of none."
    step, more = _step(exposure, (term.points, term.points_low, term.points_high))
    change = change_along(fit, exposure, step)
    if change is None:
        return f"{none}, which is not proof of none."
    _, low, high = change
    confidence = percent(1.0 - fit.settings.alpha)
    return (
        f"{none}: for {more}, anything from {_signed_finds(low)} to {_signed_finds(high)} in 100 "
        f"fits these records ({confidence} interval)."
    )


def _signed_finds(points: float) -> str:
    """A change of finds at an end of an interval: "3 fewer", "no change"."""
    if _points(abs(points)) == "0":
        return "no change"
    return f"{_points(abs(points))} {'fewer' if points < 0 else 'more'}"


def _differ(fit: FindFit, verdict: WhichPredicts) -> str:
    """Who differs in how they change, and with what; empty where that is not seen."""
    slopes = [s for s in fit.slopes if s.exposure in verdict.slopes_differ and s.seem_to_differ]
    slopes = [s for s in slopes if s.plainly_differ] or slopes
    if not slopes:
        return ""
    who = [f"{g}s" for g in ("source", "dog") if any(s.grouping == g for s in slopes)]
    what = [
        name
        for exposure, name in (("cycles", "cycles"), ("age_days", "age"))
        if any(s.exposure == exposure for s in slopes)
    ]
    return f"{joined(who)} differ in how they change with {joined(what)}"


def largest_fall(verdict: WhichPredicts) -> str:
    """What "no change detected" still allows; a fall is rounded up, for it is a limit."""
    pieces = []
    per = {"cycles": "per 10 cycles", "age_days": "per year of age"}
    for exposure, fall in verdict.largest_fall.items():
        pieces.append(f"{max(math.ceil(fall - 1e-9), 1)} in 100 {per[exposure]}")
    if not pieces:
        return (
            "Neither the number of cycles nor the age of the sources varies enough between these "
            "trials to be asked about."
        )
    return (
        "No change in finds with cycles or age shows, but that is not proof of none: "
        f"a fall of up to {joined(pieces, 'or')} would still fit these records."
    )


def cannot_tell(verdict: WhichPredicts, retirement: Retirement) -> str:
    """Cycles and age tied together: what is known, and what would settle it."""
    if verdict.age_withheld:
        share = f"{100.0 * verdict.thaws_missing:.0f} %"
        return (
            "Finds change with storage, but these records cannot tell whether by thawing or by "
            f"age: in {share} of the trials the storage log begins more "
            f"than {LATE_LOG_DAYS} days after the source was taken in, and thaws that are not on "
            "record look like age. Earlier moves, or trials with sources logged from the start, "
            "would tell."
        )
    return (
        "Finds change with storage, but these records cannot tell whether by thawing or by age."
        f"{_tie(verdict.correlation)}{_would_settle(verdict)}"
    )


def _hidden_by_tie(verdict: WhichPredicts) -> bool:
    """Whether a large fall may be there, unseen because cycles and age rise together."""
    large = max(verdict.largest_fall.values(), default=0.0) >= _LARGE_FALL
    return verdict.verdict == "no change detected" and large and verdict.tied


def _would_settle(verdict: WhichPredicts) -> str:
    """Which trials would tell cycles from age."""
    settle = (
        " Trials with old sources that were thawed seldom, and with young ones thawed often, "
        "would tell them apart"
    )
    # Where all sources lie on one line, none of them parts the two.
    tied = verdict.correlation is not None and abs(verdict.correlation) > _ONE_LINE
    names = (
        f": try first {joined(list(verdict.would_separate))}."
        if verdict.would_separate and not tied
        else "."
    )
    if tied:
        settle += "; so far there are none"
    return f"{settle}{names}"


_ONE_LINE = 0.995


def _tie(correlation: float | None) -> str:
    """How cycles and age go together; the correlation is never rounded up to 1."""
    if correlation is None:
        return ""
    if correlation > 1.0 - 1e-9:
        return " Cycles and age rise exactly together here."
    shown = math.trunc(1000.0 * correlation) / 1000.0
    if abs(correlation) <= _ONE_LINE:
        shown = round(correlation, 2)
    meaning = f"correlation {shown:g}, where 0 is no connection and 1 is always together"
    if correlation >= 0.5:
        return f" Cycles and age rise together here ({meaning})."
    if correlation <= -0.5:
        return f" Here the older sources were thawed less often (correlation {shown:g})."
    return " Finds go with the two together; with neither by itself once the other is allowed for."


def too_few(fit: FindFit, verdict: WhichPredicts, curve: FindCurve | None = None) -> str:
    """What is short, and what would be enough; what was observed where no size can be given."""
    if not fit.too_few:
        return " ".join(
            part
            for part in (
                _observed(curve),
                f"Why no size: {fit.reason or 'the model could not be fitted'}.",
                "More trials where finds and misses overlap would settle it.",
            )
            if part
        )
    if fit.n == 0:
        reasons = [x.reason for x in fit.left_out if x.term == "trials"]
        if not reasons:
            return "There is no hide trial in these records, so nothing can be said about finds."
        return f"No hide trial can be used: {'; '.join(reasons)}."
    text = f"Too little to judge storage by: {_short(fit)} in {count(fit.n, 'usable hide trial')}."
    absent = [word for word in ("miss", "find") if _none_of(fit, word)]
    if absent:
        return text + f" Without a single {absent[0]} it cannot be said how many more would do."
    if verdict.more_trials is not None:
        scarce = joined([word for word in ("misses", "finds") if word in fit.too_few])
        text += (
            f" At the present rate, about {count(verdict.more_trials, 'more hide trial')} would "
            f"bring enough {scarce}."
        )
    if "sources" in fit.too_few or "dogs" in fit.too_few:
        needed = joined([word for word in ("sources", "dogs") if word in fit.too_few])
        text += f" More trials alone would not do: it needs more {needed}."
    return text


def _observed(curve: FindCurve | None) -> str:
    """Finds as counted among the trials with the least and with the most of an exposure."""
    if curve is None or len(curve.bins) < 2:
        return ""
    first, last = curve.bins[0], curve.bins[-1]
    return (
        f"As counted: {_counted(first)} with the fewest cycles, {_counted(last)} with the most."
        if curve.exposure == "cycles"
        else f"As counted: {_counted(first)} with the youngest sources, {_counted(last)} with the "
        "oldest."
    )


def _counted(observed: Bin) -> str:
    return f"{observed.finds:,} of {observed.n:,} found"


def _short(fit: FindFit) -> str:
    """What there is too little of, with what is needed."""
    one = {"misses": "miss", "finds": "find", "sources": "source", "dogs": "dog"}
    return joined(
        [
            f"{count(have, one[word], word)} (at least {need} needed)"
            for word, (have, need) in fit.too_few.items()
        ]
    )


def _none_of(fit: FindFit, word: str) -> bool:
    return (fit.misses if word == "miss" else fit.finds) == 0


def threshold_sentence(threshold: Threshold) -> str:
    """A retirement threshold, or why there is none."""
    floor = floor_in_100(threshold.floor)
    name = "cycles" if threshold.by == "cycles" else "age"
    limit = exposure_value(threshold.by, threshold.observed_to)
    if threshold.outcome == "crosses":
        assert threshold.estimate is not None
        confidence = percent(threshold.confidence)
        return (
            f"{retire_after_words(threshold)}: up to there even the lower end of the {confidence} "
            f"interval is at or above {floor}. The best estimate falls below {floor} at about "
            f"{exposure_value(threshold.by, threshold.estimate)} ({confidence} interval "
            f"{_interval(threshold)})."
        )
    if threshold.outcome == "never sure":
        assert threshold.estimate is not None
        return (
            f"No limit by {name} can be set: finds fall below {floor} at about "
            f"{exposure_value(threshold.by, threshold.estimate)}, but at no "
            f"{'number of cycles' if threshold.by == 'cycles' else 'age'} is it sure "
            f"({percent(threshold.confidence)} confidence) that they are still at or above it."
        )
    if threshold.outcome == "stays above" and threshold.low is not None:
        return (
            f"A limit by {name} is neither called for nor ruled out: the best estimate stays above "
            f"{floor} within what was observed (up to {limit}), but beyond "
            f"{exposure_value(threshold.by, threshold.low)} that is not sure "
            f"({percent(threshold.confidence)} confidence). More trials of sources beyond it would "
            "settle it."
        )
    if threshold.outcome == "stays above":
        return (
            f"No limit by {name} is called for: finds do not fall below {floor} within what was "
            f"observed (up to {limit})."
        )
    start = exposure_value(threshold.by, threshold.curve.at[0]) if len(threshold.curve.at) else ""
    if threshold.outcome == "below from the start":
        other = "age" if threshold.by == "cycles" else "cycles"
        return (
            f"No limit by {name} alone would keep finds at {floor}: they are below it already at "
            f"{start}, with {other}, dogs and conditions as they were in these records."
        )
    if threshold.outcome == "rises":
        curve = threshold.curve
        text = f"No limit by {name} is called for: finds do not fall with {name}"
        if len(curve.at) and curve.probability[0] < threshold.floor:
            return (
                f"{text}; at {start} they are {in_100(curve.probability[0])}, below the floor of "
                f"{floor}."
            )
        return text + "."
    return f"No limit by {name} can be set: no curve could be fitted."


def retire_after_words(threshold: Threshold) -> str:
    """The limit as an instruction, never later than was shown."""
    after = threshold.retire_after or 0
    if threshold.by == "cycles":
        return f"Retire after {_at_least('cycles', after)}"
    return f"Retire at an age of {_at_least('age_days', after)}"


def _at_least(exposure: ExposureName, value: int) -> str:
    """A limit in words, never more than was shown: months are whole months gone by."""
    if exposure == "cycles":
        return count(value, "cycle")
    gone_by = int(value / DAYS_PER_MONTH)
    return count(gone_by, "month") if gone_by >= FEWEST_MONTHS else count(value, "day")


def _interval(threshold: Threshold) -> str:
    """Both limits of a threshold, the unit said once where they share it."""
    limit = exposure_value(threshold.by, threshold.observed_to)
    low = "the start" if threshold.low is None else exposure_value(threshold.by, threshold.low)
    if threshold.high is None:
        return f"{low} to {beyond(limit)}"
    high = exposure_value(threshold.by, threshold.high)
    if low.split(" ")[-1].rstrip("s") == high.split(" ")[-1].rstrip("s"):
        low = low.split(" ")[0]
    return f"{low} to {high}"


def beyond(limit: str) -> str:
    """Past the last exposure that at least three sources reached, in words."""
    return f"beyond {limit}, past which fewer than {THIN_SOURCES} sources carry the line"


def retire_sentence(verdict: WhichPredicts, retirement: Retirement) -> str:
    """The retirement answer: by the verdict's exposures, or why there is none."""
    if not retirement.thresholds:
        if verdict.verdict == "too few trials":
            return "No retirement limit can be set from these records yet."
        if verdict.no_limit and verdict.verdict != "no change detected":
            return (
                "No retirement limit: too many storage logs begin late, so that it is not known "
                "how many cycles those sources have been through."
            )
        return (
            "No retirement limit: these records show no change with cycles or age to base one on."
        )
    sentences = [threshold_sentence(t) for t in retirement.thresholds]
    if verdict.verdict == "cannot be told apart":
        sentences.append(_one_change(retirement))
    return " ".join(sentences)


def _one_change(retirement: Retirement) -> str:
    """What limits by both are where cycles cannot be told from age."""
    careful = (
        "; to be careful, keep to whichever limit comes first"
        if len(_limits_set(retirement)) > 1
        else ""
    )
    return (
        "Cycles and age are two readings of one change here, for these records cannot tell which "
        f"of the two it is{careful}."
    )


def _limits_set(retirement: Retirement) -> list[Threshold]:
    """Thresholds with a limit, in the order told."""
    return [t for t in retirement.thresholds if t.retire_after is not None]


def _limits_named(retirement: Retirement) -> str:
    """All limits in words: "12 cycles", "12 cycles or 14 months of age"."""
    return joined(
        [
            _at_least(t.by, t.retire_after or 0) + (" of age" if t.by == "age_days" else "")
            for t in _limits_set(retirement)
        ],
        "or",
    )


def price_sentence(price: TradeOff, retirement: Retirement) -> str | None:
    """What the limit given buys and costs; None where there is no limit or no price."""
    leading = next((t for t in retirement.thresholds if t.retire_after is not None), None)
    if price.present is None or leading is None or leading.retire_after is None:
        return None
    by_cycles = leading.by == "cycles"
    points = price.by_cycles if by_cycles else price.by_age
    limit = float(leading.retire_after)
    within = [p for p in points if ((p.cycles if by_cycles else p.age_days) or 0.0) <= limit + 0.5]
    if not within:
        return None
    point, now = within[-1], price.present
    many = "fewer than 1" if point.sources_per_year < 0.5 else f"about {point.sources_per_year:.0f}"
    one = "source" if many in ("about 1", "fewer than 1") else "sources"
    which = "that limit"
    if len(_limits_set(retirement)) > 1:
        of_age = "" if by_cycles else " of age"
        which = f"the limit of {_at_least(leading.by, leading.retire_after)}{of_age}"
    yearly = f"{now.sources_per_year:.1f}".removesuffix(".0")
    discarded = (
        "no source was discarded"
        if not now.discards
        else "1 source a year was discarded"
        if yearly == "1"
        else f"{yearly} sources a year were discarded"
    )
    return (
        f"What {which} buys and costs, at this unit's own rate of use: about "
        f"{in_100(point.find_probability)} finds in the trials still run, against "
        f"{in_100(now.find_probability)} in all trials as run; {many} {one} a year to replace "
        f"({point.sources_low:.0f} to {point.sources_high:.0f}), while over these records "
        f"{discarded}."
    )


def cycles_so_far(source: ShelfSource) -> str | None:
    """Cycles of a source in words, at least so many where its log begins late; None if unknown."""
    if source.cycles is None:
        return None
    least = "at least " if source.log_begins_late else ""
    return f"{least}{count(round(source.cycles), 'cycle')}"


def counted_too_low(fit: FindFit, verdict: WhichPredicts) -> str:
    """For the slide: that many sources may have more cycles than are on record; else nothing."""
    if verdict.thaws_missing < SOME_MISSING:
        return ""
    late = fit.design.trials["source_id"][on_late_logs(fit.design.trials)].nunique()
    none = ": no retirement limit" if verdict.no_limit else ""
    return (
        f"Cycles may be counted too low for {late:,} of {count(fit.sources, 'source')}, whose "
        f"storage logs begin late{none}."
    )


def past_limit_sentence(shelf: Sequence[ShelfSource], retirement: Retirement) -> str | None:
    """Held sources beyond the limit that their own evidence does not condemn; None without any.

    And those to test that may be beyond it, their cycles being counted from late on.
    """
    told = [_beyond_limit_sentence(shelf, retirement), _perhaps_past(shelf, retirement)]
    return " ".join(sentence for sentence in told if sentence) or None


def _perhaps_past(shelf: Sequence[ShelfSource], retirement: Retirement) -> str | None:
    if not any(t.by == "cycles" for t in _limits_set(retirement)):
        return None
    past = _past(shelf, retirement)
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
    beyond = _past(shelf, retirement)
    if not beyond:
        return None
    kept = [s for s in beyond if s.advice == "keep"]
    open_still = [s for s in beyond if s.advice == "test"]
    several = len(_limits_set(retirement)) > 1
    limit = _limits_named(retirement) if several else "that limit"
    floor = retirement.thresholds[0].floor
    on_edge = [s for s in open_still if s.ground == "unsure" and not _settled_by_a_test(s, floor)]
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


def _past(shelf: Sequence[ShelfSource], retirement: Retirement) -> list[ShelfSource]:
    """Held sources beyond any limit there is; none where there is no limit."""
    limits_ = [(t.by, float(t.retire_after or 0)) for t in _limits_set(retirement)]
    return [
        s
        for s in shelf
        if any(
            ((s.cycles if by == "cycles" else s.age_days) or 0.0) > limit for by, limit in limits_
        )
    ]


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


_WHY_OPEN: Mapping[Ground, str] = {
    "beyond records": "beyond",
    "no trials": "untried",
    "not documented": "no record",
}
_MOST_NAMED = 8
_MANY_TRIALS = 100


def advice_reason(source: ShelfSource, floor: float) -> str:
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


def _settled_soon(source: ShelfSource) -> bool:
    more = source.trials_to_settle
    return more is not None and two_digits(more) <= _MANY_TRIALS


def _settled_by_a_test(source: ShelfSource, floor: float) -> bool:
    """Whether a test is worth its trials, for a source whose interval holds the floor."""
    return _settled_soon(source) or bool(source.could_be_far(floor))


def _unsure_reason(source: ShelfSource, floor: float) -> str:
    """What more trials would do for a source whose interval holds the floor."""
    at, more = floor_in_100(floor), source.trials_to_settle
    if more is not None and _settled_soon(source):
        return f"not settled: about {count(two_digits(more), 'more trial')}, then ask again"
    # A best estimate near the floor by luck asks for many trials only while it stays there.
    sides = source.could_be_far(floor)
    if sides:
        return f"not known yet: could be well {joined(list(sides), 'or')} {at}; try 10 more"
    if more is None:
        return f"on the edge of {at}: more trials will hardly settle it; the choice is yours"
    return (
        f"close to {at}: about {two_digits(more):,} more trials to settle it, more than it is worth"
    )


def two_digits(number: int) -> int:
    """A whole number to two digits, for what is only roughly known.

    >>> two_digits(341), two_digits(18), two_digits(995)
    (340, 18, 1000)
    """
    return number if number < 100 else int(float(f"{number:.2g}"))


def compare_sentence(comparison: Comparison, alpha: float) -> str:
    """Refrigerated against frozen, with what it rests on."""
    if comparison.reason is not None:
        return f"Refrigerated and frozen cannot be compared: {comparison.reason}."
    assert comparison.risk_difference is not None
    assert comparison.low is not None
    assert comparison.high is not None
    assert comparison.at_age_days is not None
    difference, low, high = (
        100.0 * v for v in (comparison.risk_difference, comparison.low, comparison.high)
    )
    sources = comparison.sources
    rest = (
        f"{count(sources['refrigerated'], 'refrigerated source')} against "
        f"{sources['frozen']} frozen{_on_both_sides(comparison)}, same kinds, dogs and conditions, "
        f"at {months(comparison.at_age_days)} of age{_without_kind(comparison)}"
    )
    confidence = percent(1.0 - alpha)
    if low <= 0.0 <= high:
        return (
            "No difference between refrigerated and frozen was detected: anything from "
            f"{_points(-low)} fewer to {_points(high)} more finds in 100 for refrigerated fits "
            f"these records ({confidence} interval; {rest}). Storage was chosen, not assigned."
        )
    sign = "more" if difference > 0 else "fewer"
    near, far = sorted((abs(low), abs(high)))
    interval = f"{confidence} interval {_points(near)} to {_points(far)} {sign}"
    return (
        f"Refrigerated sources gave about {_finds(abs(difference), sign)} in 100 trials than "
        f"frozen ones ({interval}; {rest}). This counts all that goes with each way of keeping, "
        "the thaws of the frozen sources among it: it does not say which is better for a source "
        "that is never thawed. Storage was chosen, not assigned, so something else about these "
        "sources may explain it: do not move sources on this alone. Tissue that is not frozen "
        "feeds bacteria; handle and keep it as your local rules for biological material say."
    )


def _on_both_sides(comparison: Comparison) -> str:
    if not comparison.both_ways:
        return ""
    return (
        f", {count(comparison.both_ways, 'source')} counted on both sides, having been kept "
        "one way and then the other"
    )


def _without_kind(comparison: Comparison) -> str:
    if not comparison.without_kind:
        return ""
    return f"; {count(comparison.without_kind, 'trial')} left out for want of the source's kind"


def few_sources_sentence(comparison: Comparison, kinds: Sequence[FewSources]) -> str | None:
    """Which kinds are compared on single sources or two; None where none is, or nothing is."""
    if comparison.reason is not None:
        return None
    few = [one for one in kinds if one.kind in comparison.kinds]
    if not few:
        return None
    told = joined([f"{one.kind} ({one.sources} {one.way})" for one in few])
    number = len({one.kind for one in few})
    return (
        f"{'One kind rests' if number == 1 else f'{number} kinds rest'} on fewer than "
        f"{FEWEST_SOURCES} sources of a side, so one odd source could make the difference "
        f"there: {told}."
    )


def records_footer(whose: str, hides: int, fit: Counted | FindFit) -> str:
    """What the figure of all records shows, and how many of them the others rest on."""
    if fit.n == hides:
        used = "All of them are used for what predicts finds."
    else:
        used = (
            f"Of these {count(hides, 'hide trial')}, {fit.n:,} "
            f"({count(fit.misses, 'miss', 'misses')}) of {count(fit.sources, 'source')} can be "
            "used for what predicts finds."
        )
    return f"{whose}. {used} Association in one unit's records, not proof of cause."


def shelf_caption(day: dt.date, confidence: float) -> str:
    """What the numbers in the table of sources held are counts of."""
    return (
        f"Held on {day.isoformat()}. Expected: finds in the next 100 trials, with the source as it "
        f"is today ({percent(confidence)} interval). Found so far: of all usable trials since it "
        "was new, up to that day."
    )


def shelf_summary(shelf: Sequence[ShelfSource], retirement: Retirement | None = None) -> str:
    """How many sources to retire, test and keep; up to four to retire by name.

    With a retirement limit also how many of those to test are past it: the limit stands a
    line above, and would else be taken for the answer about each of them.
    """
    if not shelf:
        return "No source is held."
    if len(shelf) == 1:
        return f"The one source held: {shelf[0].advice}."
    past = 0 if retirement is None else sum(s.advice == "test" for s in _past(shelf, retirement))
    several = retirement is not None and len(_limits_set(retirement)) > 1
    limit = _limits_named(retirement) if retirement is not None and several else "the limit"
    named = [s.source_id for s in shelf if s.advice == "retire"]
    beside = {
        "retire": f" ({joined(named)})" if len(named) <= 4 else "",
        "test": f" ({past:,} of them past {limit})" if past else "",
        "keep": "",
    }
    number = {a: sum(s.advice == a for s in shelf) for a in ("retire", "test", "keep")}
    parts = [f"{number[a]} to {a}{beside[a]}" for a in number if number[a]]
    return f"Of {count(len(shelf), 'source')} held: {joined(parts)}."


def none_can_be_judged(shelf: Sequence[ShelfSource]) -> str | None:
    """All sources held in one line, where none can be judged and all for one reason."""
    reasons = {s.ground for s in shelf}
    if len(shelf) < 2 or len(reasons) > 1 or any(s.find_probability is not None for s in shelf):
        return None
    names = joined([s.source_id for s in shelf])
    return f"To test, all for the same reason: {advice_reason(shelf[0], 0.0)}. {names}."


def set_aside_sentence(set_aside: Sequence[Finding]) -> str | None:
    """How many rows of each table are not in an answer; None where all are."""
    rows = {(f.table, f.file, f.row) for f in set_aside}
    number = Counter(table for table, _, _ in rows)
    parts = [count(number[t], word) for t, word in _ROW_OF.items() if number[t]]
    if not parts:
        return None
    return (
        f"Not in this answer: {joined(parts)} set aside, so a source may be missing here. "
        "outcomes check says why."
    )


_ROW_OF = {
    "sources": "source",
    "storage": "storage row",
    "trials": "trial",
    "dogs": "dog",
    "readings": "reading",
}


SHELF_NOTE = (
    "Retire: shown below the floor by the source's own trials together with those of sources like "
    "it. Keep: shown at or above the floor. Test: the evidence does not decide yet, so try it "
    "again. The decision is the director's."
)


def not_on_shelf(set_aside: Sequence[Finding]) -> str | None:
    """How many rows of the source list could not be used; None where all could."""
    rows = {(f.file, f.row) for f in set_aside if f.table == "sources" and f.rule != "total row"}
    if not rows:
        return None
    return (
        f"{count(len(rows), 'row')} of the source list could not be used, so a source may be "
        "missing here (outcomes check says why)."
    )


ACT_CAUTION = (
    "Before acting: test again before throwing out scarce donated tissue; handle and dispose of "
    "human tissue by your local codes and licensed practice; gloves, labelled double "
    "containment; this is not a safety clearance."
)


def figure_caption(retirement: Retirement, lifetime: Lifetime, confidence: float) -> str:
    """How to read the figure."""
    text = ""
    if any(c.bins for c in retirement.curves):
        text = (
            f"Circles: finds as counted, with {percent(confidence)} intervals; above each, its "
            "trials and sources. "
        )
    if any(len(c.at) for c in retirement.curves):
        held = retirement.curves[0].held
        text += (
            "Line: finds to be expected if only this had changed in the unit's own trials "
            f"({held}); the circles also differ in dogs, sources and conditions, so they need not "
            f"lie on it. Band: {percent(confidence)} interval. Broken line: fewer than 3 sources. "
        )
    if lifetime.curve:
        text += (
            "Still reliable: sources that have not yet met the rule for unreliable, stated below."
        )
    return text.strip()


def rule_note(lifetime: Lifetime, rule: ReliabilityRule, retirement: Retirement) -> str | None:
    """How often the falling curve is the rule's own doing; None without a curve or a baseline.

    At the unit's own proportion of finds, and at that of the least used sources where finds fall.
    """
    often = lifetime.rule_false_call.get(RULE_TRIALS)
    if not lifetime.curve or often is None or lifetime.baseline is None:
        return None
    text = (
        "Meeting the rule is a reason to test, not to throw out: of 100 sources found "
        f"{_times_in_100(lifetime.baseline)} throughout, {_of_100(often)} meet it within "
        f"{RULE_TRIALS} trials, too"
    )
    curve = retirement.curves[0] if retirement.thresholds and retirement.curves else None
    start = float(curve.probability[0]) if curve is not None and len(curve.at) else 0.0
    if curve is None or of_100(start) == of_100(lifetime.baseline) or start < lifetime.baseline:
        return f"{text}."
    fresh = rule_false_call(rule.misses, rule.window, start, RULE_TRIALS)
    return (
        f"{text}, and {_of_100(fresh)} of 100 found {_times_in_100(start)} throughout, as at the "
        "left end of the line."
    )


def circle_note(retirement: Retirement) -> str | None:
    """What a lone circle may owe to its sources; None where there are no circles."""
    if not any(c.bins for c in retirement.curves):
        return None
    return (
        "All circles are of one size: one on few sources may lie off because of those sources "
        f"alone.{_low_circle(retirement)}"
    )


def _low_circle(retirement: Retirement) -> str:
    """What to make of a circle below the floor where the limit says finds still reach it."""
    threshold, low = _circle_below(retirement) or (None, None)
    if threshold is None or low is None:
        return ""
    at = exposure_value(threshold.by, low.mean)
    top = _at_least(threshold.by, threshold.retire_after or 0)
    return (
        f" The one at {at} lies below {floor_in_100(threshold.floor)} though at that "
        f"floor the limit is {top}: it is what was counted, on these sources and in "
        "these conditions; the limit is read off the line, which sets them alike"
        + (
            ". Here even its interval lies below: look at those sources first."
            if low.proportion_high < threshold.floor
            else ", and its interval reaches the floor."
        )
    )


def _circle_below(retirement: Retirement) -> tuple[Threshold, Bin] | None:
    """The last circle below the floor at or before its limit; None where there is none."""
    bins = {curve.exposure: curve.bins for curve in retirement.curves}
    for threshold in retirement.thresholds:
        limit = threshold.retire_after or 0.0
        low = [
            b
            for b in bins.get(threshold.by, ())
            if b.mean <= limit and b.proportion < threshold.floor
        ]
        if low:
            return threshold, low[-1]
    return None


def low_circle_in_short(retirement: Retirement) -> str:
    """The same in one line for a slide; empty where no circle lies there."""
    threshold, low = _circle_below(retirement) or (None, None)
    if threshold is None or low is None:
        return ""
    return (
        f"The circle at {exposure_value(threshold.by, low.mean)} lies below the floor though the "
        f"limit is {_at_least(threshold.by, threshold.retire_after or 0)}: it is what was counted "
        "on those sources; the limit is read off the line."
    )


def nothing_drawn(retirement: Retirement, lifetime: Lifetime) -> str | None:
    """Why the page has no figure; None where there is something to draw."""
    if lifetime.curve or any(c.bins or len(c.at) for c in retirement.curves):
        return None
    return (
        "There is no figure: too few usable hide trials to draw finds against cycles or age, and "
        "too few sources met the rule below to draw how long they stay reliable."
    )


INTERVAL_NOTE = (
    "An interval is the range of sizes that fits the records: the wider, the less is known. One "
    "that holds both fewer and more finds shows neither a fall nor a rise."
)


def lead(fit: FindFit, verdict: WhichPredicts, retirement: Retirement, shelf: str) -> list[str]:
    """What to tell the unit, in three lines: the limit, the shelf, and how sure it is.

    Parameters
    ----------
    fit, verdict, retirement
        The fit of finds, the verdict, and the thresholds by it.
    shelf
        The summary of the shelf.
    """
    return [limit_in_short(verdict, retirement), shelf, evidence(fit)]


def limit_in_short(verdict: WhichPredicts, retirement: Retirement) -> str:
    """The retirement answer without its reasons: every limit there is, or why there is none."""
    thresholds = retirement.thresholds
    crossing = [t for t in thresholds if t.outcome == "crosses"]
    if crossing:
        limits_ = retire_after_words(crossing[0])
        if len(crossing) > 1:
            limits_ = f"{limits_}{_or_after(crossing[1])}, whichever comes first"
        return (
            f"{limits_}. Up to there, these records still show at least "
            f"{in_100(crossing[0].floor)} found."
        )
    if not thresholds:
        return retire_sentence(verdict, retirement)
    bad = [t for t in thresholds if t.outcome not in ("stays above", "rises")]
    bad = bad or [t for t in thresholds if t.outcome == "stays above" and t.low is not None]
    leading = (bad or list(thresholds))[0]
    floor = floor_in_100(leading.floor)
    if leading.outcome == "stays above" and leading.low is not None:
        return (
            f"A retirement limit is neither called for nor ruled out: finds stay above {floor} on "
            "best estimate, but beyond "
            f"{exposure_value(leading.by, leading.low)} these records are not sure of it."
        )
    return {
        "never sure": f"No retirement limit can be set yet: at no point is it sure that {floor} "
        "are found.",
        "below from the start": f"No retirement limit would keep finds at {floor}: they start "
        "below it.",
        "stays above": f"No retirement limit is called for: finds stay at or above {floor} as far "
        "as these records go.",
        "rises": "No retirement limit is called for: finds do not fall.",
        "no model": "No retirement limit can be set: no curve could be fitted.",
    }[leading.outcome]


def _or_after(threshold: Threshold) -> str:
    return f" or {retire_after_words(threshold).removeprefix('Retire ')}"


def evidence(fit: FindFit) -> str:
    """What it rests on, and what it is not."""
    return (
        f"It rests on {count(fit.n, 'usable hide trial')} ({count(fit.misses, 'miss', 'misses')}) "
        f"of {count(fit.sources, 'source')} by {count(fit.dogs, 'dog')}: what went together in one "
        "unit's records, not proof of cause."
    )


RULE_TRIALS = 20


def rule_sentences(
    rule: ReliabilityRule, lifetime: Lifetime, as_searched: float | None = None
) -> str:
    """The rule for "unreliable", and how often it errs; ``as_searched``: by simulation too."""
    met = describe_rule(rule).replace(" of a source", "")
    text = f"A source counts as unreliable here from {met}."
    trials = RULE_TRIALS
    if lifetime.baseline is None or trials not in lifetime.rule_false_call:
        lacking = "such trials" if lifetime.baseline is None else "a miss in such trials"
        return f"{text} Without {lacking}, how often the rule errs is not known."
    return (
        f"{text} The rule also errs: of 100 sources that never change and are found "
        f"{_times_in_100(lifetime.baseline)}, it would call "
        f"{_of_100(lifetime.rule_false_call[trials])} unreliable within {trials} trials"
        + (
            "."
            if as_searched is None
            or of_100(as_searched) == of_100(lifetime.rule_false_call[trials])
            else f" that are alike and independent, and {_of_100(as_searched)} when searched as "
            "here, by simulation."
        )
    )


def _times_in_100(probability: float) -> str:
    return in_100(probability).replace(" in ", " times in ")


def _of_100(probability: float) -> str:
    """A share as a count of a hundred things, without the hundred."""
    return f"about {in_100(probability).removesuffix(' in 100')}"


def limits(fit: FindFit, verdict: WhichPredicts) -> list[str]:
    """What these records cannot say."""
    lines = [
        "Whether storage caused a change: sources were chosen for use and for storage, not "
        "assigned. Only a trial planned for it, with sources assigned by lot, can say.",
    ]
    if verdict.verdict == "no change detected" and verdict.largest_fall:
        lines.append(
            "That nothing changes: a fall as large as the one stated above may be there unseen."
        )
    if verdict.verdict == "cannot be told apart":
        lines.append("Which of the two it is, cycles or age.")
    lines += [f"{note[0].upper()}{note[1:]}." for note in verdict.notes if note != fit.reason]
    for slope in fit.slopes:
        if not slope.seem_to_differ:
            continue
        name = "cycles" if slope.exposure == "cycles" else "age"
        lines.append(
            f"How fast any one {slope.grouping} changes: {slope.grouping}s seem to differ in how "
            f"they change with {name}. The size given is the average, and its interval allows "
            "for that."
        )
    if fit.mixed is not None and "source" in fit.mixed.singular:
        lines.append(
            "Whether sources differ in ways that are not on record: no such difference showed."
        )
    return lines


def method(fit: FindFit, verdict: WhichPredicts) -> str:
    """How the answer was worked out; every technical word with its meaning beside it."""
    if fit.mixed is None:
        return f"No model was fitted: {fit.reason}. Any circles are plain counts."
    groups = joined([*fit.design.groups])
    text = (
        f"A logistic mixed model of find or miss in {count(fit.n, 'unassisted hide trial')}: the "
        "odds of a find (finds for each miss) along cycles, age and the conditions on record, with "
        f"a level of its own for every {groups} (random intercepts), so that many trials of one "
        "are not taken for as many independent ones. Four models, with neither, cycles, age or "
        "both, are compared by likelihood-ratio tests: does the fuller one fit better than chance "
        f"would make it? {_test_results(verdict)}"
    )
    return (
        text + "The line of the figure is the average over the unit's own trials with the exposure "
        "set to each value in turn (standardisation); a limit is where that line, or its interval, "
        "crosses the floor."
    )


def _test_results(verdict: WhichPredicts) -> str:
    tests = {
        "for the two together": verdict.joint,
        "for cycles beyond age": verdict.cycles_given_age,
        "for age beyond cycles": verdict.age_given_cycles,
    }
    # With one exposure alone, both tests are the same one.
    done: dict[str, RatioTest] = {}
    for name, test in tests.items():
        if test is not None and test not in done.values():
            done[name] = test
    if not done:
        return ""
    if len(verdict.asked) == 1:
        done = {"": next(iter(done.values()))}
    told = joined([f"{_p_told(test)} {name}".strip() for name, test in done.items()])
    refits = max(test.refits for test in done.values())
    calibrated = (
        f"; the small ones are calibrated on up to {count(refits, 'data set')} simulated without "
        "the effect, which bear no more exact a number"
        if refits
        else ""
    )
    return (
        f"The answer: {told} (p: how often records without the effect would look as strong as "
        f"these{calibrated}). "
    )


_NOT_SMALL = 0.1


def _p_told(test: RatioTest) -> str:
    """A p-value no more exactly than the simulated data sets behind it bear."""
    if test.p_most is None:
        return p_value(test.p)
    if test.p_most > _NOT_SMALL:
        return f"p about {p_number(test.p)}"
    number = p_number(test.p_most)
    return f"p {number}" if number.startswith("<") else f"p at most {number}"


TERMS_NOTE = (
    "Odds ratio: by how much the odds of a find are multiplied per step; under 1, fewer finds. "
    "Finds in 100: the same as finds gained or lost. p: how often records without the effect would "
    "look as strong as these."
)


def rows_sentence(rows_in: Mapping[str, int], used: Mapping[str, int], set_aside: int) -> str:
    """Rows handed over, used and set aside."""
    parts = [f"{used[t]:,} of {n:,} in {t}" for t, n in rows_in.items() if t in used and n]
    return f"Rows used: {joined(parts)}; {count(set_aside, 'row')} set aside" + (
        ", each with its reason in set_aside.csv." if set_aside else "."
    )


def left_out_lines(fit: FindFit) -> list[str]:
    """Trials and terms the model does without, with the reason; trials alone without a model."""
    lines = [x.reason for x in fit.left_out if x.term == "trials"]
    if fit.mixed is None:
        return lines
    terms = [x for x in fit.left_out if x.term != "trials"]
    return lines + [f"{TERM_WORDS.get(x.term, x.term)}: {x.reason}" for x in terms]


TERM_WORDS = {
    "cycles": "freeze/thaw cycles",
    "age_days": "age",
    "frozen_share": "share of storage spent frozen",
    "use_ratio": "how readily the source is taken",
    "undocumented_days": "time in store before the log begins",
    "set_min": "set time",
    "temperature_c": "temperature",
    "humidity_pct": "humidity",
    "wind_m_s": "wind",
    "experience": "the dog's trials so far",
}


def expected_finds(source: ShelfSource, floor: float) -> str | None:
    """A source's predicted finds in 100 with their interval; None without a prediction.

    Whole numbers, but for a limit just below the floor (:func:`limit_beside_floor`).
    """
    probability, low, high = source.find_probability, source.low, source.high
    if probability is None or low is None or high is None:
        return None
    limits_ = f"{limit_beside_floor(low, floor)} to {limit_beside_floor(high, floor)}"
    return f"{finds_in_100(probability)} ({limits_})"


def limit_beside_floor(value: float, floor: float) -> str:
    """A limit of predicted finds in 100, with a decimal where it would else read as the floor.

    The advice rests on which side of the floor the limit lies.

    >>> limit_beside_floor(0.8454, 0.85), limit_beside_floor(0.8454, 0.80)
    ('84.5', '85')
    """
    shown = finds_in_100(value)
    if shown != finds_in_100(floor) or value >= floor:
        return shown
    return f"{math.floor(1000.0 * value) / 10.0:.1f}"


def early_warning(watched: Watch, held: Sequence[str]) -> str:
    """What the charts say, and which of the sources past their limit are no longer held.

    Parameters
    ----------
    watched
        The charts.
    held
        Names of the sources on the shelf.
    """
    gone = [c.name for c in watched.past if c.of == "source" and c.name not in held]
    if not gone:
        return watched.sentence
    verb = "is" if len(gone) == 1 else "are"
    return f"{watched.sentence} No longer held, so not among those above, {verb} {joined(gone)}."


def finds_in_100(probability: float) -> str:
    """A predicted share for a table: a bare number, never 0 or 100 where it is neither.

    >>> finds_in_100(0.853), finds_in_100(0.999), finds_in_100(0.001)
    ('85', '>99', '<1')
    """
    if 0.995 <= probability < 1.0:
        return ">99"
    if 0.0 < probability <= 0.005:
        return "<1"
    return f"{100.0 * probability:.0f}"
