"""``outcomes watch``: is a source, or a dog, missed more often of late than it should be?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from outcomes.cli.options import (
    UnitOptions,
    json_option,
    load,
    records_argument,
    say,
    seed_option,
    settings_option,
    show_json,
)

if TYPE_CHECKING:
    import pandas as pd

    from outcomes.analysis.monitoring.charts import Chart, Watch, WatchedTrial
    from outcomes.exposure.trials import Joined
    from outcomes.records.tables import Records

_KINDS = (".png", ".svg", ".pdf")
_MOVED_BY = 5


@click.command("watch")
@records_argument
@settings_option
@seed_option
@click.option(
    "--figure",
    "figure_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Also draw the charts: .png, .svg or .pdf.",
)
@json_option
def command(
    records: Path,
    settings_file: Path | None,
    seed: int | None,
    figure_file: Path | None,
    as_json: bool,
) -> None:
    """Tell which sources and dogs are missed more often of late than expected.

    Records appended later give the same history and new points.
    """
    from outcomes.errors import UsageError

    if figure_file is not None:
        if figure_file.suffix not in _KINDS:
            raise UsageError(
                f"--figure {figure_file}: name a file that ends in .png, .svg or .pdf."
            )
        from outcomes.report.out_folder import REPLACED, check_out, check_replaced

        check_out(figure_file.parent, records, (figure_file.name,))
        over = f" ({REPLACED})" if check_replaced(figure_file) else ""
    say("Reading the records")
    loaded = load(UnitOptions(records, settings_file, seed=seed))
    read = loaded.records
    from outcomes.analysis.monitoring.charts import watch
    from outcomes.exposure.trials import join

    say("Joining trials with storage")
    joined = join(read)
    trials = joined.trials
    say("Charting sources and dogs")
    found = watch(trials, loaded.decisions)
    gone = _gone(found, read, joined)
    if figure_file is not None:
        say("Drawing")
        _draw(found, gone, trials, read.settings.unit, figure_file)
    if as_json:
        from outcomes.report.results.watch_document import make_watch_document

        show_json(make_watch_document(found, gone, read.settings.unit))
        return
    tried = int((joined.trials["source_id"].notna()).sum())
    for line in _lines(found, gone, tried):
        click.echo(line)
    if figure_file is not None:
        click.echo(f"Drawn: {figure_file}{over}")


def _gone(found: Watch, read: Records, joined: Joined) -> frozenset[str]:
    """Sources on a chart that were no longer held at the end of the last trial's day."""
    if not found.sources:
        return frozenset()
    import pandas as pd

    from outcomes.analysis.decisions.shelf import held_sources

    end = joined.trials["started_at"].max().normalize() + pd.Timedelta(days=1)
    held = held_sources(read.sources, joined.history, end)
    return frozenset(c.name for c in found.sources if c.name not in held)


def _draw(found: Watch, gone: frozenset[str], trials: pd.DataFrame, unit: str, path: Path) -> None:
    from outcomes.draw.save import render_figure
    from outcomes.draw.watch_chart import draw_watch_chart
    from outcomes.records.placing import write_files

    days = trials["started_at"]
    span = f", {days.min():%Y-%m-%d} to {days.max():%Y-%m-%d}" if len(trials) else ""
    footer = f"{unit or 'Unit not named'}{span}: {len(trials):,} trials."
    kind: Any = path.suffix[1:]
    write_files(
        path.parent, {path.name: render_figure(draw_watch_chart(found, footer, gone=gone), kind)}
    )


def _lines(found: Watch, gone: frozenset[str], tried: int) -> list[str]:
    from outcomes.text import count
    from outcomes.wording.watch import describe_watch

    def named(chart: Chart) -> str:
        out = chart.of == "source" and chart.name in gone
        return f"{chart.name} (no longer held)" if out else chart.name

    left = [chart.name for chart in found.past if chart.of == "source" and chart.name in gone]
    said = describe_watch(found)
    lines = [f"{said} No longer held: {', '.join(left)}." if left else said]
    if found.reason is not None:
        return lines
    for chart in found.past:
        lines += ["", f"{chart.of.capitalize()} {named(chart)}: {_standing(chart)}"]
        lines += [f"  moved by {_trial(t, chart.of)}" for t in chart.moved_by[:_MOVED_BY]]
        more = len(chart.moved_by) - _MOVED_BY
        if more > 0:
            lines.append(f"  and {more} more misses")
    for heading, charts in (("Sources", found.sources), ("Dogs", found.dogs)):
        lines += ["", f"{heading}, the highest chart first:"]
        ordered = sorted(charts, key=lambda c: (-c.value / c.limit, c.name))
        lines += [f"  {named(c)}: {_standing(c)}" for c in ordered]
    charted = sum(len(c.trials) for c in found.sources)
    of_dogs = sum(len(c.trials) for c in found.dogs)
    assert found.baseline_from is not None
    assert found.baseline_to is not None
    lines += [
        "",
        f"Expected finds were learnt on the first {found.baseline_trials:,} trials, "
        f"{found.baseline_from:%Y-%m-%d} to {found.baseline_to:%Y-%m-%d}. They are for a source "
        "and a dog left as they were in those: what a source has gone through since is not in "
        "them, so outcomes retire --explain, which counts it, may expect fewer of the same trial.",
        f"On the charts are {charted:,} of {count(tried, 'hide trial')}: those not assisted, with "
        "all that the expectation needs on record. So a source may have more trials elsewhere.",
        f"On the dogs' charts are {of_dogs:,} of them: what a dog missed on a source that was past "
        "its limit by then is not held against it, so it may have more misses elsewhere.",
        "A chart adds up misses beyond those expected and falls back with finds; past its limit, "
        "look at that source or dog.",
    ]
    return lines


def _standing(chart: Chart) -> str:
    word = "miss" if chart.misses == 1 else "misses"
    since = (
        ""
        if chart.past_since is None
        else f", past it since {chart.past_since.started_at:%Y-%m-%d}"
    )
    return (
        f"{chart.misses} {word} in {len(chart.trials):,} trials, {chart.expected_misses:.1f} "
        f"expected; chart at {chart.value:.1f}, limit {chart.limit:.1f}{since}"
    )


def _trial(trial: WatchedTrial, of: str) -> str:
    other = f"by {trial.dog_id}" if of == "source" else f"on {trial.source_id}"
    return (
        f"trial {trial.trial_id} of {trial.started_at:%Y-%m-%d}, a miss {other} where "
        f"{100 * trial.expected:.0f} finds in 100 were expected"
    )
