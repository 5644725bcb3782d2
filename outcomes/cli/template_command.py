"""``outcomes template``: a blank workbook to fill in."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from outcomes.cli.options import called_as


@click.command("template")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE.xlsx")
def command(file: Path) -> None:
    """Write a blank workbook to fill in: FILE.xlsx, which must not exist yet."""
    from outcomes.records.workbook import write_template

    write_template(file)
    click.echo(
        f"{file} written. Fill in the sheets, then: {called_as()} check {shlex.quote(str(file))}"
    )
