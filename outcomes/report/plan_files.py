"""A plan as the bytes of its files, and where they may go."""

from __future__ import annotations

from pathlib import Path

from outcomes.draw.power_figure import draw_power_figure
from outcomes.draw.save import compact_svg, render_figure
from outcomes.errors import OutputError
from outcomes.planning.document import Plan, plan_bytes
from outcomes.report.out_folder import check_out
from outcomes.report.plan_page import render_packing_list, render_plan_page
from outcomes.report.plan_workbook import plan_workbook
from outcomes.wording.plan_power import describe_power_footer

KEY, SHEETS, PAGE, PACKING, FIGURE = (
    *("plan.json", "plan.xlsx", "plan.html", "packing.html", "power.png"),
)


def check_plan_out(folder: Path, records: Path) -> None:
    """Refuse to write where records lie, or where a plan or anything of its files' names is.

    A plan is never written over, not even by the same command: without its key, results on
    sheets that were handed out could not be read.

    Raises
    ------
    UsageError
        As of :func:`~outcomes.report.out_folder.check_out`.
    OutputError
        A file of one of the names is there.
    """
    check_out(folder, records, ())
    for name in (KEY, SHEETS, PAGE, PACKING, FIGURE):
        path = folder / name
        if path.exists() or path.is_symlink():
            raise OutputError(
                f"{path} is there already and is left as it is: a plan under way needs its key "
                "and its sheets. Name another folder."
            )


def plan_files(plan: Plan) -> dict[str, bytes]:
    """Name → bytes of every file of a plan."""
    figure = draw_power_figure(plan, describe_power_footer(plan))
    svg = compact_svg(render_figure(figure, "svg"))
    return {
        KEY: plan_bytes(plan),
        SHEETS: plan_workbook(plan),
        PAGE: render_plan_page(plan, svg).encode(),
        PACKING: render_packing_list(plan).encode(),
        FIGURE: render_figure(figure, "png"),
    }
