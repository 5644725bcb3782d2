"""``outcomes check``: what is wrong with the records, row by row."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from outcomes.cli.options import (
    check_key_of_plan,
    json_option,
    plan_option,
    records_argument,
    settings_option,
    show_json,
    with_command,
)
from outcomes.cli.terminal import tell
from outcomes.text import Row

if TYPE_CHECKING:
    from outcomes.settings import RecordsSettings

_SHOWN = 200


@click.command("check")
@records_argument
@settings_option
@plan_option
@json_option
@click.option("--all", "show_all", is_flag=True, help="Show every finding of every row.")
@click.option(
    "--draft",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write a whole unit.toml to read and correct, which keeps what yours says already; "
    "FILE must not exist yet.",
)
def command(
    records: Path,
    settings_file: Path | None,
    plan: Path | None,
    as_json: bool,
    show_all: bool,
    draft: Path | None,
) -> int:
    """Tell what is wrong with the records, row by row, and what would mend it.

    Exit status 1 if something stops the work, or no question can be answered.
    """
    if draft is not None:
        return _write_draft(records, settings_file, draft)
    from outcomes.exposure.set_aside import with_set_aside
    from outcomes.exposure.trials import join
    from outcomes.records.checking.mends import describe_no_trial_left
    from outcomes.records.read import examine_and_read
    from outcomes.records.unit_file import load_settings
    from outcomes.report.check_report import check_lines, check_results
    from outcomes.wording.usable import NO_QUESTION, usable_rows, why_not_usable

    settings = load_settings(records, settings_file)
    examination, read = examine_and_read(records, settings.records, plan=plan)
    usable = why_not = None
    if read is not None:
        check_key_of_plan(read)
        joined = join(read)
        examination = with_set_aside(examination, (*joined.set_aside, *joined.notes))
        usable = usable_rows(joined, settings.decisions.rule)
        why_not = why_not_usable(joined, settings.decisions.rule)
    none_left = read is not None and not len(joined.trials)
    no_question = usable is not None and not none_left and not any(usable.values())
    stops = bool(examination.stops) or none_left or no_question
    if as_json:
        show_json(check_results(examination, usable, why_not))
        return int(stops)
    if none_left:
        tell(f"{describe_no_trial_left(examination)}\n")
    if no_question:
        tell(f"{NO_QUESTION}\n")
    most = None if show_all else _SHOWN
    for line in check_lines(examination, most, usable, why_not, grouped=not show_all):
        tell(line)
    for line in _suggestion(records, settings_file, settings.records):
        tell(line)
    return int(stops)


def _write_draft(records: Path, settings_file: Path | None, draft: Path) -> int:
    from outcomes.errors import OutputError
    from outcomes.exposure.set_aside import with_set_aside
    from outcomes.exposure.trials import join
    from outcomes.records.placing import write_new
    from outcomes.records.read import examine_and_read
    from outcomes.records.suggest import draft_settings
    from outcomes.records.unit_file import load_settings, settings_of, settings_path, text_there
    from outcomes.report.out_folder import check_name
    from outcomes.wording.draft import describe_draft, describe_next_step, describe_no_draft

    check_name(draft)
    if draft.exists() or draft.is_symlink():
        raise OutputError(f"{draft} is there already and is left as it is. Give another name.")

    def usable(settings: RecordsSettings) -> tuple[int, int]:
        examination, read = examine_and_read(records, settings)
        totals = sum(f.rule == "total row" for f in examination.findings if f.table == "trials")
        handed = examination.rows_in.get("trials", 0) - totals
        return (0 if read is None else len(join(read).trials)), handed

    load_settings(records, settings_file)  # what is wrong with it is told before all else
    file = settings_path(records) if settings_file is None else settings_file
    there = text_there(file)
    made = draft_settings(records, usable, there)
    if not made.text:
        told = describe_no_draft(*usable(settings_of(there or "").records), more=bool(there))
        tell(with_command(told, records))
        return 0
    write_new(draft, made.text.encode())
    examination, read = examine_and_read(records, settings_of(made.text).records)
    if read is not None:
        joined = join(read)
        examination = with_set_aside(examination, (*joined.set_aside, *joined.notes))
    for line in describe_draft(made, draft, examination, new_lines=bool(there)):
        tell(line)
    if made.usable:
        given = None if draft.resolve() == settings_path(records).resolve() else draft
        tell(with_command(describe_next_step(), records, given))
    return int(not made.usable)


def _suggestion(
    records: Path, settings_file: Path | None, settings: RecordsSettings
) -> Iterator[str]:
    """Lines for the unit's settings, and where they go; none where there is nothing to say."""
    from outcomes.records.suggest import suggest_settings
    from outcomes.records.unit_file import sections_of, settings_path
    from outcomes.wording.draft import describe_first_draft

    file = settings_path(records) if settings_file is None else settings_file
    text = suggest_settings(records, settings, sections_of(file))
    if not text:
        return
    yield ""
    if file.exists():
        yield f"Add these lines to {file}. They are guessed: read and correct every one first."
    else:
        yield with_command(describe_first_draft(file), records)
        yield ""
        yield (
            f"Save these lines as a text file beside the records: {file}. They are guessed: read "
            "and correct every one first; nothing is applied until you do."
        )
    yield ""
    yield Row(text.rstrip("\n"))
