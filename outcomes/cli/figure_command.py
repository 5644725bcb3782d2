"""``outcomes figure``: one figure for a slide."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import click

from outcomes.cli.options import (
    Names,
    UnitOptions,
    gather,
    key_option,
    no_names_option,
    second_process,
    unit_options,
)
from outcomes.cli.terminal import say, tell
from outcomes.exposure.cycles_and_age import NAME_OF

_KINDS = ("png", "svg", "pdf")


def _known(context: click.Context, parameter: click.Parameter, name: str) -> str:
    """The name, if there is such a figure."""
    from outcomes.report.figures import FIGURES

    if name not in FIGURES:
        known = "; ".join(f"{one}: {figure.shows}" for one, figure in FIGURES.items())
        text = f"{name!r} is not a figure. There are: {known}."
        raise click.BadParameter(text, ctx=context, param=parameter)
    return name


@click.command("figure")
@click.argument("name", callback=_known, metavar="NAME")
@unit_options
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="File to write: .png, .svg or .pdf.",
)
@click.option(
    "--by", type=click.Choice(list(NAME_OF)), help="Exposure shown (what the verdict names)."
)
@no_names_option
@key_option
def command(
    name: str,
    unit: UnitOptions,
    out: Path,
    by: str | None,
    without_names: bool,
    key: Path | None,
) -> None:
    """Draw one figure for a slide.

    \b
    NAME is main, shelf (each source against the floor), stock (when each
    reaches its limit), storage (refrigerated against frozen), wear-out (how long
    sources last), price (what limits cost), watch (early warning), search-time
    (found by every minute), false-alerts, next-cycles (what 5 more cost), records
    (where every source was when), ways (asked in other ways) or calibration.
    """  # noqa: D301 (click keeps the lines)
    from outcomes.errors import UsageError
    from outcomes.report.figures import FIGURES, draw_named_figure
    from outcomes.report.out_folder import REPLACED, check_out, check_replaced

    kind = out.suffix.lower().removeprefix(".")
    if kind not in _KINDS:
        raise UsageError(f"--out {out} must end in .png, .svg or .pdf.")
    check_out(out.parent, unit.records, (out.name,))
    replaced = check_replaced(out)
    names = Names(without_names, key, out)
    with ExitStack() as until_drawn:
        loads = FIGURES[name].loads
        pool = until_drawn.enter_context(second_process(*loads)) if loads else None
        facts = gather(unit, change=names.change, pool=pool)
        figure = draw_named_figure(facts, name, None if by is None else NAME_OF[by])
    from outcomes.draw.save import render_figure
    from outcomes.records.placing import write_files

    say("Drawing and writing")
    names.write()
    write_files(out.parent, {out.name: render_figure(figure, kind)})  # type: ignore[arg-type]
    over = f"; {REPLACED}" if replaced else ""
    tell(f"{out} written{over}. It shows an association in one unit's records, not proof of cause.")
