"""How the answer was worked out, and how to read an interval."""

from __future__ import annotations

from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.line_tests import RatioTest
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.results import FindEstimate
from outcomes.text import count, p_number, p_value
from outcomes.wording.numbers import joined, percent


def describe_intervals(confidence: float, alpha: float) -> str:
    """What an interval is, and of which confidence which are."""
    text = (
        "An interval is the range of sizes that fits the records: the wider, the less is known. "
        "One that holds both fewer and more finds shows neither a fall nor a rise."
    )
    if abs(confidence - (1.0 - alpha)) < 1e-9:
        return text
    return (
        f"{text} What is acted on (limit, shelf, storage) has {percent(confidence)} intervals. "
        f"Behind it, what was tested at {percent(alpha)} has the {percent(1.0 - alpha)} interval "
        "that goes with the test."
    )


def describe_method(fit: FindFit, verdict: WhichPredicts) -> str:
    """How the answer was worked out; every technical word with its meaning beside it."""
    if fit.mixed is None:
        return f"No model was fitted: {fit.reason}. Any circles are plain counts."
    groups = joined([*fit.design.groups])
    text = (
        f"A logistic mixed model of find or miss in {count(fit.n, 'unassisted hide trial')}. It "
        "follows the odds of a find (finds for each miss) along cycles, age and the conditions on "
        f"record. Every {groups} has a level of its own (random intercepts), so that many trials "
        "of one are not taken for as many independent ones. Whether finds change at all is tested "
        "of lines, bends, steps and kinds of source together. Then models with neither, cycles, "
        "age or both are compared by likelihood-ratio tests: does the fuller one fit better than "
        f"chance would make it? {_test_results(verdict)}"
    )
    return (
        text + "The line of the figure is the average over the unit's own trials with the exposure "
        "set to each value in turn (standardisation). A limit is where that line, or its interval, "
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


def p_of_term(term: FindEstimate, verdict: WhichPredicts) -> str:
    """The p-value of a term as it stands in a table; of cycles and age, that of the answer.

    The term's own takes its shape as known: beside the answer's test it would be a second voice.
    """
    tests = {"cycles": verdict.cycles_given_age, "age_days": verdict.age_given_cycles}
    test = tests.get(term.term)
    return p_number(term.p) if test is None else _p_told(test).removeprefix("p ").removeprefix("= ")


_NOT_SMALL = 0.05  # from here on "at most" could read as not significant where the test is


def _p_told(test: RatioTest) -> str:
    """A p-value no more exactly than the simulated data sets behind it bear."""
    if test.p_most is None:
        return p_value(test.p)
    if test.p_most > _NOT_SMALL:
        return f"p about {p_number(test.p)}"
    number = p_number(test.p_most)
    return f"p {number}" if number.startswith("<") else f"p at most {number}"
