"""``outcomes fit``: what predicts finds, and when sources become unreliable."""

from __future__ import annotations

from pathlib import Path

import click

from outcomes.cli.options import analysis_options, gather, second_process, show_json


@click.command("fit")
@analysis_options
def command(
    records: Path,
    settings_file: Path | None,
    floor: float | None,
    confidence: float | None,
    seed: int | None,
    as_json: bool,
) -> None:
    """Tell what predicts finds, and when sources become unreliable."""
    with second_process() as pool:
        facts = gather(records, settings_file, floor, confidence, seed, further=True, pool=pool)
        facts.answer_all()
    from outcomes.report import report
    from outcomes.report.results import results

    if as_json:
        keys = (
            *("which_predicts", "find", "suspects", "shape", "quality", "dogs"),
            *("search_time", "false_alerts", "lifetime"),
        )
        show_json(results(facts, keys))
        return
    for line in report.fit_lines(facts):
        click.echo(line)
