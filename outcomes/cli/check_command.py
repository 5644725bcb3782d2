"""``outcomes check``: what is wrong with the records, row by row."""

from __future__ import annotations

from pathlib import Path

import click

from outcomes.cli.options import json_option, records_argument, settings_option, show_json

_SHOWN = 200


@click.command("check")
@records_argument
@settings_option
@json_option
@click.option("--all", "show_all", is_flag=True, help="Show every finding, however many.")
def command(records: Path, settings_file: Path | None, as_json: bool, show_all: bool) -> int:
    """Tell what is wrong with the records, row by row, and what would mend it.

    Exit status 1 if something stops the work.
    """
    from outcomes.brief.report import check_lines, check_results
    from outcomes.brief.usable import usable_rows
    from outcomes.joining.trials import join
    from outcomes.records.read import examine_and_read
    from outcomes.records.unit_file import load_settings

    settings = load_settings(settings_file, records)
    examination, read = examine_and_read(records, settings)
    usable = None if read is None else usable_rows(join(read))
    stops = bool(examination.stops)
    if as_json:
        show_json(check_results(examination, usable))
        return int(stops)
    for line in check_lines(examination, None if show_all else _SHOWN, usable):
        click.echo(line)
    if any(f.rule in ("missing column", "unknown column") for f in examination.findings):
        from outcomes.records.suggest import suggest_settings

        text = suggest_settings(records, settings)
        if text:
            click.echo("\nA unit.toml to start from (read it before you use it):\n")
            click.echo(text)
    return int(stops)
