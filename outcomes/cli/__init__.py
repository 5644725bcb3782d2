"""The command line: one file per command, one boundary where errors become one line."""

from __future__ import annotations

import atexit
import gc
import os
import sys
from importlib import import_module

import click

from outcomes import __version__
from outcomes.cli.options import COLLECT_SELDOM, called_as, ignore_signals, stop_on_signals
from outcomes.cli.terminal import complain
from outcomes.errors import OutcomesError

_COMMANDS = {
    "template": "A blank workbook to fill in.",
    "check": "What is wrong with the records, row by row.",
    "join": "Trials with the exposure of their source.",
    "fit": "What predicts finds, and when sources become unreliable.",
    "retire": "Retirement threshold, and advice for each source held.",
    "compare": "Refrigerated against frozen.",
    "watch": "Early warning: sources and dogs missed more often than expected.",
    "plan": "The next trials, by lot, so that the records can answer.",
    "share": "What a unit may give away for pooling: no rows, no names.",
    "pool": "Several units' shares together.",
    "brief": "The briefing: page, figure, tables, results.json.",
    "figure": "One figure for a slide.",
    "demo": "All of it on a synthetic unit, planted against found.",
}
# One thread: sums in a fixed order give the same bytes on any number of cores, and threads of
# small products cost more than they save. Set before NumPy is imported; the user's choice wins.
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
_DEFECT = 70
_INTERRUPTED = 130


class _NobodyReads(Exception):
    """Standard output was closed by whoever read it."""


class _Commands(click.Group):
    """Commands imported when called, so that help costs click alone."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command = import_module(f"outcomes.cli.{cmd_name}_command").command
        assert isinstance(command, click.Command)
        return command

    def invoke(self, ctx: click.Context) -> object:
        # click would end with the status of an error.
        try:
            answer: object = super().invoke(ctx)
            ignore_signals()
            sys.stdout.flush()
        except BrokenPipeError:
            raise _NobodyReads from None
        return answer

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name in _COMMANDS or name.startswith("-"):
            return super().resolve_command(ctx, args)
        import difflib

        near = difflib.get_close_matches(name.lower(), _COMMANDS, n=1)
        mend = f"Do you mean {near[0]!r}?" if near else f"There are {', '.join(_COMMANDS)}."
        raise click.UsageError(f"No such command {name!r}. {mend}", ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


@click.command(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="outcomes")
def group() -> None:
    """Tell from a unit's records whether stored sources change what the dogs find.

    RECORDS is a folder with sources, storage and trials (and dogs) as .csv or
    .parquet, or one .xlsx workbook with sheets of those names. Nothing in it
    is ever changed.
    """


def main() -> None:
    """Run the command line; every error a user can mend is one line on standard error."""
    for name in _ONE_THREAD:
        os.environ.setdefault(name, "1")
    gc.set_threshold(*COLLECT_SELDOM)
    # At the end all memory goes at once: looking through it first takes half a second.
    atexit.register(gc.freeze)
    stop_on_signals()
    try:
        status = group.main(prog_name=called_as(), standalone_mode=False)
        sys.exit(status if isinstance(status, int) else 0)
    except (click.exceptions.Abort, KeyboardInterrupt) as stop:
        ignore_signals()
        told = _with_notes("stopped; nothing was overwritten.", stop)
        _stop(told, getattr(stop.__cause__ or stop, "status", _INTERRUPTED))
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except OutcomesError as error:
        # Other stages name the command in backquotes; here it is known how it was called.
        line = str(error).replace("`outcomes ", f"`{called_as()} ")
        _stop(_with_notes(line, error), error.exit_status)
    except _NobodyReads:
        # Whoever read our output has had enough; closing quietly is what they expect.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        if os.environ.get("OUTCOMES_TRACEBACK"):
            import traceback

            traceback.print_exc()
        what = f"{type(error).__name__}: {error}".splitlines()[0]
        line = (
            f"something went wrong that is our defect, not yours ({what}). "
            "Set OUTCOMES_TRACEBACK=1 and run again to see where."
        )
        _stop(_with_notes(line, error), _DEFECT)


def _with_notes(line: str, error: BaseException) -> str:
    """The line, and what is noted with the error or with what it was made of."""
    notes: list[str] = []
    one: BaseException | None = error
    while one is not None:
        notes += getattr(one, "__notes__", [])
        one = one.__cause__ or one.__context__
    return " ".join([line, *dict.fromkeys(notes)])


def _stop(line: str, status: int) -> None:
    complain(f"outcomes: {line}")
    sys.exit(status)
