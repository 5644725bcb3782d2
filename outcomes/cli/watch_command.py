"""``outcomes watch``: is a source, or a dog, missed more often of late than it should be?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from outcomes.cli.options import (
    UnitOptions,
    json_option,
    load,
    plan_option,
    records_argument,
    seed_option,
    settings_option,
    show_json,
)
from outcomes.cli.terminal import say, tell

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
@plan_option
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
    plan: Path | None,
    seed: int | None,
    figure_file: Path | None,
    as_json: bool,
) -> None:
    """Tell which sources and dogs are missed more often of late than expected."""
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
    loaded = load(UnitOptions(records, settings_file, seed=seed, plan=plan))
    read = loaded.records
    from outcomes.analysis.finds.model import fit_finds
    from outcomes.analysis.monitoring.charts import watch
    from outcomes.exposure.trials import join

    say("Joining trials with storage")
    joined = join(read)
    trials = joined.trials
    say("Fitting finds")
    fit = fit_finds(trials, loaded.decisions)
    say("Charting sources and dogs")
    found = watch(fit)
    gone = _gone(found, read, joined)
    if figure_file is not None:
        say("Drawing")
        _draw(found, gone, trials, read.settings.unit, figure_file)
    if as_json:
        from outcomes.report.results.watch_document import make_watch_document

        show_json(make_watch_document(found, gone, read.settings.unit))
        return
    for line in _lines(found, gone, fit.n):
        tell(line)
    if figure_file is not None:
        tell(f"Drawn: {figure_file}{over}")


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


def _lines(found: Watch, gone: frozenset[str], used: int) -> list[str]:
    from outcomes.text import count
    from outcomes.wording.watch import describe_seen, describe_watch

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
            lines.append(f"  and {count(more, 'more miss', 'more misses')}")
    for heading, charts in (("Sources", found.sources), ("Dogs", found.dogs)):
        lines += ["", f"{heading}, the last {found.within} trials of each:"]
        lines += [f"  {named(c)}: {_standing(c)}" for c in charts]
    lines += [
        "",
        f"What was expected comes from the model of finds ({count(used, 'trial')}): for a dog with "
        "the sources it met as worn as they were, and for a source with its dogs and with what its "
        "cycles and age usually cost. Its own level is learnt from the trials before those on its "
        "chart.",
        *(f"Left out: {left.reason}." for left in found.left_out),
        "A chart adds up misses beyond those expected and falls back with finds; past its limit, "
        "look at that source or dog.",
        describe_seen(found),
    ]
    return lines


def _standing(chart: Chart) -> str:
    word = "miss" if chart.misses == 1 else "misses"
    since = ""
    if chart.past_since is not None:
        since = f", passed on {chart.past_since.started_at:%Y-%m-%d}"
        since += " and back below since" if chart.back_below else ""
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
