"""``outcomes pool``: several units' shares together."""

from __future__ import annotations

from pathlib import Path

import click

from outcomes.cli.options import json_option, show_json, tell_leftovers
from outcomes.cli.terminal import say, tell


@click.command("pool")
@click.argument("files", type=click.Path(path_type=Path), metavar="FILE...", nargs=-1)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder to write page, figure and pool.json to.",
)
@json_option
def command(files: tuple[Path, ...], out: Path, as_json: bool) -> None:
    """Put together what several units have shared; FILE is what `outcomes share` wrote."""
    from outcomes.errors import UsageError
    from outcomes.report.pool_folder import check_pool_folder
    from outcomes.report.share_file import read_shares

    if len(files) < 2:
        raise UsageError("name at least two files that `outcomes share` wrote, of two units.")
    check_pool_folder(out, files)
    say("Reading the shares")
    read = read_shares(files)
    if len(read.shares) < 2:
        raise UsageError(f"{read.told[0]} That leaves one unit, and a pool needs two.")
    from outcomes.pool.answer import pool_shares
    from outcomes.records.placing import write_files
    from outcomes.report.pool_document import make_pool_document, pool_told
    from outcomes.report.pool_files import pool_files
    from outcomes.wording.pool import pool_lines

    say("Putting them together")
    answer = pool_shares(read.shares)
    say("Drawing")
    write_files(out, pool_files(answer, read.told))
    tell_leftovers(out)
    for line in read.told:
        tell(line, err=as_json)
    if as_json:
        show_json(pool_told(make_pool_document(answer)))
        return
    for line in pool_lines(answer):
        tell(line)
    tell(f"Open {out / 'pool.html'}; pool.json goes with `outcomes brief --with-pool`.")
