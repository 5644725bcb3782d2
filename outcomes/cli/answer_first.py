"""The answer before all that stands behind it: printed and drawn as soon as it is known."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from outcomes.cli.options import uninterrupted, with_command
from outcomes.cli.terminal import say, tell

if TYPE_CHECKING:
    from outcomes.answers.facts import Facts

FIGURE = "figure.png"
_TO_COME = "advice on each source, storage compared, other ways of asking, lifetimes, the page"


@dataclass(frozen=True, slots=True)
class ToldFirst:
    """What is out already.

    Attributes
    ----------
    png
        The figure.
    sentences
        What was printed: what puts the answer in doubt, and the answer.
    """

    png: bytes
    sentences: tuple[str, ...]


@contextmanager
def answer_first(
    facts: Facts,
    records: Path,
    out: Path,
    *,
    settings_file: Path | None = None,
    as_json: bool = False,
) -> Iterator[ToldFirst]:
    """Print the answer and write its figure; what is done within is to write the rest.

    Where that fails, the folder is left with files of one run: the figure where it is the only
    one, or the earlier briefing with its own. Which it is, is told with the failure.

    Parameters
    ----------
    facts
        The unit's facts, nothing worked out yet.
    records
        What was handed over, as it was typed.
    settings_file
        The settings, where they were named.
    out
        The folder of the briefing, checked.
    as_json
        Standard output is for JSON alone.

    Yields
    ------
    ToldFirst
        The figure, and the sentences printed.
    """
    from outcomes.records.placing import place_first
    from outcomes.report.out_folder import FILES
    from outcomes.report.planned_lines import planned_lines, settling_lines

    facts.answer_first()
    from outcomes.wording.limit import describe_retirement
    from outcomes.wording.records import records_noted
    from outcomes.wording.verdict import describe_verdict, describe_verdict_in_short

    fit, verdict, retirement = facts.fit, facts.verdict, facts.retirement
    told = (
        *records_noted(facts).before,
        describe_verdict_in_short(fit, verdict, retirement) + ".",
        describe_verdict(fit, verdict, retirement),
        describe_retirement(verdict, retirement),
        *settling_lines(facts),
    )
    # A reader who has had enough of the answer still wants the files.
    with suppress(BrokenPipeError):
        for sentence in told:
            tell(with_command(sentence, records, settings_file), err=as_json)
    facts.ask_meanwhile()
    with suppress(BrokenPipeError):
        for line in planned_lines(facts)[:1]:
            tell(line, err=as_json)
    from outcomes.report.answer_figure import render_answer_figure

    png = render_answer_figure(facts)
    placed = place_first(out, FIGURE, png, FILES)
    others = "; the other files there are an earlier briefing's until then"
    drawn = f"{placed.path} is drawn{others if placed.among_others else ''}"
    try:
        say(f"{drawn}. Still to come: {_TO_COME}")
        yield ToldFirst(png, told)
    except BaseException as error:
        with uninterrupted():
            left = placed.take_back()
        if left:
            error.add_note(left)
        raise
    with uninterrupted():
        placed.settle()
