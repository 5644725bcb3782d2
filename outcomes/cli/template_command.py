"""``outcomes template``: a blank workbook to fill in."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from outcomes.cli.options import called_as
from outcomes.cli.terminal import tell
from outcomes.text import KEPT_TOGETHER


@click.command("template")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE.xlsx")
def command(file: Path) -> None:
    """Write a blank workbook to fill in: FILE.xlsx, which must not exist yet."""
    from outcomes.records.workbook import write_template

    write_template(file)
    command = f"{called_as()} check {shlex.quote(str(file))}".replace(" ", KEPT_TOGETHER)
    tell(f"{file} written. Fill in the sheets, then: {command}")
