"""``outcomes fit``: what predicts finds, and when sources become unreliable."""

from __future__ import annotations

import click

from outcomes.cli.options import UnitOptions, analysis_options, gather, second_process, show_json


@click.command("fit")
@analysis_options
def command(
    unit: UnitOptions,
    as_json: bool,
) -> None:
    """Tell what predicts finds, and when sources become unreliable."""
    with second_process() as pool:
        facts = gather(unit, further=True, pool=pool)
        facts.answer_all()
    from outcomes.report import report
    from outcomes.report.results import results

    if as_json:
        keys = (
            *("which_predicts", "find", "suspects", "quality", "dogs"),
            *("search_time", "false_alerts", "lifetime"),
        )
        show_json(results(facts, keys))
        return
    for line in report.fit_lines(facts):
        click.echo(line)
