"""``outcomes demo``: all of it on a synthetic unit, planted against found."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import click

from outcomes.cli.answer_first import answer_first
from outcomes.cli.brief_command import out_option
from outcomes.cli.options import UnitOptions, gather, second_process
from outcomes.cli.terminal import say, tell


@click.command("demo")
@out_option
def command(out: Path) -> None:
    """Write a synthetic unit's records and its briefing, and set planted against found."""
    from outcomes.errors import UsageError
    from outcomes.report.out_folder import check_name, check_out

    check_name(out)
    records = out / "records"
    if records.exists() and not (records / "truth.toml").is_file():
        raise UsageError(f"{records} is there and is not a synthetic unit's. Name another folder.")
    check_out(out, records)
    with ExitStack() as until_written:
        with second_process() as pool:
            from outcomes.records.write import write_unit
            from outcomes.simulate import demo_unit

            say("Making a synthetic unit")
            unit = demo_unit()
            write_unit(unit, records)
            until_written.enter_context(_said_to_be_left(records))
            facts = gather(UnitOptions(records), further=True, pool=pool)
            told = until_written.enter_context(answer_first(facts, records, out))
            facts.answer_on_finds()
            from outcomes.records.placing import write_files
            from outcomes.report.write import briefing_files

            say("Drawing")
            files = briefing_files(facts, told.png)
        say("Writing")
        write_files(out, files)
    from outcomes.report import report

    for line in report.planted_lines(unit, facts):
        tell(line)
    for line in report.written_lines(out):
        tell(line)


@contextmanager
def _said_to_be_left(records: Path) -> Iterator[None]:
    """Where the rest fails or is stopped, tell that the synthetic unit's records are there."""
    try:
        yield
    except BaseException as error:
        error.add_note(f"The synthetic unit's records are in {records}.")
        raise
