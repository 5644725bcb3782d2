"""Several units together: what a unit gives away, and what the units say."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from scipy.special import expit, logit

from outcomes.pool.answer import UNITS_FOR_SPREAD, PoolAnswer, SlopeTogether
from outcomes.pool.disclosure import NEW_MISSES, NEW_TRIALS
from outcomes.pool.share import Share
from outcomes.pool.unit_surface import SharedName
from outcomes.text import count, of_100, p_value
from outcomes.wording.numbers import joined

FROM = 0.9
"""Finds in 100 that a slope is told from."""
_FEW_TRIALS = 100
_MORE: Mapping[SharedName, str] = {"cycles": "10 more cycles", "age": "a year more of age"}
_TURN: Mapping[SharedName, str] = {"cycles": "turn", "age": "turns"}
_ALONG: Mapping[SharedName, str] = {"cycles": "freeze/thaw cycles", "age": "age"}
POOL_CAUTIONS = (
    "Each unit's records show an association, and so do all of them together: units that share a "
    "habit share its error.",
    "A mean over units is not a limit for any of them: dogs, sources and climates differ.",
    "Ask every unit, not only those whose own records leave it open: a pool of those alone reads "
    "a change too small.",
)


# ---- what a unit hands over ------------------------------------------------------------


def describe_share(share: Share) -> str:
    """What a unit's share can add to others'."""
    if share.shape == "bend":
        return (
            "Finds in these records do not change along a straight line. A bend is not added to "
            "the lines of others: this unit is listed beside them."
        )
    if share.exposures.cycles is None:
        return (
            "No source was thawed between these trials, so this share tells of age alone. It is "
            "not counted for cycles."
        )
    if share.tied:
        return (
            "Cycles and age rise together in these records, so alone they cannot be told apart. "
            "Together with other units this share still sharpens both."
        )
    return "This share adds what these records say of cycles and of age, along straight lines."


def describe_leaving(share: Share, later: int) -> Iterator[str]:
    """What leaves the unit, line by line.

    Parameters
    ----------
    share
        What would be written.
    later
        Trials after the quarter's end.
    """
    yield "What leaves:"
    left_out = f" {count(later, 'later trial is', 'later trials are')} not in it." if later else ""
    code, quarter = share.unit_code, share.through
    yield f"  a code drawn by chance ({code}) and the quarter, {quarter}.{left_out}"
    counts = share.counts
    yield (
        f"  counts, rounded down: {counts.trials} trials, {counts.misses} misses, "
        f"{counts.sources} sources, {counts.dogs} dogs"
    )
    met = share.exposures
    cycles = "" if met.cycles is None else f" {met.cycles.p95} cycles and"
    yield f"  how far most trials reach, rounded:{cycles} {met.age.p95_days} days of age"
    terms = joined(share.definition.terms) or "none"
    yield f"  how cycles and age are counted, and which columns were held the same: {terms}"
    if share.surface is None:
        yield "  that the line was rejected; no other result"
    else:
        known = sum(v is not None for row in share.surface.log_likelihood for v in row)
        yield f"  how well each pair of slopes fits all trials together: {known} numbers"
    yield "What does not leave: rows, names, labels, kinds, places, dates of trials."


def describe_what_it_lets_others_work_out(share: Share) -> Iterator[str]:
    """What an outsider and an insider can work out from it."""
    yield "What that lets others work out:"
    if share.surface is None:
        yield "  anyone: about how many trials and misses there were, and that finds bend."
        return
    little = (
        "much of what so few trials hold could be worked out by someone who tries"
        if share.counts.trials < _FEW_TRIALS
        else "of a single trial, dog or source little or nothing from this file alone"
    )
    yield (
        "  anyone: about how often your dogs find, how finds change with cycles and age, and how "
        f"sure that is; {little}."
    )
    yield (
        "  someone who knows every trial and every result but one: most likely that result. Do "
        "not share where that would matter."
    )
    yield (
        "  someone who holds two of your shares: what came between them, taken together. So a "
        f"share ends with a quarter, and the next needs {NEW_TRIALS} new trials and "
        f"{NEW_MISSES} new misses."
    )


def describe_too_few_to_share(too_few: Mapping[str, tuple[int, int]], quarter: str) -> str:
    """Why there is no share: counts below the least."""
    short = joined([f"{have} {word} (at least {need})" for word, (have, need) in too_few.items()])
    return (
        f"nothing is shared: up to the end of {quarter} these records have {short}. So few would "
        "give single trials away."
    )


def describe_too_little_new(too_few: Mapping[str, tuple[int, int]], last: Share) -> str:
    """Why there is no further share yet."""
    short = joined(
        [
            f"{have} new {word} for certain (at least {need})"
            for word, (have, need) in too_few.items()
        ]
    )
    return (
        f"nothing is shared: since the share through {last.through} there are {short}. Two shares "
        "that differ by few trials give those trials away."
    )


def describe_no_share(reason: str) -> str:
    """Why there is no share: nothing could be worked out."""
    return f"nothing is shared: {reason}."


# ---- what the units say ----------------------------------------------------------------


def describe_pool(answer: PoolAnswer) -> str:
    """The answer in one sentence."""
    if not answer.slopes:
        return (
            f"None of {count(len(answer.beside), 'share')} can be added: finds bend in each of "
            "them, and a bend is not added."
        )
    who = count(len(answer.added), "unit")
    # Added up as if alike: where they are not, the sum is true of none of them.
    apart = [e for e, s in answer.slopes.items() if s.method == "sum" and _unlike(s)]
    if apart:
        along = joined([_ALONG[e] for e in apart])
        return f"{who} do not agree on {along}: read each by itself."
    falls = [_ALONG[e] for e, s in answer.slopes.items() if s.changes == "falls"]
    rises = [_ALONG[e] for e, s in answer.slopes.items() if s.changes == "rises"]
    if not falls and not rises:
        return f"{who} together show no change of finds with {_either(answer)}."
    parts = [f"fall with {joined(falls)}"] if falls else []
    parts += [f"rise with {joined(rises)}"] if rises else []
    few = any(s.method == "sum" for s in answer.slopes.values() if s.changes != "not told")
    alike = ", if these units are alike" if few else ""
    return f"{who} together: finds {joined(parts)}{alike}."


def _unlike(slope: SlopeTogether) -> bool:
    return slope.disagree or any(unit.apart for unit in slope.units)


def _either(answer: PoolAnswer) -> str:
    return joined([_ALONG[e] for e in answer.slopes], "or")


def describe_slope(slope: SlopeTogether) -> str:
    """What the units say of one exposure, fewer than five and more worded apart."""
    units, about = count(len(slope.units), "unit"), _ALONG[slope.exposure].capitalize()
    if slope.low is None or slope.high is None:
        return f"{about}: {units}, and no limits can be given."
    told = (
        f"{_MORE[slope.exposure]} {_TURN[slope.exposure]} 90 finds in 100 into about "
        f"{finds_after(slope.estimate)} (95 % interval {finds_after(slope.low)} to "
        f"{finds_after(slope.high)})"
    )
    if slope.method != "sum":
        return f"{about}: on average over {units}, {told}."
    if len(slope.units) == 1:
        return f"{about}: one unit alone tells of it. There {told}."
    return f"{about}: {units}, too few to tell how far units differ. If they are alike, {told}."


def describe_between(slope: SlopeTogether) -> str | None:
    """How far units differ, and where another one would lie."""
    parts = []
    if slope.between_units is not None:
        sd, bound = slope.between_units.sd, slope.between_units.high
        most = "with no upper limit" if bound is None else f"at most {bound:.2f}"
        if sd < 0.005:
            parts.append(f"Units do not seem to differ (spread {most}, in log-odds).")
        else:
            parts.append(f"Units differ by a spread of {sd:.2f} ({most}, in log-odds).")
    if slope.prediction is not None:
        low, high = finds_after(slope.prediction.low), finds_after(slope.prediction.high)
        parts.append(f"In another unit it would be {low} to {high}, 95 times in 100.")
    return " ".join(parts) or None


def describe_disagreement(slope: SlopeTogether) -> str | None:
    """Whether the units agree; None where they do, and where there is one."""
    if slope.unlike_p is None or not slope.disagree:
        return None
    apart = [u.unit_code for u in slope.units if u.apart]
    named = f" Farthest from the rest: {joined(apart)}." if apart else ""
    few = (
        " What they say together is then true of none of them: read each by itself."
        if slope.method == "sum"
        else ""
    )
    about = f"{_ALONG[slope.exposure]} ({p_value(slope.unlike_p)})"
    return f"The units do not agree on {about}.{named}{few}"


def describe_beside(answer: PoolAnswer) -> str | None:
    """Units that are not added, and why."""
    if not answer.beside:
        return None
    codes = joined([share.unit_code for share in answer.beside])
    return f"Not added, because finds bend in their records: {codes}."


def describe_few_units(answer: PoolAnswer) -> str | None:
    """What fewer than five units leave open; None where there are more."""
    if not answer.slopes or len(answer.added) >= UNITS_FOR_SPREAD:
        return None
    return (
        f"With fewer than {UNITS_FOR_SPREAD} units the numbers hold only if the units are alike; "
        "where units differ, such an interval holds far less often than 95 times in 100."
    )


def pool_lines(answer: PoolAnswer) -> Iterator[str]:
    """All of it, for people."""
    yield describe_pool(answer)
    for slope in answer.slopes.values():
        lines = (describe_slope(slope), describe_between(slope), describe_disagreement(slope))
        yield from filter(None, lines)
    yield from filter(None, (describe_few_units(answer), describe_beside(answer)))
    yield POOL_CAUTIONS[0]


def finds_after(log_odds: float) -> str:
    """Finds in 100 that are left of 90 after a change in log-odds.

    Examples
    --------
    >>> finds_after(0.0), finds_after(-0.6), finds_after(4.0)
    ('90', '83', 'more than 99')
    """
    return of_100(float(expit(logit(FROM) + log_odds)))


def describe_same_unit(code: str, kept: str, left: str) -> str:
    """Two shares of one unit."""
    return f"{left} and {kept} are of one unit ({code}): the later one, {kept}, is used."


def describe_same_numbers(kept: str, left: str) -> str:
    """Two shares with the same surface under two codes."""
    return f"{left} says exactly what {kept} says, under another code: it is taken for a copy."


def describe_unlike(setting: str, one: str, other: str, values: Sequence[object]) -> str:
    """Two shares that count differently, and the mend."""
    what = {
        "cycles_from": "count cycles from different records",
        "thaw_after_h": "call different stays a thaw",
        "unlogged_thaws": "treat thaws that are not logged differently",
        "age": "mean different ages",
    }[setting]
    return (
        f"{one} and {other} {what} ({setting} {values[0]} and {values[1]}), so their slopes cannot "
        f"be added. Agree on one, set {setting} under [exposure] in unit.toml, and share again; or "
        "leave one out."
    )


SLOPE_TABLE = (
    "Change in the log-odds of a find with 95 % limits, and what is left of 90 finds in 100 by "
    "the best estimate."
)


def describe_role(share: Share) -> str:
    """Whether a unit is added, and for what."""
    if share.surface is None:
        return "no: a bend"
    return "yes" if share.surface.cycles else "for age"


def describe_pool_method(answer: PoolAnswer) -> Iterator[str]:
    """How the units were put together."""
    yield (
        "Each unit handed over how well every pair of slopes (one along cycles, one along age) "
        "fits its own trials, its level, kinds, conditions and spreads at their best for that "
        "pair. No trial left a unit."
    )
    if any(s.method == "sum" for s in answer.slopes.values()):
        yield (
            "For fewer than five units these are added up: the exact answer for one pair of slopes "
            "common to all of them."
        )
    if any(s.method != "sum" for s in answer.slopes.values()):
        yield (
            "From five units on, units are taken to differ as a normal distribution has it. Each "
            "unit's own likelihood is averaged over that, and limits use Student's t with one "
            "degree of freedom fewer than units."
        )
    yield (
        "Beside it stands the same from estimates and errors alone, by Hartung and Knapp, with the "
        "spread between units found in three ways. Another unit's limits use t with two degrees of "
        "freedom fewer than units."
    )
    definition = answer.definition
    yield (
        f"All units count cycles from: {definition.cycles_from}. A stay outside the freezer is a "
        f"thaw from {definition.thaw_after_h:g} h on; thaws that are not logged: "
        f"{definition.unlogged_thaws}."
    )
