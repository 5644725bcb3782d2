"""Whether cycles or age predict finds: the verdict, its size and its certainty.

Probabilities are told in counts ("85 in 100"), ages in months, and every sentence must be
true for an effect down, up, absent or unclear, and for one of each thing. P-values, odds and
models are left to the method.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.finds.cycles_or_age import LARGE_FALL, WhichPredicts
from outcomes.analysis.finds.model import FindFit, change_along
from outcomes.analysis.finds.shapes import Shape
from outcomes.analysis.results import Bin, FindCurve
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, ExposureName, named_by, other_than
from outcomes.records.checking.rules import LATE_LOG_DAYS
from outcomes.text import count, of_100
from outcomes.wording.exposure import exposure_value
from outcomes.wording.numbers import (
    finds_more_or_fewer,
    in_100,
    joined,
    number_of_finds,
    percent,
)
from outcomes.wording.shape import at_the_knot, describe_shape


def _direction(curve: FindCurve) -> str:
    return "fall" if curve.probability[-1] < curve.probability[0] else "rise"


def _counted_direction(curves: Sequence[FindCurve]) -> str:
    """Which way finds go by the first and the last circle; "change" where curves differ."""
    ends = [(c.bins[0].proportion, c.bins[-1].proportion) for c in curves if c.bins]
    ways = {"fall" if last < first else "rise" for first, last in ends}
    return ways.pop() if len(ways) == 1 else "change"


def _ends(curve: FindCurve) -> tuple[float, float, float, float]:
    """Exposure and probability at the start and at the end of what was well observed."""
    inside = [k for k in range(len(curve.at)) if not curve.thin[k]] or [0, len(curve.at) - 1]
    first, last = inside[0], inside[-1]
    return curve.at[first], curve.probability[first], curve.at[last], curve.probability[last]


def _from_to(curve: FindCurve) -> str:
    start, p_start, end, p_end = _ends(curve)
    word = CYCLES_AND_AGE[curve.exposure].of_value
    return (
        f"from {in_100(p_start)} at {exposure_value(curve.exposure, start)} to "
        f"{in_100(p_end)} at {exposure_value(curve.exposure, end)}{word}"
    )


def describe_verdict_in_short(fit: FindFit, verdict: WhichPredicts, retirement: Retirement) -> str:
    """What was found, in one sentence: the title of the figure and of the page."""
    curves = retirement.curves
    word = verdict.verdict
    if word == "too few trials":
        if not fit.too_few:
            return "Finds and misses part so sharply in these records that no size can be given"
        return "These records cannot say yet whether storage changes what the dogs find"
    if word == "no change detected":
        return _no_change_in_short(fit, verdict)
    if word == "cannot be told apart":
        falls = {_direction(c) for c in curves if len(c.at)}
        if len(falls) == 1:
            return (
                f"Finds {falls.pop()} as sources get older and are thawed more often; "
                "these records cannot tell which of the two it is"
            )
        return "Finds change with storage, but these records cannot tell cycles from age"
    if any(e in verdict.contradicted for e in named_by(word)):
        names = " and ".join(CYCLES_AND_AGE[e].full_noun for e in named_by(word))
        way = _counted_direction(curves)
        return f"Finds {way} with {names}, in no shape that can be told: see the circles"
    if word == "both":
        ways = [_direction(c) for c in curves]
        if ways[0] == ways[1]:
            return f"Finds {ways[0]} both with every freeze/thaw cycle and with age"
        return f"Finds {ways[0]} with freeze/thaw cycles and {ways[1]} with age"
    curve = curves[0]
    cause = "freeze/thaw cycles" if word == "cycles" else "the age of the source"
    if word == "cycles" and verdict.kinds_falling:
        cause += f" in {joined(list(verdict.kinds_falling))}"
    shape = verdict.best_shapes.get(curve.exposure)
    if shape is not None:
        return _bent_in_short(curve, shape)
    return f"Finds {_direction(curve)} with {cause}: {_from_to(curve)}"


def _by_kind(verdict: WhichPredicts) -> str:
    """Which kinds fall with cycles and which do not; empty where kinds do not differ."""
    falling = list(verdict.kinds_falling)
    others = [k.kind for k in verdict.by_kind if not k.falls]
    if not falling:
        return ""
    return (
        f"That is {joined(falling)}; in {joined(others)} no fall shows, which is not proof of "
        f"none. The limit and the curve are of {joined(falling)} alone."
    )


def _something_changes(fit: FindFit, verdict: WhichPredicts) -> bool:
    """Whether finds change beyond chance though nothing is called: no course common to all."""
    return verdict.joint is not None and verdict.joint.p < fit.settings.alpha


def _no_change_in_short(fit: FindFit, verdict: WhichPredicts) -> str:
    """The headline where no change is called."""
    text = "No change in finds with cycles or age was detected"
    if _hidden_by_tie(verdict):
        return (
            "These records cannot say whether finds change with storage: "
            "cycles and age cannot be told apart in them"
        )
    if differ := _differ(fit, verdict):
        return f"No common change in finds shows; {differ}"
    if _something_changes(fit, verdict):
        return "No change in finds with cycles or age is sure enough to tell"
    if max(verdict.largest_fall.values(), default=0.0) >= LARGE_FALL:
        return f"{text}, but these records do not rule out a large one"
    return f"{text} in these records"


def _bent_in_short(curve: FindCurve, shape: Shape) -> str:
    """The change along one exposure that is no straight line, and where it turns."""
    falls, cause = _direction(curve), CYCLES_AND_AGE[curve.exposure].full_noun
    if shape.kind == "log":
        return f"Finds {falls} with {cause}, most with the first: {_from_to(curve)}"
    at = at_the_knot(curve.exposure, shape)
    if shape.kind == "step":
        _, before, _, after = _ends(curve)
        word = "drop" if falls == "fall" else "rise"
        return f"Finds {word} at about {at}: from {in_100(before)} to {in_100(after)}"
    if shape.kind == "levels off":
        return f"Finds {falls} up to about {at}, and not visibly beyond: {_from_to(curve)}"
    return f"Finds {falls} from about {at} on: {_from_to(curve)}"


def describe_verdict(fit: FindFit, verdict: WhichPredicts, retirement: Retirement) -> str:
    """The verdict with its size and its certainty, for the top of the page."""
    word = verdict.verdict
    if word == "too few trials":
        return describe_too_few(fit, verdict, next(iter(retirement.curves), None))
    parts = []
    if word in ("cycles", "age", "both"):
        asked = named_by(word)
        sizes = [_size(fit, verdict, retirement, e) for e in asked]
        parts += [sizes[0], *(_continued(size) for size in sizes[1:])]
        parts.append(_by_kind(verdict))
        others = [e for e in CYCLES_AND_AGE if e not in asked]
        parts += [_other_exposure(fit, verdict, e) for e in others]
    elif word == "no change detected":
        parts.append(describe_largest_fall(verdict, unsure=_something_changes(fit, verdict)))
        if differ := _differ(fit, verdict):
            parts.append(f"It is the common change that does not show: {differ}.")
        if _hidden_by_tie(verdict):
            parts.append(_tie(verdict.correlation).strip())
            parts.append(f"Each may hide what the other does.{_would_settle(verdict)}")
    else:
        parts.append(describe_cannot_be_told_apart(verdict, retirement))
        falling = [k.kind for k in verdict.by_kind if k.falls]
        unlike = [k.kind for k in verdict.by_kind if not k.falls]
        if falling and unlike:
            parts.append(f"The fall shows in {joined(falling)}, not in {joined(unlike)}.")
    return " ".join(p for p in parts if p)


def _size(
    fit: FindFit, verdict: WhichPredicts, retirement: Retirement, exposure: ExposureName
) -> str:
    """Size of a change: by its step along a line, by both ends of the curve where it bends."""
    if exposure in verdict.contradicted:
        return describe_shape(verdict, exposure)
    if exposure not in verdict.best_shapes:
        return describe_effect_size(fit, exposure)
    curve = next((c for c in retirement.curves if c.exposure == exposure), None)
    return "" if curve is None or not len(curve.at) else _both_ends(curve)


def _both_ends(curve: FindCurve) -> str:
    """Finds at the start and at the end of what was well observed, with their intervals."""
    inside = [k for k in range(len(curve.at)) if not curve.thin[k]] or [0, len(curve.at) - 1]
    start, end = (
        f"{in_100(curve.probability[k])} ({of_100(curve.low[k])} to {of_100(curve.high[k])}) at "
        f"{exposure_value(curve.exposure, curve.at[k])}"
        for k in (inside[0], inside[-1])
    )
    of = CYCLES_AND_AGE[curve.exposure].of_value
    return (
        f"Over these trials, finds are {start} and {end}{of} ({percent(curve.confidence)} "
        "intervals)."
    )


def describe_effect_size(fit: FindFit, exposure: ExposureName) -> str:
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
    other = other_than(exposure)
    held = f" with {other.noun} held the same" if fit.term(other.name) is not None else ""
    confidence = percent(1.0 - fit.settings.alpha)
    sign = "fewer" if points < 0 else "more"
    verb = "go" if more.endswith("cycles") else "goes"
    size = "no change" if abs(points) < 0.05 else f"about {finds_more_or_fewer(abs(points), sign)}"
    start = f"Over these trials, {more}{held} {verb} with {size} in 100"
    if low < 0 < high:
        return (
            f"{start}, but anything from {number_of_finds(-low)} fewer to "
            f"{number_of_finds(high)} more "
            f"fits these records ({confidence} interval)."
        )
    near, far = sorted((abs(low), abs(high)))
    return (
        f"{start} ({confidence} interval {number_of_finds(near)} to {number_of_finds(far)} {sign})."
    )


def _continued(size: str) -> str:
    """A further effect size, without saying again over what."""
    text = size.removeprefix("Over these trials, ")
    return text[:1].upper() + text[1:]


def _step(exposure: ExposureName, sizes: Sequence[float]) -> tuple[float, str]:
    """A step along an exposure small enough for its change to be a straight line."""
    asked = CYCLES_AND_AGE[exposure]
    if max(abs(v) for v in sizes) * asked.many_units <= 60.0:
        return asked.many_units, asked.many_more
    return asked.step_size / asked.divisor, asked.one_more


def _other_exposure(fit: FindFit, verdict: WhichPredicts, exposure: ExposureName) -> str:
    """What the records say of the exposure the verdict does not name, and what still fits them."""
    name = CYCLES_AND_AGE[exposure].noun
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
    if number_of_finds(abs(points)) == "0":
        return "no change"
    return f"{number_of_finds(abs(points))} {'fewer' if points < 0 else 'more'}"


def _differ(fit: FindFit, verdict: WhichPredicts) -> str:
    """Who differs in how they change, and with what; empty where that is not seen."""
    slopes = [s for s in fit.slopes if s.exposure in verdict.slopes_differ and s.seem_to_differ]
    slopes = [s for s in slopes if s.plainly_differ] or slopes
    if not slopes:
        return ""
    who = [f"{g}s" for g in ("source", "dog") if any(s.grouping == g for s in slopes)]
    what = [
        exposure.noun
        for exposure in CYCLES_AND_AGE.values()
        if any(s.exposure == exposure.name for s in slopes)
    ]
    text = f"{joined(who)} differ in how they change with {joined(what)}"
    if verdict.falling_sources and any(s.grouping == "source" for s in slopes):
        text += f" ({joined(list(verdict.falling_sources))} fall most)"
    return text


def describe_largest_fall(verdict: WhichPredicts, *, unsure: bool = False) -> str:
    """What "no change detected" still allows; a fall is rounded up, for it is a limit.

    Where it is ``unsure``, something changes beyond chance, and what cannot be told.
    """
    pieces = []
    for exposure, fall in verdict.largest_fall.items():
        pieces.append(
            f"{max(math.ceil(fall - 1e-9), 1)} in 100 {CYCLES_AND_AGE[exposure].per_many}"
        )
    if not pieces:
        return (
            "Neither the number of cycles nor the age of the sources varies enough between these "
            "trials to be asked about."
        )
    start = (
        "Something changes beyond chance, but no change with cycles or age is sure enough to tell"
        if unsure
        else "No change in finds with cycles or age shows. That is not proof of none"
    )
    still = f"a fall of up to {joined(pieces, 'or')} would still fit these records"
    return f"{start}: {still}, if every kind of source changes alike."


def describe_cannot_be_told_apart(verdict: WhichPredicts, retirement: Retirement) -> str:
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
    large = max(verdict.largest_fall.values(), default=0.0) >= LARGE_FALL
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


def describe_too_few(fit: FindFit, verdict: WhichPredicts, curve: FindCurve | None = None) -> str:
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
