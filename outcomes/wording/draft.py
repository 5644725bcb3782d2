"""What a drafted ``unit.toml`` does, what it leaves out, and what to do next."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterator

from outcomes.records.suggest import Draft
from outcomes.records.tables import Examination
from outcomes.text import count

MOST_REASONS = 3
WELL_READ = 0.97  # share of trials usable from which on nothing needs to be said


def describe_draft(
    draft: Draft, file: object, examination: Examination, *, new_lines: bool
) -> Iterator[str]:
    """How many trials can be used with a draft, and why the others cannot.

    Parameters
    ----------
    draft, file
        The draft, and where it was written.
    examination
        What is found in the records when they are read with it.
    new_lines
        Whether lines were added to those of the unit.
    """
    lines = "new line" if new_lines else "line"
    left = f"; {count(draft.left_open, 'line')} left open" if draft.left_open else ""
    yield (
        f"{file} written: with it {draft.usable or 0:,} of {count(draft.trials or 0, 'trial')} can "
        f"be used{left}. Every {lines} is a guess: read and correct it."
    )
    if examination.stops:
        yield "First of all, for nothing can be read without:"
        for finding in examination.stops[:MOST_REASONS]:
            yield f"  {finding.line()}"
        return
    reasons: Counter[str] = Counter()
    rows = set()
    for finding in examination.set_aside:
        place = (finding.file, finding.row)
        if finding.table == "trials" and finding.rule != "total row" and place not in rows:
            rows.add(place)
            where = f"column {finding.column}: " if finding.column else ""
            reasons[f"{where}{finding.problem}"] += 1
    if reasons:
        yield "Of the others:"
        for reason, times in reasons.most_common(MOST_REASONS):
            yield f"  {times:,}: {reason}"


def describe_next_step() -> str:
    """What to go on with, once a draft is read and corrected."""
    return "Then run outcomes check once more, and the briefing: outcomes brief --out briefing"


def describe_first_draft(file: object) -> str:
    """The command that writes the lines below into a file of their own."""
    return (
        f"Run outcomes check --draft {shlex.quote(str(file))} first: it writes these lines into "
        "that file, each tried on the records, and says how many trials can be used with them."
    )


def describe_no_draft(usable: int, trials: int, *, more: bool) -> str:
    """That nothing could be proposed, and whether that is good news."""
    said = "more " if more else ""
    if usable >= WELL_READ * trials:
        return f"Nothing {said}needs to be said: the records can be read. Nothing is written."
    return (
        f"Nothing {said}could be proposed, though {usable:,} of {count(trials, 'trial')} can be "
        "used: `outcomes check` says why the others cannot, and what would mend it. Nothing is "
        "written."
    )
