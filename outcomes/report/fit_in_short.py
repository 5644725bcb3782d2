"""The answer of ``fit`` on one screen: 25 lines of 80 letters."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from outcomes.analysis.finds.model import FindFit
from outcomes.answers.facts import Facts
from outcomes.report.planned_lines import planned_lines, settling_lines
from outcomes.text import Row, table, wrapped
from outcomes.wording.cautions import CAUTIONS
from outcomes.wording.in_short import (
    WHERE_ELSE,
    describe_limitations_in_short,
    describe_side_questions,
)
from outcomes.wording.numbers import percent
from outcomes.wording.terms import TERM_WORDS
from outcomes.wording.verdict import describe_verdict, describe_verdict_in_short

MOST_LINES = 25
WIDTH = 80
_STORAGE = ("cycles", "cycles_of_other_kinds", "age_days", "frozen_share")


def short_fit_lines(facts: Facts, pasted: Callable[[str], str] = str) -> Iterator[str]:
    """Verdict, size, terms of storage, what cannot be said, side questions, where to look.

    Side questions stand as far as all of it has room on 25 lines of 80 letters; which they are
    does not hang on the width it is printed at.

    Parameters
    ----------
    facts
        The unit's facts.
    pasted
        What makes of a sentence that names commands one with the commands as they are typed.
    """
    fit, verdict = facts.fit, facts.verdict
    answer = [
        f"{describe_verdict_in_short(fit, verdict, facts.retirement)}.",
        describe_verdict(fit, verdict, facts.retirement),
        *settling_lines(facts),
        *planned_lines(facts)[:1],
    ]
    terms = list(_storage_terms(fit))
    limits = describe_limitations_in_short(facts.further, verdict, by_lot=facts.told_by_lot)
    ends = [pasted(WHERE_ELSE), CAUTIONS[0]]
    room = MOST_LINES - _height([*answer, *terms, limits, *ends])
    sides = []
    for side in describe_side_questions(facts):
        if room >= _height([side]):
            sides.append(side)
            room -= _height([side])
    # A line between the parts, as far as there is room.
    for number, part in enumerate([answer, [*terms, limits], sides, ends]):
        if 0 < number <= room:
            yield ""
        yield from part


def _height(lines: list[str]) -> int:
    return sum(len(wrapped(line, WIDTH)) for line in lines)


def _storage_terms(fit: FindFit) -> Iterator[Row]:
    """The terms of storage: odds ratio, and finds in 100, each with its interval."""
    told = [term for name in _STORAGE if (term := fit.term(name)) is not None]
    if not told:
        return
    intervals = f"{percent(1.0 - fit.settings.alpha)} intervals"
    rows = [(intervals, "per", "odds ratio", "finds in 100")]
    for t in told:
        points = f"{t.points:+.1f} ({t.points_low:+.1f} to {t.points_high:+.1f})"
        rows.append(
            (
                TERM_WORDS[t.term],
                t.unit,
                f"{t.ratio:.2f} ({t.low:.2f} to {t.high:.2f})",
                points.replace("-", "−"),
            )
        )
    yield from table(rows, left=(0, 1))
