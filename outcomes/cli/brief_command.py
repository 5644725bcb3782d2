"""``outcomes brief``: the briefing."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import click

from outcomes.cli.answer_first import answer_first
from outcomes.cli.options import (
    Names,
    UnitOptions,
    analysis_options,
    either_option,
    gather,
    key_option,
    no_names_option,
    second_process,
    show_json,
    tell_leftovers,
    with_command,
)
from outcomes.cli.pool_option import check_same_definition, read_pooled
from outcomes.cli.terminal import say, tell

out_option = click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder to write the briefing to.",
)


@click.command("brief")
@analysis_options
@out_option
@click.option("--as-of", metavar="DATE", help="Judge the shelf on this day (the last trial's).")
@either_option
@click.option(
    "--with-pool",
    "pool_file",
    type=click.Path(path_type=Path),
    metavar="pool.json",
    help="What other units say (`outcomes pool`), beside this unit's own answer.",
)
@no_names_option
@key_option
def command(
    unit: UnitOptions,
    as_json: bool,
    out: Path,
    as_of: str | None,
    either: tuple[float, float] | None,
    pool_file: Path | None,
    without_names: bool,
    key: Path | None,
) -> None:
    """Write the briefing: page, figure, joined trials, rows set aside, results.json."""
    from outcomes.report.out_folder import check_out

    check_out(out, unit.records)
    pooled = None if pool_file is None else read_pooled(pool_file)
    beside = out.resolve()
    names = Names(without_names, key, out, beside.with_name(f"{beside.name}-key.csv"))
    with ExitStack() as until_written:
        with second_process() as pool:
            from outcomes.answers.request import Asked

            facts = gather(
                unit,
                as_of,
                further=True,
                pool=pool,
                asked=Asked(either=either, without_names=without_names, pool=pooled),
                change=names.change,
            )
            if pool_file is not None:
                check_same_definition(facts, pool_file)
            told = until_written.enter_context(
                answer_first(
                    facts, unit.records, out, settings_file=unit.settings_file, as_json=as_json
                )
            )
            facts.answer_on_finds()
            from outcomes.records.placing import write_files
            from outcomes.report.write import briefing_files

            say("Drawing")
            files = briefing_files(facts, told.png)
        say("Writing")
        names.write()
        write_files(out, files)
    tell_leftovers(out)
    from outcomes.report import report
    from outcomes.report.check_report import not_used_line
    from outcomes.report.results import results
    from outcomes.wording.records import records_noted
    from outcomes.wording.shelf import describe_shelf

    if as_json:
        show_json(results(facts))
        return
    tell(describe_shelf(facts.shelf, facts.retirement))
    if facts.with_pool is not None:
        from outcomes.wording.pool_beside import describe_with_pool

        tell(describe_with_pool(facts.with_pool))
    tell(not_used_line(facts, out / "set_aside.csv"))
    noted = records_noted(facts)
    for sentence in (*noted.before, noted.sentence):
        if sentence is not None and sentence not in told.sentences:
            tell(with_command(sentence, unit.records, unit.settings_file))
    for line in report.written_lines(out):
        tell(line)
