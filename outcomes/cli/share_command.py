"""``outcomes share``: what a unit may give away for pooling."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path

import click

from outcomes.cli.options import (
    UnitOptions,
    cores,
    load,
    records_argument,
    seed_option,
    settings_option,
    tell_leftovers,
)
from outcomes.cli.terminal import say, tell


@click.command("share")
@records_argument
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Where to write: .json.",
)
@click.option(
    "--after",
    "last_file",
    type=click.Path(path_type=Path),
    metavar="LAST.json",
    help="The unit's last share: keeps its code, and refuses too little that is new.",
)
@click.option("--yes", is_flag=True, help="Write without asking.")
@settings_option
@seed_option
def command(
    records: Path,
    out: Path,
    last_file: Path | None,
    yes: bool,
    settings_file: Path | None,
    seed: int | None,
) -> None:
    """Write what other units may add to theirs: no rows, no names, no dates.

    Prints what leaves and what that lets others work out, and asks first.
    """
    from outcomes.errors import FitError, UsageError
    from outcomes.report.out_folder import check_out
    from outcomes.report.share_file import check_share_out, read_share_file, share_bytes

    check_out(out.parent, records, (out.name,))
    check_share_out(out, last_file)
    last = None if last_file is None else read_share_file(last_file)
    if not yes and not sys.stdin.isatty():
        raise UsageError(
            "a share needs a person to agree to what leaves, and there is no terminal to ask at. "
            "Run it at a terminal, or give --yes."
        )
    say("Reading the records")
    loaded = load(UnitOptions(records, settings_file, seed=seed))
    from outcomes.exposure.trials import join
    from outcomes.pool.disclosure import draw_code, too_little_new
    from outcomes.pool.share import Maker
    from outcomes.pool.unit_share import make_share, unit_for_pool
    from outcomes.report.results.document import MADE_BY
    from outcomes.wording import pool as words

    say("Joining trials with storage")
    unit = unit_for_pool(join(loaded.records).trials, loaded.decisions, dt.date.today())
    if unit.fit.too_few:
        raise FitError(words.describe_too_few_to_share(unit.fit.too_few, unit.quarter.name))
    if last is not None:
        short = too_little_new(unit.trials, unit.misses, last)
        if short:
            raise FitError(words.describe_too_little_new(short, last))
    if unit.fit.mixed is None:
        raise FitError(words.describe_no_share(unit.fit.reason or "there is no model"))
    say("Working out what these records say of cycles and age")
    try:
        share = make_share(
            unit,
            loaded.records.settings,
            Maker(name=MADE_BY.name, version=MADE_BY.version),
            draw_code() if last is None else last.unit_code,
            words.describe_share,
            jobs=cores(),
        )
    except FitError as error:
        raise FitError(words.describe_no_share(str(error))) from error
    tell(share.sentence)
    for line in words.describe_leaving(share, unit.later):
        tell(line)
    for line in words.describe_what_it_lets_others_work_out(share):
        tell(line)
    if not yes and not click.confirm(f"Write {out}?", default=False):
        tell("Nothing was written.")
        return
    from outcomes.records.placing import write_files

    write_files(out.parent, {out.name: share_bytes(share)})
    tell_leftovers(out.parent)
    tell(f"{out}: hand over this file and nothing else.")
