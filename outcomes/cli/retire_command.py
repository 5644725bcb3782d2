"""``outcomes retire``: retirement threshold, and advice for each source held."""

from __future__ import annotations

from pathlib import Path

import click

from outcomes.cli.options import analysis_options, gather, show_json


@click.command("retire")
@analysis_options
@click.option("--as-of", metavar="DATE", help="Judge the shelf on this day (the last trial's).")
def command(
    records: Path,
    settings_file: Path | None,
    floor: float | None,
    confidence: float | None,
    seed: int | None,
    as_json: bool,
    as_of: str | None,
) -> None:
    """Tell when to retire a source, and what to do with each one held."""
    facts = gather(records, settings_file, floor, confidence, seed, as_of)
    from outcomes.brief import report
    from outcomes.brief.results import results

    if as_json:
        show_json(report.part(results(facts), ("retire", "shelf", "cautions")))
        return
    for line in report.retire_lines(facts):
        click.echo(line)
