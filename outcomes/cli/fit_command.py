"""``outcomes fit``: what predicts finds, and when sources become unreliable."""

from __future__ import annotations

from functools import partial

import click

from outcomes.cli.options import (
    UnitOptions,
    analysis_options,
    gather,
    second_process,
    show_json,
    with_command,
)
from outcomes.cli.terminal import tell


@click.command("fit")
@analysis_options
@click.option("--full", is_flag=True, help="All terms, other ways of asking, tables.")
def command(
    unit: UnitOptions,
    as_json: bool,
    full: bool,
) -> None:
    """Tell what predicts finds, and when sources become unreliable: on one screen."""
    with second_process() as pool:
        facts = gather(unit, further=True, pool=pool)
        facts.answer_all()
    from outcomes.report import report
    from outcomes.report.fit_in_short import short_fit_lines
    from outcomes.report.results import results

    if as_json:
        keys = (
            *("which_predicts", "find", "suspects", "quality", "dogs"),
            *("search_time", "false_alerts", "lifetime", "plan"),
        )
        show_json(results(facts, keys))
        return
    pasted = partial(with_command, records=unit.records, settings_file=unit.settings_file)
    for line in report.fit_lines(facts) if full else short_fit_lines(facts, pasted):
        tell(line)
