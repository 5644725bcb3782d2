"""``outcomes plan``: the next trials, by lot."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from outcomes.cli.options import (
    SettingType,
    UnitOptions,
    called_as,
    json_option,
    load,
    plan_option,
    records_argument,
    seed_option,
    settings_option,
    show_json,
    tell_leftovers,
)
from outcomes.cli.terminal import say, tell
from outcomes.text import KEPT_TOGETHER

if TYPE_CHECKING:
    from outcomes.settings import PlanSettings

_OF = "PlanSettings"


@click.command("plan")
@records_argument
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for the plan; one that holds no other plan.",
)
@click.option(
    "--question",
    type=click.Choice(["storage", "cycles", "age"]),
    help="What is asked; without it, what the sources allow.",
)
@click.option(
    "--design",
    type=click.Choice(["split", "pairs", "shelf"]),
    help="How sources are assigned; without it, what the sources allow.",
)
@click.option("--weeks", type=SettingType("weeks", of=_OF), help="Length (12).")
@click.option(
    "--trials-per-week",
    type=SettingType("trials_per_week", of=_OF),
    help="Trials a week, blank areas counted (20).",
)
@click.option(
    "--blanks",
    type=SettingType("blanks", share=True, of=_OF),
    help="Share of trials on blank areas (0.25).",
)
@click.option(
    "--sources",
    multiple=True,
    metavar="SOURCE",
    help="A source that may be used; give it once for each. Without it: all that are held.",
)
@click.option("--cut/--no-cut", "may_cut", default=None, help="Sources may be cut in two (no).")
@click.option("--looks", type=SettingType("looks", of=_OF), help="Planned analyses (1).")
@click.option("--starts-on", metavar="DATE", help="First day (the Monday after the last trial).")
@click.option(
    "--floor",
    type=SettingType("floor", share=True),
    help="Finds that matter: the change looked for ends here (0.85).",
)
@settings_option
@plan_option
@seed_option
@json_option
def command(
    records: Path,
    out: Path,
    settings_file: Path | None,
    plan: Path | None,
    floor: float | None,
    seed: int | None,
    as_json: bool,
    **asked: Any,
) -> None:
    """Plan the next trials by lot, so that the records can answer.

    Writes plan.json (which source lies where: the key, keep it), plan.xlsx and
    plan.html (sheets for handlers, setter and storekeeper, to print),
    packing.html (what goes into which container) and power.png (how often such
    a plan would show a difference). Training days, dogs and more may stand
    under [plan] in unit.toml.
    """
    from outcomes.report.plan_files import check_plan_out

    check_plan_out(out, records)
    options = UnitOptions(records, settings_file, floor=floor, seed=seed, plan=plan)
    wanted = _with_options(options.settings().plan, asked)
    say("Reading the records")
    loaded = load(options)
    from outcomes.answers.planned import plan_request
    from outcomes.exposure.trials import join
    from outcomes.planning.make import make_plan
    from outcomes.planning.unit import unit_facts
    from outcomes.wording.plan import with_words

    say("Joining trials with storage")
    unit = unit_facts(loaded.records, join(loaded.records))
    made = with_words(make_plan(unit, plan_request(wanted, loaded.decisions), say))
    from outcomes.records.placing import write_files
    from outcomes.report.plan_files import plan_files
    from outcomes.report.results.plan_made import make_plan_made
    from outcomes.wording.plan_made import describe_plan_made

    say("Drawing and writing")
    write_files(out, plan_files(made))
    tell_leftovers(out)
    if as_json:
        show_json(make_plan_made(made))
        return
    key, briefing = shlex.quote(str(out / "plan.json")), "--out our-briefing"
    brief = f"{called_as()} brief {shlex.quote(str(records))} --plan {key} {briefing}"
    for line in describe_plan_made(made, str(out / "plan.html"), brief.replace(" ", KEPT_TOGETHER)):
        tell(line)


def _with_options(settings: PlanSettings, asked: dict[str, Any]) -> PlanSettings:
    """The unit's settings, in which the options given on the command line win."""
    import datetime as dt

    from outcomes.errors import UsageError

    given = {name: value for name, value in asked.items() if value not in (None, ())}
    if "starts_on" in given:
        try:
            given["starts_on"] = dt.date.fromisoformat(given["starts_on"])
        except ValueError:
            raise UsageError(
                f"--starts-on {given['starts_on']!r} is not a date. Write it as 2026-03-14."
            ) from None
    return replace(settings, **given)
