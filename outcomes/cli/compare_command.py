"""``outcomes compare``: refrigerated against frozen."""

from __future__ import annotations

import click

from outcomes.cli.options import UnitOptions, analysis_options, gather, show_json
from outcomes.cli.terminal import tell


@click.command("compare")
@analysis_options
def command(
    unit: UnitOptions,
    as_json: bool,
) -> None:
    """Compare refrigerated with frozen sources of the same kinds, dogs and age.

    --floor and --confidence belong to the retirement threshold and change
    nothing here; the intervals here have the confidence 1 − alpha of the
    settings.
    """
    facts = gather(unit)
    from outcomes.report import report
    from outcomes.report.results import results

    if as_json:
        show_json(results(facts, ("compare", "plan")))
        return
    for line in report.compare_lines(facts):
        tell(line)
