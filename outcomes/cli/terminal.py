"""What a person reads: wrapped to the terminal's width, coloured where a terminal wants it."""

from __future__ import annotations

import os
import shutil
import sys
from typing import TextIO

import click

from outcomes.text import wrapped

_UNKNOWN_WIDTH = 80
_LEAST_WIDTH = 20
ADVICE_COLOURS = {"retire": "red", "test": "yellow", "keep": "green"}


def width() -> int:
    """Letters to a line: ``COLUMNS`` where it is set, the terminal's own, or 80."""
    return max(shutil.get_terminal_size((_UNKNOWN_WIDTH, 24)).columns, _LEAST_WIDTH)


def wants_colour(stream: TextIO) -> bool:
    """Whether a stream is a terminal that shows colours, and its user has not declined them."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def tell(line: str, *, err: bool = False) -> None:
    """Print a line for people, wrapped; on standard error where asked."""
    click.echo("\n".join(wrapped(line, width())), err=err)


def tell_advice(line: str) -> None:
    """Print a line for people; where its first word is an advice, that word in its colour."""
    first = line.partition(" ")[0]
    if first not in ADVICE_COLOURS or not wants_colour(sys.stdout):
        tell(line)
        return
    rest = "\n".join(wrapped(line, width())).removeprefix(first)
    click.echo(click.style(first, fg=ADVICE_COLOURS[first]) + rest, color=True)


def complain(line: str) -> None:
    """One line on standard error; wrapped where a person sees it, whole in a file or a pipe."""
    if sys.stderr.isatty():
        tell(line, err=True)
    else:
        click.echo(line, err=True)


def say(words: str) -> None:
    """Progress, on standard error."""
    complain(f"{words} …")


def meter(what: str, done: int, of: int) -> None:
    """How far a long step is, on standard error where somebody watches."""
    if sys.stderr.isatty():
        text = f"  {what}: {done} of {of} ({100 * done // max(of, 1)} %)"
        click.echo(f"\r{text}{'' if done < of else chr(10)}", nl=False, err=True)
