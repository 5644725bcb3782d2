"""Every sentence a person reads, made from results; no number is computed here but rounded.

Probabilities are told in counts ("85 in 100"), ages in months, and every
sentence must be true for an effect down, up, absent or unclear, and for one
of each thing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from outcomes.decide.compare import Comparison
from outcomes.decide.shelf import ShelfSource
from outcomes.decide.threshold import Retirement, Threshold
from outcomes.fit.finds import FindFit
from outcomes.fit.result import FindCurve, Lifetime
from outcomes.fit.which_predicts import WhichPredicts

DAYS_PER_MONTH = 365.25 / 12.0

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

VERDICT_WORDS = {
    "cycles": "freeze/thaw cycles",
    "age": "age",
    "both": "both cycles and age",
    "no change detected": "no change detected",
    "cannot be told apart": "cycles or age: cannot be told apart",
    "too few trials": "too few trials",
}


def count(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun.

    >>> count(1, "miss", "misses"), count(1200, "trial")
    ('1 miss', '1,200 trials')
    """
    return f"{number:,} {one if number == 1 else (many or one + 's')}"


def in_100(probability: float) -> str:
    """A probability as a count of a hundred; never "0" or "100" where it is neither.

    >>> in_100(0.853), in_100(0.998), in_100(0.002), in_100(1.0)
    ('85 in 100', 'more than 99 in 100', 'fewer than 1 in 100', '100 in 100')
    """
    share = 100.0 * probability
    if 99.5 <= share < 100.0:
        return "more than 99 in 100"
    if 0.0 < share < 0.5:
        return "fewer than 1 in 100"
    return f"{share:.0f} in 100"


def months(days: float) -> str:
    """Days as months of a twelfth of a year.

    >>> months(30.4), months(400.0)
    ('1 month', '13 months')
    """
    return count(round(days / DAYS_PER_MONTH), "month")


def exposure_value(exposure: str, value: float) -> str:
    """A value of an exposure in words.

    >>> exposure_value("cycles", 1.2), exposure_value("age_days", 700.0)
    ('1 cycle', '23 months')
    """
    return count(round(value), "cycle") if exposure == "cycles" else months(value)


def p_value(p: float) -> str:
    """A p-value as it may be printed.

    >>> p_value(0.0312), p_value(0.00002)
    ('p = 0.03', 'p < 0.001')
    """
    if p < 0.001:
        return "p < 0.001"
    return f"p = {p:.2f}" if p >= 0.01 else f"p = {p:.3f}"


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
        return "No change in finds with cycles or age was detected in these records"
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


def answer(fit: FindFit, verdict: WhichPredicts, retirement: Retirement) -> str:
    """The verdict with its size and its certainty, for the top of the page."""
    word = verdict.verdict
    if word == "too few trials":
        return too_few(fit, verdict)
    parts = []
    if word in ("cycles", "age", "both"):
        asked = {"cycles": ("cycles",), "age": ("age_days",)}.get(word, ("cycles", "age_days"))
        parts += [effect_size(fit, e) for e in asked]
        others = [e for e in ("cycles", "age_days") if e not in asked]
        parts += [_other_exposure(verdict, e) for e in others]
    elif word == "no change detected":
        parts.append(largest_fall(verdict))
    else:
        parts.append(cannot_tell(verdict, retirement))
    return " ".join(p for p in parts if p)


def effect_size(fit: FindFit, exposure: str) -> str:
    """Size of an effect with its interval, per 10 cycles or per year."""
    term = fit.term(exposure)
    if term is None:
        return ""
    step, more = (
        (10.0, "10 more cycles") if exposure == "cycles" else (365.25 / 30.0, "a year more of age")
    )
    points, low, high = (step * v for v in (term.points, term.points_low, term.points_high))
    other = "age" if exposure == "cycles" else "cycles"
    held = f" with {other} held the same" if fit.term(_other(exposure)) is not None else ""
    confidence = percent(1.0 - fit.settings.alpha)
    sign = "fewer" if points < 0 else "more"
    near, far = sorted((abs(low), abs(high)))
    verb = "go" if exposure == "cycles" else "goes"
    start = f"Over these trials, {more}{held} {verb} with about {_finds(abs(points), sign)} in 100"
    if low < 0 < high:
        return (
            f"{start}, but anything from {abs(low):.0f} fewer to {high:.0f} more fits these "
            f"records ({confidence} interval)."
        )
    return f"{start} ({confidence} interval {_span(near, far)} {sign})."


def _span(near: float, far: float) -> str:
    """Two numbers of finds, with a decimal where whole numbers would say zero."""
    return f"{near:.1f} to {far:.0f}" if near < 0.95 else f"{near:.0f} to {far:.0f}"


def _finds(points: float, sign: str) -> str:
    if points < 0.95:
        return f"{points:.1f} {sign} finds"
    return count(round(points), f"{sign} find")


def _other(exposure: str) -> str:
    return "age_days" if exposure == "cycles" else "cycles"


def _other_exposure(verdict: WhichPredicts, exposure: str) -> str:
    """What the records say of the exposure the verdict does not name."""
    name = "cycles" if exposure == "cycles" else "age"
    test = verdict.cycles_given_age if exposure == "cycles" else verdict.age_given_cycles
    if exposure not in verdict.asked or test is None:
        return f"Whether {name} matters could not be asked of these records."
    adds, does = ("add", "do") if exposure == "cycles" else ("adds", "does")
    return (
        f"Beyond that, {name} {adds} nothing that these records can show ({p_value(test.p)}); "
        f"that is not proof that {name} {does} nothing."
    )


def largest_fall(verdict: WhichPredicts) -> str:
    """What "no change detected" still allows."""
    pieces = []
    words = {"cycles": "per 10 cycles", "age_days": "per year of age"}
    for exposure, fall in verdict.largest_fall.items():
        pieces.append(f"{fall:.0f} in 100 {words[exposure]}")
    test = "" if verdict.joint is None else f" ({p_value(verdict.joint.p)})"
    if not pieces:
        return (
            "Neither the number of cycles nor the age of the sources varies enough between these "
            "trials to be asked about."
        )
    return (
        f"Finds did not change detectably with storage{test}. That is not proof of no change: "
        f"a fall of up to {joined(pieces, 'or')} would still fit these records."
    )


def cannot_tell(verdict: WhichPredicts, retirement: Retirement) -> str:
    """Cycles and age tied together: what is known, and what would settle it."""
    correlation = verdict.correlation
    tie = (
        ""
        if correlation is None
        else " Cycles and age rise exactly together here."
        if correlation > 0.995
        else f" Cycles and age rise together here (correlation {correlation:.2f})."
    )
    test = "" if verdict.joint is None else f" ({p_value(verdict.joint.p)})"
    settle = (
        " Trials with old sources that were thawed seldom, and with young ones thawed often, "
        "would tell them apart"
    )
    names = (
        f": try first {joined(list(verdict.would_separate))}." if verdict.would_separate else "."
    )
    return (
        f"Finds change with storage{test}, but these records cannot tell which part of it does "
        f"it.{tie}{settle}{names}"
    )


def too_few(fit: FindFit, verdict: WhichPredicts) -> str:
    """What is short, and what would be enough."""
    if not fit.too_few:
        return (
            f"Why: {fit.reason or 'the model could not be fitted'}. More trials where finds and "
            "misses overlap would settle it."
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
            f" At the present rate, about {verdict.more_trials:,} more hide trials would bring "
            f"enough {scarce}."
        )
    if "sources" in fit.too_few or "dogs" in fit.too_few:
        needed = joined([word for word in ("sources", "dogs") if word in fit.too_few])
        text += f" More trials alone would not do: it needs more {needed}."
    return text


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
    floor = in_100(threshold.floor)
    name = "cycles" if threshold.by == "cycles" else "age"
    limit = exposure_value(threshold.by, threshold.observed_to)
    if threshold.outcome == "crosses":
        assert threshold.estimate is not None
        low = "the start" if threshold.low is None else _plain(threshold.by, threshold.low)
        high = f"beyond {limit}" if threshold.high is None else _plain(threshold.by, threshold.high)
        return (
            f"Find probability falls below {floor} at about "
            f"{exposure_value(threshold.by, threshold.estimate)} "
            f"({percent(threshold.confidence)} interval {low} to {high}). "
            f"It is still shown to be at or above it up to "
            f"{_at_least(threshold.by, threshold.retire_after or 0)}: "
            "retiring by then keeps to the floor on present evidence."
        )
    if threshold.outcome == "never sure":
        assert threshold.estimate is not None
        return (
            f"Find probability falls below {floor} at about "
            f"{exposure_value(threshold.by, threshold.estimate)}, but these records show no "
            f"{'number of cycles' if threshold.by == 'cycles' else 'age'} at which it is surely "
            f"({percent(threshold.confidence)} confidence) at or above the floor, so no limit can "
            "be set."
        )
    if threshold.outcome == "stays above":
        return (
            f"Find probability does not fall below {floor} within what was observed "
            f"(up to {limit}), so there is no ground for a limit by {name}."
        )
    start = exposure_value(threshold.by, threshold.curve.at[0]) if len(threshold.curve.at) else ""
    if threshold.outcome == "below from the start":
        other = "age" if threshold.by == "cycles" else "cycles"
        return (
            f"Find probability is below {floor} already at {start}, with {other}, dogs and "
            f"conditions as they were in these records, so no limit by {name} alone would keep to "
            "the floor."
        )
    if threshold.outcome == "rises":
        curve = threshold.curve
        text = f"Find probability does not fall with {name}, so there is no ground for a limit"
        if curve.probability[0] < threshold.floor:
            return f"{text}; at {start} it is {in_100(curve.probability[0])}, below the floor."
        return text + "."
    return f"No curve by {name} could be fitted, so no limit can be set."


def _at_least(exposure: str, value: int) -> str:
    """A limit in words, never more than was shown: months are whole months gone by."""
    if exposure == "cycles":
        return count(value, "cycle")
    gone_by = int(value / DAYS_PER_MONTH)
    return count(gone_by, "month") if gone_by >= 2 else count(value, "day")


def _plain(exposure: str, value: float) -> str:
    return f"{value:.0f}" if exposure == "cycles" else months(value).split(" ")[0]


def retire_sentence(verdict: WhichPredicts, retirement: Retirement) -> str:
    """The retirement answer: by the verdict's exposures, or why there is none."""
    if not retirement.thresholds:
        if verdict.verdict == "too few trials":
            return "No retirement limit can be set from these records yet."
        return (
            "No retirement limit: these records show no change with cycles or age to base one on."
        )
    sentences = [threshold_sentence(t) for t in retirement.thresholds]
    if verdict.verdict == "cannot be told apart":
        sentences.append("These are two views of the same fall, not two separate limits.")
    return " ".join(sentences)


def advice_reason(source: ShelfSource, floor: float) -> str:
    """Why a source got its advice."""
    at = in_100(floor)
    if source.ground == "above":
        return f"its own trials and others like it show it at or above {at}"
    if source.ground == "below":
        return f"unreliable for this purpose, on present evidence: shown below {at}"
    if source.ground == "unsure":
        if source.trials_to_settle is None:
            return f"too close to {at} for a reasonable number of trials to settle"
        return f"not settled; about {count(source.trials_to_settle, 'more trial')} would settle it"
    if source.ground == "no trials":
        return "not tried yet: no evidence about this source"
    if source.ground == "beyond records":
        return "has been through more than the records can speak for"
    if source.ground == "own trials disagree":
        return (
            "its class points one way and its own latest trials the other "
            f"(found {source.finds} of {source.trials} so far): test before deciding"
        )
    if source.ground == "not documented":
        return "its storage is not on record"
    return "no model could be fitted to these records"


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
        f"{sources['frozen']} frozen, same kinds, dogs and conditions, at "
        f"{months(comparison.at_age_days)} of age"
    )
    confidence = percent(1.0 - alpha)
    if low <= 0.0 <= high:
        return (
            "No difference between refrigerated and frozen was detected: anything from "
            f"{abs(low):.0f} fewer to {high:.0f} more finds in 100 for refrigerated fits these "
            f"records ({confidence} interval; {rest}). Storage was chosen, not assigned."
        )
    sign = "more" if difference > 0 else "fewer"
    near, far = sorted((abs(low), abs(high)))
    return (
        f"Refrigerated sources gave about {_finds(abs(difference), sign)} in 100 trials than "
        f"frozen ones ({confidence} interval {near:.0f} to {far:.0f} {sign}; {rest}). Storage was "
        "chosen, not assigned, so something else about these sources may explain it."
    )


def shelf_summary(shelf: Sequence[ShelfSource]) -> str:
    """How many sources to retire, test and keep."""
    if not shelf:
        return "No source is held."
    if len(shelf) == 1:
        return f"The one source held: {shelf[0].advice}."
    number = {a: sum(s.advice == a for s in shelf) for a in ("retire", "test", "keep")}
    parts = [f"{number[a]} to {a}" for a in ("retire", "test", "keep") if number[a]]
    return f"Of {count(len(shelf), 'source')} held: {joined(parts)}."


SHELF_NOTE = (
    "Retire is advised only where a source's own trials, and others with as much behind them, show "
    "it below the floor; test "
    "means that present evidence does not decide. The decision is the director's."
)

ACT_CAUTION = (
    "Before acting: test again before throwing out scarce donated tissue; handle and dispose of "
    "human tissue by your local codes and licensed practice; gloves, labelled double "
    "containment; this is not a safety clearance."
)


def figure_caption(retirement: Retirement, lifetime: Lifetime, confidence: float) -> str:
    """How to read the figure."""
    if not any(c.bins for c in retirement.curves):
        return "Nothing could be drawn from these records."
    text = f"Points: observed finds with {percent(confidence)} intervals, n trials above each. "
    if any(len(c.at) for c in retirement.curves):
        held = retirement.curves[0].held
        text += (
            f"Line and band: find probability averaged over the unit's own trials ({held}), with "
            f"{percent(confidence)} limits; broken where fewer than 3 sources were observed. The "
            "line allows for which dogs, sources and conditions were met at each exposure; the "
            "points do not, so they need not lie on it. "
        )
    if lifetime.curve:
        text += "Right: sources not yet unreliable by the rule stated below."
    return text


def limits(fit: FindFit, verdict: WhichPredicts) -> list[str]:
    """What these records cannot say."""
    lines = [
        "Whether storage caused a change: sources were chosen for use and for storage, not "
        "assigned. Only a trial planned for it, with sources assigned by lot, can say.",
    ]
    if verdict.verdict == "no change detected":
        lines.append(
            "That nothing changes: a change smaller than the one stated above would not show."
        )
    if verdict.verdict == "cannot be told apart":
        lines.append("Which of cycles and age it is: they rise together in these records.")
    lines += [f"{note[0].upper()}{note[1:]}." for note in verdict.notes]
    for slope in fit.slopes:
        name = "cycles" if slope.exposure == "cycles" else "age"
        lines.append(
            f"How fast any one {slope.grouping} changes: {slope.grouping}s seem to differ in how "
            f"they change with {name}. The size given is the average, and its interval allows "
            "for that."
        )
    if fit.mixed is not None and "source" in fit.mixed.singular:
        lines.append(
            "How much sources differ beyond what is on record: too little to measure here."
        )
    return lines


def method(fit: FindFit, verdict: WhichPredicts) -> str:
    """How the answer was worked out, for a reader who knows some statistics."""
    if fit.mixed is None:
        return f"No model was fitted: {fit.reason}. Any points are plain proportions."
    groups = joined([*fit.design.groups])
    text = (
        f"Logistic mixed model of find or miss in {count(fit.n, 'unassisted hide trial')}, with "
        f"random intercepts for {groups}; four nested models (neither, cycles, age, both) compared "
        "by likelihood-ratio tests"
    )
    refits = max(
        (
            t.refits
            for t in (verdict.joint, verdict.cycles_given_age, verdict.age_given_cycles)
            if t
        ),
        default=0,
    )
    if refits:
        text += (
            f", each significant one calibrated on up to {refits} data sets simulated without the "
            "effect"
        )
    return (
        text + ". The curve is the average over the unit's own trials (standardisation), the "
        "threshold the exposure where curve and limits cross the floor."
    )


def rows_sentence(rows_in: Mapping[str, int], used: Mapping[str, int], set_aside: int) -> str:
    """Rows handed over, used and set aside."""
    parts = [f"{used[t]:,} of {n:,} in {t}" for t, n in rows_in.items() if t in used and n]
    return f"Rows used: {joined(parts)}; {count(set_aside, 'row')} set aside" + (
        ", each with its reason in set_aside.csv." if set_aside else "."
    )


def e_value_sentence(value: float, limit: float) -> str:
    """What an E-value means."""
    text = (
        f"E-value {value:.2f}: something not on record would have to be at least {value:.2f} times "
        "as common with one way of storage, and multiply finds by as much, to explain the "
        "difference away"
    )
    if limit > 1.0:
        return text + f" ({limit:.2f} to explain the interval's nearer end away)."
    return text + "; for the interval's nearer end nothing at all is needed."


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
    "set_min": "set time",
    "temperature_c": "temperature",
    "humidity_pct": "humidity",
    "wind_m_s": "wind",
    "experience": "the dog's trials so far",
}


def finds_in_100(probability: float) -> str:
    """A predicted share for a table: a bare number, never 0 or 100 where it is neither.

    >>> finds_in_100(0.853), finds_in_100(0.999), finds_in_100(0.001)
    ('85', '>99', '<1')
    """
    if 0.995 <= probability < 1.0:
        return ">99"
    if 0.0 < probability < 0.005:
        return "<1"
    return f"{100.0 * probability:.0f}"
