"""``outcomes join``: trials with the exposure of their source."""

from __future__ import annotations

from pathlib import Path

import click

from outcomes.cli.options import (
    UnitOptions,
    load,
    plan_option,
    records_argument,
    settings_option,
    tell_leftovers,
)
from outcomes.cli.terminal import say, tell


@click.command("join")
@records_argument
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Where to write: .csv or .parquet.",
)
@settings_option
@plan_option
def command(records: Path, out: Path, settings_file: Path | None, plan: Path | None) -> None:
    """Write the trials, each with what its source had been through by then.

    Rows set aside go to a second file beside it, named after it.
    """
    from outcomes.errors import UsageError

    if out.suffix not in (".csv", ".parquet"):
        raise UsageError(f"--out {out}: name a file that ends in .csv or .parquet.")
    from outcomes.report.out_folder import JOINED, REPLACED, SET_ASIDE, check_out, check_replaced

    aside_file = out.with_name(f"{out.stem}_set_aside.csv")
    check_out(out.parent, records, (out.name,))
    replaced = check_replaced(out, JOINED)
    check_replaced(aside_file, SET_ASIDE)
    from outcomes.records.placing import write_files
    from outcomes.report.write import joined_files

    say("Reading the records")
    read = load(UnitOptions(records, settings_file, plan=plan)).records
    from outcomes.exposure.trials import join

    say("Joining trials with storage")
    joined = join(read)
    write_files(out.parent, joined_files(read, joined, out))
    tell_leftovers(out.parent)
    aside = {(f.table, f.file, f.row) for f in (*read.set_aside, *joined.set_aside)}
    listed = f", listed in {aside_file}" if aside else ""
    rows = "1 row" if len(aside) == 1 else f"{len(aside):,} rows"
    over = f" ({REPLACED})" if replaced else ""
    tell(f"{out}{over}: {len(joined.trials):,} trials; {rows} set aside{listed}.")
